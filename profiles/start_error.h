#pragma once

#include <cmath>
#include <optional>

#include "model/idle.h"
#include "model/ve_surface.h"
#include "profiles/baseline_profile.h"

namespace idlefit {

/// Fuelling error (root mean square over a table's cells as profiles/banding.h weighs them, a
/// share) of an engine on its own predicted table, over the deviation of its predicted idle MAP,
/// per Pa. Measured over draws of engines of the population, from 1.6 to 2.4 % a kPa, 2.1 in
/// all where all is told and 1.9 by telephone: docs/decisions/0011-start-table.md.
inline constexpr double kStartErrorPer_Pa = 0.022e-3;

/// What to expect of an engine started on the table that the cycle predicts for it, whose idle MAP
/// is predicted with this deviation: two of three such engines are nearer.
inline double typical_start_error(double idle_sd_Pa) { return kStartErrorPer_Pa * idle_sd_Pa; }

/// Beyond this deviation of the predicted idle MAP (Pa) a baseline's table is as good a start as
/// the engine's own: measured at 7.7 kPa, where baselines come to 14.4 to 15.1 % and own tables
/// to 14.7 to 15.9, and not at 2.1, where it is 10 and 4.8 (docs/decisions/0011-start-table.md).
/// Between: chosen.
inline constexpr double kLittleTold_Pa = 5e3;

/// The same of an engine started on a baseline whose table is `apart` from its own predicted one.
inline double typical_baseline_error(double idle_sd_Pa, double apart) {
  const double own = typical_start_error(idle_sd_Pa);
  return idle_sd_Pa > kLittleTold_Pa ? own : std::hypot(own, apart);
}

/// How far a baseline's table is from the engine's own predicted one (share, as above); none where
/// the baseline has no table, or its densities are not those of the fresh charge, which the other
/// has. Tables on other axes are read between their cells.
std::optional<double> start_apart(const VeSurface& own, const OperatingPoint& idle,
                                  const BaselineProfile& baseline);

}  // namespace idlefit
