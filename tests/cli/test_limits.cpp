#include <algorithm>
#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>
#include <set>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

// What the system denies: memory, threads, room in a file.

namespace idlefit {
namespace {

using Catch::Contains;

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
constexpr bool kSanitized = true;
#elif defined(__has_feature)
constexpr bool kSanitized = __has_feature(address_sanitizer) || __has_feature(thread_sanitizer);
#else
constexpr bool kSanitized = false;
#endif

std::string example(const std::string& name) {
  return std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/" + name;
}

// Runs the program under limits as the shell sets them: "ulimit -v 40000".
ProgramRun run_limited(const std::string& limits, std::vector<std::string> arguments,
                       const std::string& shell_tail = "") {
  std::vector<std::string> words{"-c", limits + " && exec \"$0\" \"$@\"" + shell_tail,
                                 IDLEFIT_EXECUTABLE};
  words.insert(words.end(), arguments.begin(), arguments.end());
  return run_program("/bin/sh", words);
}

TEST_CASE("too little memory ends with a message, or with the answer", "[consistency][limits]") {
  if (kSanitized) {
    WARN("not shown: a sanitizer takes more memory than any limit allows");
    return;
  }
  const std::vector<std::string> command = GENERATE(values<std::vector<std::string>>(
      {{"estimate", example("mild_v8_phone_call.yaml"), "--quiet"},
       {"check", example("street_v8_coupe.yaml"), example("visits/street_v8_coupe.yaml"),
        "--quiet"},
       {"review", example("street_v8_coupe.yaml"), example("logs/quarry_lane_drive.csv"),
        "--columns", example("logs/columns.yaml"), "--quiet"}}));
  // From where the program cannot even be loaded (the loader says so, with 127) to where it answers
  // every time.
  constexpr int kStep_kB = 400, kEnough = 5;
  int answers = 0, ended = 0;
  for (int kB = 16'000; answers < kEnough; kB += kStep_kB) {
    REQUIRE(kB < 400'000);
    const ProgramRun run = run_limited("ulimit -v " + std::to_string(kB), command);
    INFO(command.front() << " with " << kB << " kB, exit code " << run.exit_code << ": "
                         << run.err);
    answers = run.exit_code == 0 ? answers + 1 : 0;
    if (run.exit_code == 0) continue;
    if (run.exit_code == 128 + SIGSEGV) {
      // Before the program's first instruction: where libgfortran finds no memory for its set-up it
      // tries again without end. Then the program cannot say its name either.
      CHECK(run_limited("ulimit -v " + std::to_string(kB), {"--version"}).exit_code ==
            run.exit_code);
      continue;
    }
    CHECK((run.exit_code == 5 || run.exit_code == 127));
    CHECK(run.out.empty());
    if (run.exit_code == 5) {
      CHECK_THAT(run.err, Contains("out of memory"));
      ++ended;
    } else {
      CHECK(!run.err.empty());
    }
  }
  CHECK(ended > 0);
}

TEST_CASE("a stack that cannot grow ends with a message", "[consistency][limits]") {
  if (kSanitized) {
    WARN("not shown: a sanitizer tells of it in its own way");
    return;
  }
  const ProgramRun run =
      run_limited("ulimit -s 64", {"estimate", example("mild_v8_phone_call.yaml"), "--quiet"});
  CHECK(run.exit_code == 5);
  CHECK_THAT(run.err, Contains("out of memory"));
}

std::size_t files_in(const std::string& folder) {
  return static_cast<std::size_t>(std::distance(std::filesystem::directory_iterator(folder),
                                                std::filesystem::directory_iterator()));
}

TEST_CASE("a file that outgrows the system's limit is refused and not left behind",
          "[consistency]") {
  const TemporaryFolder folder;
  const ProgramRun run = run_limited("ulimit -f 1", {"check", example("street_v8_coupe.yaml"),
                                                     example("visits/street_v8_coupe_after.yaml"),
                                                     "--record", folder.path(), "--quiet"});
  INFO(run.err);
  CHECK(run.exit_code == 4);
  CHECK_THAT(run.err, Contains("File too large") && Contains("ulimit -f"));
  CHECK(files_in(folder.path()) == 0);
}

TEST_CASE("an answer that outgrows the system's limit is not taken for a whole one",
          "[consistency]") {
  const TemporaryFolder folder;
  const ProgramRun run = run_limited("ulimit -f 1 && cd " + folder.path(),
                                     {"table", example("street_v8_coupe.yaml"), "--csv"}, " > out");
  CHECK(run.exit_code == 4);
  CHECK_THAT(run.err, Contains("cannot be written"));
}

// --- The same everywhere -------------------------------------------------------------------------

// A folder with the German locale, whose decimal sign is a comma; empty where the system cannot
// make one.
std::string german_locale(const TemporaryFolder& folder) {
  const ProgramRun made = run_program(
      "/usr/bin/localedef", {"-i", "de_DE", "-f", "UTF-8", folder.path() + "/de_DE.UTF-8"});
  if (made.exit_code != 0) return {};
  const ProgramRun sign =
      run_program("/usr/bin/locale", {"decimal_point"},
                  {.environment = {{"LC_ALL", "de_DE.UTF-8"}, {"LOCPATH", folder.path()}}});
  REQUIRE(sign.out == ",\n");
  return folder.path();
}

TEST_CASE("the same bytes over runs, cores and locales", "[consistency]") {
  const TemporaryFolder folder;
  const std::string locales = german_locale(folder);
  if (locales.empty()) WARN("not shown for German: this needs the package locales");
  const std::string points = folder.write("points.csv", [] {
    // The text before the rows, the headings, and the first rows: a fit that takes a second.
    const std::string all = read_file(example("quarry_lane_points.csv"));
    std::size_t end = 0;
    int rows = 0;
    for (bool headings = false; rows < 3; end = all.find('\n', end) + 1) {
      if (all[end] == '#') continue;
      rows += headings ? 1 : 0;
      headings = true;
    }
    return all.substr(0, end);
  }());
  for (const auto& entry : std::filesystem::directory_iterator(example(""))) {
    if (entry.path().extension() == ".yaml") {
      std::filesystem::copy(entry.path(), folder.path() + "/" + entry.path().filename().string());
    }
  }
  const std::vector<std::vector<std::string>> commands{
      {"estimate", example("mild_v8_phone_call.yaml")},
      {"estimate", example("vacuum_known_v8.yaml"), "--json"},
      {"estimate", example("street_v8_coupe.yaml"), "--start", "--explain"},
      {"table", example("street_v8_coupe.yaml"), "--csv"},
      {"check", example("street_v8_coupe.yaml"), example("visits/street_v8_coupe.yaml"), "--json"},
      {"review", example("street_v8_coupe.yaml"), example("logs/quarry_lane_drive.csv"),
       "--columns", example("logs/columns.yaml"), "--json"},
      {"record", "points", example("book")},
      {"profiles", "show", "firm", "--json"},
      {"fit", points, "--json"}};
  for (const auto& command : commands) {
    CAPTURE(command);
    const ProgramRun first = run_idlefit(command, {.environment = {{"LC_ALL", "C"}}});
    CHECK(first.err.empty());
    REQUIRE(!first.out.empty());
    CHECK(run_idlefit(command).out == first.out);
    if (!locales.empty()) {
      CHECK(run_idlefit(command, {.environment = {{"LC_ALL", "de_DE.UTF-8"}, {"LOCPATH", locales}}})
                .out == first.out);
    }
    std::vector<std::string> on_one_core{"-c", "0", IDLEFIT_EXECUTABLE};
    on_one_core.insert(on_one_core.end(), command.begin(), command.end());
    CHECK(run_program("/usr/bin/taskset", on_one_core).out == first.out);
  }
}

}  // namespace
}  // namespace idlefit
