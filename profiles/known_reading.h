#pragma once

#include <Eigen/Core>
#include <optional>

#include "model/coefficients.h"
#include "model/constants.h"
#include "model/engine.h"
#include "model/uncertainty.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// How well a vacuum read off a gauge is known, standard deviation: half an inch of mercury for the
/// gauge, its needle and the speed at that moment. Common practice, no source.
inline constexpr double kVacuumReadingSd_Pa = 0.5 * kInchMercury_Pa;

/// An engine as a vacuum reading on it makes it out to be.
struct InformedEngine {
  EngineBelief belief;
  Eigen::VectorXd unknowns;  ///< of the engine below, in deviations
  Engine engine;
  Coefficients<double> coefficients;
  Eigen::MatrixXd input_per_latent;  ///< as in Completion, at this engine
  /// Predicted idle MAP less this engine's, Pa: far below a kPa but where the car is so odd that no
  /// likely engine shows it.
  double map_beyond_Pa = 0;
  double surprise_Pa = 0;      ///< reading less what was expected before it, Pa of MAP
  double surprise_chance = 1;  ///< of one at least so large, either way
};

/// What the reading in a card's section `known` tells about what the card leaves open, about the
/// coefficients, and about this car beside the model: the belief, taken to first order about the
/// mean of the unknowns after the reading, which is found by iteration. The engine is the one
/// nearest to that mean whose idle MAP is the predicted one, what the car shows beyond the model
/// included. Empty where the model finds no idle under the conditions of the reading or of the
/// idle, so that nothing can be learnt from it.
/// The completion must be the card's and hold a `known` point.
std::optional<InformedEngine> inform_by_reading(const EngineCard& card,
                                                const Completion& completion,
                                                const CoefficientKnowledge& knowledge);

}  // namespace idlefit
