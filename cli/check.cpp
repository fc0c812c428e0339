#include "cli/check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

#include "model/constants.h"
#include "model/units.h"
#include "profiles/engine_check.h"
#include "profiles/known_reading.h"

namespace idlefit {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::size_t kLabelWidth = 17;

constexpr double kTooColdToJudge_K = kZeroCelsius_K + 70;  // chosen: below any warm thermostat

constexpr std::string_view kCheckCaution =
    "fuel under pressure, carbon monoxide, moving belts, hot exhaust; wheels blocked and brake set "
    "in gear. The vehicle's service manual, local codes and licensed practice come first.";

double finite(double value) {
  if (!std::isfinite(value)) throw std::logic_error("a number of a check is not finite");
  return value;
}

// The same in another unit.
ComparedReading scaled(const ComparedReading& r, double factor) {
  return {r.measured * factor, r.expected * factor, r.sd * factor,
          r.low * factor,      r.high * factor,     r.chance};
}

double barometer_Pa(const Check& c) { return c.estimate.completion.engine.inputs.barometer_Pa; }

// Of the gauge or the sensor, and of the conditions that were read beside it, to first order.
double manifold_reading_sd_Pa(const Check& c) {
  const ReadingTrust trust;
  const auto slope = [&](Input input) {
    return c.estimate.idle.gradient->map_Pa[static_cast<Eigen::Index>(input)];
  };
  // What is compared is a vacuum where a vacuum was read.
  const double barometer_slope = slope(Input::barometer_Pa) - (c.by_vacuum ? 1.0 : 0.0);
  const double station_Pa = c.visit.station_Pa() ? trust.barometer_Pa : trust.weather_Pa;
  const double spark_deg = c.visit.spark.idle_deg ? kSparkReadingSd_deg : 0.0;
  const double lambda = c.visit.mixture.lambda ? kLambdaReadingSd : 0.0;
  const double gauge_Pa =
      std::hypot(c.by_vacuum ? trust.gauge_Pa : kMapReadingSd_Pa, barometer_slope * station_Pa);
  return std::hypot(
      gauge_Pa, slope(Input::speed_rpm) * trust.speed_rpm,
      std::hypot(slope(Input::spark_btdc_deg) * spark_deg, slope(Input::lambda) * lambda));
}

// Why the manifold reading cannot be compared; empty where it can.
std::string cannot_judge(const Check& c) {
  const Visit& v = c.visit;
  if (!v.manifold.vacuum_Pa && !v.manifold.map_Pa)
    return "no manifold vacuum or pressure at idle was read";
  if (v.manifold.tap && *v.manifold.tap != Visit::Tap::plenum)
    return "the gauge was not on the plenum";
  if (v.idle.coolant_K && *v.idle.coolant_K < kTooColdToJudge_K)
    return "the engine was not warm, and what is expected is a warm idle";
  if (c.estimate.idle.status != Status::ok) {
    return fmt::format("the model finds no idle at {:.0f} rpm to compare with: {}",
                       c.estimate.completion.engine.inputs.speed_rpm, c.estimate.idle.reason);
  }
  if (!c.estimate.law || c.estimate.law->no_idle() >= 1.0)
    return "hardly any engine that the file describes idles";
  return {};
}

void refuse_impossible(const Check& c, double map_Pa) {
  const std::string key = c.by_vacuum ? "manifold.vacuum" : "manifold.map";
  const auto place = c.visit.where.find(key);
  const auto where = place == c.visit.where.end() ? InputError::Where{} : place->second;
  const double station_Pa = barometer_Pa(c);
  const std::string value = c.by_vacuum
                                ? fmt::format("{:.1f} inHg", to_inHg(*c.visit.manifold.vacuum_Pa))
                                : fmt::format("{:.1f} kPa", to_kPa(map_Pa));
  if (map_Pa >= kLeastIdleMap_Pa && map_Pa <= station_Pa + kGaugesAgree_Pa) return;
  throw InputError(
      where, key, value,
      fmt::format("a reading between {:.0f} kPa left in the manifold and the barometer "
                  "of {:.1f} kPa",
                  to_kPa(kLeastIdleMap_Pa), to_kPa(station_Pa)),
      "Read the barometer on the spot and give it as manifold.barometer.");
}

// A flow, as the law of MAP seen through it: what engines show beyond the model moves MAP and flow
// by the same share. To first order.
ComparedReading compared_flow(double measured_kg_s, double model_kg_s,
                              const ParameterGradient& slopes, const Check& c,
                              const CoefficientUnknowns& coefficients) {
  const double map_Pa = c.estimate.idle.point.map_Pa, per_flow = map_Pa / model_kg_s;
  const Eigen::VectorXd effects_Pa =
      per_flow * unknown_effects(slopes, c.estimate.completion.input_per_latent, coefficients);
  const Predictive law =
      c.estimate.belief->predict(map_Pa, effects_Pa).as_read(kFlowReadingSd * map_Pa);
  return scaled(compared(measured_kg_s * per_flow, law), 1.0 / per_flow);
}

// --- Words ---------------------------------------------------------------------------------------

// MAP as what was read: vacuum turns it round.
ComparedReading as_vacuum(const ComparedReading& map, double station_Pa) {
  return {station_Pa - map.measured, station_Pa - map.expected, map.sd,
          station_Pa - map.high,     station_Pa - map.low,      map.chance};
}

struct Shown {
  ComparedReading reading;
  std::string_view unit;
};
Shown as_read(const Check& c) {
  if (!c.by_vacuum) return {scaled(*c.map_Pa, to_kPa(1.0)), "kPa"};
  return {scaled(as_vacuum(*c.map_Pa, barometer_Pa(c)), to_inHg(1.0)), "inHg"};
}

std::string context_line(const Check& c) {
  const Inputs<double>& in = c.estimate.completion.engine.inputs;
  std::string text = c.visit.car.empty() ? c.estimate.card.name : c.visit.car;
  text +=
      fmt::format("{}{}, {:.0f} rpm, spark {:.0f} deg, {:.2f} lambda, barometer {:.1f} kPa{}.",
                  text.empty() ? "" : ": ", in.converter_torque_Nm > 0 ? "in gear" : "in neutral",
                  in.speed_rpm, in.spark_btdc_deg, in.lambda, to_kPa(in.barometer_Pa),
                  c.visit.station_Pa() ? "" : " (not read)");
  if (c.map_Pa) {
    const auto [r, unit] = as_read(c);
    text += fmt::format(
        " 80% of healthy engines read {:.1f}–{:.1f} {}, this reading's own error of ± {:.1f} "
        "included.",
        r.low, r.high, unit, c.by_vacuum ? to_inHg(c.reading_sd_Pa) : to_kPa(c.reading_sd_Pa));
  }
  return text;
}

std::string flow_words(std::string_view what, const ComparedReading& flow_kg_s, int digits) {
  const ComparedReading r = scaled(flow_kg_s, to_g_per_s(1.0));
  return fmt::format("{} {:.{}f} g/s is {} the {:.{}f} expected ({:.{}f}–{:.{}f}): {}.", what,
                     r.measured, digits, side_words(r), r.expected, digits, r.low, digits, r.high,
                     digits, chance_words(r.chance));
}

std::vector<std::string> names_of(const Check& c, WalkVerdict verdict) {
  std::vector<std::string> names;
  for (const Walked& w : c.walk) {
    if (w.verdict == verdict) names.emplace_back(w.row->name);
  }
  return names;
}

std::string capitalised(std::string_view name) {
  std::string text(name);
  if (text.front() >= 'a' && text.front() <= 'z')
    text.front() = static_cast<char>(text.front() - 32);
  return text;
}

std::string list_of(const std::vector<std::string>& names, std::size_t most) {
  std::vector<std::string> shown;
  for (const std::string& name : names) {
    if (shown.size() < most) shown.push_back(name);
  }
  return fmt::format("{}", fmt::join(shown, ", "));
}

std::string in_100(double probability) {
  const double times = 100.0 * probability;
  return times < 0.5 ? "less than 1" : times > 99.5 ? "over 99" : fmt::format("{:.0f}", times);
}

// Why the readings are as they are, as far as they tell.
std::string why_paragraph(const Check& c) {
  const Diagnosis& d = *c.diagnosis;
  const FoundCause& first = d.causes.front();
  if (!d.raised()) {
    return fmt::format(
        "no one fault explains this better than an odd engine in order ({} in 100); the likeliest "
        "is {} ({}).",
        in_100(d.healthy), first.cause->says(first.size), in_100(first.probability));
  }
  std::string text;
  if (d.together && d.together->probability > first.probability / 2) {
    const Diagnosis::Together& two = *d.together;
    text =
        fmt::format("two things at once, {} and {} ({} in 100).", two.first->says(two.first_size),
                    two.second->says(two.second_size), in_100(two.probability));
  } else if (d.decided()) {
    text = fmt::format("{} ({} in 100).", first.cause->says(first.size), in_100(first.probability));
  } else {
    text = d.readings > 1 ? "these readings do not tell which" : "MAP alone does not tell why";
    for (std::size_t i = 0; i < 3; ++i) {
      text += fmt::format("{} {} {}{}", i == 0 ? ":" : ",", d.causes[i].cause->name,
                          in_100(d.causes[i].probability), i == 0 ? " in 100" : "");
    }
    text += fmt::format(", nothing wrong {}.", in_100(d.healthy));
  }
  if (d.decided()) {
    if (!first.favour.empty()) text += " For it: " + list_of(first.favour, 3) + ".";
    if (!first.against.empty()) text += " Against: " + list_of(first.against, 3) + ".";
    const FoundCause& second = d.causes[1];
    if (second.probability >= 0.01)
      text += fmt::format(" Then {} {}.", second.cause->name, in_100(second.probability));
  }
  return text;
}

// How to confirm what stands out, or what to read next.
std::string then_paragraph(const Check& c) {
  constexpr double kWorthReading_bits = 0.05;
  const Diagnosis& d = *c.diagnosis;
  if (!d.decided() && !d.next.empty() && d.next.front().bits >= kWorthReading_bits)
    return labelled("Read next", kLabelWidth, d.next.front().question);
  return labelled("Confirm", kLabelWidth, d.causes.front().cause->confirm);
}

std::string attend_paragraph(const Walked& w) {
  return labelled(
      capitalised(w.row->name), kLabelWidth,
      fmt::format("{} (limit: {}; {}). {}", w.reading, w.limit, w.row->basis, w.action));
}

std::string_view verdict_name(WalkVerdict verdict) {
  switch (verdict) {
    case WalkVerdict::pass:
      return "pass";
    case WalkVerdict::attend:
      return "attend";
    case WalkVerdict::not_measured:
      return "not-measured";
    case WalkVerdict::not_judged:
      return "not-judged";
  }
  throw std::logic_error("unknown verdict of the walk");
}

Json flow_json(const std::optional<ComparedReading>& flow_kg_s) {
  if (!flow_kg_s) return nullptr;
  const ComparedReading r = scaled(*flow_kg_s, to_g_per_s(1.0));
  return {{"measured_g_per_s", finite(r.measured)},
          {"expected_g_per_s", finite(r.expected)},
          {"sd_g_per_s", finite(r.sd)},
          {"interval_g_per_s", {finite(r.low), finite(r.high)}},
          {"deviations", finite(r.deviations())},
          {"chance", finite(r.chance)}};
}

Json diagnosis_json(const std::optional<Diagnosis>& diagnosis) {
  if (!diagnosis) return nullptr;
  const Diagnosis& d = *diagnosis;
  Json document{{"nothing_wrong", finite(d.healthy)},
                {"raised", d.raised()},
                {"decided", d.decided()},
                {"ranked", Json::array()},
                {"together", nullptr},
                {"read_next", Json::array()}};
  for (const FoundCause& found : d.causes) {
    const Cause& cause = *found.cause;
    Json entry{{"cause", cause.key}, {"probability", finite(found.probability)}};
    if (cause.law != SizeLaw::unsized) {
      entry["size"] = finite(found.size * cause.shown_per_unit);
      entry["size_sd"] = finite(found.size_sd * cause.shown_per_unit);
      entry["size_unit"] = cause.unit;
    }
    entry["says"] = cause.says(found.size);
    entry["for"] = found.favour;
    entry["against"] = found.against;
    entry["confirm"] = cause.confirm;
    document["ranked"].push_back(std::move(entry));
  }
  if (d.together) {
    document["together"] = {{"causes", {d.together->first->key, d.together->second->key}},
                            {"says",
                             {d.together->first->says(d.together->first_size),
                              d.together->second->says(d.together->second_size)}},
                            {"probability", finite(d.together->probability)}};
  }
  for (const NextReading& next : d.next) {
    document["read_next"].push_back(
        {{"key", next.key}, {"read", next.question}, {"bits", finite(next.bits)}});
  }
  return document;
}

}  // namespace

ComparedReading compared(double measured, const Predictive& law) {
  const double idles = 1.0 - law.no_idle();
  const auto quantile = [&](double share) { return law.quantile_Pa(share * idles); };
  const double below = std::clamp(law.below(measured) / idles, 0.0, 1.0);
  return {measured,      quantile(0.5), law.sd_Pa(),
          quantile(0.1), quantile(0.9), 2.0 * std::min(below, 1.0 - below)};
}

std::string chance_words(double chance) {
  if (chance >= 0.095) return fmt::format("{:.0f} times in 100", 100 * chance);
  if (chance >= 0.0095) return fmt::format("{:.0f} times in 1000", 1000 * chance);
  return "less than 10 times in 1000";
}

std::string side_words(const ComparedReading& r) {
  return fmt::format("{:.1f} deviations {}", std::abs(r.deviations()),
                     r.measured < r.expected ? "below" : "above");
}

bool Check::far_out() const {
  for (const auto* reading : {&map_Pa, &air_kg_s, &fuel_kg_s}) {
    if (*reading && (*reading)->chance < kFarOut) return true;
  }
  return false;
}

EngineCard card_at_visit(EngineCard card, const Visit& visit) {
  auto& known = card.known;
  if (known.vacuum_Pa) {  // what it fell back to in the card stays what it was
    const auto gear = card.gear.value_or(EngineCard::Gear::neutral);
    if (!known.gear) known.gear = gear;
    if (!known.speed_rpm && *known.gear == gear) known.speed_rpm = card.speed_rpm;
    if (!known.spark_btdc_deg) known.spark_btdc_deg = card.spark_btdc_deg;
    if (!known.altitude_m && !known.barometer_Pa) {
      known.altitude_m = card.altitude_m;
      known.barometer_Pa = card.barometer_Pa;
    }
  }
  const auto take = [](auto& into, const auto& read) {
    if (read) into = read;
  };
  take(card.speed_rpm, visit.idle.speed_rpm ? visit.idle.speed_rpm : visit.idle.speed_asked_rpm);
  take(card.spark_btdc_deg, visit.spark.idle_deg);
  take(card.gear, visit.idle.gear);
  take(card.air_conditioning, visit.idle.air_conditioning);
  if (visit.inspection.exhaust_leaks != Visit::Look::found) take(card.lambda, visit.mixture.lambda);
  if (visit.station_Pa()) {
    card.barometer_Pa = visit.station_Pa();
    card.altitude_m.reset();
  }
  if (visit.idle.fans && card.fan != EngineCard::Fan::belt)
    card.fan = *visit.idle.fans ? EngineCard::Fan::electric : EngineCard::Fan::none;
  return card;
}

Check check(const EngineCard& card, const Visit& visit, const BaselineSet& baselines,
            const CoefficientKnowledge& knowledge) {
  Check c;
  c.visit = visit;
  EstimateOptions options;
  options.start = true;
  c.estimate = estimate(card_at_visit(card, visit), baselines, knowledge, options);
  c.by_vacuum = !visit.manifold.map_Pa;
  c.not_judged = cannot_judge(c);
  if (c.not_judged.empty()) {
    const double map_Pa =
        c.by_vacuum ? barometer_Pa(c) - *visit.manifold.vacuum_Pa : *visit.manifold.map_Pa;
    refuse_impossible(c, map_Pa);
    c.reading_sd_Pa = manifold_reading_sd_Pa(c);
    c.map_Pa = compared(map_Pa, c.estimate.law->as_read(c.reading_sd_Pa));
    const CoefficientUnknowns coefficients(knowledge);
    const OperatingPoint& point = c.estimate.idle.point;
    const PointGradient& gradient = *c.estimate.idle.gradient;
    if (visit.air.flow_kg_s) {
      c.air_kg_s =
          compared_flow(*visit.air.flow_kg_s, point.air_kg_s, gradient.air_kg_s, c, coefficients);
    }
    if (visit.fuel.flow_kg_s) {
      c.fuel_kg_s = compared_flow(*visit.fuel.flow_kg_s, point.fuel_kg_s, gradient.fuel_kg_s, c,
                                  coefficients);
    }
  }
  if (c.map_Pa) {
    EngineCard as_set = c.estimate.card;
    as_set.spark_btdc_deg = card.spark_btdc_deg;
    as_set.lambda = card.lambda;
    c.diagnosis = diagnose(as_set, visit, knowledge);
  }
  const StartingValues& start = *c.estimate.start;
  const IdleSpeed& speed = c.estimate.card.gear == EngineCard::Gear::drive ? start.in_gear
                           : c.estimate.card.air_conditioning.value_or(false)
                               ? start.air_conditioning
                               : start.neutral;
  c.walk = walk(
      visit, {speed.advised_rpm(), barometer_Pa(c), start.cranking_low_Pa, start.cranking_high_Pa});
  return c;
}

std::string check_line(const Check& c) {
  if (!c.map_Pa) return "Not judged: " + c.not_judged + ".";
  const auto [r, unit] = as_read(c);
  return fmt::format("{:.1f} {} is {} the {:.1f} expected: a healthy engine reads this far out {}",
                     r.measured, unit, side_words(r), r.expected, chance_words(r.chance));
}

std::string check_text(const Check& c, const Style& style) {
  const std::string head = labelled("", 0, check_line(c));
  std::string above = labelled("", 0, context_line(c));
  if (c.air_kg_s) above += labelled("", 0, flow_words("Air", *c.air_kg_s, 2));
  if (c.fuel_kg_s) above += labelled("", 0, flow_words("Fuel", *c.fuel_kg_s, 3));
  std::string why;
  if (c.diagnosis && (c.far_out() || c.diagnosis->raised()))
    why = labelled("Why", kLabelWidth, capitalised(why_paragraph(c))) + then_paragraph(c);
  const std::string warnings = listed("Warnings", kLabelWidth, c.estimate.card.warnings, " ", 2);
  const std::string caution = labelled("Caution", kLabelWidth, kCheckCaution);

  std::vector<std::string> passed, waiting;
  for (const Walked& w : c.walk) {
    if (w.verdict == WalkVerdict::pass)
      passed.push_back(fmt::format("{} {}", w.row->name, w.reading));
    if (w.verdict == WalkVerdict::not_judged)
      waiting.push_back(fmt::format("{}, {}", w.row->name, w.action));
  }
  const std::vector<std::string> missing = names_of(c, WalkVerdict::not_measured);

  // The lists give way to what there is to attend to, and take what it leaves.
  constexpr std::size_t kListLines = 2;
  const std::string lists_below = listed("Not judged", kLabelWidth, waiting, "; ", kListLines) +
                                  listed("Not measured", kLabelWidth, missing, ", ", kListLines);
  const std::size_t pass_least = passed.empty() ? 0 : kListLines;
  const std::size_t fixed = line_count(head) + line_count(above) + 1 + line_count(why) +
                            line_count(lists_below) + line_count(warnings) + line_count(caution);
  std::string attend;
  std::vector<std::string> left_out;
  for (const Walked& w : c.walk) {
    if (w.verdict != WalkVerdict::attend) continue;
    const std::string paragraph = attend_paragraph(w);
    const std::size_t lines = fixed + pass_least + line_count(attend) + line_count(paragraph) + 1;
    if (!left_out.empty() || (!attend.empty() && lines > kScreenLines)) {
      left_out.emplace_back(w.row->name);
    } else {
      attend += paragraph;
    }
  }
  if (!left_out.empty()) attend += listed("Attend to also", kLabelWidth, left_out, ", ", 1);
  const std::size_t taken = fixed + line_count(attend);
  const std::size_t room = std::max(pass_least, kScreenLines - std::min(kScreenLines, taken));
  return style.bold(head) + above + "\n" + style.warning(why + attend) +
         listed("Pass", kLabelWidth, passed, "; ", room) + lists_below + style.warning(warnings) +
         caution;
}

nlohmann::ordered_json check_json(const Check& c) {
  const Inputs<double>& in = c.estimate.completion.engine.inputs;
  Json document{{"schema", "idlefit.check/1"},
                {"engine", c.estimate.card.name},
                {"car", c.visit.car},
                {"status", c.map_Pa ? "judged" : "not-judged"}};
  if (!c.map_Pa) document["reason"] = c.not_judged;
  document["conditions"] = {{"rpm", finite(in.speed_rpm)},
                            {"in_gear", in.converter_torque_Nm > 0},
                            {"spark_btdc_deg", finite(in.spark_btdc_deg)},
                            {"lambda", finite(in.lambda)},
                            {"barometer_kPa", finite(to_kPa(in.barometer_Pa))},
                            {"barometer_read", c.visit.station_Pa().has_value()}};
  document["manifold"] = nullptr;
  if (c.map_Pa) {
    const ComparedReading map = scaled(*c.map_Pa, to_kPa(1.0));
    const ComparedReading vacuum = scaled(as_vacuum(*c.map_Pa, barometer_Pa(c)), to_inHg(1.0));
    document["manifold"] = {{"read", c.by_vacuum ? "vacuum" : "map"},
                            {"measured_map_kPa", finite(map.measured)},
                            {"expected_map_kPa", finite(map.expected)},
                            {"interval_map_kPa", {finite(map.low), finite(map.high)}},
                            {"measured_vacuum_inHg", finite(vacuum.measured)},
                            {"expected_vacuum_inHg", finite(vacuum.expected)},
                            {"interval_vacuum_inHg", {finite(vacuum.low), finite(vacuum.high)}},
                            {"sd_kPa", finite(map.sd)},
                            {"reading_sd_kPa", finite(to_kPa(c.reading_sd_Pa))},
                            {"map_deviations", finite(map.deviations())},
                            {"chance", finite(map.chance)}};
  }
  document["air"] = flow_json(c.air_kg_s);
  document["fuel"] = flow_json(c.fuel_kg_s);
  document["far_out"] = c.far_out();
  document["causes"] = diagnosis_json(c.diagnosis);
  document["attend_first"] = names_of(c, WalkVerdict::attend);
  document["walk"] = Json::array();
  for (const Walked& w : c.walk) {
    document["walk"].push_back({{"item", w.row->name},
                                {"verdict", verdict_name(w.verdict)},
                                {"reading", w.reading},
                                {"limit", w.limit},
                                {"basis", w.row->basis},
                                {"action", w.action}});
  }
  document["warnings"] = c.estimate.warnings;
  return document;
}

}  // namespace idlefit
