#pragma once

#include <atomic>
#include <cstddef>
#include <exception>
#include <mutex>
#include <system_error>
#include <thread>
#include <vector>

namespace idlefit {

/// Threads to use where nothing else is asked for: one a core.
inline unsigned default_threads() {
  const unsigned cores = std::thread::hardware_concurrency();
  return cores > 0 ? cores : 1;
}

/// Calls `work(i)` once for every i below `count`, on up to `threads` threads. What `work` does for
/// one i must not depend on the others, so that the outcome is the same on any number of threads;
/// where the system refuses a thread, it is done on those there are.
/// The first exception that escapes `work` is thrown here, after all threads have stopped.
template <class Work>
void for_each_index(std::size_t count, unsigned threads, const Work& work) {
  std::atomic<std::size_t> next{0};
  std::exception_ptr failure;
  std::mutex failure_mutex;
  const auto run = [&] {
    try {
      for (std::size_t i = next++; i < count; i = next++) work(i);
    } catch (...) {
      const std::scoped_lock lock(failure_mutex);
      if (!failure) failure = std::current_exception();
      next = count;
    }
  };
  std::vector<std::jthread> helpers;
  try {
    for (unsigned t = 1; t < threads && t < count; ++t) helpers.emplace_back(run);
  } catch (const std::system_error&) {
  }
  run();
  helpers.clear();  // joins
  if (failure) std::rethrow_exception(failure);
}

}  // namespace idlefit
