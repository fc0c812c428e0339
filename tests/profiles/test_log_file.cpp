#include "profiles/log_file.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;

const std::string kColumns =
    "schema: idlefit.columns/1\n"
    "columns:\n"
    "  time: {heading: t, unit: ms}\n"
    "  speed: {heading: n, unit: rpm}\n"
    "  map: {heading: p, unit: psi}\n"
    "  correction: {heading: c, unit: percent of base}\n";

struct Read {
  std::vector<LogRow> rows;
  std::vector<std::int64_t> counts;  // by LogFault
  std::int64_t before = 0;
  std::vector<LogFaults> faults;
};

Read read_log(const std::string& text, const std::string& columns = kColumns) {
  const TemporaryFolder folder;
  LogReader reader(folder.write("log.csv", text), parse_log_columns(columns, "map.yaml"));
  Read read;
  for (LogRow row; reader.next(row);) read.rows.push_back(row);
  for (std::size_t i = 0; i < kLogFaults; ++i) {
    read.faults.push_back(reader.faults(static_cast<LogFault>(i)));
    read.counts.push_back(read.faults.back().count);
  }
  read.before = reader.lines_before_headings();
  CHECK(reader.used() == static_cast<std::int64_t>(read.rows.size()));
  // Every row is either used or counted as left out: the last two faults leave their rows in.
  std::int64_t left_out = 0;
  for (std::size_t i = 0; i < 5; ++i) left_out += read.counts[i];
  CHECK(reader.rows() == reader.used() + left_out);
  return read;
}

std::int64_t count(const Read& read, LogFault fault) {
  return read.counts[static_cast<std::size_t>(fault)];
}

std::string refusal(const std::string& text, const std::string& columns = kColumns) {
  try {
    read_log(text, columns);
  } catch (const InputError& error) {
    return error.what();
  }
  return "read";
}

TEST_CASE("a log's numbers come in the program's units", "[published]") {
  // 1 psi = 6.894757 kPa: NIST SP 811 (2008), appendix B.8.
  const Read read = read_log("t,n,p,c\n1500,800,7.5,104\n");
  REQUIRE(read.rows.size() == 1);
  const LogRow& row = read.rows[0];
  CHECK(row.line == 2);
  CHECK(row[LogRole::time] == Approx(1.5));
  CHECK(row[LogRole::speed] == 800);
  CHECK(row[LogRole::map] == Approx(7.5 * 6.894757).epsilon(1e-6));
  CHECK(row[LogRole::correction] == Approx(0.04));
  CHECK(std::isnan(row[LogRole::coolant]));
  CHECK_FALSE(row.joined);
}

TEST_CASE("separators, quotes, line ends and marks of all kinds give the same rows",
          "[consistency]") {
  for (const std::string text :
       {"t,n,p,c\n0,800,7.5,104\n100,810,7.25,103.5\n",
        "\xEF\xBB\xBFt,n,p,c\r\n0,800,7.5,104\r\n100,810,7.25,103.5",
        "t;n;p;c\n0;800;7,5;104\n100;810;7,25;103,5\n",
        "t;n;p;c\n0;800;7.5;104\n100;810;7.25;103.5",
        "t\tn\tp\tc\n0\t800\t7,5\t104\n100\t810\t7,25\t103,5\n",
        "\"t\",\"n\",\"p\",\"c\"\n\"0\",\"800\",\"7.5\",\"104\"\n100,\"810\", 7.25 ,+103.5\n",
        "An invented logger\n\nx,c,p,n,t,\"a \"\"b\"\", c\"\n9,104,7.5,800,0,\n\n"
        "9,103.5,7.25,810,100,\"u, v\"\n"}) {
    INFO(text);
    const Read read = read_log(text);
    REQUIRE(read.rows.size() == 2);
    CHECK(read.rows[0][LogRole::map] == Approx(7.5 * 6.894757).epsilon(1e-6));
    CHECK(read.rows[1][LogRole::map] == Approx(7.25 * 6.894757).epsilon(1e-6));
    CHECK(read.rows[1][LogRole::correction] == Approx(0.035));
    CHECK(read.rows[1].joined);
  }
  CHECK(read_log("An invented logger\nmore\nt,n,p,c\n0,800,7.5,104\n").before == 2);
}

TEST_CASE("what is wrong with lines of a log is counted, with the first of each", "[consistency]") {
  const Read read = read_log(
      "t,n,p,c\n"
      "0,800,7.5,100\n"        // 2
      "100,abc,7.5,100\n"      // 3 text
      "200,800,,100\n"         // 4 no value
      "300,800,7.5,NaN\n"      // 5 no value
      "400,800,750,100\n"      // 6 impossible
      "500,800\n"              // 7 too few
      "t,n,p,c\n"              // 8 headings
      "600,800,7.5,\"100\n"    // 9 open quote
      "700,800,7.5,1e999\n"    // 10 no number that a double holds
      "800,1_000,7.5,100\n"    // 11 text
      "900,1,200,7.5,100\n"    // 12 thousands with a comma: its MAP is 200 psi
      "1000,800,7.5,100\n"     // 13
      "900,800,7.5,100\n"      // 14 backwards
      "5000,800,7.5,100\n"     // 15 gap
      "5100,0x10,7.5,100\n");  // 16 text
  CHECK(count(read, LogFault::not_a_number) == 4);
  CHECK(count(read, LogFault::no_value) == 2);
  CHECK(count(read, LogFault::impossible) == 2);
  CHECK(count(read, LogFault::too_few) == 2);
  CHECK(count(read, LogFault::heading) == 1);
  CHECK(count(read, LogFault::backwards) == 1);
  CHECK(count(read, LogFault::gap) == 1);
  REQUIRE(read.rows.size() == 4);
  CHECK(read.rows[1].joined);  // 1 s after the first, the lines between left out
  CHECK_FALSE(read.rows[2].joined);
  CHECK_FALSE(read.rows[3].joined);
  const LogFaults& text = read.faults[static_cast<std::size_t>(LogFault::not_a_number)];
  REQUIRE(text.first.size() == LogFaults::kShown);
  CHECK(text.first[0].line == 3);
  CHECK(text.first[0].what == "speed: \"abc\"");
}

TEST_CASE("one decimal sign holds for a whole log", "[consistency]") {
  const Read read = read_log("t;n;p;c\n0;800;7,5;100\n100;1.200;7,5;100\n200;800;7,5;100\n");
  CHECK(read.rows.size() == 2);
  CHECK(count(read, LogFault::not_a_number) == 1);
}

TEST_CASE("a log that cannot be read says why and what to do", "[consistency]") {
  CHECK_THAT(refusal(""), Contains("log.csv") && Contains("empty"));
  CHECK_THAT(refusal("\n \n"), Contains("empty"));
  CHECK_THAT(refusal("t,n,P,c\n0,800,7.5,100\n"),
             Contains("log.csv:1") && Contains("\"p\" (map)") && Contains("Did you mean \"P\""));
  CHECK_THAT(refusal("t,n,n,p,c\n0,800,800,7.5,100\n"), Contains("each heading once"));
  CHECK_THAT(refusal(std::string("\xFF\xFEt\0,\0", 6)), Contains("UTF-8"));
  CHECK_THAT(refusal("t,n,p,c\n" + std::string(400'000, '1')), Contains("64 kB"));
  const LogColumns columns = parse_log_columns(kColumns, "map.yaml");
  CHECK_THROWS_AS(LogReader("/no/such/log.csv", columns), InputError);
  CHECK_THROWS_AS(LogReader("/", columns), InputError);
}

TEST_CASE("a column map is read strictly, and the one to copy reads", "[consistency]") {
  std::string whole(log_columns_template());
  CHECK(parse_log_columns(whole, "template").of[static_cast<std::size_t>(LogRole::throttle)]);
  whole.replace(whole.find("# lambda"), 2, "");
  for (const auto& column : parse_log_columns(whole, "template").of) CHECK(column);
  const auto with = [](std::string from, const std::string& to) {
    std::string text = kColumns;
    text.replace(text.find(from), from.size(), to);
    return refusal("t,n,p,c\n0,800,7.5,100\n", text);
  };
  CHECK(with("psi", "kPa") == "read");
  CHECK_THAT(with("psi", "degF"), Contains("map.yaml:5") && Contains("a unit of pressure"));
  CHECK_THAT(with("ms", "hours"), Contains("map.yaml:3"));
  CHECK_THAT(with("columns/1", "columns/2"), Contains("map.yaml:1"));
  CHECK_THAT(with("  speed:", "  spede:"), Contains("map.yaml:4"));
  CHECK_THAT(with("  speed: {heading: n, unit: rpm}\n", ""), Contains("speed"));
}

}  // namespace
}  // namespace idlefit
