#include "cli/record.h"

#include <unistd.h>

#include <algorithm>
#include <boost/math/distributions/binomial.hpp>
#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "cli/save_file.h"
#include "model/units.h"
#include "profiles/points_file.h"
#include "profiles/visit_file.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

namespace fs = std::filesystem;
using Catch::Contains;
using nlohmann::json;

const std::string kExamples = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/";
const std::string kStreet = kExamples + "street_v8_coupe.yaml";
const std::string kBook = kExamples + "book";

// A healthy idle of the street V8: about what is expected of it.
std::string visit_of(const std::string& vacuum, const std::string& more = "") {
  return "car: Street V8 coupe\nidle: {speed: 790 rpm, coolant: 90 degC}\nspark: {idle: 15}\n"
         "manifold: {vacuum: " +
         vacuum + ", barometer: 29.0 inHg, tap: plenum, needle: steady}\n" + more;
}

ProgramRun record(const TemporaryFolder& files, const std::string& book, const std::string& visit,
                  const std::string& name = "visit.yaml") {
  return run_idlefit({"check", kStreet, files.write(name, visit), "--record", book, "--quiet"});
}

std::vector<std::string> names_in(const std::string& folder) {
  std::vector<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder))
    names.push_back(entry.path().filename().string());
  std::sort(names.begin(), names.end());
  return names;
}

// An entry that is in order, its reading so many kPa from what was expected, within 5 either way.
BookEntry entry_off(double off_kPa) {
  BookEntry e;
  e.file = "entry.yaml";
  e.date = "2026-02-03";
  e.car = "Any car";
  e.program = "idlefit 0.1.0";
  e.physics = 1;
  e.coefficients = "shipped defaults";
  e.coefficients_sha256 = std::string(64, 'a');
  e.before = BookEntry::Expected{800, 98e3, 50e3, 45e3, 55e3};
  e.stated_low_Pa = 46e3;
  e.stated_high_Pa = 54e3;
  e.at_visit = {810, 98e3, 50e3, 45e3, 55e3};
  e.map_Pa = 50e3 + 1e3 * off_kPa;
  e.reading_sd_Pa = 1500;
  e.engine = "engine: {cylinders: 8, displacement: 5.7 L}\ncam: {described_as: mild}\n";
  e.visit = "manifold: {map: 50 kPa}\n";
  return e;
}

TEST_CASE("a healthy visit goes into the book with what was expected before", "[consistency]") {
  const TemporaryFolder files, book;
  const ProgramRun run = record(files, book.path(), visit_of("13.6 inHg", "# said in passing\n"));
  INFO(run.err);
  REQUIRE(run.exit_code == 0);
  CHECK_THAT(run.err, Contains("Recorded: " + book.path() + "/"));
  const Book read = read_book(book.path());
  REQUIRE(read.entries.size() == 1);
  CHECK(read.damaged.empty());
  const BookEntry& e = read.entries.front();
  CHECK(e.car == "Street V8 coupe");
  CHECK_THAT(e.visit, Contains("# said in passing"));
  // What estimate says of the engine file, and check of the visit.
  const json estimate = json::parse(run_idlefit({"estimate", kStreet, "--json"}).out);
  REQUIRE(e.before);
  CHECK(to_kPa(e.before->map_Pa) == Approx(estimate["idle"]["map_kPa"].get<double>()));
  CHECK(to_kPa(e.stated_low_Pa) == Approx(estimate["interval"]["map_kPa"][0].get<double>()));
  CHECK(to_kPa(e.stated_high_Pa) == Approx(estimate["interval"]["map_kPa"][1].get<double>()));
  CHECK(e.before->low_Pa < e.stated_low_Pa);  // the gauge's error is in it
  const json check = json::parse(
      run_idlefit({"check", kStreet, files.path() + "/visit.yaml", "--json"}).out)["manifold"];
  CHECK(to_kPa(e.map_Pa) == Approx(check["measured_map_kPa"].get<double>()));
  CHECK(to_kPa(e.at_visit.map_Pa) == Approx(check["expected_map_kPa"].get<double>()));
  CHECK(to_kPa(e.at_visit.low_Pa) == Approx(check["interval_map_kPa"][0].get<double>()));
}

TEST_CASE("what is not of a healthy engine stays out of the book, and why is said",
          "[consistency]") {
  const TemporaryFolder files, book;
  struct Case {
    std::string visit, says;
  };
  const std::string needle =
      "manifold: {vacuum: 13.6 inHg, barometer: 29 inHg, tap: plenum, needle: regular drop, swing: "
      "4 inHg}\n";
  for (const auto& [visit, says] : std::vector<Case>{
           {visit_of("8 inHg"), "far out"},
           {"idle: {speed: 790 rpm, coolant: 90 degC}\n" + needle, "reading: needle."},
           {"manifold: {vacuum: 13.6 inHg, needle: fast swing}\n", "needle (not judged, first: "},
           {"idle: {coolant: 30 degC}\nmanifold: {vacuum: 13.6 inHg}\n", "not warm"},
           {"idle: {speed: 790 rpm}\n", "could not be judged"}}) {
    INFO(visit);
    const ProgramRun run = record(files, book.path(), visit);
    CHECK(run.exit_code == 1);
    CHECK_THAT(run.err, Contains("Not recorded: ") && Contains(says));
    CHECK(names_in(book.path()).empty());
  }
  // What is wrong with the throttle stop does not move MAP at the speed that was read.
  CHECK(record(files, book.path(), visit_of("13.6 inHg", "air: {idle_air: 0}\n")).exit_code == 0);
  // The same visit once more would count a reading twice.
  const ProgramRun again =
      record(files, book.path(), visit_of("13.6 inHg", "air: {idle_air: 0}\n\n"));
  CHECK(again.exit_code == 1);
  CHECK_THAT(again.err, Contains("in the book already"));
  CHECK(names_in(book.path()).size() == 1);
  const json document = json::parse(run_idlefit({"check", kStreet, files.path() + "/visit.yaml",
                                                 "--record", book.path(), "--json"})
                                        .out);
  CHECK(document["record"]["file"].is_null());
  CHECK_THAT(document["record"]["why_not"].get<std::string>(), Contains("in the book already"));
}

TEST_CASE("an idle in gear is not held against what was said of one in neutral", "[consistency]") {
  const TemporaryFolder files, book;
  REQUIRE(record(files, book.path(),
                 "idle: {speed: 680 rpm, gear: drive}\nmanifold: {vacuum: 11 inHg, barometer: "
                 "29 inHg}\n")
              .exit_code == 0);
  const Book read = read_book(book.path());
  CHECK_FALSE(read.entries.at(0).before);
  const json list = json::parse(run_idlefit({"record", "list", book.path(), "--json"}).out);
  CHECK(list["before"]["of"] == 0);
  CHECK(list["at_visit"]["of"] == 1);
}

TEST_CASE("programs that record at once lose no entry and overwrite none", "[consistency]") {
  const TemporaryFolder files, book;
  const std::string first = book.write("first.yaml", write_entry(entry_off(1)));
  const std::string before = read_file(first);
  const std::vector<std::string> vacuums{"13.3 inHg", "13.5 inHg", "13.7 inHg", "13.9 inHg"};
  std::vector<std::thread> programs;
  for (const std::string& vacuum : vacuums) {
    programs.emplace_back(
        [&, vacuum] { record(files, book.path(), visit_of(vacuum), vacuum + ".yaml"); });
  }
  for (std::thread& program : programs) program.join();
  const Book read = read_book(book.path());
  CHECK(read.damaged.empty());
  CHECK(read.entries.size() == 1 + vacuums.size());
  for (const std::string& vacuum : vacuums) {
    CHECK(std::count_if(read.entries.begin(), read.entries.end(),
                        [&](const BookEntry& e) { return e.visit == visit_of(vacuum); }) == 1);
  }
  CHECK(names_in(book.path()).size() == 1 + vacuums.size());  // nothing temporary is left
  CHECK(read_file(first) == before);
}

TEST_CASE("a new file never takes the place of another", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.path() + "/new.yaml";
  CHECK(save_new_file(path, "one"));
  CHECK_FALSE(save_new_file(path, "two"));
  CHECK(read_file(path) == "one");
  fs::create_symlink("nowhere", folder.path() + "/link");
  CHECK_FALSE(save_new_file(folder.path() + "/link", "three"));
  CHECK(names_in(folder.path()) == std::vector<std::string>{"link", "new.yaml"});
  CHECK_THROWS_AS(save_new_file(folder.path() + "/none/new.yaml", "four"), CannotWrite);
}

TEST_CASE("a damaged entry is read around and named with its line", "[consistency]") {
  const TemporaryFolder book;
  const std::string good = write_entry(entry_off(1));
  book.write("2026-02-03-good.yaml", good);
  const auto with = [&](const std::string& what, const std::string& by) {
    std::string text = good;
    text.replace(text.find(what), what.size(), by);
    return text;
  };
  book.write("a-key.yaml", with("physics: 1", "fysics: 1"));
  book.write("b-visit.yaml", with("map: 50 kPa}\n", "map: 500 kPa}\n"));
  book.write("c-engine.yaml", with("cylinders: 8", "cylinders: eight"));
  book.write("d-cut.yaml", good.substr(0, good.size() / 2));
  book.write("e-other.yaml", "engine: {cylinders: 8}\n");
  book.write("f-empty.yaml", "");
  book.write("notes.txt", "not an entry");
  const auto line_of = [&](const std::string& what) {
    return std::to_string(
        1 + std::count(good.begin(), good.begin() + static_cast<std::ptrdiff_t>(good.find(what)),
                       '\n'));
  };
  const ProgramRun run = run_idlefit({"record", "list", book.path()});
  CHECK(run.exit_code == 0);
  CHECK_THAT(run.out, Contains("1 of 1 idles") && Contains("6 damaged entries"));
  CHECK_THAT(run.err, Contains("a-key.yaml:" + line_of("physics")) &&
                          Contains("b-visit.yaml:" + line_of("manifold: {map")) &&
                          Contains("c-engine.yaml:" + line_of("engine: {cyl")) &&
                          Contains("d-cut.yaml") && Contains("e-other.yaml") &&
                          Contains("f-empty.yaml"));
  const ProgramRun points = run_idlefit({"record", "points", book.path()});
  CHECK(points.exit_code == 0);
  CHECK_THAT(points.err, Contains("a-key.yaml:"));
  CHECK(std::count(points.out.begin(), points.out.end(), '\n') == 3);  // remark, headings, a row
  const json document = json::parse(run_idlefit({"record", "list", book.path(), "--json"}).out);
  CHECK(document["damaged"].size() == 6);
}

TEST_CASE("an entry cut short anywhere is never taken for a whole one", "[consistency]") {
  const std::string good = write_entry(entry_off(1));
  const BookEntry whole = parse_entry(good, "x.yaml");
  std::size_t refused = 0;
  for (std::size_t bytes = 0; bytes + 1 < good.size(); ++bytes) {
    try {
      const BookEntry e = parse_entry(good.substr(0, bytes), "x.yaml");
      // Nothing but the end of the visit's text may be missing, which readings then say.
      CHECK(e.map_Pa == whole.map_Pa);
      CHECK(e.engine == whole.engine);
    } catch (const InputError&) {
      ++refused;
    }
  }
  CHECK(refused > good.size() * 9 / 10);
}

TEST_CASE("missing, empty and unwritable folders are told apart", "[consistency]") {
  const TemporaryFolder files, book;
  const std::string none = book.path() + "/none";
  const ProgramRun missing = run_idlefit({"record", "list", none});
  CHECK(missing.exit_code == 3);
  CHECK_THAT(missing.err, Contains(none) && Contains("mkdir"));
  CHECK(record(files, none, visit_of("13.6 inHg")).exit_code == 3);
  CHECK_FALSE(fs::exists(none));
  const std::string file = files.write("plain", "text");
  CHECK(run_idlefit({"record", "list", file}).exit_code == 3);

  const ProgramRun list = run_idlefit({"record", "list", book.path()});
  CHECK(list.exit_code == 1);
  CHECK_THAT(list.out, Contains("The book is empty") && Contains("--record"));
  const ProgramRun points = run_idlefit({"record", "points", book.path()});
  CHECK(points.exit_code == 1);
  CHECK(points.out.empty());
  CHECK_THAT(points.err, Contains("The book is empty"));
  CHECK(json::parse(run_idlefit({"record", "list", book.path(), "--json"}).out)["entries"].empty());

  CHECK(run_idlefit({"record"}).exit_code == 2);
  CHECK(run_idlefit({"record", "list"}).exit_code == 2);
  const ProgramRun near = run_idlefit({"record", "lsit", book.path()});
  CHECK(near.exit_code == 2);
  CHECK_THAT(near.err, Contains("did you mean list?"));

  if (geteuid() != 0) {  // who may do anything
    fs::permissions(book.path(), fs::perms::owner_read | fs::perms::owner_exec);
    CHECK(record(files, book.path(), visit_of("13.6 inHg")).exit_code == 4);
    fs::permissions(book.path(), fs::perms::owner_all);
  }
}

TEST_CASE("the points of a book are the engines and readings of its entries", "[consistency]") {
  const Book book = read_book(kBook);
  REQUIRE(book.damaged.empty());
  REQUIRE(book.entries.size() >= 5);
  const std::vector<MeasuredRow> rows = parse_points({{{"points.csv", book_points_csv(book)}}, {}});
  REQUIRE(rows.size() == book.entries.size());
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const BookEntry& e = book.entries[i];
    INFO(e.file);
    CHECK(rows[i].car == e.car);
    REQUIRE(rows[i].readings.size() == 1);
    CHECK(rows[i].readings[0].value == Approx(e.map_Pa).epsilon(1e-6));
    CHECK(rows[i].readings[0].sd == Approx(e.reading_sd_Pa).epsilon(1e-6));
    EngineCard card =
        card_at_visit(parse_engine_card(e.engine, e.file), parse_visit(e.visit, e.file));
    card.known = {};
    const Inputs<double> wanted = complete(card).engine.inputs;
    const Inputs<double> got = complete(*rows[i].card).engine.inputs;
    for (std::size_t k = 0; k < kInputCount; ++k) {
      INFO(kInputInfo[k].name);
      CHECK(input_value(got, k) == Approx(input_value(wanted, k)).epsilon(1e-7));
    }
  }
}

TEST_CASE("fit takes the points of a book", "[consistency]") {
  const TemporaryFolder folder;
  const ProgramRun points = run_idlefit({"record", "points", kBook});
  REQUIRE(points.exit_code == 0);
  const ProgramRun fit = run_idlefit(
      {"fit", folder.write("points.csv", points.out), "-o", folder.path() + "/c.yaml", "--json"});
  INFO(fit.err);
  CHECK(fit.exit_code == 0);
  const json table = json::parse(run_idlefit({"record", "points", kBook, "--json"}).out);
  CHECK(table["schema"] == "idlefit.record-points/1");
  CHECK(table["rows"].size() == read_book(kBook).entries.size());
}

TEST_CASE("coverage counts the readings inside, as they came", "[consistency]") {
  Book book;
  for (const double off_kPa : {1.0, -4.9, 7.0, 4.9, -6.0})
    book.entries.push_back(entry_off(off_kPa));
  book.entries[3].before.reset();
  const json document = book_json(book);
  CHECK(document["before"]["inside"] == 2);
  CHECK(document["before"]["of"] == 4);
  CHECK(document["at_visit"]["inside"] == 3);
  CHECK(document["at_visit"]["of"] == 5);
  std::vector<std::size_t> so_far;
  for (const json& e : document["entries"]) so_far.push_back(e["so_far"]["inside"]);
  CHECK(so_far == std::vector<std::size_t>{1, 2, 2, 2, 2});
  CHECK(document["before"]["measured_less_expected_mean_kPa"].get<double>() ==
        Approx((1.0 - 4.9 + 7.0 - 6.0) / 4));
  CHECK_THAT(book_line(book), Contains("2 of 4 idles"));
}

TEST_CASE("how many readings right intervals hold is the binomial law's", "[closed-form]") {
  for (const double chance : {0.8, 0.8 / 0.95}) {
    for (const std::size_t count : {1u, 5u, 20u, 137u}) {
      const boost::math::binomial law(static_cast<double>(count), chance);
      const CountRange range = right_count(count, chance);
      INFO(count << " at " << chance << ": " << range.low << " to " << range.high);
      // The smallest counts that 5 % and 95 % do not exceed.
      CHECK(cdf(law, static_cast<double>(range.low)) > 0.05);
      CHECK((range.low == 0 || cdf(law, static_cast<double>(range.low) - 1) <= 0.05));
      CHECK(cdf(law, static_cast<double>(range.high)) >= 0.95);
      CHECK((range.high == 0 || cdf(law, static_cast<double>(range.high) - 1) < 0.95));
    }
  }
}

TEST_CASE("the list fits a screen", "[consistency]") {
  Book book;
  for (int i = 0; i < 60; ++i) {
    book.entries.push_back(entry_off(i % 12 - 6));
    book.entries.back().car = "Ütility wagon with a name that is long " + std::to_string(i);
    if (i % 7 == 0) book.entries.back().before.reset();
  }
  book.damaged.emplace_back(InputError::Where{"x.yaml", 1, 1}, "", "", "an entry", "Mend it.");
  std::istringstream lines(book_text(book, {}));
  std::size_t count = 0;
  for (std::string line; std::getline(lines, line); ++count) {
    INFO(line);
    CHECK(display_width(line) <= kTextWidth);
  }
  CHECK(count <= kScreenLines);
}

TEST_CASE("names of entries are safe on any system and stay apart", "[consistency]") {
  BookEntry e = entry_off(0);
  e.car = "../Mild  V8: \"blue\" \\ Ä";
  CHECK(entry_file_name(e, 0) == "2026-02-03-mild-v8-blue.yaml");
  CHECK(entry_file_name(e, 1) == "2026-02-03-mild-v8-blue-2.yaml");
  e.car = "Ä";
  CHECK(entry_file_name(e, 0) == "2026-02-03.yaml");
  e.car = std::string(100, 'x');
  CHECK(entry_file_name(e, 0).size() < 60);
  CHECK(parse_entry(write_entry(e), "x.yaml").car == e.car);
}

TEST_CASE("texts go into an entry and come out as they were", "[consistency]") {
  BookEntry e = entry_off(0);
  e.visit =
      "# a remark: with a colon, \"quotes\", 'others', \\ and a tab\t.\n\n\n  \nmanifold:   # "
      "what\n"
      "    map: 50 kPa\n    needle: steady   \n# last\n";
  CHECK(parse_entry(write_entry(e), "x.yaml").visit == e.visit);
  e.visit = "   # leads with blanks\nmanifold: {map: 50 kPa}\n";
  CHECK(parse_entry(write_entry(e), "x.yaml").visit == e.visit);
  for (const char* const end : {"", "\n", "\n\n", "\n\n\n", "\n  \n"}) {
    e.visit = std::string("manifold: {map: 50 kPa}") + end;
    CHECK(parse_entry(write_entry(e), "x.yaml").visit == e.visit);
  }
}

}  // namespace
}  // namespace idlefit
