#include "profiles/walk.h"

#include <catch2/catch.hpp>
#include <string>

#include "model/constants.h"

namespace idlefit {
namespace {

using Catch::Contains;

// Vacuum gauge patterns and fuel pressure logic below are those of published service manuals and
// vacuum gauge training texts, found alike in many; what is common practice or from memory is
// said to be so.

constexpr WalkExpectation kExpected{800.0, kStandardAtmosphere_Pa, 130 * kPsi_Pa, 165 * kPsi_Pa};

// A car on which nothing is to be attended to.
const std::string kGood =
    "inspection: {fuel_leaks: clear, wiring: clear, injectors: all, exhaust_leaks: clear}\n"
    "idle: {coolant: 92 degC, speed: 800 rpm, speed_asked: 800 rpm, gear: neutral, fans: off,\n"
    "       air_conditioning: off, battery: 14 V, speed_air_conditioning: 830 rpm,\n"
    "       speed_in_gear: 700 rpm}\n"
    "manifold: {vacuum: 16 inHg, barometer: 101.3 kPa, key_on_map: 101 kPa, tap: plenum,\n"
    "           needle: steady, vacuum_revved: 20 inHg, snap_low: 1 inHg, snap_high: 23 inHg}\n"
    "spark: {mark_verified: yes, base: 12, idle: 12, total: 32, vacuum_advance: ported}\n"
    "fuel: {pressure_expected: 43 psi, pressure: 43 psi, steady: yes, pressure_revved: 43 psi,\n"
    "       pressure_reference_on: 35 psi}\n"
    "air: {idle_air: 6, throttle_closed: 0.6 V, throttle_recorded: yes}\n"
    "mixture: {closed_loop: on, correction: 3, correction_at_1500: 2}\n"
    "cranking: [150 psi, 148 psi, 152 psi, 149 psi]\n";

std::vector<Walked> walk_with(const std::string& from = "", const std::string& to = "",
                              const WalkExpectation& expected = kExpected) {
  std::string text = kGood;
  if (!from.empty()) {
    const std::size_t at = text.find(from);
    REQUIRE(at != std::string::npos);
    text.replace(at, from.size(), to);
  }
  return walk(parse_visit(text, "visit.yaml"), expected);
}

const Walked& at(const std::vector<Walked>& walked, WalkItem item) {
  return walked[static_cast<std::size_t>(item)];
}

// The item is to be attended to with these words, and is the only one, or the first of those that
// are.
void attends(const std::string& from, const std::string& to, WalkItem item,
             const std::string& words) {
  const std::vector<Walked> walked = walk_with(from, to);
  for (const Walked& w : walked) {
    INFO(w.row->name << ": " << w.reading << " " << w.action);
    if (w.row->item != item) CHECK(w.verdict != WalkVerdict::attend);
  }
  INFO(at(walked, item).reading << " " << at(walked, item).action);
  CHECK(at(walked, item).verdict == WalkVerdict::attend);
  CHECK_THAT(at(walked, item).action, Contains(words));
  CHECK_FALSE(at(walked, item).reading.empty());
}

TEST_CASE("a car in order passes every item of the walk", "[consistency]") {
  const std::vector<Walked> walked = walk_with();
  REQUIRE(walked.size() == walk_rows().size());
  for (std::size_t i = 0; i < walked.size(); ++i) {
    INFO(walked[i].row->name << ": " << walked[i].action);
    CHECK(walked[i].row->item == static_cast<WalkItem>(i));
    CHECK(walked[i].verdict == WalkVerdict::pass);
    CHECK_FALSE(walked[i].reading.empty());
    CHECK_FALSE(walked[i].limit.empty());
    CHECK_FALSE(walked[i].row->basis.empty());
    for (const WalkItem need : walked[i].row->needs)  // the order is one that can be walked
      CHECK(static_cast<std::size_t>(need) < i);
  }
}

TEST_CASE("nothing read is nothing judged", "[consistency]") {
  for (const Walked& w : walk(Visit(), kExpected)) {
    INFO(w.row->name);
    CHECK(w.verdict == WalkVerdict::not_measured);
    CHECK(w.action.empty());
  }
}

TEST_CASE("an inspection that was not done is not measured", "[consistency]") {
  const auto walked = walk_with("fuel_leaks: clear", "fuel_leaks: not done");
  CHECK(at(walked, WalkItem::fuel_leaks).verdict == WalkVerdict::not_measured);
  CHECK(at(walked, WalkItem::fuel_pressure).verdict == WalkVerdict::not_judged);
  CHECK(at(walked, WalkItem::fuel_pressure).action == "first: fuel leaks (not measured)");
}

TEST_CASE("what hangs on an item that failed is not judged", "[consistency]") {
  const auto cold = walk_with("92 degC", "60 degC");
  CHECK(at(cold, WalkItem::coolant).verdict == WalkVerdict::attend);
  for (const WalkItem item : {WalkItem::idle_air, WalkItem::needle, WalkItem::correction,
                              WalkItem::speed, WalkItem::throttle_closed}) {
    CHECK(at(cold, item).verdict == WalkVerdict::not_judged);
  }
  CHECK(at(cold, WalkItem::throttle_closed).action == "first: idle air");
  CHECK(at(cold, WalkItem::wiring).verdict == WalkVerdict::pass);
}

// --- Order of the install

TEST_CASE("a fuel leak stops the fuel's items", "[trade]") {
  const auto walked = walk_with("fuel_leaks: clear", "fuel_leaks: found");
  CHECK_THAT(at(walked, WalkItem::fuel_leaks).action, Contains("no ignition source"));
  CHECK(at(walked, WalkItem::injectors).verdict == WalkVerdict::not_judged);
  CHECK(at(walked, WalkItem::fuel_revved).verdict == WalkVerdict::not_judged);
}

TEST_CASE("timing is not judged before its mark is verified", "[trade]") {
  // Published, service manuals: verify the mark first.
  const auto walked = walk_with("mark_verified: yes, base: 12", "mark_verified: no, base: 32");
  CHECK(at(walked, WalkItem::timing_mark).verdict == WalkVerdict::attend);
  CHECK(at(walked, WalkItem::base_timing).verdict == WalkVerdict::not_judged);
  CHECK(at(walked, WalkItem::idle_air).verdict == WalkVerdict::not_judged);
}

TEST_CASE("an engine that needs 30 degrees of base is a tooth out", "[trade]") {
  // Published, service manuals.
  const auto walked = walk_with("base: 12, idle: 12", "base: 30, idle: 30");
  CHECK_THAT(at(walked, WalkItem::base_timing).action, Contains("a tooth out"));
}

TEST_CASE("manifold vacuum advance adds at idle, ported does not", "[trade]") {
  // Published, service manuals.
  attends("idle: 12, total: 32, vacuum_advance: ported",
          "idle: 24, total: 32, vacuum_advance: ported", WalkItem::vacuum_advance, "which port");
  attends("vacuum_advance: ported", "vacuum_advance: manifold", WalkItem::vacuum_advance,
          "diaphragm");
}

TEST_CASE("about 32 degrees of total timing, 28 to 38", "[trade]") {
  // Common practice, no source: 32-36 iron, 34-38 open chambers, 28-32 fast-burning.
  attends("total: 32", "total: 42", WalkItem::total_timing, "knock");
  attends("total: 32", "total: 24", WalkItem::total_timing, "weights");
  for (const char* const total : {"total: 28", "total: 36", "total: 38"})
    CHECK(at(walk_with("total: 32", total), WalkItem::total_timing).verdict == WalkVerdict::pass);
}

TEST_CASE("an idle-air valve on its seat: the stop is too open, or air leaks in", "[trade]") {
  // Published, service manuals: 5 to 50 counts hot; zero and the far end are the two faults.
  const auto seat = walk_with("idle_air: 6", "idle_air: 0");
  CHECK_THAT(at(seat, WalkItem::idle_air).action, Contains("too open, or air leaks in"));
  CHECK(at(seat, WalkItem::throttle_closed).verdict == WalkVerdict::not_judged);
  const auto far = walk_with("idle_air: 6", "idle_air: 120");
  CHECK_THAT(at(far, WalkItem::idle_air).action, Contains("too closed"));
  for (const char* const counts : {"idle_air: 5", "idle_air: 50"})
    CHECK(at(walk_with("idle_air: 6", counts), WalkItem::idle_air).verdict == WalkVerdict::pass);
}

TEST_CASE("the throttle stop is judged with fans and air conditioning off", "[trade]") {
  // Published, service manuals.
  for (const auto& [from, to] : {std::pair{"fans: off", "fans: on"},
                                 std::pair{"air_conditioning: off", "air_conditioning: on"},
                                 std::pair{"gear: neutral", "gear: drive"}}) {
    const auto walked = walk_with(from, to);
    CHECK(at(walked, WalkItem::loads).verdict == WalkVerdict::attend);
    CHECK(at(walked, WalkItem::idle_air).verdict == WalkVerdict::not_judged);
  }
}

TEST_CASE("the closed throttle is recorded again after the stop was set", "[trade]") {
  attends("throttle_recorded: yes", "throttle_recorded: no", WalkItem::throttle_closed,
          "Record the closed reading again");
}

TEST_CASE("the speed asked for is judged by the one for the cam", "[consistency]") {
  const auto low = walk_with("", "", {1000.0, kStandardAtmosphere_Pa, 9e5, 1.1e6});
  CHECK(at(low, WalkItem::speed_asked).verdict == WalkVerdict::attend);
  CHECK_THAT(at(low, WalkItem::speed_asked).limit, Contains("1000 rpm"));
  const auto unknown = walk_with("", "", {std::nullopt, kStandardAtmosphere_Pa, 9e5, 1.1e6});
  CHECK(at(unknown, WalkItem::speed_asked).verdict == WalkVerdict::not_measured);
}

TEST_CASE("20 to 40 rpm more with air conditioning", "[trade]") {
  // Common practice, no source.
  attends("speed_air_conditioning: 830", "speed_air_conditioning: 805",
          WalkItem::air_conditioning_step, "20 to 40 rpm more");
}

// --- Fuel pressure: published, service manuals

TEST_CASE("low fuel pressure: supply or filter", "[trade]") {
  attends(
      "pressure_expected: 43 psi, pressure: 43 psi, steady: yes, pressure_revved: 43 psi,\n"
      "       pressure_reference_on: 35 psi",
      "pressure_expected: 43 psi, pressure: 36 psi, steady: yes, pressure_revved: 36 psi,\n"
      "       pressure_reference_on: 28 psi",
      WalkItem::fuel_pressure, "supply or filter");
  const auto walked = walk_with("pressure: 43 psi", "pressure: 36 psi");
  CHECK(at(walked, WalkItem::correction).verdict == WalkVerdict::not_judged);
}

TEST_CASE("high fuel pressure: return restricted, or regulator", "[trade]") {
  attends(
      "pressure: 43 psi, steady: yes, pressure_revved: 43 psi,\n"
      "       pressure_reference_on: 35 psi",
      "pressure: 55 psi, steady: yes, pressure_revved: 55 psi,\n"
      "       pressure_reference_on: 47 psi",
      WalkItem::fuel_pressure, "return restricted");
}

TEST_CASE("fuel pressure that falls when revved: filter or pump flow", "[trade]") {
  attends("pressure_revved: 43 psi", "pressure_revved: 37 psi", WalkItem::fuel_revved,
          "filter, or the pump");
}

TEST_CASE("with the reference off fuel pressure must hold steady", "[trade]") {
  const auto walked = walk_with("steady: yes", "steady: no");
  CHECK(at(walked, WalkItem::fuel_steady).verdict == WalkVerdict::attend);
  CHECK(at(walked, WalkItem::fuel_reference).verdict == WalkVerdict::not_judged);
}

TEST_CASE("with the reference on fuel pressure follows the vacuum", "[trade]") {
  // 16 inHg are 7.9 psi: the drop over the injectors stays the same.
  const auto good = walk_with("pressure_reference_on: 35 psi", "pressure_reference_on: 35.1 psi");
  CHECK(at(good, WalkItem::fuel_reference).verdict == WalkVerdict::pass);
  CHECK_THAT(at(good, WalkItem::fuel_reference).limit, Contains("7.9 psi"));
  attends("pressure_reference_on: 35 psi", "pressure_reference_on: 43 psi",
          WalkItem::fuel_reference, "Hose off");
}

// --- Needle patterns: published, vacuum gauge training texts

TEST_CASE("a regular drop of 3 to 6 inHg: one cylinder", "[trade]") {
  for (const char* const swing : {"3", "6"}) {
    attends("needle: steady", std::string("needle: regular drop, swing: ") + swing + " inHg",
            WalkItem::needle, "One cylinder");
  }
}
TEST_CASE("a regular drop of over 7 inHg: a burned valve", "[trade]") {
  attends("needle: steady", "needle: regular drop, swing: 7.5 inHg", WalkItem::needle,
          "burned valve");
}
TEST_CASE("a regular drop of about 10 inHg: a head gasket", "[trade]") {
  attends("needle: steady", "needle: regular drop, swing: 10 inHg", WalkItem::needle,
          "head gasket");
}
TEST_CASE("an occasional drop of 3 to 5 inHg: a sticking valve", "[trade]") {
  attends("needle: steady", "needle: occasional drop, swing: 4 inHg", WalkItem::needle,
          "sticking valve");
}
TEST_CASE("a rapid swing between 14 and 19 inHg: valve guides", "[trade]") {
  attends("needle: steady", "needle: fast swing, swing: 5 inHg", WalkItem::needle, "guides");
}
TEST_CASE("a swing that grows with speed: valve springs", "[trade]") {
  attends("needle: steady", "needle: growing swing", WalkItem::needle, "springs");
}
TEST_CASE("a slow drift: mixture", "[trade]") {
  // And 20 rpm more where the idle wanders: common practice, no source.
  attends("needle: steady", "needle: slow drift, swing: 3 inHg", WalkItem::needle, "Mixture");
  attends("needle: steady", "needle: slow drift, swing: 3 inHg", WalkItem::needle, "20 rpm");
}
TEST_CASE("less vacuum at 2500 to 3000 rpm than at idle: exhaust restriction", "[trade]") {
  attends("vacuum_revved: 20", "vacuum_revved: 13", WalkItem::revved_vacuum, "restricted");
}
TEST_CASE("snapped open and closed: below 5, then 21 to 25 inHg", "[trade]") {
  for (const char* const high : {"snap_high: 21", "snap_high: 25"})
    CHECK(at(walk_with("snap_high: 23", high), WalkItem::snap).verdict == WalkVerdict::pass);
  attends("snap_low: 1", "snap_low: 6", WalkItem::snap, "Air cannot follow");
  attends("snap_high: 23", "snap_high: 18", WalkItem::snap, "Rings or valves");
  // A barometer of 84.4 kPa takes 5 inHg from every vacuum.
  const WalkExpectation high_up{800.0, kStandardAtmosphere_Pa - 5 * kInchMercury_Pa, 9e5, 1.1e6};
  CHECK(at(walk_with("snap_high: 23", "snap_high: 17", high_up), WalkItem::snap).verdict ==
        WalkVerdict::pass);
}
TEST_CASE("a needle read on a runner or above the throttle is not judged", "[trade]") {
  for (const char* const tap : {"tap: single runner", "tap: ported"}) {
    const auto walked = walk_with("tap: plenum", tap);
    CHECK(at(walked, WalkItem::tap).verdict == WalkVerdict::attend);
    CHECK(at(walked, WalkItem::needle).verdict == WalkVerdict::not_judged);
  }
}

// --- Mixture and compression

TEST_CASE("a closed-loop correction within 10% is healthy", "[trade]") {
  // Published: within 8 to 10 %; acted on beyond 10 % (common practice).
  for (const char* const good : {"correction: 8", "correction: -10"})
    CHECK(at(walk_with("correction: 3", good), WalkItem::correction).verdict == WalkVerdict::pass);
  attends("correction: 3", "correction: -12", WalkItem::correction, "takes much away");
  // An exhaust leak ahead of the sensor reads false lean (published): nothing is said of it.
  const auto leak = walk_with("exhaust_leaks: clear", "exhaust_leaks: found");
  CHECK(at(leak, WalkItem::correction).verdict == WalkVerdict::not_judged);
}

TEST_CASE("a correction that fades from idle to 1500 rpm: an air leak", "[trade]") {
  // Published, service manuals.
  attends("correction: 3", "correction: 9", WalkItem::correction_fading, "air leak");
  const auto throughout =
      walk_with("correction: 3, correction_at_1500: 2", "correction: 9, correction_at_1500: 8");
  CHECK(at(throughout, WalkItem::correction_fading).verdict == WalkVerdict::pass);
}

TEST_CASE("cranking pressures: the lowest three quarters of the highest", "[trade]") {
  // From memory of service manuals.
  attends("148 psi", "100 psi", WalkItem::cranking, "Number 2");
  const auto expected = [](double low, double high) {
    return walk_with("", "", {800.0, kStandardAtmosphere_Pa, low * kPsi_Pa, high * kPsi_Pa});
  };
  CHECK_THAT(at(expected(170, 190), WalkItem::cranking).action, Contains("All low"));
  CHECK_THAT(at(expected(110, 130), WalkItem::cranking).action, Contains("All high"));
}

TEST_CASE("a manifold sensor shows the barometer before the start", "[trade]") {
  attends("key_on_map: 101 kPa", "key_on_map: 97 kPa", WalkItem::map_sensor, "Hose, plug");
}

}  // namespace
}  // namespace idlefit
