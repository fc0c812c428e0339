#pragma once

#include <span>

#include "model/batch.h"
#include "model/coefficients.h"
#include "profiles/banding.h"
#include "profiles/baselines.h"
#include "profiles/shop_population.h"

namespace idlefit::test {

// How far off an engine is fuelled by the table it is started on, over engines of a population,
// each with its own coefficients of the physics: what the prediction knows is the mean of the
// coefficients, and as much of the engine as is told.

/// What is told of an engine.
enum class Told {
  all,       ///< everything that an engine file can hold
  by_phone,  ///< cylinders, displacement, and a word for the cam
};

/// Root mean squares and so on of the fuelling error (profiles/banding.h).
struct StartErrors {
  FuellingFigures own;      ///< the table that the cycle predicts for the engine
  FuellingFigures blended;  ///< the set's tables, blended in predicted idle MAP between the middles
                            ///< of their ranges, times what the engine's predicted idle takes over
                            ///< what the blend has there
  FuellingFigures band;     ///< the set's table for the predicted idle MAP
  double idle_off_Pa = 0;   ///< root mean square of predicted idle MAP less the engine's
};

/// Of every engine, one or more. The set must have tables on standard_ve_grid(). An engine for
/// which no idle is predicted has the set's last table for band and blend.
StartErrors start_errors(std::span<const ShopEngine> engines, Told told, const BaselineSet& set,
                         const Coefficients<double>& mean, unsigned threads = default_threads());

}  // namespace idlefit::test
