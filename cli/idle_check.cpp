#include "cli/idle_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "model/units.h"
#include "profiles/input_error.h"
#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

// Enough for a logger's means, and short enough to read.
std::string rounded(double value, std::string_view unit) {
  return fmt::format("{} {}", number_text(value, 4), unit);
}

bool warmth_known(const SteadySum& idle) { return std::isfinite(idle.mean(LogRole::coolant)); }

std::vector<VisitEntry> entries_of(const SteadySum& idle, const DriveReview& drive,
                                   const EngineCard& card) {
  std::vector<VisitEntry> entries;
  if (!card.name.empty()) entries.push_back({"car", yaml_quoted(card.name)});
  if (warmth_known(idle)) {
    const double coolant_degC =
        from_program_unit(idle.mean(LogRole::coolant), "degC", Dimension::temperature);
    entries.push_back({"idle.coolant", rounded(coolant_degC, "degC")});
  }
  entries.push_back({"idle.speed", rounded(idle.mean(LogRole::speed), "rpm")});
  entries.push_back({"manifold.map", rounded(idle.mean(LogRole::map), "kPa")});
  if (drive.key_on_map.count() > 0)
    entries.push_back({"manifold.key_on_map", rounded(drive.key_on_map.mean(), "kPa")});
  entries.push_back({"mixture.correction", number_text(100 * idle.mean(LogRole::correction), 3)});
  return entries;
}

std::string off_words(const Check& c) {
  const Diagnosis* const d = c.diagnosis ? &*c.diagnosis : nullptr;
  if (!c.far_out() && (d == nullptr || !d->raised())) return {};
  if (d != nullptr && d->decided()) {
    const FoundCause& first = d->causes.front();
    return fmt::format(" Likeliest: {} ({:.0f} in 100).", first.cause->says(first.size),
                       100 * first.probability);
  }
  return " Run idlefit check with more readings (--visit).";
}

}  // namespace

LoggedVisit logged_visit(const SteadySum& idle, const DriveReview& drive, const EngineCard& card,
                         const std::string& log_name) {
  std::vector<VisitEntry> entries = entries_of(idle, drive, card);
  const std::string from = fmt::format(
      "means of\n## steady idles in the log {}\n## ({:.0f} s, the longest on lines {} to {}",
      printable(log_name), idle.time_s, idle.longest_from_line, idle.longest_to_line);
  for (;;) {
    LoggedVisit logged{visit_template(entries, from), {}};
    try {
      logged.visit = parse_visit(logged.file, printable(log_name));
      return logged;
    } catch (const InputError& error) {
      // A sensor that stands at its end, or no key-on pressure at all, spoils itself alone.
      const bool needed = error.field() == "idle.speed" || error.field() == "manifold.map";
      const auto outside = [&](const VisitEntry& entry) { return entry.key == error.field(); };
      if (needed || std::erase_if(entries, outside) == 0) throw;
    }
  }
}

IdleCheck check_idle(const DriveReview& drive, const EngineCard& card, const std::string& log_name,
                     const BaselineSet& baselines, const CoefficientKnowledge& knowledge) {
  IdleCheck result;
  result.idle = drive.idle.main_cell();
  if (result.idle == nullptr) return result;
  try {
    result.logged = logged_visit(*result.idle, drive, card, log_name);
    result.check = check(card, result.logged.visit, baselines, knowledge);
    result.not_judged = result.check->not_judged;
  } catch (const InputError& error) {
    // What the card itself makes impossible is no matter of the log.
    if (!error.field().starts_with("idle.speed") && !error.field().starts_with("manifold.")) throw;
    result.not_judged = fmt::format("{} of {} in the log, expected {}", error.field(),
                                    error.value(), error.expected());
  }
  return result;
}

std::string idle_check_words(const IdleCheck& c) {
  if (!c.judged()) return fmt::format("not judged: {}.", c.not_judged);
  const ComparedReading& map = *c.check->map_Pa;
  const std::string off = off_words(*c.check), chance = chance_words(map.chance);
  const std::string healthy =
      fmt::format("a healthy engine{} in {}", warmth_known(*c.idle) ? "" : ", if warm and",
                  c.check->estimate.card.gear == EngineCard::Gear::drive ? "gear" : "neutral");
  return fmt::format("{:.1f} kPa at {:.0f} rpm, {:.1f} expected ({:.1f}–{:.1f}): {}; {}",
                     to_kPa(map.measured), c.idle->mean(LogRole::speed), to_kPa(map.expected),
                     to_kPa(map.low), to_kPa(map.high), side_words(map),
                     off.empty()
                         ? fmt::format("within what {} shows ({}).", healthy, chance)
                         : fmt::format("{} reads this far out {}.{}", healthy, chance, off));
}

nlohmann::ordered_json idle_check_json(const IdleCheck& c) {
  if (c.idle == nullptr) return nullptr;
  nlohmann::ordered_json document{
      {"status", c.judged() ? "judged" : "not-judged"},
      {"windows", c.idle->count},
      {"time_s", c.idle->time_s},
      {"longest_lines", {c.idle->longest_from_line, c.idle->longest_to_line}},
      {"warmth_known", warmth_known(*c.idle)}};
  if (!c.judged()) document["reason"] = c.not_judged;
  const nlohmann::ordered_json all = c.check ? check_json(*c.check) : nlohmann::ordered_json{};
  for (const char* const key : {"conditions", "manifold", "far_out", "causes"})
    document[key] = all.is_object() ? all[key] : nlohmann::ordered_json{};
  return document;
}

}  // namespace idlefit
