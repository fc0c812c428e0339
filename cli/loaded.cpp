#include "cli/loaded.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string_view>

#include "model/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

std::string left_words(const CorrectionLeft& left) {
  return fmt::format("{:.1f}%", 100 * left.size);
}

// "4% rich", "2% lean", "right".
std::string fuelled_words(double share) {
  const double percent = std::round(100 * share);
  if (percent == 0) return "right";
  return fmt::format("{:.0f}% {}", std::fabs(percent), percent > 0 ? "rich" : "lean");
}

std::string at_words(const std::optional<StepOnChange>& idle,
                     const std::optional<StepOnChange>& cruise, double StepOnChange::*of) {
  std::string text;
  if (idle) text += fuelled_words((*idle).*of) + " at idle";
  if (cruise) text += (text.empty() ? "" : ", ") + fuelled_words((*cruise).*of) + " at cruise";
  return text;
}

// The idle of the log at sea level, kPa: what was read there, and what the altitude does by the
// model.
std::optional<double> idle_at_sea_level_kPa(const DriveReview& drive, const Estimate& estimate) {
  const SteadySum* const idle = drive.idle.main_cell();
  if (idle == nullptr) return std::nullopt;
  const bool both = estimate.idle.status == Status::ok && estimate.sea_level.balanced;
  return idle->mean(LogRole::map) +
         (both ? to_kPa(estimate.sea_level.point.map_Pa - estimate.idle.point.map_Pa) : 0.0);
}

// Those shown of a long set: what was loaded, and the least ones.
std::vector<CorrectionLeft> shown(const BaselineComparison& c) {
  constexpr std::size_t kMost = 5;
  std::vector<CorrectionLeft> some = c.left;
  while (some.size() > kMost) {
    const auto worst = std::max_element(some.begin(), some.end(),
                                        [&](const CorrectionLeft& a, const CorrectionLeft& b) {
                                          const auto named = [&](const CorrectionLeft& l) {
                                            return l.name == c.loaded || l.name == c.least;
                                          };
                                          return !named(b) && (named(a) || a.size < b.size);
                                        });
    some.erase(worst);
  }
  return some;
}

std::string_view advice_name(BaselineAdvice advice) {
  switch (advice) {
    case BaselineAdvice::keep:
      return "keep";
    case BaselineAdvice::change:
      return "change";
    case BaselineAdvice::drive_again:
      return "drive-again";
    case BaselineAdvice::custom:
      return "custom";
  }
  throw std::logic_error("unknown advice");
}

nlohmann::ordered_json left_json(const CorrectionLeft& left) {
  nlohmann::ordered_json document{
      {"mean_share", left.mean}, {"size_share", left.size}, {"beyond_limit_share", left.beyond}};
  document["limit_share"] = left.limit;
  document["idle_share"] = nullptr;
  if (left.idle) document["idle_share"] = *left.idle;
  return document;
}

nlohmann::ordered_json step_json(const std::optional<StepOnChange>& step) {
  if (!step) return nullptr;
  return {{"kept_share", step->kept}, {"cleared_share", step->cleared}};
}

}  // namespace

LoadedReview review_loaded(const DriveReview& drive, const Estimate& estimate,
                           const IdleCheck& idle, const BaselineSet& baselines,
                           const BaselineProfile* loaded, const CoefficientKnowledge& knowledge) {
  LoadedReview review;
  if (loaded == nullptr) {
    review.not_compared = "say which one was loaded (--loaded NAME) to have them compared";
    return review;
  }
  if (!loaded->ve) {
    review.not_compared = loaded->name + " has no fuel table in this set: nothing to compare";
    return review;
  }
  if (drive.limit < 2 * kLimitRounding) {
    review.not_compared = loaded->name + " has no correction to speak of: nothing to compare";
    return review;
  }
  const Visit* const logged = idle.judged() ? &idle.logged.visit : nullptr;
  review.comparison = compare_baselines(drive, baselines, *loaded,
                                        driven_surface(estimate.card, logged, knowledge));
  if (!review.comparison) {
    review.not_compared = "nothing was driven at which the engine pulls: nothing to compare";
    return review;
  }
  if (estimate.baseline.by_condition) review.custom = estimate.baseline.reasons;
  const std::optional<double> idle_kPa = idle_at_sea_level_kPa(drive, estimate);
  const double end_kPa = baselines.profiles.back().map_to_kPa;
  if (review.custom.empty() && idle_kPa && *idle_kPa >= end_kPa) {
    review.custom.push_back(
        fmt::format("It idles at {:.0f} kPa at sea level; the last baseline ends at {:.0f}.",
                    *idle_kPa, end_kPa));
  }
  const double level = review.comparison->level;
  if (idle.judged() && idle.check->far_out()) {
    const ComparedReading& map = *idle.check->map_Pa;
    review.first =
        fmt::format("idle {:.0f} kPa, {:.0f} expected", to_kPa(map.measured), to_kPa(map.expected));
  } else if (review.custom.empty() && drive.cruise.main_cell() != nullptr &&
             std::fabs(level) > kLevelInDoubt) {
    // Not by an idle alone: that is one place, not all over.
    review.first =
        fmt::format("{:.0f}% {} fuel than predicted all over: fuel pressure, injector flow",
                    100 * std::fabs(level), level > 0 ? "more" : "less");
  }
  review.advice = advice_of(*review.comparison, !review.custom.empty());
  return review;
}

std::string loaded_line(const LoadedReview& review) {
  const BaselineComparison& c = *review.comparison;
  if (!review.first.empty()) return "See to this before the baseline: " + review.first;
  // At its limit the correction is what the engine wants, or less than that.
  const std::string more = c.settled() ? "" : " or more";
  const std::string least = left_words(c.of(c.least)) + more;
  const std::string loaded = left_words(c.of(c.loaded)) + more;
  const std::string over = c.idle_alone ? "at idle alone" : "by load";
  switch (review.advice) {
    case BaselineAdvice::keep:
      return fmt::format("Keep {}: it leaves {} correction {}; no other {:.0f}% less", c.loaded,
                         loaded, over, 100 * kWorthChanging);
    case BaselineAdvice::change:
      return fmt::format("Load {} in place of {}: {} correction left {}, not {}", c.least, c.loaded,
                         least, over, loaded);
    case BaselineAdvice::drive_again:
      return fmt::format("Load {} in place of {} and drive again: correction {:.0f}% at its limit",
                         c.least, c.loaded, 100 * c.at_limit);
    case BaselineAdvice::custom:
      return fmt::format("Custom calibration: {}, the nearest, leaves {} correction {}", c.least,
                         least, over);
  }
  throw std::logic_error("unknown advice");
}

std::string loaded_words(const LoadedReview& review) {
  if (!review.comparison) return review.not_compared + ".";
  const BaselineComparison& c = *review.comparison;
  std::string text;
  for (const std::string& reason : review.custom) text += reason + " ";
  text += "Correction left:";
  for (const CorrectionLeft& left : shown(c)) {
    std::string also = left.name == c.loaded ? "loaded" : "";
    if (left.too_far_at_idle())
      also += also.empty() ? "too far off at idle" : ", too far off at idle";
    text += fmt::format(" {} {}{},", left.name, left_words(left),
                        also.empty() ? "" : " (" + also + ")");
  }
  text += fmt::format(" its own predicted table, moved by {:+.0f}%, {}.", 100 * c.level,
                      left_words(c.own));
  if (!c.not_compared.empty()) {
    const std::vector<std::string_view> names(c.not_compared.begin(), c.not_compared.end());
    text += fmt::format(" Not compared, without a like fuel table: {}.", word_list(names));
  }
  return text;
}

std::string change_words(const LoadedReview& review) {
  const bool changes =
      review.advice == BaselineAdvice::change || review.advice == BaselineAdvice::drive_again;
  if (!review.comparison || !changes || !review.first.empty()) return {};
  const BaselineComparison& c = *review.comparison;
  const std::string cleared = at_words(c.idle, c.cruise, &StepOnChange::cleared);
  if (cleared.empty()) return {};
  return fmt::format("clear the corrections stored so far: {} then starts {}; with them kept, {}.",
                     c.least, cleared, at_words(c.idle, c.cruise, &StepOnChange::kept));
}

nlohmann::ordered_json loaded_json(const LoadedReview& review) {
  if (!review.comparison) return nullptr;
  const BaselineComparison& c = *review.comparison;
  nlohmann::ordered_json left = nlohmann::ordered_json::array();
  for (const CorrectionLeft& l : c.left) {
    left.push_back({{"name", l.name}});
    left.back().update(left_json(l));
  }
  return {{"loaded", c.loaded},
          {"see_to_first",
           review.first.empty() ? nlohmann::ordered_json() : nlohmann::ordered_json(review.first)},
          {"advice", advice_name(review.advice)},
          {"least", c.least},
          {"at_limit_share", c.at_limit},
          {"settled", c.settled()},
          {"left", left},
          {"own_table", left_json(c.own)},
          {"level_share", c.level},
          {"not_compared", c.not_compared},
          {"custom_reasons", review.custom},
          {"on_change", {{"idle", step_json(c.idle)}, {"cruise", step_json(c.cruise)}}}};
}

}  // namespace idlefit
