#include "cli/save_file.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <signal.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <utility>

#include "profiles/input_error.h"

namespace idlefit {
namespace {

// Holds off an interrupt while the temporary file exists, so that none is left behind.
class HoldSignals {
 public:
  HoldSignals() {
    sigset_t interrupts;
    sigemptyset(&interrupts);
    for (const int signal : {SIGINT, SIGTERM, SIGHUP, SIGQUIT}) sigaddset(&interrupts, signal);
    pthread_sigmask(SIG_BLOCK, &interrupts, &before_);
  }
  ~HoldSignals() { pthread_sigmask(SIG_SETMASK, &before_, nullptr); }
  HoldSignals(const HoldSignals&) = delete;
  HoldSignals& operator=(const HoldSignals&) = delete;

 private:
  sigset_t before_;
};

CannotWrite refusal(const std::string& path, std::string_view problem, std::string_view remedy) {
  return CannotWrite(fmt::format("{}: cannot be written: {}. {}",
                                 path.empty() ? "a file without a name" : printable(path, 200),
                                 problem, remedy));
}

CannotWrite refusal(const std::string& path, int error) {
  const bool full = error == ENOSPC || error == EDQUOT;
  return refusal(path, error == ENOENT ? "there is no such folder" : std::strerror(error),
                 full             ? "Make room, or choose another folder."
                 : error == EFBIG ? "Raise the limit on the size of files (ulimit -f)."
                                  : "Choose another name or folder.");
}

// Renaming would put a file in the place of whatever lies there, as of a device.
void check_place(const std::string& path) {
  if (path.empty()) throw refusal(path, "the name is empty", "Give it a name.");
  struct stat there;
  if (stat(path.c_str(), &there) != 0 || S_ISREG(there.st_mode)) return;
  throw refusal(path, S_ISDIR(there.st_mode) ? "it is a folder" : "it is not a plain file",
                "Choose another name or folder.");
}

// A file that did not exist before, to be written; removed again unless it is kept.
class NewFile {
 public:
  // Tries the names in turn: next_name(n), n from 0, until one is free.
  template <class NextName>
  NewFile(const std::string& path, const NextName& next_name) : path_(path) {
    int n = 0;
    do {
      name_ = next_name(n++);
      file_ = open(name_.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    } while (file_ < 0 && errno == EEXIST);
    if (file_ < 0) throw refusal(path_, errno);
  }
  ~NewFile() {
    if (file_ >= 0) close(file_);
    if (!kept_) unlink(name_.c_str());
  }
  NewFile(const NewFile&) = delete;
  NewFile& operator=(const NewFile&) = delete;

  const std::string& name() const { return name_; }

  void write(std::string_view content) {
    while (!content.empty()) {
      const ssize_t written = ::write(file_, content.data(), content.size());
      if (written < 0 && errno == EINTR) continue;
      if (written < 0) throw refusal(path_, errno);
      content.remove_prefix(static_cast<std::size_t>(written));
    }
  }
  /// Gives it the permissions of a file that it stands for, if there is one.
  void take_permissions_of(const std::string& other) {
    struct stat there;
    if (stat(other.c_str(), &there) != 0) return;
    if (fchmod(file_, there.st_mode & 07777) != 0) throw refusal(path_, errno);
  }
  /// Sees it onto the disk.
  void finish() {
    const bool synced = fsync(file_) == 0;
    const int error = errno;
    const int file = std::exchange(file_, -1);
    if (close(file) != 0) throw refusal(path_, errno);
    if (!synced) throw refusal(path_, error);
  }
  void keep() { kept_ = true; }

 private:
  std::string path_, name_;
  int file_ = -1;
  bool kept_ = false;
};

auto temporary_names(const std::string& path) {
  return [&path](int n) {
    // A number is taken only where a program with this one's process number was killed before.
    return n == 0 ? fmt::format("{}.{}.tmp", path, getpid())
                  : fmt::format("{}.{}-{}.tmp", path, getpid(), n);
  };
}

std::string kept_name(const std::string& path, int n) {
  return fmt::format("{}.before-{}", path, n + 1);
}

// For a file system without hard links.
std::string copy_aside(const std::string& path) {
  std::ifstream old(path, std::ios::binary);
  NewFile copy(path, [&path](int n) { return kept_name(path, n); });
  std::array<char, 65536> block;
  while (old) {
    old.read(block.data(), block.size());
    copy.write({block.data(), static_cast<std::size_t>(old.gcount())});
  }
  if (!old.eof()) {
    throw refusal(path, "the file there cannot be read, and so not be kept",
                  "Choose another name or folder.");
  }
  copy.take_permissions_of(path);
  copy.finish();
  copy.keep();
  return copy.name();
}

// Gives an existing file a second name and returns it; empty where there is no file.
std::string keep_aside(const std::string& path) {
  for (int n = 0;; ++n) {
    const std::string kept = kept_name(path, n);
    if (link(path.c_str(), kept.c_str()) == 0) return kept;
    if (errno == EEXIST) continue;
    return errno == ENOENT ? std::string() : copy_aside(path);
  }
}

// Names reach the disk with the folder; where that cannot be asked for, they do so in time.
void sync_folder_of(const std::string& path) {
  const std::filesystem::path folder = std::filesystem::path(path).parent_path();
  const int names = open(folder.empty() ? "." : folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (names < 0) return;
  fsync(names);
  close(names);
}

// Gives a file the name `path` as well, or, on a file system without hard links, in place of its
// own; errno where it cannot, EEXIST where something has that name.
bool name_as_well(NewFile& file, const std::string& path) {
  if (link(file.name().c_str(), path.c_str()) == 0) return true;
  if (errno == EEXIST ||
      renameat2(AT_FDCWD, file.name().c_str(), AT_FDCWD, path.c_str(), RENAME_NOREPLACE) != 0) {
    return false;
  }
  file.keep();
  return true;
}

std::string save(const std::string& path, std::string_view content, bool keeping) {
  const HoldSignals hold;
  check_place(path);
  NewFile file(path, temporary_names(path));
  file.write(content);
  file.take_permissions_of(path);
  file.finish();
  const std::string kept = keeping ? keep_aside(path) : std::string();
  if (rename(file.name().c_str(), path.c_str()) != 0) {
    const int error = errno;
    if (!kept.empty()) unlink(kept.c_str());
    throw refusal(path, error);
  }
  file.keep();
  sync_folder_of(path);
  return kept;
}

}  // namespace

void save_file(const std::string& path, std::string_view content) { save(path, content, false); }

std::string save_file_keeping(const std::string& path, std::string_view content) {
  return save(path, content, true);
}

bool save_new_file(const std::string& path, std::string_view content) {
  const HoldSignals hold;
  NewFile file(path, temporary_names(path));
  file.write(content);
  file.finish();
  if (!name_as_well(file, path)) {
    if (errno == EEXIST) return false;
    throw refusal(path, errno);
  }
  sync_folder_of(path);
  return true;
}

void check_writable(const std::string& path) {
  const HoldSignals hold;
  check_place(path);
  const NewFile probe(path, temporary_names(path));
}

bool file_exists(const std::string& path) {
  struct stat there;
  return lstat(path.c_str(), &there) == 0;
}

bool same_file(const std::string& a, const std::string& b) {
  struct stat of_a, of_b;
  return stat(a.c_str(), &of_a) == 0 && stat(b.c_str(), &of_b) == 0 && of_a.st_dev == of_b.st_dev &&
         of_a.st_ino == of_b.st_ino;
}

}  // namespace idlefit
