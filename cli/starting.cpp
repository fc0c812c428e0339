#include "cli/starting.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "cli/terminal.h"
#include "model/accessories.h"
#include "model/cam.h"
#include "model/units.h"

namespace idlefit {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kSpeedBasis =
    "the higher of common practice for the cam, no source, and the computed lowest speed at which "
    "so much of the fuel burns; the share wanted is chosen";
constexpr const char* kPeakBasis =
    "computed air flow; power from air / (AFR x BSFC), as the model's torque is too low at speed "
    "to be trusted";

double finite(double value) {
  if (!std::isfinite(value)) throw std::logic_error("a starting value is not finite");
  return value;
}

double vacuum_Pa(const OperatingPoint& p) { return p.barometer_Pa - p.map_Pa; }

std::string speed_words(const IdleSpeed& speed) {
  const std::optional<double> advised = speed.advised_rpm();
  return advised ? fmt::format("{:.0f}", *advised)
                 : fmt::format("none up to {:.0f}", kIdleSpeedMax_rpm);
}

std::string steady_words(const IdleSpeed& speed) {
  return speed.steady ? fmt::format("{:.0f}{}", speed.steady->speed_rpm,
                                    speed.steady->at_floor ? " or less" : "")
                      : "none";
}

std::string idle_speed_paragraph(const StartingValues& s) {
  return fmt::format(
      "{} rpm in neutral, {} in gear, {} with air conditioning{}: the higher of what is usual for "
      "this cam ({:.0f}, {:.0f}, {:.0f} ± {:.0f}; common practice, no source) and the lowest that "
      "burns {:.0f}% of the fuel ({}, {}, {}; below 80% there is no idle, the margin is chosen).{}",
      speed_words(s.neutral), speed_words(s.in_gear), speed_words(s.air_conditioning),
      s.given_rpm ? fmt::format(" (you gave {:.0f})", *s.given_rpm) : "", s.neutral.usual_rpm,
      s.in_gear.usual_rpm, s.air_conditioning.usual_rpm, s.usual_speed_sd_rpm,
      100 * kSteadyBurnedFraction, steady_words(s.neutral), steady_words(s.in_gear),
      steady_words(s.air_conditioning),
      !s.neutral.steady && s.in_gear.steady
          ? " The load of the converter steadies it: more charge, and less exhaust in it."
          : "");
}

std::string spark_paragraph(const StartingValues& s) {
  const std::string reach = fmt::format("{} ignition, {:.0f}-{:.0f} within reach (common practice)",
                                        s.spark_controlled ? "controlled"
                                        : s.ignition_given ? "fixed"
                                                           : "fixed (assumed)",
                                        s.spark_reach.low_deg, s.spark_reach.high_deg);
  if (!s.spark) return "No idle at any spark within reach: " + reach + ".";
  std::string text = fmt::format("{:.0f} deg before top dead centre: {:.1f} kPa; {}.",
                                 s.spark->spark_btdc_deg, to_kPa(s.spark->point.map_Pa), reach);
  text += s.spark->rough_beyond ? " More would burn less of the fuel."
                                : " More gains less than 0.5 kPa within it.";
  return text + " Verify the timing mark first.";
}

std::string brake_paragraph(const StartingValues& s) {
  if (!s.held_in_gear) {
    return fmt::format("No idle in gear at {:.0f} rpm to judge a booster by.", s.in_gear_speed_rpm);
  }
  const double vacuum = vacuum_Pa(*s.held_in_gear);
  return fmt::format(
      "{:.1f} inHg in gear at {:.0f} rpm and {:.1f} kPa of barometer {} (16-18 commonly wanted, "
      "service manuals; steps below it common practice).",
      to_inHg(vacuum), s.in_gear_speed_rpm, to_kPa(s.held_in_gear->barometer_Pa),
      booster_words(booster_at(vacuum)));
}

// By how much what there is exceeds what is wanted, or falls short of it.
std::string margin_words(double available, double wanted) {
  const double percent = 100 * (available / wanted - 1);
  return percent >= 0 ? fmt::format("{:.0f}% to spare", percent)
                      : fmt::format("{:.0f}% too little", -percent);
}

std::string fuel_paragraph(const StartingValues& s) {
  if (!s.peak) return "No full load was found to judge injectors and pump by.";
  std::string text = fmt::format(
      "Most air {:.0f} g/s at {:.0f} rpm (VE {:.2f}{}), fuel {:.0f} lb/hr, about {:.0f} hp by air "
      "at BSFC {:.2f}.",
      to_g_per_s(s.peak->air_kg_s), s.peak->speed_rpm, s.peak->ve_manifold,
      s.peak->at_limit ? ", still rising at 20 m/s of piston speed" : "",
      to_lb_per_hr(s.peak_fuel_kg_s), to_hp(s.peak_power_W), to_lb_per_hp_hr(kBsfc_kg_J));
  if (s.injector_wanted_kg_s) {
    text += fmt::format(" {} injectors at {:.0f}% duty: {:.1f} lb/hr each", *s.install.injectors,
                        100 * kInjectorDuty, to_lb_per_hr(*s.injector_wanted_kg_s));
    if (s.injector_flow_kg_s) {
      text += fmt::format(", have {:.1f}, {}", to_lb_per_hr(*s.injector_flow_kg_s),
                          margin_words(*s.injector_flow_kg_s, *s.injector_wanted_kg_s));
    }
    text += ".";
  }
  text += fmt::format(" Pump, a quarter more: {:.0f} L/hr at pressure",
                      to_L_per_hr(s.pump_wanted_m3_s));
  if (s.install.pump_flow_m3_s) {
    text += fmt::format(", have {:.0f}, {}", to_L_per_hr(*s.install.pump_flow_m3_s),
                        margin_words(*s.install.pump_flow_m3_s, s.pump_wanted_m3_s));
  }
  text += ".";
  if (s.boosted) text += " Without boost or nitrous: with them much more is needed.";
  return text;
}

std::string pressure_paragraph(const StartingValues& s) {
  std::string text = fmt::format(
      "Flow goes with the square root of the pressure drop: 10% more gives {:.1f}% more.",
      100 * (injector_flow_at_kg_s(1.0, 1.0, 1.1) - 1.0));
  if (s.install.fuel_pressure_Pa && s.install.injector_flow_kg_s) {
    text += fmt::format(
        " {:.0f} lb/hr rated at {:.1f} psi (usual, from memory: check the sheet) are {:.1f} at "
        "{:.1f} psi.",
        to_lb_per_hr(*s.install.injector_flow_kg_s), to_psi(kInjectorRating_Pa),
        to_lb_per_hr(*s.injector_flow_kg_s), to_psi(*s.install.fuel_pressure_Pa));
  }
  return text;
}

std::string compression_paragraph(const StartingValues& s) {
  return fmt::format(
      "About {:.0f} psi ({:.0f}-{:.0f}; exponent 1.2 ± 0.05 from memory): compression {:.1f} to 1, "
      "{:.1f} from intake closing at the seat, {:.0f} deg after bottom dead centre. Warm, throttle "
      "open, battery full, fuel and ignition off; that cylinders agree tells more than the figure, "
      "and no octane follows from it.",
      to_psi(s.cranking_Pa), to_psi(s.cranking_low_Pa), to_psi(s.cranking_high_Pa),
      s.compression_ratio, s.effective_compression, s.intake_closing_abdc_deg);
}

Json speed_json(const IdleSpeed& speed) {
  const std::optional<double> advised = speed.advised_rpm();
  Json json{{"advised_rpm", nullptr},
            {"usual_rpm", finite(speed.usual_rpm)},
            {"steady_rpm", nullptr},
            {"steady_at_least", false},
            {"burned_fuel_fraction", nullptr}};
  if (!speed.steady) return json;
  json["advised_rpm"] = finite(*advised);
  json["steady_rpm"] = finite(speed.steady->speed_rpm);
  json["steady_at_least"] = speed.steady->at_floor;
  json["burned_fuel_fraction"] = finite(speed.steady->point.burned_fuel_fraction);
  return json;
}

std::string_view booster_name(Booster booster) {
  switch (booster) {
    case Booster::enough:
      return "enough";
    case Booster::marginal:
      return "marginal";
    case Booster::reservoir:
      return "reservoir-or-pump";
    case Booster::pump:
      return "pump-hydraulic-or-manual";
  }
  throw std::logic_error("unknown booster verdict");
}

}  // namespace

std::string_view booster_words(Booster booster) {
  switch (booster) {
    case Booster::enough:
      return "is enough";
    case Booster::marginal:
      return "is marginal";
    case Booster::reservoir:
      return "wants a vacuum reservoir or pump";
    case Booster::pump:
      return "wants a pump, hydraulic or manual brakes";
  }
  throw std::logic_error("unknown booster verdict");
}

std::optional<double> IdleSpeed::advised_rpm() const {
  if (!steady) return std::nullopt;
  const double usual = kIdleSpeedStep_rpm * std::round(usual_rpm / kIdleSpeedStep_rpm);
  return std::max(usual, steady->speed_rpm);
}

StartingValues starting_values(const EngineCard& card, const Engine& engine,
                               const Coefficients<double>& coefficients) {
  StartingValues s;
  s.install = card.install;
  s.given_rpm = card.speed_rpm;
  s.compression_ratio = engine.inputs.compression_ratio;
  s.boosted = card.induction == EngineCard::Induction::boosted || card.nitrous.value_or(false);

  // What a converter takes is known of the car in gear alone.
  const bool drive = card.gear == EngineCard::Gear::drive;
  EngineCard in_gear_card = card;
  in_gear_card.gear = EngineCard::Gear::drive;
  const Inputs<double> in_gear = complete_at(in_gear_card, Eigen::VectorXd()).inputs;
  const auto held = [&](const Engine& e) {
    return with_converter(e, in_gear.converter_torque_Nm, in_gear.speed_rpm);
  };

  Engine conditioned = with_converter(engine, 0.0, engine.inputs.speed_rpm);
  if (!card.air_conditioning.value_or(false)) {
    conditioned.inputs.accessory_power_W += air_conditioning_power_W();
  }
  Engine neutral = conditioned;
  neutral.inputs.accessory_power_W =
      std::max(0.0, conditioned.inputs.accessory_power_W - air_conditioning_power_W());
  const double least_rpm = least_idle_speed_rpm(engine.build.cylinders);
  const Spread usual_rpm =
      idle_speed_at(engine.inputs.intake_duration_050_deg, engine.build.cylinders);
  const auto idle_speed = [&](const Engine& e, double more_rpm, double from_rpm) {
    return IdleSpeed{usual_rpm.mean + more_rpm, lowest_steady_speed(e, coefficients, from_rpm)};
  };
  s.neutral = idle_speed(neutral, 0.0, least_rpm);
  s.in_gear = idle_speed(held(neutral), -kDriveSpeedDrop_rpm, least_rpm - kDriveSpeedDrop_rpm);
  // A load steadies an engine, but no idle is lowered when the compressor cuts in.
  double conditioned_from_rpm = least_rpm + kAirConditioningRaise_rpm;
  if (s.neutral.steady) {
    conditioned_from_rpm = std::max(conditioned_from_rpm, s.neutral.steady->speed_rpm);
  }
  s.air_conditioning = idle_speed(conditioned, kAirConditioningRaise_rpm, conditioned_from_rpm);
  s.usual_speed_sd_rpm = usual_rpm.sd;

  s.ignition_given = card.install.ignition.has_value();
  const EngineCard::Ignition ignition = card.install.ignition.value_or(EngineCard::Ignition::fixed);
  s.spark_controlled = ignition == EngineCard::Ignition::controlled;
  s.spark_reach = idle_spark_reach(ignition);
  s.spark = least_idle_spark(engine, coefficients, s.spark_reach.low_deg, s.spark_reach.high_deg);

  // At the speed advised, unless one in gear was given.
  const bool as_given = drive && card.speed_rpm;
  Engine braked = engine;
  if (!as_given) {
    braked.inputs.speed_rpm = s.in_gear.advised_rpm().value_or(
        drive ? engine.inputs.speed_rpm : engine.inputs.speed_rpm - kDriveSpeedDrop_rpm);
  }
  s.in_gear_speed_rpm = braked.inputs.speed_rpm;
  const SolveResult in_gear_idle = solve_idle(as_given ? engine : held(braked), coefficients);
  if (in_gear_idle.status == Status::ok) s.held_in_gear = in_gear_idle.point;

  s.peak = peak_air_flow(engine, coefficients);
  if (s.peak) {
    s.peak_fuel_kg_s = fuel_flow_kg_s(s.peak->air_kg_s, kFullLoadLambda, engine.build.fuel);
    s.peak_power_W = power_by_air_W(s.peak->air_kg_s, kFullLoadLambda);
    s.pump_wanted_m3_s = pump_flow_wanted_m3_s(s.peak_fuel_kg_s, engine.build.fuel);
    if (s.install.injectors) {
      s.injector_wanted_kg_s =
          injector_flow_wanted_kg_s(s.peak_fuel_kg_s, *s.install.injectors, kInjectorDuty);
    }
  }
  if (s.install.injector_flow_kg_s) {
    s.injector_flow_kg_s =
        injector_flow_at_kg_s(*s.install.injector_flow_kg_s, kInjectorRating_Pa,
                              s.install.fuel_pressure_Pa.value_or(kInjectorRating_Pa));
  }

  const Inputs<double>& in = engine.inputs;
  s.intake_closing_abdc_deg = cam_events(in.intake_duration_seat_deg, in.exhaust_duration_seat_deg,
                                         in.lobe_separation_deg, in.intake_centerline_deg)
                                  .ivc_abdc_deg;
  s.effective_compression = effective_compression_ratio(in, s.intake_closing_abdc_deg);
  const auto cranking = [&](double exponent) {
    return cranking_pressure_Pa(s.effective_compression, in.barometer_Pa, exponent);
  };
  s.cranking_Pa = cranking(kCrankingExponent);
  s.cranking_low_Pa = cranking(kCrankingExponent - kCrankingExponentOff);
  s.cranking_high_Pa = cranking(kCrankingExponent + kCrankingExponentOff);
  return s;
}

std::string starting_text(const StartingValues& s, std::size_t label_width) {
  const auto line = [&](std::string_view label, const std::string& text) {
    return labelled(label, label_width, text);
  };
  return line("Idle speed", idle_speed_paragraph(s)) + line("Spark", spark_paragraph(s)) +
         line("Brakes", brake_paragraph(s)) + line("Fuel", fuel_paragraph(s)) +
         line("Pressure", pressure_paragraph(s)) + line("Cranking", compression_paragraph(s));
}

Json starting_json(const StartingValues& s) {
  Json json;
  json["idle_speed"] = {{"neutral", speed_json(s.neutral)},
                        {"in_gear", speed_json(s.in_gear)},
                        {"air_conditioning", speed_json(s.air_conditioning)},
                        {"burned_fuel_fraction_wanted", kSteadyBurnedFraction},
                        {"usual_sd_rpm", finite(s.usual_speed_sd_rpm)},
                        {"basis", kSpeedBasis}};
  Json spark{{"ignition", s.spark_controlled ? "controlled" : "fixed"},
             {"ignition_assumed", !s.ignition_given},
             {"reach_deg", {s.spark_reach.low_deg, s.spark_reach.high_deg}},
             {"btdc_deg", nullptr},
             {"map_kPa", nullptr},
             {"rough_beyond", false},
             {"basis", "computed, within a reach of common practice"}};
  if (s.spark) {
    spark["btdc_deg"] = finite(s.spark->spark_btdc_deg);
    spark["map_kPa"] = finite(to_kPa(s.spark->point.map_Pa));
    spark["rough_beyond"] = s.spark->rough_beyond;
  }
  json["spark"] = std::move(spark);
  Json brakes{
      {"in_gear_rpm", finite(s.in_gear_speed_rpm)},
      {"vacuum_in_gear_inHg", nullptr},
      {"verdict", nullptr},
      {"basis", "16-18 inHg commonly wanted: service manuals; steps below common practice"}};
  if (s.held_in_gear) {
    const double vacuum = vacuum_Pa(*s.held_in_gear);
    brakes["vacuum_in_gear_inHg"] = finite(to_inHg(vacuum));
    brakes["verdict"] = booster_name(booster_at(vacuum));
  }
  json["brakes"] = std::move(brakes);
  const auto maybe = [](bool known, double value) { return known ? Json(finite(value)) : Json(); };
  const bool peak = s.peak.has_value();
  const auto pump = s.install.pump_flow_m3_s;
  const bool injectors = s.injector_flow_kg_s && s.injector_wanted_kg_s;
  json["fuel"] = {
      {"peak_rpm", maybe(peak, peak ? s.peak->speed_rpm : 0)},
      {"peak_air_g_per_s", maybe(peak, peak ? to_g_per_s(s.peak->air_kg_s) : 0)},
      {"peak_at_speed_limit", peak && s.peak->at_limit},
      {"lambda", kFullLoadLambda},
      {"peak_fuel_lb_per_hr", maybe(peak, to_lb_per_hr(s.peak_fuel_kg_s))},
      {"power_by_air_hp", maybe(peak, to_hp(s.peak_power_W))},
      {"bsfc_lb_per_hp_hr", to_lb_per_hp_hr(kBsfc_kg_J)},
      {"duty", kInjectorDuty},
      {"injectors", s.install.injectors ? Json(*s.install.injectors) : Json()},
      {"injector_wanted_lb_per_hr",
       maybe(s.injector_wanted_kg_s.has_value(), to_lb_per_hr(s.injector_wanted_kg_s.value_or(0)))},
      {"injector_at_pressure_lb_per_hr",
       maybe(s.injector_flow_kg_s.has_value(), to_lb_per_hr(s.injector_flow_kg_s.value_or(0)))},
      {"injector_rating_psi", to_psi(kInjectorRating_Pa)},
      {"injector_margin",
       maybe(injectors, injectors ? *s.injector_flow_kg_s / *s.injector_wanted_kg_s - 1 : 0)},
      {"pump_wanted_L_per_hr", maybe(peak, to_L_per_hr(s.pump_wanted_m3_s))},
      {"pump_margin", maybe(peak && pump, peak && pump ? *pump / s.pump_wanted_m3_s - 1 : 0)},
      {"without_boost_or_nitrous", s.boosted},
      {"basis", kPeakBasis}};
  json["compression"] = {
      {"ratio", finite(s.compression_ratio)},
      {"intake_closing_abdc_deg", finite(s.intake_closing_abdc_deg)},
      {"effective_ratio", finite(s.effective_compression)},
      {"cranking_psi", finite(to_psi(s.cranking_Pa))},
      {"cranking_range_psi",
       {finite(to_psi(s.cranking_low_Pa)), finite(to_psi(s.cranking_high_Pa))}},
      {"basis",
       "computed from the intake's seat closing; exponent from memory of common estimates"}};
  return json;
}

}  // namespace idlefit
