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
/// which therefore holds either what it held before or all of `content`. Throws CannotWrite.
void save_file(const std::string& path, std::string_view content);

/// Whether anything lies at this path.
bool file_exists(const std::string& path);

}  // namespace idlefit
