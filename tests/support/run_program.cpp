#include "tests/support/run_program.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <stdexcept>

namespace idlefit {
namespace {

#if defined(__has_feature)
constexpr bool kSanitized = __has_feature(address_sanitizer);
#else
constexpr bool kSanitized = false;
#endif

struct Pipe {
  int read_end = -1, write_end = -1;
  Pipe() {
    int ends[2];
    if (pipe2(ends, O_CLOEXEC) != 0) throw std::runtime_error("no pipe");
    read_end = ends[0];
    write_end = ends[1];
  }
};

double seconds(const timeval& t) {
  return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
}

[[noreturn]] void become(const std::string& path, std::vector<char*> arguments,
                         const ProgramSettings& settings, const Pipe& in, const Pipe& out,
                         const Pipe& err) {
  dup2(in.read_end, STDIN_FILENO);
  dup2(out.write_end, STDOUT_FILENO);
  dup2(err.write_end, STDERR_FILENO);
  for (const auto& [name, value] : settings.environment) setenv(name.c_str(), value.c_str(), 1);
  if (!settings.folder.empty() && chdir(settings.folder.c_str()) != 0) _exit(126);
  execv(path.c_str(), arguments.data());
  _exit(127);
}

}  // namespace

ProgramRun run_program(const std::string& path, const std::vector<std::string>& arguments,
                       const ProgramSettings& settings) {
  signal(SIGPIPE, SIG_IGN);  // a program may end before it has read all of its input
  Pipe in, out, err;
  std::vector<std::string> words = arguments;
  words.insert(words.begin(), path);
  std::vector<char*> pointers;
  for (std::string& word : words) pointers.push_back(word.data());
  pointers.push_back(nullptr);

  const auto start = std::chrono::steady_clock::now();
  const pid_t child = fork();
  if (child < 0) throw std::runtime_error("no fork");
  if (child == 0) {
    signal(SIGPIPE, SIG_DFL);
    become(path, pointers, settings, in, out, err);
  }
  close(in.read_end);
  close(out.write_end);
  close(err.write_end);

  ProgramRun run;
  std::size_t given = 0;
  fcntl(in.write_end, F_SETFL, O_NONBLOCK);
  std::array<pollfd, 3> ends{
      {{in.write_end, POLLOUT, 0}, {out.read_end, POLLIN, 0}, {err.read_end, POLLIN, 0}}};
  const auto finish = [](pollfd& end) {
    close(end.fd);
    end.fd = -1;
  };
  if (settings.input.empty()) finish(ends[0]);
  while (ends[0].fd >= 0 || ends[1].fd >= 0 || ends[2].fd >= 0) {
    poll(ends.data(), ends.size(), -1);
    if (ends[0].fd >= 0 && ends[0].revents != 0) {
      const ssize_t n =
          write(ends[0].fd, settings.input.data() + given, settings.input.size() - given);
      if (n > 0) given += static_cast<std::size_t>(n);
      if (given == settings.input.size() || (n < 0 && errno != EAGAIN)) finish(ends[0]);
    }
    for (const std::size_t i : {1, 2}) {
      if (ends[i].fd < 0 || ends[i].revents == 0) continue;
      std::array<char, 65536> buffer;
      const ssize_t n = read(ends[i].fd, buffer.data(), buffer.size());
      if (n > 0) (i == 1 ? run.out : run.err).append(buffer.data(), static_cast<std::size_t>(n));
      if (n <= 0) finish(ends[i]);
    }
  }

  int status = 0;
  rusage usage{};
  wait4(child, &status, 0, &usage);
  run.wall_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  run.exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
  if (!kSanitized) {
    run.cpu_s = seconds(usage.ru_utime) + seconds(usage.ru_stime);
    run.peak_memory_MB = static_cast<double>(usage.ru_maxrss) * 1024 / 1e6;
  }
  return run;
}

ProgramRun run_idlefit(const std::vector<std::string>& arguments, const ProgramSettings& settings) {
  return run_program(IDLEFIT_EXECUTABLE, arguments, settings);
}

TemporaryFolder::TemporaryFolder() {
  path_ = (std::filesystem::temp_directory_path() / "idlefit-test-").string() +
          std::to_string(getpid()) + "-";
  for (int n = 0;; ++n) {
    if (std::filesystem::create_directory(path_ + std::to_string(n))) {
      path_ += std::to_string(n);
      return;
    }
  }
}

TemporaryFolder::~TemporaryFolder() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

std::string TemporaryFolder::write(const std::string& name, const std::string& content) const {
  std::string file = path_ + "/" + name;
  std::ofstream(file, std::ios::binary) << content;
  return file;
}

std::vector<std::string> repository_files(const std::string& folder, const std::string& extension) {
  std::vector<std::string> files;
  for (const auto& entry :
       std::filesystem::directory_iterator(std::string(IDLEFIT_SOURCE_DIR) + "/" + folder)) {
    if (entry.path().extension() == extension) files.push_back(entry.path().string());
  }
  std::sort(files.begin(), files.end());
  return files;
}

std::string read_file(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  if (!file) throw std::runtime_error("cannot read " + path);
  std::ostringstream content;
  content << file.rdbuf();
  return content.str();
}

}  // namespace idlefit
