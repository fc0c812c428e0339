#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <vector>

#include "model/engine.h"
#include "model/quantity.h"

namespace idlefit {

/// One engine under the conditions of its points, and what is not known of it: inputs as a linear
/// function of independent standard-normal numbers, inputs(z) = engine.inputs + input_per_latent z.
struct FitEngine {
  Engine engine;                     ///< at z = 0
  std::optional<double> map_Pa;      ///< where the manifold pressure was held; empty: at idle
  std::size_t car = 0;               ///< the car that it is, which other engines here may be too
  std::vector<std::size_t> latents;  ///< which of the car's unknowns the columns below stand for
  Eigen::MatrixXd input_per_latent;  ///< kInputCount x latents, input's unit per deviation
  double friction_factor = 1.0;      ///< this engine's rubbing friction over the usual one
};

/// One measured number.
struct Point {
  std::size_t engine = 0;  ///< index into PointSet::engines
  Quantity quantity = Quantity::map;
  double value = 0;        ///< in the quantity's unit
  double sd = 0;           ///< reading error, standard deviation over 0, same unit
  double counts_as = 1.0;  ///< share of an independent point that it is worth, over 0 to 1
  std::optional<std::size_t> offset;  ///< index into PointSet::offsets
};

/// An error that several points have in common (one gauge, one source), in the points' unit.
struct SharedOffset {
  double sd = 0;  ///< prior standard deviation about 0
};

/// Points of a fit.
struct PointSet {
  std::vector<FitEngine> engines;
  std::vector<Point> points;
  std::vector<SharedOffset> offsets;
  /// Cars by number: how many unknowns (standard-normal latent variables) each has in all.
  std::vector<std::size_t> car_latents;
};

}  // namespace idlefit
