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
/// gauge and its needle. Common practice, no source.
inline constexpr double kVacuumReadingSd_Pa = 0.5 * kInchMercury_Pa;

/// How far a vacuum reading can be trusted: standard deviations and a probability, all common
/// practice from memory, no source.
struct ReadingTrust {
  double gauge_Pa = kVacuumReadingSd_Pa;
  double speed_rpm = 25;  ///< a tachometer read while the needle hunts
  /// Station pressure: what the weather does about the standard atmosphere at an altitude; a
  /// barometer that was read.
  double weather_Pa = 0.25 * kInchMercury_Pa, barometer_Pa = 0.05 * kInchMercury_Pa;
  /// Of one engine in ten the reading is not of the engine in order: a leak, late timing, a tired
  /// valve move it by this much besides.
  double fault_chance = 0.1, fault_Pa = 4.0 * kInchMercury_Pa;
  /// Readings that had a smaller chance than this are left aside.
  double least_chance = 0.01;
};

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
};

/// What became of a vacuum reading.
struct TakenReading {
  enum class Use {
    weighed,    ///< `informed` holds what it tells
    no_idle,    ///< the model finds no idle under the conditions of the reading or of the idle
    too_far,    ///< so far off that it was left aside: ReadingTrust::least_chance
    unsettled,  ///< no engine that it speaks for was found
  };
  Use use = Use::unsettled;
  std::optional<InformedEngine> informed;
  double surprise_Pa = 0;        ///< reading less what was expected before it, Pa of MAP
  double surprise_chance = 1;    ///< of one at least so large, either way
  double fault_probability = 0;  ///< that the engine was not in order when it was read
};

/// What the reading in a card's section `known` tells about what the card leaves open, about the
/// coefficients, and about this car beside the model: the belief, taken to first order about the
/// mean of the unknowns after the reading, which is found by iteration. The engine is the one
/// nearest to that mean whose idle MAP is the predicted one, what the car shows beyond the model
/// included; where that one would not idle as it was read, one at the limit of idling instead.
/// Where the first order says that the reading is odd, or the engine in the middle has no idle
/// under its conditions, 256 engines drawn before it say how odd, and where to begin. The
/// completion must be the card's and hold a `known` point.
TakenReading inform_by_reading(const EngineCard& card, const Completion& completion,
                               const CoefficientKnowledge& knowledge,
                               const ReadingTrust& trust = {});

}  // namespace idlefit
