#pragma once

#include <array>

#include "model/engine.h"
#include "model/idle.h"

// Where the idle solve starts: a linear regression of its unknowns on the engine. It has no part in
// the answer, only in how soon it is found.

namespace idlefit {

/// What the regression looks at, each about zero and of size one over the engines that it was made
/// from, and held within their range. `losses_Pa`: mean effective pressure of friction and
/// accessories.
inline constexpr int kStartFeatures = 14;
using StartFeatures = std::array<double, kStartFeatures>;
StartFeatures start_features(const Inputs<double>& in, double losses_Pa);

/// The solver's unknowns to start from.
SolvedState idle_start(const Inputs<double>& in, double losses_Pa);

}  // namespace idlefit
