#pragma once

#include <stdexcept>
#include <string>
#include <string_view>

namespace idlefit {

/// A file could not be written; what() is the whole message for a person.
class CannotWrite : public std::runtime_error {
 public:
  using std::runtime_error::runtime_error;
};

/// Writes a file whole or not at all: a temporary file beside it, synced, then renamed over `path`,
/// which therefore holds either what it held before or all of `content`. Throws CannotWrite. An
/// interrupt waits until the file is written; so that it does, call it from the program's only
/// thread, or with the other threads holding interrupts off.
void save_file(const std::string& path, std::string_view content);

/// The same, but a file that was there is kept beside the new one as `path`.before-1, or -2 and so
/// on, the first name that is free. At no moment is there neither. Returns the name under which it
/// is kept; empty where there was none.
std::string save_file_keeping(const std::string& path, std::string_view content);

/// Writes a file that was not there, whole or not at all, and never in the place of another: false,
/// and nothing done, where something lies at `path`, even where it came there a moment ago. Throws
/// CannotWrite and minds interrupts as save_file does.
bool save_new_file(const std::string& path, std::string_view content);

/// Throws CannotWrite where save_file could not write: no such folder, a read-only one, a folder or
/// device in the file's place. For asking before long work; leaves nothing behind.
void check_writable(const std::string& path);

/// Whether anything lies at this path.
bool file_exists(const std::string& path);

/// Whether both paths lead to one file that is there.
bool same_file(const std::string& a, const std::string& b);

}  // namespace idlefit
