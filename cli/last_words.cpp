#include "cli/last_words.h"

#include <signal.h>
#include <unistd.h>

#include <cstdint>
#include <cstdio>
#include <cstring>
#include <new>

#include "cli/exit_code.h"

namespace idlefit {
namespace {

constexpr char kOutOfMemory[] = "idlefit: out of memory. Close other programs and try again.\n";
constexpr char kMistake[] =
    "idlefit: a mistake of the program, not of yours. Please report it with the command and the\n"
    "engine file.\n";

[[noreturn]] void on_terminate() {
  say_last_words(std::current_exception());
  _exit(kExitBug);
}

// As far as a stack may reach below main, whatever the system's limit; other memory lies further.
constexpr std::uintptr_t kStackBytes = 64u << 20;
std::uintptr_t stack_top = 0;
char handler_stack[65536];

// The stack grows as it is used. Where there is no memory for that, nothing is thrown: the access
// faults.
extern "C" void on_fault(int, siginfo_t* fault, void*) {
  const auto at = reinterpret_cast<std::uintptr_t>(fault->si_addr);
  const bool in_stack = at < stack_top && stack_top - at < kStackBytes;
  const char* const words = in_stack ? kOutOfMemory : kMistake;
  [[maybe_unused]] const ssize_t written = write(STDERR_FILENO, words, std::strlen(words));
  _exit(kExitBug);
}

void catch_faults() {
  struct sigaction action = {};
  // A sanitizer, which says more, keeps its own.
  if (sigaction(SIGSEGV, nullptr, &action) != 0 || action.sa_handler != SIG_DFL) return;
  stack_top = reinterpret_cast<std::uintptr_t>(__builtin_frame_address(0));
  stack_t stack = {};
  stack.ss_sp = handler_stack;
  stack.ss_size = sizeof(handler_stack);
  if (sigaltstack(&stack, nullptr) != 0) return;
  action.sa_sigaction = on_fault;
  action.sa_flags = SA_SIGINFO | SA_ONSTACK;
  sigaction(SIGSEGV, &action, nullptr);
}

}  // namespace

void prepare_last_words() {
  std::set_terminate(on_terminate);
  catch_faults();
}

void say_last_words(const std::exception_ptr& problem) {
  try {
    if (problem) std::rethrow_exception(problem);
    std::fputs(kMistake, stderr);
  } catch (const std::bad_alloc&) {
    std::fputs(kOutOfMemory, stderr);
  } catch (const std::exception& error) {
    std::fprintf(stderr, "%sIt says: %s\n", kMistake, error.what());
  }
}

}  // namespace idlefit
