#include "cli/save_file.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <signal.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

namespace idlefit {
namespace {

// Holds off an interrupt while the temporary file exists, so that none is left behind.
class HoldSignals {
 public:
  HoldSignals() {
    sigset_t interrupts;
    sigemptyset(&interrupts);
    sigaddset(&interrupts, SIGINT);
    sigaddset(&interrupts, SIGTERM);
    sigprocmask(SIG_BLOCK, &interrupts, &before_);
  }
  ~HoldSignals() { sigprocmask(SIG_SETMASK, &before_, nullptr); }
  HoldSignals(const HoldSignals&) = delete;
  HoldSignals& operator=(const HoldSignals&) = delete;

 private:
  sigset_t before_;
};

bool write_all(int file, std::string_view content) {
  while (!content.empty()) {
    const ssize_t written = write(file, content.data(), content.size());
    if (written < 0 && errno == EINTR) continue;
    if (written < 0) return false;
    content.remove_prefix(static_cast<std::size_t>(written));
  }
  return true;
}

}  // namespace

void save_file(const std::string& path, std::string_view content) {
  const HoldSignals hold;
  const std::string temporary = fmt::format("{}.{}.tmp", path, getpid());
  const auto refuse = [&path](int error) {
    return CannotWrite(fmt::format("{}: cannot be written: {}. Choose another name or folder.",
                                   path, std::strerror(error)));
  };
  const int file = open(temporary.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
  if (file < 0) throw refuse(errno);
  struct stat before;
  bool good = write_all(file, content) &&
              (stat(path.c_str(), &before) != 0 || fchmod(file, before.st_mode & 07777) == 0) &&
              fsync(file) == 0;
  int error = errno;
  if (close(file) != 0 && good) {
    good = false;
    error = errno;
  }
  if (good && rename(temporary.c_str(), path.c_str()) != 0) {
    good = false;
    error = errno;
  }
  if (!good) {
    unlink(temporary.c_str());
    throw refuse(error);
  }
}

bool file_exists(const std::string& path) {
  struct stat there;
  return lstat(path.c_str(), &there) == 0;
}

}  // namespace idlefit
