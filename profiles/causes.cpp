#include "profiles/causes.h"

#include <algorithm>
#include <cmath>

#include "model/units.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

std::string rounded(double value) { return number_text(std::round(std::fabs(value)), 6); }
std::string percent(double share) { return rounded(100.0 * share) + "%"; }
std::string tenths(double value) {
  return number_text(std::round(10.0 * std::fabs(value)) / 10.0, 6);
}
std::string hundredths(double value) {
  return number_text(std::round(100.0 * std::fabs(value)) / 100.0, 6);
}

constexpr std::array<Cause, kFaultCount> kCauses{{
    {Fault::spark, "spark", "late or early spark", 0.18, SizeLaw::two_sided, 8.0, 24.0, 1.0, "deg",
     [](double size) {
       return (size < 0 ? "late spark, " : "early spark, ") + rounded(size) +
              (size < 0 ? " degrees less than set" : " degrees more than set");
     },
     "verify the timing mark, then read the spark at idle with a light"},
    {Fault::runner_leak, "runner_leak", "an air leak at one runner", 0.06, SizeLaw::even, 0.0, 1.0,
     100.0, "% of one cylinder's work",
     [](double size) {
       return "an air leak at one runner that costs a cylinder " + percent(size) + " of its work";
     },
     "engine idling, watch speed and correction while each joint of the manifold is sealed in turn "
     "(no flammable sprays near hot parts)"},
    {Fault::shared_leak, "shared_leak", "an air leak into the whole manifold", 0.12,
     SizeLaw::unsized, 1.0, 1.0, 1.0, "",
     [](double) { return std::string("an air leak into the whole manifold"); },
     "cap the hoses to the manifold one by one and watch the idle-air position"},
    {Fault::weak_cylinder, "weak_cylinder", "a dead or weak cylinder", 0.10, SizeLaw::even, 0.0,
     1.0, 100.0, "% of one cylinder's work",
     [](double size) {
       return size > 0.85 ? std::string("a dead cylinder")
                          : "a weak cylinder that misses " + percent(size) + " of its work";
     },
     "cut out one cylinder after the other: the one that changes nothing is it; then its plug, "
     "lead, injector and cranking pressure"},
    {Fault::cam_timing, "cam_timing", "a cam installed late or early", 0.05, SizeLaw::two_sided,
     8.0, 24.0, 1.0, "deg",
     [](double size) {
       return "the cam " + rounded(size) + " crank degrees " + (size > 0 ? "late" : "early");
     },
     "check the timing marks of chain and gears, or the installed centreline with a dial gauge"},
    {Fault::cam_duration, "cam_duration", "a larger cam than the card says", 0.10,
     SizeLaw::one_sided, 10.0, 30.0, 1.0, "deg",
     [](double size) {
       return "a cam " + rounded(size) + " degrees longer than the card or file says";
     },
     "measure duration at 0.050 in on the engine, or read the number on the cam's end"},
    {Fault::compression, "compression", "low compression", 0.05, SizeLaw::one_sided, 1.2, 3.0, 1.0,
     "of the compression ratio",
     [](double size) { return "compression " + tenths(size) + " lower than entered"; },
     "crank all cylinders warm with the throttle open and a gauge, then leak-down"},
    {Fault::back_pressure, "back_pressure", "an exhaust restriction", 0.04, SizeLaw::one_sided,
     5000.0, 15000.0, 1e-3, "kPa at idle",
     [](double size) {
       return "an exhaust that holds back " + tenths(to_kPa(size)) + " kPa more at idle";
     },
     "hold 2500 rpm and see whether the vacuum sinks; measure pressure at the oxygen sensor's "
     "bung"},
    {Fault::load, "load", "a load that was not stated", 0.08, SizeLaw::one_sided, 1500.0, 4500.0,
     1e-3, "kW",
     [](double size) { return "a load of " + tenths(size * 1e-3) + " kW that was not stated"; },
     "take the belts off one by one, engine stopped each time; see that fans and compressor are "
     "off and the gear is neutral"},
    {Fault::mixture, "mixture", "a rich or lean mixture", 0.10, SizeLaw::two_sided, 0.10, 0.30, 1.0,
     "lambda",
     [](double size) {
       return std::string("a mixture ") + hundredths(size) + " lambda " +
              (size < 0 ? "richer" : "leaner") + " than set";
     },
     "read lambda with exhaust leaks excluded, or change fuel by 5% and see which way MAP goes"},
    {Fault::tap, "tap", "a gauge on a ported or single-runner tap", 0.05, SizeLaw::one_sided,
     12000.0, 36000.0, 1e-3, "kPa",
     [](double size) {
       return "a tap that reads " + tenths(to_inHg(size)) + " inHg too little vacuum";
     },
     "move the gauge to a port below the throttle that all cylinders share"},
    {Fault::barometer, "barometer", "a wrong barometer", 0.04, SizeLaw::two_sided, 5000.0, 15000.0,
     1e-3, "kPa",
     [](double size) {
       return "a barometer " + tenths(to_kPa(size)) + " kPa too " + (size > 0 ? "high" : "low");
     },
     "read the manifold sensor with key on before the start; a weather report's pressure is "
     "reduced to sea level"},
    {Fault::cold, "cold", "an engine that is not warm", 0.03, SizeLaw::one_sided, 30.0, 70.0, 1.0,
     "K", [](double size) { return "an engine " + rounded(size) + " K short of warm"; },
     "let it run to 85 degC and until the idle-air position stands still"},
}};

// --- Signs ---------------------------------------------------------------------------------------

using Row = Sign::Row;

constexpr std::array kIdleAir{"on its seat"sv, "in its usual range"sv, "nearly open"sv};
constexpr std::array kIdleAirHealthy{0.08, 0.87, 0.05};
constexpr std::array kIdleAirRows{
    Row{Fault::shared_leak, {0.75, 0.23, 0.02}},   Row{Fault::runner_leak, {0.30, 0.66, 0.04}},
    Row{Fault::spark, {0.05, 0.75, 0.20}},         Row{Fault::load, {0.02, 0.73, 0.25}},
    Row{Fault::weak_cylinder, {0.03, 0.77, 0.20}}, Row{Fault::cold, {0.02, 0.58, 0.40}}};
std::optional<std::size_t> idle_air_seen(const Visit& visit) {
  if (!visit.air.idle_air_counts) return std::nullopt;
  const double counts = *visit.air.idle_air_counts;
  return counts < 2.0 ? 0 : counts <= 50.0 ? 1 : 2;
}

constexpr std::array kSpeed{"above what is asked"sv, "as asked"sv, "below what is asked"sv};
constexpr std::array kSpeedHealthy{0.05, 0.90, 0.05};
constexpr std::array kSpeedRows{
    Row{Fault::shared_leak, {0.55, 0.43, 0.02}}, Row{Fault::runner_leak, {0.25, 0.65, 0.10}},
    Row{Fault::load, {0.03, 0.80, 0.17}}, Row{Fault::weak_cylinder, {0.03, 0.72, 0.25}}};
std::optional<std::size_t> speed_seen(const Visit& visit) {
  if (!visit.idle.speed_rpm || !visit.idle.speed_asked_rpm) return std::nullopt;
  const double above_rpm = *visit.idle.speed_rpm - *visit.idle.speed_asked_rpm;
  constexpr double kHeld_rpm = 60.0;
  return above_rpm > kHeld_rpm ? 0 : above_rpm >= -kHeld_rpm ? 1 : 2;
}

// Words of the visit file, in its order.
constexpr std::array kNeedle{"steady"sv,
                             "a regular drop"sv,
                             "an occasional drop"sv,
                             "a fast swing"sv,
                             "a swing that grows with speed"sv,
                             "a slow drift"sv};
constexpr std::array kNeedleHealthy{0.90, 0.01, 0.03, 0.02, 0.01, 0.03};
constexpr std::array kNeedleRows{Row{Fault::weak_cylinder, {0.22, 0.60, 0.10, 0.02, 0.04, 0.02}},
                                 Row{Fault::runner_leak, {0.58, 0.20, 0.10, 0.02, 0.02, 0.08}},
                                 Row{Fault::mixture, {0.55, 0.02, 0.05, 0.03, 0.01, 0.34}},
                                 Row{Fault::cam_duration, {0.60, 0.02, 0.05, 0.22, 0.01, 0.10}},
                                 Row{Fault::tap, {0.43, 0.05, 0.05, 0.40, 0.02, 0.05}}};
std::optional<std::size_t> needle_seen(const Visit& visit) {
  if (!visit.manifold.needle) return std::nullopt;
  return static_cast<std::size_t>(*visit.manifold.needle);
}

constexpr std::array kCorrection{"adds fuel at idle and less at 1500 rpm"sv, "adds fuel"sv,
                                 "takes fuel"sv, "is small"sv};
constexpr std::array kCorrectionHealthy{0.03, 0.05, 0.05, 0.87};
constexpr std::array kCorrectionRows{Row{Fault::runner_leak, {0.52, 0.14, 0.01, 0.33}},
                                     Row{Fault::shared_leak, {0.12, 0.06, 0.05, 0.77}},
                                     Row{Fault::mixture, {0.05, 0.33, 0.33, 0.29}},
                                     Row{Fault::weak_cylinder, {0.12, 0.33, 0.05, 0.50}},
                                     Row{Fault::cam_duration, {0.08, 0.15, 0.17, 0.60}}};
std::optional<std::size_t> correction_seen(const Visit& visit) {
  if (!visit.mixture.correction_percent) return std::nullopt;
  constexpr double kHealthy_percent = 10.0;  // 8 to 10 (published)
  const double idle = *visit.mixture.correction_percent;
  if (idle < -kHealthy_percent) return 2;
  if (idle <= kHealthy_percent) return 3;
  const auto& fast = visit.mixture.correction_at_1500_percent;
  return fast && *fast < idle / 2.0 ? 0 : 1;
}

constexpr std::array kRevved{"less at 2500 to 3000 rpm than at idle"sv, "no less at speed"sv};
constexpr std::array kRevvedHealthy{0.02, 0.98};
constexpr std::array kRevvedRows{Row{Fault::back_pressure, {0.60, 0.40}}};
std::optional<std::size_t> revved_seen(const Visit& visit) {
  if (!visit.manifold.vacuum_revved_Pa || !visit.manifold.vacuum_Pa) return std::nullopt;
  return *visit.manifold.vacuum_revved_Pa < *visit.manifold.vacuum_Pa ? 0 : 1;
}

constexpr std::array kCylinders{"one cylinder low"sv, "cylinders alike"sv};
constexpr std::array kCylindersHealthy{0.02, 0.98};
constexpr std::array kCylindersRows{Row{Fault::weak_cylinder, {0.45, 0.55}}};
std::optional<std::size_t> cylinders_seen(const Visit& visit) {
  if (visit.cranking_Pa.size() < 2) return std::nullopt;
  const auto [low, high] = std::minmax_element(visit.cranking_Pa.begin(), visit.cranking_Pa.end());
  return *low < 0.75 * *high ? 0 : 1;
}

constexpr std::array kTap{"on the plenum"sv, "not on the plenum"sv};
constexpr std::array kTapHealthy{0.95, 0.05};
constexpr std::array kTapRows{Row{Fault::tap, {0.10, 0.90}}};
std::optional<std::size_t> tap_seen(const Visit& visit) {
  if (!visit.manifold.tap) return std::nullopt;
  return visit.manifold.tap == Visit::Tap::plenum ? 0 : 1;
}

constexpr std::array kBarometer{"as the manifold sensor before the start"sv,
                                "not as the manifold sensor before the start"sv};
constexpr std::array kBarometerHealthy{0.97, 0.03};
constexpr std::array kBarometerRows{Row{Fault::barometer, {0.12, 0.88}}};
std::optional<std::size_t> barometer_seen(const Visit& visit) {
  const auto& m = visit.manifold;
  if (!m.key_on_map_Pa) return std::nullopt;
  // A barometer that was not read is the sensor's own.
  if (!m.barometer_Pa) return 0;
  return std::fabs(*m.barometer_Pa - *m.key_on_map_Pa) < kGaugesAgree_Pa / 2.0 ? 0 : 1;
}

constexpr std::array kSigns{
    Sign{"air.idle_air", "idle-air position",
         "the idle-air position, fans and air conditioning off", kIdleAir, idle_air_seen,
         kIdleAirHealthy, kIdleAirRows},
    Sign{"idle.speed_asked", "speed", "the speed that the control aims at, beside the one seen",
         kSpeed, speed_seen, kSpeedHealthy, kSpeedRows},
    Sign{"manifold.needle", "needle", "what the gauge's needle does", kNeedle, needle_seen,
         kNeedleHealthy, kNeedleRows},
    Sign{"mixture.correction", "correction", "the closed-loop correction at idle and at 1500 rpm",
         kCorrection, correction_seen, kCorrectionHealthy, kCorrectionRows},
    Sign{"manifold.vacuum_revved", "vacuum revved", "the vacuum held at 2500 to 3000 rpm, no load",
         kRevved, revved_seen, kRevvedHealthy, kRevvedRows},
    Sign{"cranking", "cranking pressures", "the cranking pressure of each cylinder", kCylinders,
         cylinders_seen, kCylindersHealthy, kCylindersRows},
    Sign{"manifold.tap", "vacuum tap", "where the gauge is connected", kTap, tap_seen, kTapHealthy,
         kTapRows},
    Sign{"manifold.key_on_map", "barometer", "the manifold sensor with key on, before the start",
         kBarometer, barometer_seen, kBarometerHealthy, kBarometerRows}};

constexpr std::array<IndicationInfo, static_cast<std::size_t>(kIndicationCount)> kIndications{{
    {Indication::map_Pa, "manifold.map", "MAP", "the manifold vacuum at idle"},
    {Indication::air_kg_s, "air.flow", "air flow", "the air flow at idle"},
    {Indication::fuel_kg_s, "fuel.flow", "fuel flow", "the fuel flow at idle"},
    {Indication::lambda, "mixture.reading", "lambda", "lambda at idle"},
    {Indication::spark_deg, "spark.idle", "spark", "the spark at idle, mark verified"},
    {Indication::map_1500_Pa, "manifold.map_at_1500", "MAP at 1500 rpm",
     "MAP at 1500 rpm, no load"},
    {Indication::cranking_Pa, "cranking", "cranking pressure",
     "the cranking pressure of each cylinder"},
    {Indication::coolant_K, "idle.coolant", "coolant", "the coolant's temperature"},
}};

}  // namespace

std::span<const Cause, kFaultCount> causes() { return kCauses; }
std::span<const Sign> signs() { return kSigns; }
std::span<const IndicationInfo, static_cast<std::size_t>(kIndicationCount)> indication_info() {
  return kIndications;
}

double Sign::chance(std::size_t pattern, Fault fault) const {
  for (const Row& row : rows) {
    if (row.fault == fault) return row.chance[pattern];
  }
  return healthy[pattern];
}

}  // namespace idlefit
