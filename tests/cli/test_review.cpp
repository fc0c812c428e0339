#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;

const std::string kEngine = "docs/examples/street_v8_coupe.yaml";
const std::string kLog = "docs/examples/logs/quarry_lane_drive.csv";
const std::string kMap = "docs/examples/logs/columns.yaml";

ProgramRun review(const std::string& log, std::vector<std::string> more = {}) {
  std::vector<std::string> arguments{"review", kEngine, log, "--columns", kMap};
  arguments.insert(arguments.end(), more.begin(), more.end());
  return run_idlefit(arguments, {.folder = IDLEFIT_SOURCE_DIR});
}

const std::string kHeadings = "Time,Engine speed,MAP,Correction,Coolant,Throttle\n";

// A steady cruise at one correction, in percent.
std::string cruise(const std::string& percent) {
  std::string text = kHeadings;
  for (int i = 0; i < 100; ++i) {
    text += std::to_string(0.1 * i) + ",2000,50," + percent + ",190,9\n";
  }
  return text;
}

TEST_CASE("review says first whether the fuel table is lean or rich", "[trade]") {
  // Within 5 % fine, beyond 10 % act: from memory, no source.
  const TemporaryFolder folder;
  const auto line = [&](const std::string& percent) {
    const ProgramRun run = review(folder.write("log.csv", cruise(percent)), {"--quiet"});
    CHECK(run.exit_code == 0);
    return run.out;
  };
  CHECK(line("12") ==
        "+12.0% correction, load-weighted: the fuel table is lean; beyond 10%: act on it\n");
  CHECK(line("-7") ==
        "-7.0% correction, load-weighted: the fuel table is rich; between 5% and 10%: watch it\n");
  CHECK(line("2") == "+2.0% correction, load-weighted: the fuel table is lean; within 5%: fine\n");
}

TEST_CASE("review's text is one screen, and its other forms agree with it", "[consistency]") {
  const ProgramRun text = review(kLog);
  CHECK(text.exit_code == 0);
  CHECK(std::count(text.out.begin(), text.out.end(), '\n') <= 24);
  const auto json = nlohmann::json::parse(review(kLog, {"--json"}).out);
  CHECK(json["schema"] == "idlefit.review/1");
  CHECK(json["rows"]["read"] == 225);
  CHECK(json["idle"]["windows"] == 2);
  CHECK(json["cruise"]["longest_lines"] == nlohmann::json{78, 117});
  CHECK(json["faults"].size() == 2);
  const std::string csv = review(kLog, {"--csv"}).out;
  CHECK(static_cast<std::size_t>(std::count(csv.begin(), csv.end(), '\n')) ==
        json["map"].size() + 1);
  int readings = 0;
  for (const auto& cell : json["map"]) readings += cell["readings"].get<int>();
  CHECK(readings == json["rows"]["in_map"].get<int>());
}

TEST_CASE("review exits by what it could do", "[consistency]") {
  const TemporaryFolder folder;
  const ProgramRun one = review(folder.write("one.csv", kHeadings + "0,800,50,0,190,0\n"));
  CHECK(one.exit_code == 0);
  CHECK_THAT(one.out, Contains("no steady window"));
  const ProgramRun cold = review(folder.write("cold.csv", kHeadings + "0,800,50,0,60,0\n"));
  CHECK(cold.exit_code == 1);
  CHECK_THAT(cold.out, Catch::StartsWith("Cannot judge") && Contains("1 below 160 degF"));
  const ProgramRun none = review(folder.write("none.csv", kHeadings), {"--json"});
  CHECK(none.exit_code == 1);
  CHECK(nlohmann::json::parse(none.out)["correction"]["mean_share"].is_null());
  const ProgramRun units = review(folder.write("units.csv", kHeadings + "0,800,0.5,0,190,0\n"));
  CHECK_THAT(units.out, Contains("Most rows are impossible"));
  const ProgramRun lacks = review(folder.write("lacks.csv", "Time,MAP\n0,50\n"));
  CHECK(lacks.exit_code == 3);
  CHECK(lacks.out.empty());
  CHECK_THAT(lacks.err, Contains("lacks.csv:1") && Contains("Engine speed"));
  CHECK(run_idlefit({"review"}).exit_code == 2);
  CHECK(review(kLog, {"--csv", "--json"}).exit_code == 2);
  CHECK_THAT(run_idlefit({"review", "--template"}).out, Contains("idlefit.columns/1"));
}

TEST_CASE("review reads a long log fast, in memory that does not grow with it", "[consistency]") {
  const TemporaryFolder folder;
  std::string path;
  double size_MB = 0;
  {  // The text is gone before the program starts: a new process is charged with its parent's
     // memory.
    std::string text = kHeadings;
    for (int i = 0; text.size() < 20'000'000; ++i) {
      text += std::to_string(0.1 * i) + "," + std::to_string(800 + i % 3000) + "," +
              std::to_string(30 + i % 60) + ".5," + std::to_string(i % 11 - 5) + ".2,190,9.1\n";
    }
    path = folder.write("long.csv", text);
    size_MB = static_cast<double>(text.size()) / 1e6;
  }
  const ProgramRun small = review(kLog, {"--quiet"});
  const ProgramRun large = review(path, {"--quiet"});
  REQUIRE(large.exit_code == 0);
  const double speed_MB_s = size_MB / (large.cpu_s - small.cpu_s);
  WARN("review: " << speed_MB_s << " MB/s of processor time (wanted: 50 on a quiet machine), "
                  << large.peak_memory_MB << " MB at most");
  CHECK(large.peak_memory_MB < 100);
  CHECK(large.peak_memory_MB < small.peak_memory_MB + 5);
}

}  // namespace
}  // namespace idlefit
