#pragma once

#include <optional>

#include "model/idle.h"
#include "model/ve_surface.h"
#include "profiles/baseline_profile.h"

namespace idlefit {

/// Fuelling error (root mean square over a table's cells as profiles/banding.h weighs them, a
/// share) of an engine on its own predicted table, over the deviation of its predicted idle MAP,
/// per Pa. Measured over engines of the population, from 1.9 to 2.4 % a kPa: docs/baselines.md.
inline constexpr double kStartErrorPer_Pa = 0.022e-3;

/// What to expect of an engine started on the table that the cycle predicts for it, whose idle MAP
/// is predicted with this deviation: two of three such engines are nearer.
inline double typical_start_error(double idle_sd_Pa) { return kStartErrorPer_Pa * idle_sd_Pa; }

/// How far a baseline's table is from the engine's own predicted one (share, as above); none where
/// the baseline has no table, or its densities are not those of the fresh charge, which the other
/// has. Tables on other axes are read between their cells.
std::optional<double> start_apart(const VeSurface& own, const OperatingPoint& idle,
                                  const BaselineProfile& baseline);

}  // namespace idlefit
