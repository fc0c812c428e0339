#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "fit/points.h"
#include "model/coefficients.h"
#include "model/idle.h"

namespace idlefit {

/// What the model says of every point, with exact derivatives.
class Predictions {
 public:
  /// The point set must outlive this.
  Predictions(const PointSet& set, unsigned threads);

  /// How far the solves are taken. Rough ones cost half of usual ones and are good for the first
  /// rounds of a search; fine ones cost half as much again, and their slopes are those of their
  /// values to five digits instead of three.
  enum class Accuracy { rough, usual, fine };

  /// Solves every engine: with these coefficients, and each car's unknowns (latent variables) as
  /// given, one vector a car. Starts from the last time where that helps. False where an engine
  /// finds no balance; failed() then names those.
  bool evaluate(const Coefficients<double>& coefficients,
                const std::vector<Eigen::VectorXd>& car_latents,
                Accuracy accuracy = Accuracy::usual);

  const std::vector<std::size_t>& failed() const { return failed_; }  ///< indices of engines
  /// What the solver said of an engine at the last evaluation: empty where all is well.
  const std::string& reason(std::size_t engine) const { return reasons_[engine]; }

  // By index of the point, in the point's unit: value; per coefficient; per entry of the engine's
  // `latents`.
  double value(std::size_t point) const { return values_[point]; }
  const Eigen::VectorXd& per_coefficient(std::size_t point) const { return by_coefficient_[point]; }
  const Eigen::VectorXd& per_latent(std::size_t point) const { return by_latent_[point]; }

 private:
  const PointSet& set_;
  unsigned threads_;
  std::vector<std::vector<std::size_t>> points_of_engine_;
  std::vector<std::optional<SolvedState>> states_;
  std::vector<double> values_;
  std::vector<Eigen::VectorXd> by_coefficient_, by_latent_;
  std::vector<std::string> reasons_;
  std::vector<std::size_t> failed_;
};

}  // namespace idlefit
