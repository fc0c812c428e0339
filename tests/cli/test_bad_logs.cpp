// Logs as loggers really write them: what can be used must give the answer of the clean log, and
// what cannot must be counted with its line, or refused with what to do.

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;
using nlohmann::json;

const std::string kHeadings = "Time,Engine speed,MAP,Correction,Coolant,Throttle";

std::vector<std::string> clean_lines() {
  std::vector<std::string> lines{kHeadings};
  for (int i = 0; i < 200; ++i) {
    lines.push_back(std::to_string(i / 10) + "." + std::to_string(i % 10) + ",2000,50.5,12.5,190," +
                    "9.5");
  }
  return lines;
}

std::string joined(const std::vector<std::string>& lines, const std::string& end = "\n") {
  std::string text;
  for (const std::string& line : lines) text += line + end;
  return text;
}

ProgramRun review(const std::string& log) {
  const TemporaryFolder folder;
  return run_idlefit({"review", "docs/examples/street_v8_coupe.yaml", folder.write("log.csv", log),
                      "--columns", "docs/examples/logs/columns.yaml", "--json"},
                     {.folder = IDLEFIT_SOURCE_DIR});
}

// What a review makes of a log that can be used, clean rows at +12.5 %.
json told(const std::string& log) {
  const ProgramRun run = review(log);
  INFO(run.err);
  REQUIRE(run.exit_code == 0);
  json document = json::parse(run.out);
  CHECK(document["correction"]["mean_share"].get<double>() == Approx(0.125));
  return document;
}

// Of one kind of fault, how many, and where first.
void check_fault(const json& document, const std::string& fault, int count, int line) {
  for (const json& entry : document["faults"]) {
    if (entry["fault"] != fault) continue;
    CHECK(entry["count"] == count);
    CHECK(entry["first"][0]["line"] == line);
    return;
  }
  FAIL("no fault called " << fault);
}

TEST_CASE("a log with text among its numbers", "[consistency]") {
  auto lines = clean_lines();
  lines[20] = "1.9,---,50.5,12.5,190,9.5";
  lines[30] = "2.9,2000,50.5,twelve,190,9.5";
  lines.insert(lines.begin() + 40, "Marker set by the driver");
  const json document = told(joined(lines));
  check_fault(document, "text where a number belongs", 2, 21);
  check_fault(document, "too few cells or an open quote", 1, 41);
  CHECK(document["rows"]["used"] == 198);
}

TEST_CASE("a log with gaps in time", "[consistency]") {
  auto lines = clean_lines();
  lines.erase(lines.begin() + 60, lines.begin() + 110);
  const json document = told(joined(lines));
  check_fault(document, "gap in time", 1, 61);
  CHECK(document["rows"]["used"] == 150);
  CHECK(document["cruise"]["windows"] == 2);  // none reaches over it
}

TEST_CASE("a log with its headings repeated", "[consistency]") {
  auto lines = clean_lines();
  lines.insert(lines.begin() + 50, kHeadings);
  lines.insert(lines.begin() + 150, kHeadings);
  const json document = told(joined(lines));
  check_fault(document, "headings repeated", 2, 51);
  CHECK(document["cruise"]["windows"] == 1);  // nothing is missing around them
}

TEST_CASE("a log whose clock runs backwards", "[consistency]") {
  auto lines = clean_lines();
  for (int i = 0; i < 100; ++i) lines.push_back(lines[static_cast<std::size_t>(i + 1)]);
  const json document = told(joined(lines));
  check_fault(document, "time runs backwards", 1, 202);
  CHECK(document["rows"]["used"] == 300);
  CHECK(document["cruise"]["windows"] == 2);
}

TEST_CASE("a log that lacks a column of the map", "[consistency]") {
  auto lines = clean_lines();
  lines[0] = "Time,Engine speed,MAP,Correctoin,Coolant,Throttle";
  const ProgramRun run = review(joined(lines));
  CHECK(run.exit_code == 3);
  CHECK(run.out.empty());
  CHECK_THAT(run.err, Contains("log.csv:1") && Contains("\"Correction\" (correction)") &&
                          Contains("Did you mean \"Correctoin\"?"));
}

TEST_CASE("a log with NaN, infinity and empty cells", "[consistency]") {
  auto lines = clean_lines();
  lines[10] = "0.9,NaN,50.5,12.5,190,9.5";
  lines[11] = "1.0,2000,inf,12.5,190,9.5";
  lines[12] = "1.1,2000,50.5,,190,9.5";
  lines[13] = "1.2,2000,50.5,-nan,190,9.5";
  const json document = told(joined(lines));
  check_fault(document, "no value", 4, 11);
  CHECK(document["rows"]["used"] == 196);
}

TEST_CASE("a log with impossible values", "[consistency]") {
  auto lines = clean_lines();
  lines[10] = "0.9,65535,50.5,12.5,190,9.5";
  lines[11] = "1.0,2000,0,12.5,190,9.5";
  lines[12] = "1.1,2000,50.5,12.5,-460,9.5";
  const json document = told(joined(lines));
  check_fault(document, "impossible value", 3, 11);
}

TEST_CASE("a log that opens with a byte order mark", "[consistency]") {
  const json document = told("\xEF\xBB\xBF" + joined(clean_lines()));
  CHECK(document["rows"]["used"] == 200);
  CHECK(document["faults"].empty());
}

TEST_CASE("a log with DOS line ends", "[consistency]") {
  const json document = told(joined(clean_lines(), "\r\n"));
  CHECK(document["rows"]["used"] == 200);
  CHECK(document["faults"].empty());
}

TEST_CASE("a log with semicolons and decimal commas", "[consistency]") {
  std::string text = joined(clean_lines());
  for (char& c : text) c = c == ',' ? ';' : c == '.' ? ',' : c;
  const json document = told(text);
  CHECK(document["rows"]["used"] == 200);
  CHECK(document["faults"].empty());
}

TEST_CASE("a log of one row", "[consistency]") {
  const json document = told(joined({kHeadings, "0,2000,50.5,12.5,190,9.5"}));
  CHECK(document["rows"]["used"] == 1);
  CHECK(document["map"].size() == 1);
  CHECK(document["map"][0]["sd_share"] == 0);
  CHECK(document["cruise"]["windows"] == 0);
}

TEST_CASE("a log cut short in its last line", "[consistency]") {
  std::string text = joined(clean_lines());
  text.resize(text.size() - 12);
  const json document = told(text);
  check_fault(document, "too few cells or an open quote", 1, 201);
  CHECK(document["rows"]["used"] == 199);
}

}  // namespace
}  // namespace idlefit
