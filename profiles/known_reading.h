#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>

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
  Engine engine;
  Coefficients<double> coefficients;
  Eigen::MatrixXd input_per_latent;  ///< as in Completion, at this engine
  MapReading reading;
  /// Reading less what was expected before it (Pa of MAP), and the deviation of that difference.
  double surprise_Pa = 0, surprise_sd_Pa = 0;
};

/// What the reading in a card's section `known` tells about what the card leaves open and about the
/// coefficients: the most probable values given the spread of each before the reading, by
/// Gauss-Newton on the model (an iterated Kalman update). Empty where the model finds no idle under
/// the conditions of the reading, so that nothing can be learnt from it.
/// The completion must be the card's and hold a `known` point.
std::optional<InformedEngine> inform_by_reading(const EngineCard& card,
                                                const Completion& completion);

}  // namespace idlefit
