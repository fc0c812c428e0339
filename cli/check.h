#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "cli/estimate.h"
#include "cli/terminal.h"
#include "model/knowledge.h"
#include "profiles/baselines.h"
#include "profiles/diagnosis.h"
#include "profiles/engine_file.h"
#include "profiles/visit_file.h"
#include "profiles/walk.h"

namespace idlefit {

/// A reading against what a healthy engine of this card would show, its own error included.
struct ComparedReading {
  double measured = 0, expected = 0;  ///< expected: half of healthy engines read less
  double sd = 0;                      ///< of the readings of healthy engines
  double low = 0, high = 0;           ///< 10 % of them read less, 10 % more
  double chance = 1;                  ///< of a reading at least this far out, either way
  double deviations() const { return sd > 0 ? (measured - expected) / sd : 0; }
};

/// A reading held against the law of what healthy engines read, without those that do not idle: the
/// engine that was read does. Some must.
ComparedReading compared(double measured, const Predictive& law);

/// Readings with a smaller chance than this on a healthy engine are called far out. Chosen.
inline constexpr double kFarOut = 0.05;

/// All that `check` has to say about one visit.
struct Check {
  Visit visit;
  Estimate estimate;  ///< of the card's engine under the visit's conditions
  bool by_vacuum = false;
  double reading_sd_Pa = 0;                 ///< of the manifold reading itself
  std::optional<ComparedReading> map_Pa;    ///< empty where it could not be judged
  std::string not_judged;                   ///< why, plain words; else empty
  std::optional<ComparedReading> air_kg_s;  ///< where it was read; to first order
  std::optional<ComparedReading> fuel_kg_s;
  std::optional<Diagnosis> diagnosis;  ///< where the manifold reading was judged
  std::vector<Walked> walk;

  /// Whether a reading that was compared is far out.
  bool far_out() const;
};

/// The card's engine under the conditions of a visit: speed, spark, gear, barometer, mixture, fans
/// and air conditioning as read; the rest, and the conditions of a vacuum known from before, as in
/// the card.
EngineCard card_at_visit(EngineCard card, const Visit& visit);

/// Compares a visit's readings with what the card lets expect, and walks the install. Throws
/// InputError where readings and card contradict one another.
Check check(const EngineCard& card, const Visit& visit, const BaselineSet& baselines,
            const CoefficientKnowledge& knowledge);

/// "0.4 deviations below", and "31 times in 1000" of a reading at least this far out.
std::string side_words(const ComparedReading& reading);
std::string chance_words(double chance);

/// The line a reader wants: measured against expected, and the chance of it.
std::string check_line(const Check& check);
/// The whole answer for a person, check_line first: one screen of 24 lines by 80 columns.
std::string check_text(const Check& check, const Style& style);
/// The answer as a document of schema idlefit.check/1.
nlohmann::ordered_json check_json(const Check& check);

}  // namespace idlefit
