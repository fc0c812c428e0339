#pragma once

#include <cstddef>
#include <vector>

#include "fit/points.h"
#include "model/coefficients.h"
#include "model/engine.h"
#include "tests/support/random.h"

// Invented points for the tests of the fit: engines drawn at random, and readings that the model
// itself makes for them with coefficients chosen as the truth.

namespace idlefit::test {

/// A V8 of tests/support/engines.h, from a stock to a lively cam, each with the idle speed that
/// such a cam is given.
Engine draw_v8(Random& random);

/// The engine with no unknown inputs, at idle.
FitEngine known_engine(const Engine& engine, std::size_t car);

/// From the prior of each coefficient, within its bounds.
Coefficients<double> draw_coefficients(Random& random);

/// Readings of idle MAP and what they were made from.
struct DrawnSet {
  PointSet set;
  Coefficients<double> truth;
  double discrepancy_Pa = 0;
  int redrawn = 0;  ///< engines drawn again for want of an idle with the truth or the prior means
};

/// A car for every entry of `readings`, with that many readings (one or more), each at its own
/// speed and spark. Every number is drawn as the likelihood of fit/posterior.h has it.
DrawnSet draw_set(Random& random, const Coefficients<double>& truth, double discrepancy_Pa,
                  double reading_sd_Pa, const std::vector<int>& readings);

/// Draws an engine that has an idle with both; counts those that had none.
Engine draw_idling_v8(Random& random, const Coefficients<double>& truth, int& redrawn);

/// Idle MAP, Pa; throws std::runtime_error where there is no idle.
double idle_map_Pa(const Engine& engine, const Coefficients<double>& coefficients);

}  // namespace idlefit::test
