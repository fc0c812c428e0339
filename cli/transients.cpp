#include "cli/transients.h"

#include <fmt/format.h>

namespace idlefit {
namespace {

struct Way {
  std::string_view excursion, movements, advice;
};
constexpr Way kIn{"lean", "tip-ins", "more acceleration fuel"};
constexpr Way kOut{"rich", "tip-outs", "take more fuel off when the throttle closes"};

// Whether most movements are followed by an excursion; one now and then is no reason to change a
// table. Chosen.
bool most(const TipEvents& events) { return 2 * events.excursions > events.judged; }
bool enough(const TipEvents& events) { return events.judged >= kTipFewest; }

std::string words_of(const TipEvents& events, const Way& way) {
  if (!enough(events)) return {};
  const std::string after =
      fmt::format("after {} of {} {}", events.excursions, events.judged, way.movements);
  return most(events) ? fmt::format("{} by {:.2f} lambda {}: {}", way.excursion, *events.median(),
                                    after, way.advice)
                      : fmt::format("{} {}: nothing to change", way.excursion, after);
}

nlohmann::ordered_json json_of(const TipEvents& events, const Way& way) {
  nlohmann::ordered_json document{{"judged", events.judged},
                                  {"not_judged", events.not_judged},
                                  {"excursions", events.excursions},
                                  {"excursion", way.excursion},
                                  {"median_lambda", nullptr},
                                  {"first_lines", events.first_lines},
                                  {"advice", nullptr}};
  if (events.excursions > 0) document["median_lambda"] = *events.median();
  if (enough(events)) document["advice"] = most(events) ? way.advice : "nothing to change";
  return document;
}

}  // namespace

std::string transients_words(const std::optional<Transients>& transients) {
  if (!transients) return {};
  const std::string in = words_of(transients->in, kIn), out = words_of(transients->out, kOut);
  if (in.empty() && out.empty()) return {};
  return in + (in.empty() || out.empty() ? "" : "; ") + out +
         (transients->by_throttle ? "." : ". By MAP.");
}

nlohmann::ordered_json transients_json(const std::optional<Transients>& transients) {
  if (!transients) return nullptr;
  return {{"by", transients->by_throttle ? "throttle" : "map"},
          {"tip_in", json_of(transients->in, kIn)},
          {"tip_out", json_of(transients->out, kOut)}};
}

}  // namespace idlefit
