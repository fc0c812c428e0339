#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "cli/estimate.h"
#include "cli/idle_check.h"
#include "model/knowledge.h"
#include "profiles/baseline_drive.h"
#include "profiles/baselines.h"
#include "profiles/drive.h"

namespace idlefit {

/// What a drive says of the baseline that was loaded, beside the others of its set.
struct LoadedReview {
  std::optional<BaselineComparison> comparison;
  std::string not_compared;         ///< why, plain words, without a full stop; else empty
  std::string first;                ///< what to see to before it matters; mostly empty
  std::vector<std::string> custom;  ///< why the engine wants a custom calibration, sentences
  BaselineAdvice advice = BaselineAdvice::keep;
};

/// Compares the baselines; `loaded` null: nobody said which one it was. An engine whose idle is far
/// out, or that wants fuel by another factor than predicted, is no case for another baseline yet.
LoadedReview review_loaded(const DriveReview& drive, const Estimate& estimate,
                           const IdleCheck& idle, const BaselineSet& baselines,
                           const BaselineProfile* loaded, const CoefficientKnowledge& knowledge);

/// The line a reader wants: what to load. Of a review that compares.
std::string loaded_line(const LoadedReview& review);
/// What each baseline leaves; why they were not compared otherwise.
std::string loaded_words(const LoadedReview& review);
/// What happens at the change; empty where nothing is changed or nothing is known of it.
std::string change_words(const LoadedReview& review);
/// The same as a part of schema idlefit.review/1; null where there is no comparison.
nlohmann::ordered_json loaded_json(const LoadedReview& review);

}  // namespace idlefit
