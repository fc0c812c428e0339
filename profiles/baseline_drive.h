#pragma once

#include <cmath>
#include <optional>
#include <string>
#include <vector>

#include "model/batch.h"
#include "model/knowledge.h"
#include "model/ve_surface.h"
#include "profiles/baselines.h"
#include "profiles/drive.h"
#include "profiles/engine_file.h"
#include "profiles/visit_file.h"

namespace idlefit {

// Which baseline would have left the least correction on a drive that was made on one of them. An
// engine takes (1 + correction) times what the loaded table has; another table would have left what
// that is of its own, less one.

/// The correction that a table would have left, over what was driven, weighted by load.
struct CorrectionLeft {
  std::string name;   ///< of the baseline
  double mean = 0;    ///< a share, positive where the table is lean
  double size = 0;    ///< the same without signs
  double beyond = 0;  ///< share, by load, that the controller's limit would not have covered
  std::optional<double> idle;  ///< at the steady idle of the log, where it has one
  double limit = 0;            ///< how far the controller corrects on it, either way (share)

  bool too_far_at_idle() const { return idle && std::fabs(*idle) > limit + kLimitRounding; }
};

/// What an engine gets over what it needs, less one (positive rich), in the first moments on
/// another table, before the controller has corrected anew.
struct StepOnChange {
  double kept = 0;     ///< the corrections stored so far stay in force
  double cleared = 0;  ///< they are taken back to none
};

/// A difference in correction left (share) for which a baseline is worth changing; chosen: a tenth
/// of what wants action.
inline constexpr double kWorthChanging = 0.01;

/// A drive with more than this share of it, by load, at the limit of correction shows which way to
/// go, not how far. Chosen.
inline constexpr double kTooMuchAtLimit = 0.3;

/// A level beyond this is more than what an engine known by telephone strays (docs/table.md).
inline constexpr double kLevelInDoubt = 0.25;

struct BaselineComparison {
  std::string loaded;
  std::vector<CorrectionLeft> left;       ///< in the set's order: those that can be compared
  std::vector<std::string> not_compared;  ///< no table, or one that refers to another density
  /// The name of the one that leaves least, of those whose idle the controller can correct; of all
  /// where that is none.
  std::string least;
  bool idle_alone = false;  ///< nothing was driven above kIdleBelow_rpm
  double level = 0;         ///< fuel wanted over what is predicted, less one, mean over the drive
  CorrectionLeft own;       ///< the engine's predicted table, its level taken from the log; no name
  double at_limit = 0;      ///< share, by load, of what was driven with the correction at its limit
  std::optional<StepOnChange> idle, cruise;  ///< from loaded to least, at the steady windows

  /// Whether the log can tell which baseline is right; else it takes another drive, on `least`.
  bool settled() const { return at_limit <= kTooMuchAtLimit; }
  const CorrectionLeft& of(const std::string& name) const;
};

/// VE of the engine that was driven, on standard_ve_grid(): as its card has it, and as the idle of
/// the log (null: none to go by) makes it out to be, where the card has no reading of its own.
VeSurface driven_surface(const EngineCard& card, const Visit* idle,
                         const CoefficientKnowledge& knowledge,
                         unsigned threads = default_threads());

/// Compares the tables of a set over a drive on `loaded`, a profile of the set that has a table.
/// `own`: of the engine that was driven, predicted. Where the correction stood at its limit the
/// engine wanted more: as much as `own` says, but no less than the limit. Where by `own` it cannot
/// run without slowing the car nothing is compared; none where that leaves nothing. The limit of
/// the drive must be twice kLimitRounding or more.
std::optional<BaselineComparison> compare_baselines(const DriveReview& drive,
                                                    const BaselineSet& set,
                                                    const BaselineProfile& loaded,
                                                    const VeSurface& own);

/// What to do about the baseline that was driven on.
enum class BaselineAdvice {
  keep,         ///< no other leaves kWorthChanging less
  change,       ///< to the one that leaves least
  drive_again,  ///< on that one: the log shows the way, not how far
  custom,       ///< the engine wants one, or the least leaves more than kActCorrection, or no
                ///< baseline has an idle that the controller can correct
};
/// `custom_wanted`: by what the engine is, or by its idle.
BaselineAdvice advice_of(const BaselineComparison& comparison, bool custom_wanted);

/// How far the controller corrects on a profile, either way (share).
double correction_limit(const BaselineProfile& profile);

}  // namespace idlefit
