#include "cli/estimate.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <stdexcept>
#include <string_view>

#include "cli/questions.h"
#include "model/cam.h"
#include "model/constants.h"
#include "model/units.h"
#include "profiles/known_reading.h"
#include "profiles/sampling.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

// A question whose answer would narrow MAP by less than this (kPa) is not worth the customer's
// time.
constexpr double kWorthAsking_kPa = 0.05;
constexpr std::size_t kAskAtMost = 3;
// A fault is more likely than not.
constexpr double kLikelyFault = 0.5;
constexpr std::size_t kLabelWidth = 11;

constexpr std::string_view kCaution =
    "fuel under pressure, carbon monoxide, moving belts, hot exhaust. The vehicle's service "
    "manual, local codes and licensed practice come before this estimate.";

// What the vacuum means for a brake booster; empty where there is enough.
std::string brake_note(double vacuum_Pa, bool in_gear) {
  const Booster booster = booster_at(vacuum_Pa);
  if (booster == Booster::enough) return {};
  return fmt::format("Power brakes: {:.1f} inHg {} (16-18 is usual{}).", to_inHg(vacuum_Pa),
                     booster_words(booster), in_gear ? "" : "; in gear it is 1-3 less");
}

bool in_gear(const Estimate& e) { return e.completion.engine.inputs.converter_torque_Nm > 0; }

double vacuum_Pa(const OperatingPoint& p) { return p.barometer_Pa - p.map_Pa; }

// What one standard deviation of an assumed key does to MAP, Pa, without sign.
double effect_Pa(const Estimate& e, const std::string& key) {
  if (!e.uncertainty) return 0;
  const auto& keys = e.completion.latent_keys;
  const auto at = std::find(keys.begin(), keys.end(), key);
  return at == keys.end() ? 0 : std::abs(e.uncertainty->latent_effect_Pa[at - keys.begin()]);
}

std::string baseline_words(const BaselineChoice& b) {
  if (b.custom) return "custom calibration";
  return (b.decided ? "baseline " : "start from ") + b.name;
}

std::string joined(const std::vector<std::string>& parts, std::string_view between) {
  return fmt::format("{}", fmt::join(parts, between));
}

// --- The parts of the text
// ------------------------------------------------------------------------

// How the interval was come by where engines were drawn for it.
std::string sampled_words(const MapInterval& interval) {
  std::string text = fmt::format("interval from {} sampled engines", interval.samples);
  if (interval.no_idle > 0)
    text += fmt::format(" ({:.1f}% without an idle)", 100 * interval.no_idle);
  return text + ": " + interval.why + ".";
}

std::string context_line(const Estimate& e) {
  const OperatingPoint& p = e.idle.point;
  std::string text = e.card.name.empty() ? "Warm" : e.card.name + ": warm";
  text += fmt::format(", {}, barometer {:.1f} kPa.", in_gear(e) ? "in gear" : "in neutral",
                      to_kPa(e.completion.engine.inputs.barometer_Pa));
  if (e.idle.status == Status::ok && e.interval) {
    text += " Brackets: 80%";
    text += e.interval->samples > 0 ? "; " + sampled_words(*e.interval) : ".";
  }
  if (e.idle.status != Status::ok && e.idle.balanced) {
    text += fmt::format(" The balance lies at {:.1f} kPa.", to_kPa(p.map_Pa));
    if (e.interval && e.interval->samples > 0) {
      text += fmt::format(" Of {} engines drawn from what is likely {:.0f}% have no idle.",
                          e.interval->samples, 100 * e.interval->no_idle);
    }
  }
  return text;
}

std::string baseline_paragraph(const Estimate& e, const BaselineSet& baselines) {
  const BaselineChoice& b = e.baseline;
  std::vector<std::string> parts;
  for (const auto& [name, probability] : b.probability) {
    if (probability >= 0.005) parts.push_back(fmt::format("{} {:.0f}%", name, 100 * probability));
  }
  std::string text = joined(parts, ", ");
  text += baselines.provisional ? " (provisional ranges)." : ".";
  if (b.custom) text += fmt::format(" Nearest profile: {}.", b.nearest);
  for (const std::string& reason : b.reasons) text += " " + reason;
  return text;
}

// Where the baseline is not decided, the question that decides it leads.
std::string ask_paragraphs(const Estimate& e) {
  std::string text;
  std::vector<std::string> more;
  const bool lead = e.idle.status == Status::ok && !e.baseline.decided;
  for (const AskNext& a : e.ask_next) {
    if (lead && text.empty()) {
      const BaselineChoice& b = e.baseline;
      const double sd_Pa = e.uncertainty->sd_Pa;
      text =
          labelled("Ask first", kLabelWidth,
                   fmt::format("{} It tells most between {} and {}: ± {:.1f} kPa becomes ± {:.1f}, "
                               "{:.0f}% to change it.",
                               a.question, b.custom ? "custom" : b.name, b.runner_up, to_kPa(sd_Pa),
                               to_kPa(sd_Pa - a.map_sd_removed_Pa), 100 * a.chance_of_change));
    } else {
      more.push_back(
          fmt::format("{} (narrows by {:.1f} kPa)", a.question, to_kPa(a.map_sd_removed_Pa)));
    }
  }
  if (!more.empty()) {
    text += labelled(text.empty() ? "Ask next" : "Then ask", kLabelWidth, joined(more, " "));
  }
  return text;
}

std::string charge_paragraph(const OperatingPoint& p) {
  return fmt::format("VE {:.2f} (manifold), {:.3f} (outside air); air {:.2f}, fuel {:.3f} g/s.",
                     p.ve_manifold, p.ve_ambient, to_g_per_s(p.air_kg_s), to_g_per_s(p.fuel_kg_s));
}

std::string burning_paragraph(const OperatingPoint& p) {
  return fmt::format("{:.0f}% residual gas; {:.1f}% of the fuel burns (no idle below 80%).",
                     100 * p.residual_fraction, 100 * p.burned_fuel_fraction);
}

std::string work_paragraph(const OperatingPoint& p, bool against_converter) {
  return fmt::format(
      "{:.0f} kPa indicated pays for pumping {:.0f}, friction {:.0f}, accessories{} {:.0f}.",
      to_kPa(p.imep_gross_Pa), to_kPa(p.pmep_Pa), to_kPa(p.fmep_Pa),
      against_converter ? " and converter" : "", to_kPa(p.accessory_mep_Pa));
}

// What was assumed, that which moves MAP most first.
std::vector<Assumption> ranked_assumptions(const Estimate& e) {
  std::vector<Assumption> ranked = e.completion.assumed;
  std::stable_sort(ranked.begin(), ranked.end(), [&e](const Assumption& a, const Assumption& b) {
    return effect_Pa(e, a.key) > effect_Pa(e, b.key);
  });
  return ranked;
}

std::string assumed_item(const Estimate& e, const Assumption& a) {
  if (!a.word.empty()) return a.key + " " + a.word;
  std::string item = a.key + " " + number_text(a.value, 4);
  if (a.sd > 0) item += " ± " + number_text(a.sd, 2);
  if (!a.unit.empty()) item += " " + a.unit;
  const double effect_kPa = to_kPa(effect_Pa(e, a.key));
  if (effect_kPa >= kWorthAsking_kPa) item += fmt::format(" ({:.1f} kPa)", effect_kPa);
  return item;
}

std::string assumed_paragraph(const Estimate& e, std::size_t lines) {
  std::vector<std::string> items;
  // A reading ties the coefficients to the rest.
  const bool apart = e.uncertainty && !(e.reading && e.reading->used);
  const double physics_Pa =
      apart ? std::max(e.uncertainty->coefficients_sd_Pa, e.uncertainty->discrepancy_sd_Pa) : 0.0;
  bool physics_told = !apart;
  const auto tell_physics = [&] {
    items.push_back(fmt::format(
        "the physics' own coefficients ({:.1f} kPa), and how far engines "
        "stray from it ({:.1f} kPa)",
        to_kPa(e.uncertainty->coefficients_sd_Pa), to_kPa(e.uncertainty->discrepancy_sd_Pa)));
    physics_told = true;
  };
  if (e.reading && e.reading->used) items.emplace_back("before the reading was weighed");
  for (const Assumption& a : ranked_assumptions(e)) {
    if (!physics_told && effect_Pa(e, a.key) < physics_Pa) tell_physics();
    items.push_back(assumed_item(e, a));
  }
  if (!physics_told) tell_physics();
  return listed("Assumed", kLabelWidth, items, "; ", lines);
}

// --- The document
// ---------------------------------------------------------------------------------

// JSON has no word for a number that is none, and the library writes null without saying so.
double finite(double value) {
  if (!std::isfinite(value)) throw std::logic_error("a number in the answer is not finite");
  return value;
}

nlohmann::ordered_json bounds(double low, double high) { return {finite(low), finite(high)}; }

std::string_view status_name(Status status) {
  switch (status) {
    case Status::ok:
      return "ok";
    case Status::no_idle:
      return "no-idle";
    case Status::not_converged:
      return "not-converged";
  }
  throw std::logic_error("unknown status");
}

nlohmann::ordered_json idle_json(const Estimate& e) {
  const OperatingPoint& p = e.idle.point;
  const Inputs<double>& in = e.completion.engine.inputs;
  const bool have = e.idle.balanced;
  nlohmann::ordered_json idle;
  const auto put = [&idle](const char* key, bool known, double value) {
    idle[key] = known ? nlohmann::ordered_json(finite(value)) : nlohmann::ordered_json();
  };
  put("rpm", true, in.speed_rpm);
  put("map_kPa", have, to_kPa(p.map_Pa));
  put("map_sea_level_kPa", e.sea_level.balanced, to_kPa(e.sea_level.point.map_Pa));
  put("vacuum_inHg", have, to_inHg(vacuum_Pa(p)));
  put("barometer_kPa", true, to_kPa(in.barometer_Pa));
  put("ve_manifold", have, p.ve_manifold);
  put("ve_ambient", have, p.ve_ambient);
  put("charge_K", have, p.charge_K);
  put("air_g_per_s", have, to_g_per_s(p.air_kg_s));
  put("fuel_g_per_s", have, to_g_per_s(p.fuel_kg_s));
  put("residual_fraction", have, p.residual_fraction);
  put("burned_fuel_fraction", have, p.burned_fuel_fraction);
  put("imep_kPa", have, to_kPa(p.imep_gross_Pa));
  put("pmep_kPa", have, to_kPa(p.pmep_Pa));
  put("fmep_kPa", have, to_kPa(p.fmep_Pa));
  put("accessory_mep_kPa", have, to_kPa(p.accessory_mep_Pa));
  if (e.idle.status != Status::ok) {
    idle["reason"] = e.idle.reason;
    if (!e.remedy.empty()) idle["remedy"] = e.remedy;
  } else if (!e.sea_level.balanced) {
    idle["reason"] = "at 101.325 kPa: " + e.sea_level.reason;
  }
  return idle;
}

nlohmann::ordered_json interval_json(const Estimate& e) {
  nlohmann::ordered_json interval{{"level", 0.8},
                                  {"map_kPa", nullptr},
                                  {"vacuum_inHg", nullptr},
                                  {"by", nullptr},
                                  {"samples", 0}};
  if (!e.interval) {
    interval["reason"] = "no balance to put an interval around";
    return interval;
  }
  const OperatingPoint& p = e.idle.point;
  const PressureInterval& map = e.interval->ends;
  // Both ends are those of engines without an idle where there are so many of them.
  if (e.interval->no_idle < 0.9) {
    interval["map_kPa"] = bounds(to_kPa(map.low_Pa), to_kPa(map.high_Pa));
    interval["vacuum_inHg"] =
        bounds(to_inHg(p.barometer_Pa - map.high_Pa), to_inHg(p.barometer_Pa - map.low_Pa));
  }
  interval["by"] = e.interval->samples > 0 ? "samples" : "gradient";
  interval["samples"] = e.interval->samples;
  if (e.interval->samples > 0) {
    interval["effective"] = finite(e.interval->effective);
    interval["no_idle"] = finite(e.interval->no_idle);
    interval["reason"] = e.interval->why;
  }
  return interval;
}

nlohmann::ordered_json cam_json(const Inputs<double>& in) {
  const CamEvents<double> at_050 =
      cam_events(in.intake_duration_050_deg, in.exhaust_duration_050_deg, in.lobe_separation_deg,
                 in.intake_centerline_deg);
  const CamEvents<double> at_seat =
      cam_events(in.intake_duration_seat_deg, in.exhaust_duration_seat_deg, in.lobe_separation_deg,
                 in.intake_centerline_deg);
  return {{"overlap_050_deg", finite(at_050.overlap_deg)},
          {"overlap_seat_deg", finite(at_seat.overlap_deg)},
          {"ivo_btdc_deg", finite(at_050.ivo_btdc_deg)},
          {"ivc_abdc_deg", finite(at_050.ivc_abdc_deg)},
          {"evo_bbdc_deg", finite(at_050.evo_bbdc_deg)},
          {"evc_atdc_deg", finite(at_050.evc_atdc_deg)}};
}

nlohmann::ordered_json baseline_json(const BaselineChoice& b) {
  nlohmann::ordered_json probability = nlohmann::ordered_json::object();
  for (const auto& [name, value] : b.probability) probability[name] = finite(value);
  nlohmann::ordered_json baseline;
  baseline["name"] = b.custom ? nlohmann::ordered_json() : nlohmann::ordered_json(b.name);
  baseline["runner_up"] = b.runner_up;
  baseline["decided"] = b.decided;
  baseline["custom"] = b.custom;
  baseline["nearest"] = b.nearest;
  baseline["probability"] = std::move(probability);
  for (const auto& [key, entries] :
       {std::pair{"fuelling_error", &b.fuelling_error}, std::pair{"cost", &b.cost}}) {
    baseline[key] = nlohmann::ordered_json::object();
    for (const auto& [name, value] : *entries) baseline[key][name] = finite(value);
  }
  baseline["reasons"] = b.reasons;
  return baseline;
}

// --- The estimate
// ---------------------------------------------------------------------------------

// A reading is called odd where one at least so far from what was expected had this chance.
constexpr double kSurprising = 0.05;

// Engines drawn where the gradient will not do. The ends of the interval are to be within 10 % of
// its width: with 256 the upper end strays by 6 % (one deviation, over ten shifts) where one engine
// in sixteen has no idle, with 512 by 3 %.
constexpr std::size_t kSamples = 512;
// So many of them tell whether the gradient will do: of an interval that one engine in thirty
// spoils by having no idle they miss one in eight.
constexpr std::size_t kCheckSamples = 64;
// Where a reading makes most engines unlikely and fewer than this count, one or two of them lie
// beyond an end of the interval: that says less than the gradient.
constexpr double kEnough = 16;
// The share of the interval's width that its ends may be off before the gradient will not do. They
// are to lie within 10 % of it; half of that is left to what so few engines do not show.
constexpr double kOff = 0.05;

// What an estimate is worked out from, beside what it shows.
struct Unknowns {
  CoefficientUnknowns coefficients;
  Discrepancy discrepancy;
  EngineBelief belief;
  Eigen::VectorXd at;        // of the engine shown, in deviations
  double map_beyond_Pa = 0;  // predicted MAP less that of the engine shown

  Unknowns(const CoefficientKnowledge& knowledge, std::size_t latents)
      : coefficients(knowledge),
        discrepancy(knowledge.discrepancy),
        belief(knowledge.discrepancy),
        at(Eigen::VectorXd::Zero(static_cast<Eigen::Index>(latents + kCoefficientCount))) {}
};

// Takes a vacuum read on this engine into account; what it has to say leads the warnings.
void take_reading(Estimate& e, const CoefficientKnowledge& knowledge, Unknowns& unknowns) {
  if (!e.completion.known) return;
  using Use = TakenReading::Use;
  const TakenReading taken = inform_by_reading(e.card, e.completion, knowledge);
  ReadingReport report{taken.use == Use::weighed,
                       -to_inHg(taken.surprise_Pa),
                       taken.surprise_chance,
                       taken.fault_probability,
                       {},
                       {}};
  const std::string off =
      fmt::format("{:.1f} inHg {} than what else was said makes likely", std::abs(report.off_inHg),
                  report.off_inHg < 0 ? "less" : "more");
  switch (taken.use) {
    case Use::no_idle:
      report.reason = "the model finds no idle under its conditions";
      break;
    case Use::unsettled:
      report.reason = "no engine was found that it speaks for";
      break;
    case Use::too_far:
      report.reason = fmt::format(
          "it is {}, and one so far off had a chance of {}", off,
          report.chance < 0.001 ? "less than 0.1%" : fmt::format("{:.1f}%", 100 * report.chance));
      break;
    case Use::weighed:
      if (taken.fault_probability >= kLikelyFault) {
        report.note = fmt::format(
            "The known vacuum is {}: more likely a fault on the engine ({:.0f}%) than what was "
            "said. Check both.",
            off, 100 * taken.fault_probability);
      } else if (taken.surprise_chance < kSurprising) {
        report.note = fmt::format("The known vacuum is {}: check both.", off);
      }
      break;
  }
  if (!report.used) {
    report.note = "The known vacuum was left aside: " + report.reason + ". Check the reading.";
  }
  e.reading = report;
  if (!taken.informed) return;
  const InformedEngine& informed = *taken.informed;
  e.completion.engine = informed.engine;
  e.completion.input_per_latent = informed.input_per_latent;
  e.coefficients = informed.coefficients;
  unknowns.belief = informed.belief;
  unknowns.at = informed.unknowns;
  unknowns.map_beyond_Pa = informed.map_beyond_Pa;
}

// Why the gradient will not do for the interval, plain words; empty where it will.
std::string gradient_fails(const IdleSampler& sampler, const PressureInterval& interval) {
  const GradientCheck check = sampler.check(kCheckSamples);
  if (check.no_idle > 0) return "the gradient does not see those without an idle";
  if (check.no_idle_at_sea_level > 0)
    return "the gradient does not see those without an idle at sea level";
  if (check.interval_off_Pa <= kOff * (interval.high_Pa - interval.low_Pa)) return {};
  return fmt::format("the gradient alone is about {:.1f} kPa off", to_kPa(check.interval_off_Pa));
}

// Baselines are chosen at sea level, where it no longer matters how high the engine stands.
Engine at_sea_level(const Estimate& e) {
  Engine engine = e.completion.engine;
  engine.inputs.barometer_Pa = kStandardAtmosphere_Pa;
  return engine;
}

// What the unknowns do at sea level.
struct SeaLevelEffects {
  Eigen::VectorXd map_Pa, burned_fraction;  // of one deviation of each unknown
};

// The keys that the card leaves open and a customer may know, by how much knowing them narrows MAP.
void rank_questions(Estimate& e, const BaselineSet& baselines, const Unknowns& unknowns,
                    const Eigen::VectorXd& effects_Pa, const SeaLevelEffects& sea_level,
                    const Predictive& likely) {
  const Eigen::Index latents = static_cast<Eigen::Index>(e.completion.latent_keys.size());
  const MapUncertainty at_sea_level(sea_level.map_Pa, unknowns.belief);
  const Eigen::VectorXd burns = unknowns.belief.principal_direction(sea_level.burned_fraction);
  const std::string seat_height =
      fmt::format("{:.3f}", to_inches(e.completion.engine.inputs.seat_height_m));

  std::vector<AskNext> ranked;
  std::vector<Knowing> knowing;
  const auto consider = [&](const std::string& key, double removed_Pa, const Knowing& what) {
    if (to_kPa(removed_Pa) < kWorthAsking_kPa) return;
    ranked.push_back({key, question_for(key, seat_height), removed_Pa});
    knowing.push_back(what);
  };
  for (Eigen::Index j = 0; j < latents; ++j) {
    const std::string& key = e.completion.latent_keys[static_cast<std::size_t>(j)];
    if (!can_be_asked(e.card, key)) continue;
    consider(key, sd_removed_Pa(*e.uncertainty, j), {at_sea_level.latent_effect_Pa[j], -burns[j]});
  }
  if (!e.completion.known) {  // the engine as it stands may be able to tell
    const ReadingTrust trust;
    const auto removed_Pa = [&](const Eigen::VectorXd& of_Pa) {
      return sd_removed_by_reading_Pa(of_Pa, unknowns.discrepancy, trust.gauge_Pa,
                                      trust.fault_chance, trust.fault_Pa);
    };
    const double sd_Pa = at_sea_level.sd_Pa, left_Pa = sd_Pa - removed_Pa(sea_level.map_Pa);
    const double length = sea_level.map_Pa.norm();
    consider("known.vacuum", removed_Pa(effects_Pa),
             {std::sqrt(std::max(0.0, sd_Pa * sd_Pa - left_Pa * left_Pa)),
              length > 0 ? -burns.dot(sea_level.map_Pa) / length : 0.0});
  }
  // Where a condition makes it custom, nothing that is asked changes that.
  if (!e.baseline.by_condition) {
    const std::vector<double> chances = chances_of_change(baselines, likely, knowing);
    for (std::size_t i = 0; i < ranked.size(); ++i) ranked[i].chance_of_change = chances[i];
  }
  std::stable_sort(ranked.begin(), ranked.end(), [](const AskNext& a, const AskNext& b) {
    return a.map_sd_removed_Pa > b.map_sd_removed_Pa;
  });
  if (ranked.size() > kAskAtMost) ranked.resize(kAskAtMost);
  e.ask_next = std::move(ranked);
}

// How likely each MAP is, here and at sea level, and with it interval and baseline.
void weigh(Estimate& e, const BaselineSet& baselines, const Unknowns& unknowns,
           std::size_t samples) {
  std::optional<Predictive> sea_level;
  SeaLevelEffects at_sea{Eigen::VectorXd::Zero(unknowns.at.size()),
                         Eigen::VectorXd::Zero(unknowns.at.size())};
  if (e.sea_level.balanced && e.sea_level.gradient) {
    Eigen::MatrixXd input_per_latent = e.completion.input_per_latent;
    if (input_per_latent.cols() > 0) {  // a matrix without columns has no rows to set
      input_per_latent.row(static_cast<Eigen::Index>(Input::barometer_Pa)).setZero();
    }
    const PointGradient& gradient = *e.sea_level.gradient;
    at_sea = {
        unknown_effects_Pa(gradient, input_per_latent, unknowns.coefficients),
        unknown_effects(gradient.burned_fuel_fraction, input_per_latent, unknowns.coefficients)};
    sea_level =
        unknowns.belief.predict(e.sea_level.point.map_Pa + unknowns.map_beyond_Pa, at_sea.map_Pa);
  }
  Eigen::VectorXd effects_Pa;
  if (e.idle.balanced && e.idle.gradient) {
    effects_Pa =
        unknown_effects_Pa(*e.idle.gradient, e.completion.input_per_latent, unknowns.coefficients);
    e.uncertainty.emplace(effects_Pa, unknowns.belief);

    const double barometer_Pa = e.idle.point.barometer_Pa;
    const Predictive map =
        unknowns.belief.predict(e.idle.point.map_Pa + unknowns.map_beyond_Pa, effects_Pa);
    MapInterval interval{interval_80(map, barometer_Pa), 0, 0, 0, {}};
    e.law = map;
    e.belief = unknowns.belief;
    if (e.idle.status != Status::not_converged) {
      const IdleSampler sampler(
          e.card, unknowns.coefficients, unknowns.belief,
          {unknowns.at, effects_Pa, e.idle, sea_level ? at_sea.map_Pa : effects_Pa,
           at_sea.burned_fraction, e.sea_level});
      interval.why = samples > 0                        ? "as asked"
                     : e.idle.status == Status::no_idle ? "the engine in the middle has no idle"
                                                        : gradient_fails(sampler, interval.ends);
      if (!interval.why.empty()) {
        interval.samples = samples > 0 ? samples : kSamples;
        const SampledIdles sampled = sampler.sample(interval.samples);
        interval.effective = sampled.effective;
        if (sampled.effective >= kEnough) {
          interval.no_idle = sampled.map.no_idle();
          interval.ends = interval_80(sampled.map, barometer_Pa);
          e.law = sampled.map;
          sea_level = sampled.sea_level;
        } else {
          interval.samples = 0;
          interval.why.clear();
          e.warnings.push_back(
              "Hardly any likely engine pulls the known vacuum: the interval is rough.");
        }
      }
    }
    e.interval = std::move(interval);
  }
  e.baseline = choose_baseline(baselines, e.card, at_sea_level(e), e.sea_level, sea_level);
  if (e.uncertainty && sea_level)
    rank_questions(e, baselines, unknowns, effects_Pa, at_sea, *sea_level);
}

// What makes an engine without an idle find one: the lowest speed that does, where there is one
// within reach, or less of what dilutes the charge.
std::string remedy_for(const Estimate& e) {
  constexpr double kStep_rpm = 50.0, kHighest_rpm = 1600.0;
  EngineCard card = e.card;
  const double asked_rpm = e.completion.engine.inputs.speed_rpm;
  std::string speed = "Raise the idle speed";
  if (!e.completion.known) {
    bool found = false;
    for (double rpm = kStep_rpm * (std::floor(asked_rpm / kStep_rpm) + 1.0);
         rpm <= kHighest_rpm && !found; rpm += kStep_rpm) {
      card.speed_rpm = rpm;
      if (solve_idle(complete_at(card, Eigen::VectorXd()), e.coefficients).status != Status::ok)
        continue;
      speed += fmt::format(": an idle is found from {:.0f} rpm up", rpm);
      found = true;
    }
    if (!found) {
      speed =
          fmt::format("No idle speed up to {:.0f} rpm helps", std::max(kHighest_rpm, asked_rpm));
    }
  }
  return speed + "; or less cam: shorter durations, a wider lobe separation.";
}

void warn(Estimate& e) {
  if (e.idle.status != Status::ok) return;
  const OperatingPoint& p = e.idle.point;
  if (e.interval) {
    const PressureInterval& i = e.interval->ends;
    if (i.high_Pa >= p.barometer_Pa) {
      e.warnings.push_back(
          "The interval reaches beyond the barometer: this engine may not idle at this speed.");
    }
    if (i.low_Pa < 0) {
      e.warnings.push_back("The interval reaches below zero: far too little is known.");
    }
  }
  const std::string brakes = brake_note(vacuum_Pa(p), in_gear(e));
  if (!brakes.empty()) e.warnings.push_back(brakes);
}

}  // namespace

Estimate estimate(const EngineCard& card, const BaselineSet& baselines,
                  const CoefficientKnowledge& knowledge, const EstimateOptions& options) {
  Estimate e;
  e.card = card;
  e.coefficients = knowledge.mean;
  e.completion = complete(card);
  Unknowns unknowns(knowledge, e.completion.latent_keys.size());
  take_reading(e, knowledge, unknowns);

  e.idle = solve_idle(e.completion.engine, e.coefficients, {.gradient = true});
  e.sea_level = e.completion.engine.inputs.barometer_Pa == kStandardAtmosphere_Pa
                    ? e.idle
                    : solve_idle(at_sea_level(e), e.coefficients, {.gradient = true});
  weigh(e, baselines, unknowns, options.samples);
  if (options.explain) e.explanation = explain_idle(e.completion.engine, e.coefficients);
  if (options.start) e.start = starting_values(card, e.completion.engine, e.coefficients);
  if (e.idle.status == Status::no_idle) e.remedy = remedy_for(e);
  warn(e);
  // What says most comes first: a screen may have no room for the rest.
  if (e.reading && !e.reading->note.empty()) {
    e.warnings.insert(e.warnings.begin(), e.reading->note);
  }
  e.warnings.insert(e.warnings.end(), card.warnings.begin(), card.warnings.end());
  e.warnings.insert(e.warnings.end(), e.completion.warnings.begin(), e.completion.warnings.end());
  return e;
}

std::string estimate_line(const Estimate& e) {
  const OperatingPoint& p = e.idle.point;
  const double speed_rpm = e.completion.engine.inputs.speed_rpm;
  if (e.idle.status == Status::no_idle) {
    return fmt::format("No idle at {:.0f} rpm: {}: {}", speed_rpm, baseline_words(e.baseline),
                       e.idle.reason);
  }
  if (e.idle.status == Status::not_converged) {
    return fmt::format("No answer at {:.0f} rpm, the solver did not converge: {}", speed_rpm,
                       e.idle.reason);
  }
  std::string map = fmt::format("{:.1f} kPa", to_kPa(p.map_Pa));
  std::string vacuum = fmt::format("{:.1f} inHg vacuum", to_inHg(vacuum_Pa(p)));
  if (e.interval) {
    const PressureInterval& i = e.interval->ends;
    map += fmt::format(" ({:.1f}–{:.1f})", to_kPa(i.low_Pa), to_kPa(i.high_Pa));
    vacuum += fmt::format(" ({:.1f}–{:.1f})", to_inHg(p.barometer_Pa - i.high_Pa),
                          to_inHg(p.barometer_Pa - i.low_Pa));
  }
  return fmt::format("{}, {}, {:.0f} rpm: {}{}", map, vacuum, speed_rpm, baseline_words(e.baseline),
                     e.reading && !e.reading->used ? " (known vacuum left aside)" : "");
}

std::string estimate_text(const Estimate& e, const BaselineSet& baselines, const Style& style) {
  const auto line = [](std::string_view label, std::string_view text) {
    return labelled(label, kLabelWidth, text);
  };
  std::string head = labelled("", 0, estimate_line(e));
  std::string above = labelled("", 0, context_line(e)) + "\n";
  std::vector<std::string> warned = e.warnings;
  if (e.reading && !e.reading->note.empty()) {
    above += style.warning(line("Reading", e.reading->note));
    warned.erase(warned.begin());
  }
  if (!e.remedy.empty()) above += line("Change", e.remedy);
  const std::string baseline = line("Baseline", baseline_paragraph(e, baselines));
  above += e.baseline.decided ? baseline + ask_paragraphs(e) : ask_paragraphs(e) + baseline;
  if (e.idle.balanced) {
    above += line("Charge", charge_paragraph(e.idle.point));
    above += line("Burning", burning_paragraph(e.idle.point));
    above += line("Work", work_paragraph(e.idle.point, in_gear(e)));
  }
  const std::string below = line("Caution", kCaution);

  // What room is left on the screen goes to the warnings first, then to what was assumed.
  const std::size_t taken = line_count(head) + line_count(above) + line_count(below);
  const std::size_t room = std::max<std::size_t>(kScreenLines, taken + 2) - taken;
  std::string warnings =
      listed("Warnings", kLabelWidth, warned, " ", std::max<std::size_t>(room, 3) - 2);
  const std::size_t rest = room - std::min(room - 1, line_count(warnings));
  const std::string assumed = assumed_paragraph(e, std::min<std::size_t>(rest, 6));

  std::string text = style.bold(head) + above + assumed;
  text += style.warning(warnings) + below;
  if (e.start) text += "\nTo start with:\n" + starting_text(*e.start, kLabelWidth);
  if (!e.explanation.empty()) {
    text += "\nWhere the pressure comes from, each taken away alone (they do not add up):\n";
    for (const Contribution& c : e.explanation) {
      text += c.known ? fmt::format("{:+7.1f} kPa  {}\n", to_kPa(c.map_Pa), c.what)
                      : fmt::format("  no idle found without {}\n", c.what);
    }
  }
  return text;
}

nlohmann::ordered_json estimate_json(const Estimate& e) {
  nlohmann::ordered_json document;
  document["schema"] = "idlefit.estimate/1";
  document["engine"] = e.card.name;
  document["status"] = status_name(e.idle.status);
  document["idle"] = idle_json(e);
  document["interval"] = interval_json(e);
  document["cam"] = cam_json(e.completion.engine.inputs);
  document["baseline"] = baseline_json(e.baseline);
  if (e.reading) {
    document["known"] = {{"used", e.reading->used},
                         {"off_inHg", finite(e.reading->off_inHg)},
                         {"chance", finite(e.reading->chance)},
                         {"fault_probability", finite(e.reading->fault_probability)}};
    if (!e.reading->used) document["known"]["reason"] = e.reading->reason;
  }
  document["assumed"] = nlohmann::ordered_json::array();
  for (const Assumption& a : ranked_assumptions(e)) {
    nlohmann::ordered_json value = finite(a.value);
    if (!a.word.empty()) value = a.word;
    document["assumed"].push_back({{"key", a.key},
                                   {"value", value},
                                   {"unit", a.unit},
                                   {"sd", finite(a.sd)},
                                   {"map_sd_kPa", finite(to_kPa(effect_Pa(e, a.key)))}});
  }
  document["ask_next"] = nlohmann::ordered_json::array();
  for (const AskNext& a : e.ask_next) {
    document["ask_next"].push_back({{"key", a.key},
                                    {"question", a.question},
                                    {"map_sd_removed_kPa", finite(to_kPa(a.map_sd_removed_Pa))},
                                    {"chance_of_change", finite(a.chance_of_change)}});
  }
  if (!e.explanation.empty()) {
    document["explain"] = nlohmann::ordered_json::array();
    for (const Contribution& c : e.explanation) {
      nlohmann::ordered_json part{{"what", c.what}, {"map_kPa", nullptr}};
      if (c.known) {
        part["map_kPa"] = finite(to_kPa(c.map_Pa));
      } else {
        part["reason"] = "no idle found without it";
      }
      document["explain"].push_back(std::move(part));
    }
  }
  if (e.start) document["start"] = starting_json(*e.start);
  document["warnings"] = e.warnings;
  return document;
}

}  // namespace idlefit
