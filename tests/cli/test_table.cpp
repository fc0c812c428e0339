#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;

ProgramRun table(std::vector<std::string> more) {
  more.insert(more.begin(), "table");
  return run_idlefit(more, {.folder = IDLEFIT_SOURCE_DIR});
}

const std::string kEngine = "docs/examples/street_v8_coupe.yaml";

std::vector<std::vector<std::string>> rows_of(const std::string& csv) {
  std::vector<std::vector<std::string>> rows;
  std::istringstream lines(csv);
  for (std::string line; std::getline(lines, line);) {
    rows.emplace_back();
    std::istringstream cells(line + ",");
    for (std::string cell; std::getline(cells, cell, ',');) rows.back().push_back(cell);
  }
  return rows;
}

TEST_CASE("table's text is one screen", "[consistency]") {
  for (const std::string& path : repository_files("docs/examples", ".yaml")) {
    const ProgramRun run = table({path});
    CHECK(run.exit_code == 0);
    CHECK(run.err.empty());
    CHECK(std::count(run.out.begin(), run.out.end(), '\n') <= 24);
    std::istringstream lines(run.out);
    for (std::string line; std::getline(lines, line);) CHECK(line.size() <= 80);
    CHECK(table({path, "--quiet"}).out == run.out.substr(0, run.out.find('\n') + 1));
  }
}

TEST_CASE("table's JSON and CSV hold the same table, with units", "[consistency]") {
  const auto json = nlohmann::json::parse(table({kEngine, "--json"}).out);
  CHECK(json["schema"] == "idlefit.table/1");
  CHECK(json["status"] == "ok");
  const auto& t = json["table"];
  REQUIRE(t["speed_rpm"].size() == 16);
  REQUIRE(t["map_kPa"].size() == 16);
  CHECK(t["speed_rpm"].front() == 500.0);
  CHECK(t["speed_rpm"].back() == 7000.0);
  CHECK(t["map_kPa"].front() == 20.0);
  CHECK(t["map_kPa"].back() == 105.0);
  CHECK(t["density_at"] == "charge");
  CHECK(t["temperature_K"].get<double>() > 290);
  CHECK(t["basis"] == "computed");

  const auto rows = rows_of(table({kEngine, "--csv"}).out);
  REQUIRE(rows.size() == 17);
  CHECK(rows[0][0] == "speed_rpm");
  CHECK(rows[0][1] == "ve_at_20_kPa");
  CHECK(rows[0][17] == "runs_from_kPa");
  for (std::size_t i = 0; i < 16; ++i) {
    REQUIRE(rows[i + 1].size() == 18);
    CHECK(std::stod(rows[i + 1][0]) == t["speed_rpm"][i]);
    for (std::size_t j = 0; j < 16; ++j) {
      CHECK(std::stod(rows[i + 1][j + 1]) == Approx(t["ve"][i][j].get<double>()).margin(5e-5));
      const bool runs = t["map_kPa"][j].get<double>() >= std::stod(rows[i + 1][17]);
      CHECK(t["below_no_load"][i][j] == !runs);
    }
    const double line_kPa = json["no_load_map_kPa"][i];
    CHECK(line_kPa <= std::stod(rows[i + 1][17]));
  }
  // VE at idle is that of an estimate.
  const auto estimate = nlohmann::json::parse(
      run_idlefit({"estimate", kEngine, "--json"}, {.folder = IDLEFIT_SOURCE_DIR}).out);
  CHECK(json["idle"]["ve"] == estimate["idle"]["ve_manifold"]);
}

TEST_CASE("table says what its temperature is, and what it leaves out", "[consistency]") {
  const ProgramRun hot = table({kEngine, "--set", "idle.intake_air=120 degF", "--json"});
  const ProgramRun cold = table({kEngine, "--set", "idle.intake_air=40 degF", "--json"});
  const auto temperature_K = [](const ProgramRun& run) {
    return nlohmann::json::parse(run.out)["table"]["temperature_K"].get<double>();
  };
  CHECK(temperature_K(hot) - temperature_K(cold) == Approx(80 / 1.8).margin(0.01));
  CHECK_THAT(table({kEngine, "--set", "engine.induction=boosted"}).out,
             Contains("without boost or nitrous"));
}

TEST_CASE("table says what to expect of a start", "[consistency]") {
  const auto start = [](const std::vector<std::string>& arguments) {
    std::vector<std::string> all = arguments;
    all.insert(all.end(), {"--start", "--json"});
    return nlohmann::json::parse(table(all).out)["start"];
  };
  const auto known = start({kEngine});
  CHECK(known["baseline"] == "firm");
  const double typical = known["typical_error_share"], sd_kPa = known["idle_map_sd_kPa"];
  CHECK(typical == Approx(0.022 * sd_kPa));
  const double apart = known["baseline_apart_share"],
               of_baseline = known["baseline_typical_error_share"];
  CHECK(of_baseline * of_baseline == Approx(typical * typical + apart * apart));
  // Half a cam card says less.
  const auto by_phone = start({"--set", "engine.cylinders=8", "--set", "engine.displacement=5.7 L",
                               "--set", "cam.described_as=mild"});
  CHECK(by_phone["typical_error_share"] > 1.5 * typical);
  CHECK(by_phone["idle_map_sd_kPa"].get<double>() > 5);
  CHECK(by_phone["baseline_typical_error_share"] == by_phone["typical_error_share"]);
  CHECK_THAT(table({"--set", "engine.cylinders=8", "--set", "engine.displacement=5.7 L", "--set",
                    "cam.described_as=lopey", "--start"})
                 .out,
             Contains("as good where so little is told"));
  CHECK(nlohmann::json::parse(table({kEngine, "--json"}).out)["start"].is_null());
  CHECK_THAT(table({kEngine, "--start"}).out, Contains("Start") && Contains("on baseline firm"));
}

TEST_CASE("table is fast", "[consistency]") {
  // Estimate and 256 cells under a second of two cores: their time together, on a busy machine.
  CHECK(table({kEngine, "--quiet"}).cpu_s < 2.0);
}

TEST_CASE("table exits by what it could do", "[consistency]") {
  CHECK(table({}).exit_code == 2);
  CHECK(table({kEngine, "--csv", "--json"}).exit_code == 2);
  CHECK_THAT(table({kEngine, "--cvs"}).err, Contains("did you mean --csv?"));
  const ProgramRun missing = table({"/nowhere.yaml"});
  CHECK(missing.exit_code == 3);
  CHECK(missing.out.empty());
  CHECK_THAT(missing.err, Contains("/nowhere.yaml"));
  CHECK(table({"--set", "engine.cylinders=8"}).exit_code == 3);
  // No idle at the asked speed: a table all the same, not to be relied on.
  const ProgramRun none = table({"--set", "engine.cylinders=8", "--set", "engine.displacement=5 L",
                                 "--set", "cam.duration_050=270", "--set",
                                 "cam.lobe_separation=102", "--set", "idle.speed=500 rpm"});
  CHECK(none.exit_code == 1);
  CHECK_THAT(none.out, Contains("no idle found at 500 rpm"));
}

}  // namespace
}  // namespace idlefit
