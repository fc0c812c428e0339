#pragma once

#include <map>
#include <string>
#include <vector>

namespace idlefit {

/// What a program did.
struct ProgramRun {
  int exit_code = -1;            ///< 128 + signal where a signal ended it
  std::string out, err;          ///< standard output and standard error
  double cpu_s = 0, wall_s = 0;  ///< processor time (user and system) and elapsed time
  double peak_memory_MB = 0;     ///< largest resident set, 1 MB = 1e6 bytes
  // Under the address sanitizer cpu_s and peak_memory_MB stay 0: they would be its own.
};

struct ProgramSettings {
  std::string input{};                               ///< given on standard input, then closed
  std::string folder{};                              ///< working folder; empty for the caller's
  std::map<std::string, std::string> environment{};  ///< added to the caller's
};

/// Runs a program with arguments, without a shell, and waits for it.
ProgramRun run_program(const std::string& path, const std::vector<std::string>& arguments,
                       const ProgramSettings& settings = {});

/// Runs the idlefit that was built.
ProgramRun run_idlefit(const std::vector<std::string>& arguments,
                       const ProgramSettings& settings = {});

/// A folder of its own for one test, removed with all it holds.
class TemporaryFolder {
 public:
  TemporaryFolder();
  ~TemporaryFolder();
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;

  const std::string& path() const { return path_; }
  /// Writes a file in the folder and returns its path.
  std::string write(const std::string& name, const std::string& content) const;

 private:
  std::string path_;
};

/// Paths of the files in a folder of the repository ("docs/examples") whose names end in an
/// extension (".yaml"), sorted.
std::vector<std::string> repository_files(const std::string& folder, const std::string& extension);

/// The whole of a file; throws std::runtime_error where it cannot be read.
std::string read_file(const std::string& path);

}  // namespace idlefit
