#include "profiles/visit_file.h"

#include <catch2/catch.hpp>
#include <sstream>
#include <string>

#include "model/constants.h"

namespace idlefit {
namespace {

using Catch::Contains;

Visit read(const std::string& text) { return parse_visit(text, "visit.yaml"); }

std::string refusal(const std::string& text) {
  try {
    read(text);
  } catch (const InputError& error) {
    return error.what();
  }
  return "not refused";
}

// Every line that begins with "# " without it.
std::string uncommented(const std::string& text) {
  std::istringstream lines(text);
  std::string line, result;
  while (std::getline(lines, line))
    result += (line.rfind("# ", 0) == 0 ? line.substr(2) : line) + "\n";
  return result;
}

TEST_CASE("the template of a visit reads as it stands once uncommented", "[consistency]") {
  const Visit visit = read(uncommented(visit_template()));
  CHECK(visit.car == "Two-door with a street cam");
  CHECK(*visit.manifold.vacuum_Pa == Approx(14.2 * 3386.39));
  CHECK(visit.manifold.tap == Visit::Tap::plenum);
  CHECK(visit.cranking_Pa.size() == 4);
  // One line a key, nine of them sections.
  std::size_t keys = 0;
  std::istringstream lines(visit_template());
  for (std::string line; std::getline(lines, line);) {
    CHECK(line.size() <= 80);
    if (line.rfind("# ", 0) == 0 && line.back() != ':') ++keys;
  }
  CHECK(visit.where.size() == keys);
}

TEST_CASE("a visit holds what was read, in the program's units", "[consistency]") {
  const Visit visit = read(
      "idle: {coolant: 200 degF, speed: 750 rpm, gear: drive, fans: on, battery: 13.9 V}\n"
      "manifold: {map: 52.5 kPa, key_on_map: 29.1 inHg, needle: regular drop, swing: 5 inHg}\n"
      "spark: {base: -2, vacuum_advance: ported}\n"
      "fuel: {pressure: 3 bar}\n"
      "cranking: [150 psi, 10 bar]\n");
  CHECK(*visit.idle.coolant_K == Approx((200 - 32) / 1.8 + 273.15));
  CHECK(visit.idle.gear == EngineCard::Gear::drive);
  CHECK(visit.idle.fans == true);
  CHECK(*visit.idle.battery_V == 13.9);
  CHECK(*visit.manifold.map_Pa == Approx(52500));
  CHECK(*visit.station_Pa() == Approx(29.1 * 3386.39));
  CHECK(visit.manifold.needle == Visit::Needle::regular_drop);
  CHECK(*visit.spark.base_deg == -2);
  CHECK(visit.spark.vacuum_advance == Visit::Advance::ported);
  CHECK(*visit.fuel.reference_off_Pa == Approx(3e5));
  CHECK(visit.cranking_Pa[1] == Approx(1e6));
  CHECK_FALSE(visit.idle.speed_asked_rpm);
  CHECK(visit.where.find("spark.base")->second.line == 3);
}

TEST_CASE("the file to fill in may have readings in it, the rest still commented out",
          "[consistency]") {
  const std::string text =
      visit_template({{"idle.speed", "784 rpm"}, {"manifold.map", "51.2 kPa"}}, "from a log");
  CHECK_THAT(text, Contains("from a log"));
  const Visit visit = read(text);
  CHECK(*visit.idle.speed_rpm == 784);
  CHECK(*visit.manifold.map_Pa == Approx(51200));
  CHECK(visit.where.size() == 2);
}

TEST_CASE("the barometer that was read goes before the manifold sensor's", "[consistency]") {
  CHECK(*read("manifold: {barometer: 98 kPa, key_on_map: 99 kPa}").station_Pa() == Approx(98e3));
}

TEST_CASE("a wrong reading is refused with its place and a remedy", "[consistency]") {
  struct Wrong {
    std::string text, where, says;
  };
  const auto [text, where, says] = GENERATE(values<Wrong>({
      {"idle:\n  coolent: 90 degC\n", "visit.yaml:2:3", "Did you mean coolant?"},
      {"manifild: {vacuum: 14 inHg}\n", "visit.yaml:1:1", "Did you mean manifold?"},
      {"manifold: {vacuum: 14}\n", "visit.yaml:1:20", "14 inHg"},
      {"manifold: {vacuum: 14 rpm}\n", "visit.yaml:1:20", "pressure"},
      {"manifold: {vacuum: 48 inHg}\n", "visit.yaml:1:20", "Did you mean 48 kPa?"},
      {"manifold: {map: 14 inHg, tap: plennum}\n", "visit.yaml:1:31", "Did you mean plenum?"},
      {"spark: {base: 12 deg}\n", "visit.yaml:1:15", "-15 to 60"},
      {"fuel: {pressure: 43 inHgg}\n", "visit.yaml:1:18", "psi"},
      {"air: {throttle_closed: 62 V}\n", "visit.yaml:1:24", "0 to 5.5"},
      {"air: {throttle_closed: 0.62}\n", "visit.yaml:1:24", "0.62 V"},
      {"cranking: 150 psi\n", "visit.yaml:1:11", "a list"},
      {"cranking: []\n", "visit.yaml:1:11", "each cylinder"},
      {"cranking: [150 psi, 15o psi]\n", "visit.yaml:1:21", "not a known unit"},
      {"", "visit.yaml", "empty"},
      {"inspection: {fuel_leaks: maybe}\n", "visit.yaml:1:26", "not done, clear or found"},
      {"inspection: clear\n", "visit.yaml:1:13", "fuel_leaks"},
  }));
  const std::string message = refusal(text);
  INFO(message);
  CHECK_THAT(message, Catch::StartsWith(where));
  CHECK_THAT(message, Contains(says));
}

TEST_CASE("readings that contradict one another are refused", "[consistency]") {
  struct Wrong {
    std::string text, says;
  };
  const auto [text, says] = GENERATE(values<Wrong>({
      // 98 kPa less 14 inHg (47.4 kPa) leaves 50.6.
      {"manifold: {vacuum: 14 inHg, map: 60 kPa, barometer: 98 kPa}\n", "about 50.59 kPa"},
      {"manifold: {vacuum: 14 inHg, map: 50.6 kPa}\n", "a barometer or key-on MAP"},
      {"manifold: {barometer: 30 inHg, key_on_map: 81 kPa}\n", "near the barometer"},
      {"manifold: {vacuum: 27 inHg, barometer: 98 kPa}\n", "absolute pressure?"},
      {"manifold: {snap_high: 25 inHg, barometer: 80 kPa}\n", "absolute pressure?"},
      {"manifold: {map: 95 kPa, barometer: 80 kPa}\n", "no more than the barometer"},
      {"manifold: {needle: steady, swing: 4 inHg}\n", "hardly any swing"},
      {"manifold: {snap_low: 22 inHg, snap_high: 3 inHg}\n", "less than manifold.snap_high"},
  }));
  const std::string message = refusal(text);
  INFO(message);
  CHECK_THAT(message, Catch::StartsWith("visit.yaml:1:"));
  CHECK_THAT(message, Contains(says));
}

TEST_CASE("readings that agree within a gauge are taken", "[consistency]") {
  CHECK_NOTHROW(read("manifold: {vacuum: 14 inHg, map: 52 kPa, barometer: 98 kPa}"));
  CHECK_NOTHROW(read("manifold: {barometer: 98 kPa, key_on_map: 101 kPa}"));
}

}  // namespace
}  // namespace idlefit
