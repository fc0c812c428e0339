#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "model/engine.h"
#include "model/idle.h"
#include "model/uncertainty.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// A baseline calibration and the idle it is meant for.
struct BaselineProfile {
  std::string name;
  double map_from_kPa = 0, map_to_kPa = 0;  ///< idle MAP of the engine at sea level
  std::string meaning;                      ///< for which engines, in plain words; may be empty
  std::string basis;                        ///< where the range comes from; may be empty
};

/// Profiles in order of rising idle MAP, each beginning where the one before ends. Below the first
/// the first still serves; above the last a custom calibration is wanted.
struct BaselineSet {
  std::string name;
  bool provisional = false;  ///< the ranges stand on no measurement
  std::string basis;
  std::vector<BaselineProfile> profiles;
};

/// Reads `baselines.yaml` in a folder (schema idlefit.profiles/1; docs/profiles.md). Throws
/// InputError for whatever is wrong with it: unknown schema or keys, gaps, overlaps, wrong order,
/// names given twice.
BaselineSet read_baselines(const std::string& folder);

/// The set that comes with the program, part of it: no file is read.
BaselineSet built_in_baselines();

/// Its text, profiles/shipped/baselines.yaml at the time of the build.
std::string_view shipped_baselines_yaml();

/// A reason why no baseline serves as it is.
struct CustomFlag {
  enum class Kind {
    boost,
    nitrous,
    individual_runners,
    methanol,
    displacement,
    no_idle,
    map_too_high
  };
  Kind kind;
  std::string reason;  ///< plain words, a sentence
};

/// Every flag that an engine raises. `idle_found`: whether the model finds an idle at the asked
/// speed; `map_sea_level_kPa`: that idle's MAP at sea level, where there is one.
/// Common practice, no source, but for the idle, which is computed.
std::vector<CustomFlag> custom_flags(const EngineCard& card, const Engine& engine, bool idle_found,
                                     std::optional<double> map_sea_level_kPa,
                                     const BaselineSet& set);

/// Which baseline to load, and how sure that is.
struct BaselineChoice {
  std::string name;       ///< most probable profile; empty for a custom calibration
  std::string runner_up;  ///< second most probable profile, or "custom"
  bool decided = false;   ///< the best is at least as probable as all others together
  bool custom = false;    ///< a custom calibration is called for
  std::string nearest;    ///< the profile to start from, whatever else
  /// One entry per profile in the set's order, then "custom"; sums to 1.
  std::vector<std::pair<std::string, double>> probability;
  std::vector<std::string> reasons;  ///< sentences in plain words
};

/// Chooses by the idle MAP at sea level and by how likely each other is; no idle counts as custom.
/// A flag makes the answer custom, with probability 1 unless it is only that MAP is too high.
BaselineChoice choose_baseline(const BaselineSet& set, double map_sea_level_kPa,
                               const Predictive& likely, const std::vector<CustomFlag>& flags);

/// The same from the solution of the engine at sea level, and how likely each other MAP is there,
/// if that is known; a solution without a balance is a custom calibration, whose nearest profile is
/// the last.
BaselineChoice choose_baseline(const BaselineSet& set, const EngineCard& card, const Engine& engine,
                               const SolveResult& sea_level,
                               const std::optional<Predictive>& likely);

}  // namespace idlefit
