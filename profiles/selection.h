#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "model/engine.h"
#include "model/idle.h"
#include "model/uncertainty.h"
#include "profiles/baselines.h"
#include "profiles/engine_file.h"

namespace idlefit {

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

/// What a start costs when it is wrong; the right one costs nothing. In units of the fuelling error
/// of an engine that runs too rich: 0.1 is as bad as ten per cent too rich. Chosen after common
/// practice, no source: too lean at idle an engine surges, stalls and runs hot, too rich it runs
/// and smells.
struct StartCost {
  double rich = 1.0;           ///< a profile not made for this idle, for each unit of fuel too much
  double lean = 1.5;           ///< likewise for each unit too little
  double custom_missed = 0.5;  ///< a profile where a custom calibration is wanted
  double custom_needless = 0.5;  ///< a custom calibration where a profile would have done
};
inline constexpr StartCost kStartCost{};

/// Fuelling error (share, positive rich) of an engine that idles at `map_kPa` at sea level and is
/// started on profile `band` of the set. To first order the air that an idle needs does not depend
/// on the cam, so that volumetric efficiency goes as one over MAP, and fuel by the profile's own
/// over fuel needed is MAP over the middle of its range (geometric: as far off at both ends).
double expected_fuelling_error(const BaselineSet& set, std::size_t band, double map_kPa);

/// Which baseline to load, and how sure that is.
struct BaselineChoice {
  std::string name;           ///< the profile that costs least when wrong; empty for a custom one
  std::string runner_up;      ///< what costs least beside it: a profile, or "custom"
  bool decided = false;       ///< the choice is at least as probable as all others together
  bool custom = false;        ///< a custom calibration is called for
  bool by_condition = false;  ///< whatever the pressure
  std::string nearest;        ///< the profile to start from, whatever else
  /// One entry per profile in the set's order, then "custom"; sums to 1.
  std::vector<std::pair<std::string, double>> probability;
  /// Expected size of the fuelling error (share) on each profile, over engines with an idle; empty
  /// where none has.
  std::vector<std::pair<std::string, double>> fuelling_error;
  /// Expected cost of each choice, as in StartCost; profiles, then "custom".
  std::vector<std::pair<std::string, double>> cost;
  std::vector<std::string> reasons;  ///< sentences in plain words
};

/// Chooses what costs least when wrong by how likely each idle MAP at sea level is; no idle counts
/// as custom. A flag makes the answer custom, with probability 1 unless it is only that MAP is too
/// high. `map_sea_level_kPa`: of the engine shown.
BaselineChoice choose_baseline(const BaselineSet& set, double map_sea_level_kPa,
                               const Predictive& likely, const std::vector<CustomFlag>& flags);

/// The same from the solution of the engine at sea level, and how likely each other MAP is there,
/// if that is known; a solution without a balance is a custom calibration, whose nearest profile is
/// the last.
BaselineChoice choose_baseline(const BaselineSet& set, const EngineCard& card, const Engine& engine,
                               const SolveResult& sea_level,
                               const std::optional<Predictive>& likely);

/// What would be learnt of the idle MAP at sea level if something unknown were known.
struct Knowing {
  /// Standard deviation by which it would move the mean, Pa: the root of the variance removed.
  double moves_Pa = 0;
  /// Correlation of what moves it with having no idle, -1 to 1.
  double with_no_idle = 0;
};
/// Probability, for each, that knowing it changes the choice. The law is taken to keep its shape,
/// narrowed and moved; where engines have no idle, their share moves as that of a normal law beyond
/// a threshold.
std::vector<double> chances_of_change(const BaselineSet& set, const Predictive& likely,
                                      const std::vector<Knowing>& unknown);

}  // namespace idlefit
