#include "profiles/walk.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "model/constants.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

using Seen = WalkRow::Seen;
using Maybe = std::optional<double>;

// How a limit is known.
constexpr std::string_view kManuals = "published, service manuals";
constexpr std::string_view kGaugeTexts = "published, vacuum gauge training texts";
constexpr std::string_view kPractice = "common practice, no source";
constexpr std::string_view kMemory = "from memory";
constexpr std::string_view kChosen = "chosen";

// --- Limits --------------------------------------------------------------------------------------

constexpr double kWarmLow_K = kZeroCelsius_K + 85, kWarmHigh_K = kZeroCelsius_K + 109;
constexpr double kBatteryLow_V = 13.2, kBatteryHigh_V = 14.8;
constexpr double kMapSensor_Pa = 1500;
constexpr double kBaseLow_deg = 5, kBaseHigh_deg = 20, kToothOut_deg = 30;
constexpr double kTotalLow_deg = 28, kTotalHigh_deg = 38;
constexpr double kAdvanceSeen_deg = 3;
constexpr double kFuelPressureOff = 0.05;  // share of what is expected
constexpr double kReferenceOff = 0.25;     // share of the vacuum
constexpr double kReferenceOff_Pa = 5000;  // and what two readings of one gauge differ by
constexpr double kIdleAirMost = 50, kIdleAirAim = 9;
constexpr double kThrottleLow_V = 0.3, kThrottleHigh_V = 1.0;
constexpr double kSpeedAdvisedOff_rpm = 100, kSpeedOff_rpm = 50;
constexpr double kConditioningLow_rpm = 20, kConditioningHigh_rpm = 150;
constexpr double kGearDropMost_rpm = 150;
constexpr double kBurnedValve_Pa = 7 * kInchMercury_Pa, kHeadGasket_Pa = 9 * kInchMercury_Pa;
constexpr double kSnapLow_Pa = 5 * kInchMercury_Pa, kSnapHighLow_Pa = 21 * kInchMercury_Pa;
constexpr double kCorrection_percent = 10, kLeakCorrection_percent = 5;
constexpr double kCrankingSpread = 0.75;

// --- Words ---------------------------------------------------------------------------------------

std::string in_unit(double value, std::string_view unit, Dimension dimension, double step) {
  const double number = std::round(from_program_unit(value, unit, dimension) / step) * step;
  return number_text(number, 5) + " " + std::string(unit);
}
std::string inHg(double value_Pa) { return in_unit(value_Pa, "inHg", Dimension::pressure, 0.1); }
std::string psi(double value_Pa) { return in_unit(value_Pa, "psi", Dimension::pressure, 0.1); }
std::string kPa(double value_Pa) { return in_unit(value_Pa, "kPa", Dimension::pressure, 0.1); }
std::string rpm(double value) { return in_unit(value, "rpm", Dimension::speed, 1); }
std::string degrees(double value) { return number_text(value, 4) + " deg"; }
std::string percent(double value) { return (value > 0 ? "+" : "") + number_text(value, 3) + "%"; }

Seen unmeasured() { return {}; }
Seen pass(std::string reading, std::string limit = {}) {
  return {WalkVerdict::pass, std::move(reading), {}, std::move(limit)};
}
Seen attend(std::string reading, std::string action, std::string limit = {}) {
  return {WalkVerdict::attend, std::move(reading), std::move(action), std::move(limit)};
}

Seen looked(const std::optional<Visit::Look>& look, std::string_view mend) {
  if (!look || *look == Visit::Look::not_done) return unmeasured();
  return *look == Visit::Look::clear ? pass("clear") : attend("found", std::string(mend));
}

// --- Inspection ----------------------------------------------------------------------------------

Seen see_fuel_leaks(const Visit& v, const WalkExpectation&) {
  return looked(v.inspection.fuel_leaks,
                "Stop: no ignition source, relieve the pressure, mend it before all else.");
}

Seen see_wiring(const Visit& v, const WalkExpectation&) {
  return looked(v.inspection.wiring, "Lead and tie it away from exhaust and ignition leads.");
}

Seen see_injectors(const Visit& v, const WalkExpectation&) {
  const auto& spray = v.inspection.injectors;
  if (!spray || *spray == Visit::Spray::not_done) return unmeasured();
  if (*spray == Visit::Spray::all) return pass("all spray");
  return attend("some spray", "Plug and pulse of the dry one first, then the injector itself.");
}

Seen see_exhaust_leaks(const Visit& v, const WalkExpectation&) {
  return looked(v.inspection.exhaust_leaks,
                "Mend it: it reads false lean, and the exhaust is poison indoors.");
}

Seen see_battery(const Visit& v, const WalkExpectation&) {
  const Maybe& volts = v.idle.battery_V;
  if (!volts) return unmeasured();
  const std::string reading = number_text(*volts, 3) + " V";
  if (*volts < kBatteryLow_V) return attend(reading, "Charging, belt and grounds first.");
  if (*volts > kBatteryHigh_V) return attend(reading, "The alternator's regulator.");
  return pass(reading);
}

Seen see_coolant(const Visit& v, const WalkExpectation&) {
  const Maybe& coolant_K = v.idle.coolant_K;
  if (!coolant_K) return unmeasured();
  const std::string reading = in_unit(*coolant_K, "degC", Dimension::temperature, 1);
  if (*coolant_K < kWarmLow_K) return attend(reading, "Run it warm, then read all again.");
  if (*coolant_K > kWarmHigh_K) return attend(reading, "Stop, let it cool, find out why.");
  return pass(reading);
}

Seen see_map_sensor(const Visit& v, const WalkExpectation&) {
  const auto& m = v.manifold;
  if (!m.key_on_map_Pa || !m.barometer_Pa) return unmeasured();
  const double off_Pa = *m.key_on_map_Pa - *m.barometer_Pa;
  const std::string reading = kPa(*m.key_on_map_Pa) + " with " + kPa(*m.barometer_Pa) + " outside";
  if (std::abs(off_Pa) <= kMapSensor_Pa) return pass(reading);
  return attend(reading, "Hose, plug, supply voltage and ground of the sensor, then its scale.");
}

Seen see_tap(const Visit& v, const WalkExpectation&) {
  if (!v.manifold.tap) return unmeasured();
  switch (*v.manifold.tap) {
    case Visit::Tap::plenum:
      return pass("plenum");
    case Visit::Tap::single_runner:
      return attend("single runner", "Move it to the plenum: one runner shows one cylinder.");
    case Visit::Tap::ported:
      break;
  }
  return attend("ported", "Move it to the plenum: above the throttle there is none at idle.");
}

// --- Timing --------------------------------------------------------------------------------------

Seen see_timing_mark(const Visit& v, const WalkExpectation&) {
  if (!v.spark.mark_verified) return unmeasured();
  if (*v.spark.mark_verified) return pass("verified");
  return attend("not verified", "Find true top dead centre with a piston stop; correct the mark.");
}

Seen see_base_timing(const Visit& v, const WalkExpectation&) {
  const Maybe& base_deg = v.spark.base_deg;
  if (!base_deg) return unmeasured();
  const std::string reading = degrees(*base_deg);
  if (*base_deg >= kToothOut_deg) return attend(reading, "The distributor is usually a tooth out.");
  if (*base_deg > kBaseHigh_deg) return attend(reading, "More than is usual: see the total too.");
  if (*base_deg < kBaseLow_deg) return attend(reading, "Late: advance it, see the total too.");
  return pass(reading);
}

Seen see_vacuum_advance(const Visit& v, const WalkExpectation&) {
  const auto& s = v.spark;
  if (!s.base_deg || !s.idle_deg || !s.vacuum_advance) return unmeasured();
  const double added_deg = *s.idle_deg - *s.base_deg;
  const std::string reading = degrees(added_deg) + " added at idle";
  const bool adds = added_deg >= kAdvanceSeen_deg;
  switch (*s.vacuum_advance) {
    case Visit::Advance::manifold:
      if (!adds) return attend(reading, "Manifold vacuum adds none: hose and diaphragm.");
      return pass(reading);
    case Visit::Advance::ported:
      if (adds) return attend(reading, "Ported should add none: see which port the hose is on.");
      return pass(reading);
    case Visit::Advance::none:
      break;
  }
  if (adds) return attend(reading, "What advances it at idle, if no vacuum does?");
  return pass(reading);
}

Seen see_total_timing(const Visit& v, const WalkExpectation&) {
  const Maybe& total_deg = v.spark.total_deg;
  if (!total_deg) return unmeasured();
  const std::string reading = degrees(*total_deg);
  if (*total_deg > kTotalHigh_deg)
    return attend(reading, "Too much: it may knock under load. Less base or less advance.");
  if (*total_deg < kTotalLow_deg)
    return attend(reading, "Little: base timing, then the advance weights and springs.");
  return pass(reading);
}

// --- Fuel pressure -------------------------------------------------------------------------------

Seen see_fuel_pressure(const Visit& v, const WalkExpectation&) {
  const auto& f = v.fuel;
  if (!f.expected_Pa || !f.reference_off_Pa) return unmeasured();
  const std::string reading = psi(*f.reference_off_Pa) + ", reference off";
  const std::string limit = psi(*f.expected_Pa) + " within 5%";
  const double off = *f.reference_off_Pa / std::max(*f.expected_Pa, 1.0) - 1;
  if (off < -kFuelPressureOff) {
    return attend(reading,
                  "Low: supply or filter; a new install's filter clogs early from debris in the "
                  "tank (common practice).",
                  limit);
  }
  if (off > kFuelPressureOff)
    return attend(reading, "High: return restricted, or regulator.", limit);
  return pass(reading, limit);
}

Seen see_fuel_steady(const Visit& v, const WalkExpectation&) {
  if (!v.fuel.steady) return unmeasured();
  if (*v.fuel.steady) return pass("steady");
  return attend("moves", "With the reference off it must hold: regulator, or air in the fuel.");
}

Seen see_fuel_revved(const Visit& v, const WalkExpectation&) {
  const auto& f = v.fuel;
  if (!f.reference_off_Pa || !f.revved_Pa) return unmeasured();
  const std::string reading = psi(*f.revved_Pa) + " from " + psi(*f.reference_off_Pa);
  if (*f.revved_Pa < (1 - kFuelPressureOff) * *f.reference_off_Pa)
    return attend(reading, "Falls when revved: filter, or the pump's flow.");
  return pass(reading);
}

Seen see_fuel_reference(const Visit& v, const WalkExpectation&) {
  const auto& f = v.fuel;
  Maybe vacuum_Pa = v.manifold.vacuum_Pa;
  const Maybe station_Pa = v.station_Pa();
  if (!vacuum_Pa && v.manifold.map_Pa && station_Pa) vacuum_Pa = *station_Pa - *v.manifold.map_Pa;
  if (!f.reference_off_Pa || !f.reference_on_Pa || !vacuum_Pa) return unmeasured();
  const double drop_Pa = *f.reference_off_Pa - *f.reference_on_Pa;
  const std::string reading = psi(drop_Pa) + " lower with it on";
  const std::string limit = "lower by the vacuum, " + psi(*vacuum_Pa);
  const double allowed_Pa = kReferenceOff_Pa + kReferenceOff * *vacuum_Pa;
  if (drop_Pa < *vacuum_Pa - allowed_Pa)
    return attend(reading, "Hose off, leaking or on a ported tap, or regulator.", limit);
  if (drop_Pa > *vacuum_Pa + allowed_Pa)
    return attend(reading, "More than the vacuum: read again, then the regulator.", limit);
  return pass(reading, limit);
}

// --- Idle air, throttle, speed -------------------------------------------------------------------

Seen see_loads(const Visit& v, const WalkExpectation&) {
  const auto& i = v.idle;
  if (i.fans.value_or(false) || i.air_conditioning.value_or(false) ||
      i.gear == EngineCard::Gear::drive) {
    return attend("on", "Fans and air conditioning off, neutral; then set the throttle stop.");
  }
  if (!i.fans || !i.air_conditioning) return unmeasured();
  return pass("off");
}

Seen see_idle_air(const Visit& v, const WalkExpectation&) {
  const Maybe& counts = v.air.idle_air_counts;
  if (!counts) return unmeasured();
  const std::string reading = number_text(*counts, 3) + " counts";
  if (*counts < 1) {
    return attend(reading,
                  "On its seat: the throttle stop is too open, or air leaks in. Close the stop; if "
                  "the speed stays up, look for the leak.");
  }
  if (*counts > kIdleAirMost)
    return attend(reading, "The throttle stop is too closed: open it until single digits.");
  return pass(reading +
              (*counts > kIdleAirAim ? " (open the stop a little for single digits)" : ""));
}

Seen see_throttle_closed(const Visit& v, const WalkExpectation&) {
  const auto& a = v.air;
  if (!a.throttle_closed_V) return unmeasured();
  const std::string reading = number_text(*a.throttle_closed_V, 3) + " V";
  if (*a.throttle_closed_V < kThrottleLow_V || *a.throttle_closed_V > kThrottleHigh_V)
    return attend(reading, "Sensor's seat, supply and ground; is the throttle on its stop?");
  if (!a.throttle_recorded.value_or(false))
    return attend(reading, "Record the closed reading again, now that the stop is set.");
  return pass(reading + ", recorded again");
}

Seen see_speed_asked(const Visit& v, const WalkExpectation& e) {
  const Maybe& asked = v.idle.speed_asked_rpm;
  if (!asked || !e.speed_rpm) return unmeasured();
  const std::string limit = rpm(*e.speed_rpm) + " within 100";
  if (*asked < *e.speed_rpm - kSpeedAdvisedOff_rpm)
    return attend(rpm(*asked), "Low for this cam: ask for more.", limit);
  if (*asked > *e.speed_rpm + kSpeedAdvisedOff_rpm)
    return attend(rpm(*asked), "More than this cam needs: ask for less.", limit);
  return pass(rpm(*asked), limit);
}

Seen see_speed(const Visit& v, const WalkExpectation&) {
  const auto& i = v.idle;
  if (!i.speed_rpm || !i.speed_asked_rpm) return unmeasured();
  const std::string limit = rpm(*i.speed_asked_rpm) + " within 50";
  const double off_rpm = *i.speed_rpm - *i.speed_asked_rpm;
  if (off_rpm > kSpeedOff_rpm) {
    return attend(rpm(*i.speed_rpm), "Above what is asked: air leaks in, or the stop is too open.",
                  limit);
  }
  if (off_rpm < -kSpeedOff_rpm) {
    return attend(rpm(*i.speed_rpm),
                  "Below what is asked: idle air near its end, late spark, or too lean.", limit);
  }
  return pass(rpm(*i.speed_rpm), limit);
}

Seen see_air_conditioning_step(const Visit& v, const WalkExpectation&) {
  const auto& i = v.idle;
  if (!i.speed_air_conditioning_rpm || !i.speed_rpm || i.air_conditioning.value_or(false))
    return unmeasured();
  const double step_rpm = *i.speed_air_conditioning_rpm - *i.speed_rpm;
  const std::string reading = rpm(step_rpm) + " more";
  if (step_rpm < kConditioningLow_rpm)
    return attend(reading, "Ask for 20 to 40 rpm more with air conditioning on.");
  if (step_rpm > kConditioningHigh_rpm) return attend(reading, "Ask for less with it on.");
  return pass(reading);
}

Seen see_gear_step(const Visit& v, const WalkExpectation&) {
  const auto& i = v.idle;
  if (!i.speed_in_gear_rpm || !i.speed_rpm || i.gear == EngineCard::Gear::drive)
    return unmeasured();
  const double drop_rpm = *i.speed_rpm - *i.speed_in_gear_rpm;
  const std::string reading = rpm(drop_rpm) + " less";
  if (drop_rpm > kGearDropMost_rpm)
    return attend(reading, "Ask for more in gear, or give it more air on engaging.");
  return pass(reading);
}

// --- Gauge patterns ------------------------------------------------------------------------------

Seen see_needle(const Visit& v, const WalkExpectation&) {
  using Needle = Visit::Needle;
  const auto& m = v.manifold;
  if (!m.needle) return unmeasured();
  const std::string by = m.swing_Pa ? " of " + inHg(*m.swing_Pa) : std::string();
  switch (*m.needle) {
    case Needle::steady:
      return pass("steady");
    case Needle::regular_drop:
      if (!m.swing_Pa)
        return attend("regular drop", "One cylinder; how far it drops tells more: read it.");
      if (*m.swing_Pa >= kHeadGasket_Pa)
        return attend("regular drop" + by, "A head gasket blown between cylinders.");
      if (*m.swing_Pa > kBurnedValve_Pa) return attend("regular drop" + by, "A burned valve.");
      return attend("regular drop" + by,
                    "One cylinder is dead or weak: plug, lead, injector, compression.");
    case Needle::occasional_drop:
      return attend("occasional drop" + by, "A sticking valve.");
    case Needle::fast_swing:
      return attend("fast swing" + by, "Worn valve guides.");
    case Needle::growing_swing:
      return attend("swing that grows with speed" + by, "Weak valve springs.");
    case Needle::slow_drift:
      break;
  }
  return attend("slow drift" + by,
                "Mixture; where that is right, raise the idle 20 rpm (common practice).");
}

Seen see_revved_vacuum(const Visit& v, const WalkExpectation&) {
  const auto& m = v.manifold;
  if (!m.vacuum_revved_Pa || !m.vacuum_Pa) return unmeasured();
  const std::string reading = inHg(*m.vacuum_revved_Pa) + ", idle " + inHg(*m.vacuum_Pa);
  if (*m.vacuum_revved_Pa < *m.vacuum_Pa)
    return attend(reading, "The exhaust is restricted: back pressure, crushed pipe, converter.");
  return pass(reading);
}

Seen see_snap(const Visit& v, const WalkExpectation& e) {
  const auto& m = v.manifold;
  if (!m.snap_low_Pa || !m.snap_high_Pa) return unmeasured();
  const std::string reading = inHg(*m.snap_low_Pa) + ", then " + inHg(*m.snap_high_Pa);
  // What a thinner atmosphere takes from every vacuum.
  const double high_Pa = kSnapHighLow_Pa - (kStandardAtmosphere_Pa - e.barometer_Pa);
  const std::string limit = "below 5 inHg, then " + inHg(high_Pa) + " or more here";
  if (*m.snap_low_Pa >= kSnapLow_Pa)
    return attend(reading, "Air cannot follow: does the throttle open fully, is the filter clear?",
                  limit);
  if (*m.snap_high_Pa < high_Pa)
    return attend(reading, "Rings or valves may leak (from memory): cranking pressures.", limit);
  return pass(reading, limit);
}

// --- Mixture and compression ---------------------------------------------------------------------

Seen see_correction(const Visit& v, const WalkExpectation&) {
  const auto& m = v.mixture;
  if (!m.correction_percent || !m.closed_loop.value_or(false)) return unmeasured();
  const std::string reading = percent(*m.correction_percent);
  if (*m.correction_percent > kCorrection_percent)
    return attend(reading, "It adds much: fuel pressure, air leak, exhaust leak, then the table.");
  if (*m.correction_percent < -kCorrection_percent)
    return attend(reading, "It takes much away: fuel pressure, injector, then the table.");
  return pass(reading);
}

Seen see_correction_fading(const Visit& v, const WalkExpectation&) {
  const auto& m = v.mixture;
  if (!m.correction_percent || !m.correction_at_1500_percent || !m.closed_loop.value_or(false))
    return unmeasured();
  const std::string reading = percent(*m.correction_percent) + " at idle, " +
                              percent(*m.correction_at_1500_percent) + " at 1500 rpm";
  if (*m.correction_percent > kLeakCorrection_percent &&
      *m.correction_at_1500_percent < 0.5 * *m.correction_percent)
    return attend(reading, "An air leak: added at idle, fading with speed.");
  return pass(reading);
}

Seen see_cranking(const Visit& v, const WalkExpectation& e) {
  if (v.cranking_Pa.size() < 2) return unmeasured();
  const auto [low, high] = std::minmax_element(v.cranking_Pa.begin(), v.cranking_Pa.end());
  const auto cylinder = low - v.cranking_Pa.begin() + 1;
  const std::string reading = psi(*low) + " to " + psi(*high);
  const std::string limit = "lowest 75% of highest; about " +
                            in_unit(e.cranking_low_Pa, "psi", Dimension::pressure, 1) + " to " +
                            in_unit(e.cranking_high_Pa, "psi", Dimension::pressure, 1);
  if (*low < kCrankingSpread * *high) {
    return attend(reading,
                  "Number " + std::to_string(cylinder) +
                      " of the list is low: once more with a little oil (rings), then a leak test.",
                  limit);
  }
  if (*high < e.cranking_low_Pa)
    return attend(reading, "All low: cam timing, throttle open, battery, then compression.", limit);
  if (*low > e.cranking_high_Pa)
    return attend(reading, "All high: more compression or less cam than the card says.", limit);
  return pass(reading, limit);
}

// --- The rows ------------------------------------------------------------------------------------

constexpr std::array kNoLeaks{WalkItem::fuel_leaks};
constexpr std::array kMark{WalkItem::timing_mark};
constexpr std::array kBase{WalkItem::timing_mark, WalkItem::base_timing};
constexpr std::array kSupply{WalkItem::fuel_leaks, WalkItem::battery};
constexpr std::array kReference{WalkItem::fuel_leaks, WalkItem::fuel_steady, WalkItem::tap};
constexpr std::array kWarm{WalkItem::coolant};
constexpr std::array kStop{WalkItem::coolant, WalkItem::timing_mark, WalkItem::base_timing,
                           WalkItem::loads};
constexpr std::array kIdleAir{WalkItem::idle_air};
constexpr std::array kWarmTap{WalkItem::coolant, WalkItem::tap};
constexpr std::array kTap{WalkItem::tap};
constexpr std::array kMixture{WalkItem::coolant, WalkItem::exhaust_leaks, WalkItem::fuel_pressure};
constexpr std::array kLean{WalkItem::coolant, WalkItem::exhaust_leaks};

constexpr std::array<WalkRow, 29> kRows{{
    {WalkItem::fuel_leaks, "fuel leaks", {}, "none", kManuals, see_fuel_leaks},
    {WalkItem::wiring, "wiring", {}, "clear of exhaust and ignition leads", kPractice, see_wiring},
    {WalkItem::injectors, "injectors", kNoLeaks, "each seen to spray", kPractice, see_injectors},
    {WalkItem::exhaust_leaks,
     "exhaust leaks",
     {},
     "none ahead of the oxygen sensor",
     kManuals,
     see_exhaust_leaks},
    {WalkItem::battery, "battery", {}, "13.2 to 14.8 V, running", kMemory, see_battery},
    {WalkItem::coolant, "coolant", {}, "85 to 109 degC", kManuals, see_coolant},
    {WalkItem::map_sensor,
     "MAP sensor",
     {},
     "key on, within 1.5 kPa of the barometer",
     kMemory,
     see_map_sensor},
    {WalkItem::tap, "vacuum tap", {}, "on the plenum", kPractice, see_tap},
    {WalkItem::timing_mark, "timing mark", {}, "verified first", kManuals, see_timing_mark},
    {WalkItem::base_timing, "base timing", kMark, "5 to 20 deg; 30 is usually a tooth out",
     "from memory; the tooth published, service manuals", see_base_timing},
    {WalkItem::vacuum_advance, "vacuum advance", kBase,
     "manifold adds at idle; ported, or none, does not", kManuals, see_vacuum_advance},
    {WalkItem::total_timing, "total timing", kMark,
     "28 to 38 deg; about 32 for a street small-block on pump fuel", kPractice, see_total_timing},
    {WalkItem::fuel_pressure, "fuel pressure", kSupply, "as expected, within 5%",
     "published, service manuals; 5% chosen", see_fuel_pressure},
    {WalkItem::fuel_steady, "fuel steadiness", kNoLeaks, "steady with the reference off", kManuals,
     see_fuel_steady},
    {WalkItem::fuel_revved, "fuel revved", kSupply, "falls by no more than 5%",
     "published, service manuals; 5% chosen", see_fuel_revved},
    {WalkItem::fuel_reference, "fuel reference", kReference, "lower by the vacuum with it on",
     "published, service manuals; tolerance chosen", see_fuel_reference},
    {WalkItem::loads, "loads", {}, "fans and air conditioning off, neutral", kManuals, see_loads},
    {WalkItem::idle_air, "idle air", kStop, "off its seat, 50 counts at most, single digits best",
     "published, service manuals; single digits common practice", see_idle_air},
    {WalkItem::throttle_closed, "throttle closed", kIdleAir, "0.3 to 1.0 V, recorded again",
     kMemory, see_throttle_closed},
    {WalkItem::speed_asked,
     "speed asked",
     {},
     "advised for the cam, within 100 rpm",
     "computed and common practice; 100 rpm chosen",
     see_speed_asked},
    {WalkItem::speed, "speed", kWarm, "as asked, within 50 rpm", kChosen, see_speed},
    {WalkItem::air_conditioning_step, "A/C step", kWarm,
     "20 to 150 rpm more; 20 to 40 on a cammed engine", kPractice, see_air_conditioning_step},
    {WalkItem::gear_step, "gear step", kWarm, "no more than 150 rpm less", kMemory, see_gear_step},
    {WalkItem::needle, "needle", kWarmTap, "steady", kGaugeTexts, see_needle},
    {WalkItem::revved_vacuum, "vacuum revved", kTap, "no less at 2500-3000 rpm than at idle",
     kGaugeTexts, see_revved_vacuum},
    {WalkItem::snap, "snap test", kWarmTap, "below 5 inHg, then 21 to 25 at sea level", kGaugeTexts,
     see_snap},
    {WalkItem::correction, "correction", kMixture, "within 10%",
     "published, 8-10% is healthy; 10% common practice", see_correction},
    {WalkItem::correction_fading, "correction fades", kLean,
     "not positive at idle and fading by 1500 rpm", kManuals, see_correction_fading},
    {WalkItem::cranking,
     "cranking",
     {},
     "lowest 75% of highest",
     "75% from memory; range computed, exponent from memory",
     see_cranking},
}};

}  // namespace

std::span<const WalkRow> walk_rows() { return kRows; }

std::vector<Walked> walk(const Visit& visit, const WalkExpectation& expected) {
  std::vector<Walked> walked;
  for (const WalkRow& row : kRows) {
    Seen seen = row.see(visit, expected);
    Walked result{&row, seen.verdict, std::move(seen.reading),
                  seen.limit.empty() ? std::string(row.limit) : std::move(seen.limit),
                  std::move(seen.action)};
    if (result.verdict == WalkVerdict::pass || result.verdict == WalkVerdict::attend) {
      for (const WalkItem need : row.needs) {
        const Walked& before = walked[static_cast<std::size_t>(need)];
        if (before.verdict == WalkVerdict::pass) continue;
        result.verdict = WalkVerdict::not_judged;
        result.action = "first: " + std::string(before.row->name) +
                        (before.verdict == WalkVerdict::not_measured ? " (not measured)" : "");
        break;
      }
    }
    walked.push_back(std::move(result));
  }
  return walked;
}

}  // namespace idlefit
