#pragma once

#include "model/cycle.h"
#include "model/idle.h"

// The solves with parts of the physics switched off, for explaining an estimate and for tests.

namespace idlefit {

/// "No idle" as docs/physics.md defines it: no balance below barometer less this, or a smaller
/// share of the charge burning at the balance.
inline constexpr double kIdleMargin_Pa = 1000.0;
inline constexpr double kIdleBurnedShare = 0.80;

SolveResult solve_idle_with(const Engine& engine, const Coefficients<double>& coefficients,
                            const SolveOptions& options, const Switches& switches);
SolveResult solve_at_map_with(const Engine& engine, const Coefficients<double>& coefficients,
                              double map_Pa, const SolveOptions& options, const Switches& switches);

}  // namespace idlefit
