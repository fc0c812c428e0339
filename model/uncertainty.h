#pragma once

#include <Eigen/Core>

#include "model/idle.h"

namespace idlefit {

/// Standard-normal quantile of 0.9: what lies within this many deviations is 10 to 90 %.
/// Source: any table of the normal distribution (1.28155).
inline constexpr double kQuantile90 = 1.2815515655446004;

// The unknowns of an estimate are the assumed inputs (independent standard-normal latent variables)
// and the coefficients (independent, each in units of its prior's deviation), in that order. All is
// to first order about the point where the gradient was taken.

/// What one standard deviation of each unknown does to MAP (Pa): dMAP/dinput dinput/dlatent, then
/// dMAP/dcoefficient times the prior's deviation. input_per_latent is kInputCount x latent count,
/// SI units per standard deviation.
Eigen::VectorXd unknown_effects_Pa(const PointGradient& gradient,
                                   const Eigen::MatrixXd& input_per_latent);

/// A reading of MAP on this engine: what the unknowns do to what the model says of it
/// (unknown_effects_Pa), and how well the reading itself is known, a standard deviation over 0.
struct MapReading {
  Eigen::VectorXd effects_Pa;
  double sd_Pa = 0;
};

/// How well an idle MAP is known.
struct MapUncertainty {
  double sd_Pa = 0;               ///< all unknowns together
  double coefficients_sd_Pa = 0;  ///< the coefficients alone
  /// One entry a latent variable, signed: the deviation of MAP that goes along with it. Without a
  /// reading their squares and that of the coefficients' part add up to the whole.
  Eigen::VectorXd latent_effect_Pa;
};

/// Propagates the spread of the unknowns, with effects g, to MAP: variance = g' P g. P is one where
/// nothing was read; a reading with effects j and deviation s leaves P = 1 - j j' / (j'j + s^2).
/// Source: linear propagation of errors and the Kalman update by a scalar reading (textbook).
MapUncertainty map_uncertainty(const Eigen::VectorXd& effects_Pa,
                               const MapReading* reading = nullptr);

/// By how much (Pa) the standard deviation of MAP would shrink if this latent variable were known.
double sd_removed_Pa(const MapUncertainty& uncertainty, Eigen::Index latent);

/// An interval that the normal law fills with 80 %: 10 % lie below it and 10 % above.
struct PressureInterval {
  double low_Pa = 0, high_Pa = 0;
};
PressureInterval interval_80(double center_Pa, double sd_Pa);

}  // namespace idlefit
