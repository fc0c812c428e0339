#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

const std::filesystem::path kRoot = IDLEFIT_SOURCE_DIR;

std::vector<std::filesystem::path> pages() {
  std::vector<std::filesystem::path> found{kRoot / "README.md", kRoot / "DEVELOPERS.md"};
  for (const auto& entry : std::filesystem::recursive_directory_iterator(kRoot / "docs")) {
    if (entry.path().extension() == ".md") found.push_back(entry.path());
  }
  return found;
}

// What a command of a page prints, run in the repository's folder: both outputs as on a terminal.
std::string output_of(const std::string& command) {
  const std::string program = std::filesystem::path(IDLEFIT_EXECUTABLE).parent_path().string();
  return run_program("/bin/sh", {"-c", "exec 2>&1; PATH=\"$0:$PATH\"; " + command, program},
                     {.folder = kRoot.string()})
      .out;
}

struct Example {
  std::string command, printed_then, printed_now;
};

struct Page {
  std::string now;       ///< as it is
  std::string executed;  ///< with every example's output as it comes today
  std::vector<Example> examples;
};

// An example is a block fenced by ``` in which lines begin with "$ idlefit"; each such line runs,
// and what follows it, up to the next or to the fence, is what it printed.
Page execute(const std::filesystem::path& path) {
  Page page;
  page.now = read_file(path.string());
  std::istringstream lines(page.now);
  std::string line;
  bool fenced = false, example = false;
  while (std::getline(lines, line)) {
    if (line.rfind("```", 0) == 0) {
      fenced = !fenced;
      example = false;
    }
    if (fenced && line.rfind("$ idlefit", 0) == 0) {
      example = true;
      page.examples.push_back({line, "", output_of(line.substr(2))});
      page.executed += line + '\n' + page.examples.back().printed_now;
    } else if (example) {
      page.examples.back().printed_then += line + '\n';
    } else {
      page.executed += line + '\n';
    }
  }
  return page;
}

TEST_CASE("the examples of the documentation print what it says", "[consistency][docs]") {
  const bool update = std::getenv("IDLEFIT_UPDATE_DOCS") != nullptr;
  std::size_t examples = 0;
  for (const auto& path : pages()) {
    if (!std::filesystem::exists(path)) continue;
    const Page page = execute(path);
    examples += page.examples.size();
    if (update && page.executed != page.now) {
      std::ofstream(path, std::ios::binary) << page.executed;
      WARN("rewritten: " << path.string());
      continue;
    }
    for (const Example& example : page.examples) {
      INFO(path.string() << "\n" << example.command);
      CHECK(example.printed_now == example.printed_then);
    }
  }
  CHECK(examples >= 1);
}

}  // namespace
}  // namespace idlefit
