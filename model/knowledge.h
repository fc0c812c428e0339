#pragma once

#include <Eigen/Core>
#include <vector>

#include "model/coefficients.h"

namespace idlefit {

/// Rises when a change of the physics moves an estimate by more than 0.2 kPa: coefficients fitted
/// to other physics are not to be used.
inline constexpr int kPhysicsVersion = 1;

using CoefficientCovariance =
    Eigen::Matrix<double, static_cast<int>(kCoefficientCount), static_cast<int>(kCoefficientCount)>;

/// Degrees of freedom of Student's t for what one engine shows beyond the model: heavier tails than
/// the normal law, so that a sick engine or a wrong number pulls little. Chosen; 4 is customary.
inline constexpr double kStudentDegrees = 4.0;
/// Share of the discrepancy's variance that belongs to a car and stays the same from one reading of
/// it to the next. Chosen.
inline constexpr double kCarShare = 0.8;

/// How far healthy engines stray from the model when the coefficients are right: Student's t with
/// kStudentDegrees and this scale in idle MAP (Pa). The scale is uncertain: some values, each with
/// its probability.
struct Discrepancy {
  struct Node {
    double scale_Pa = 0;
    double weight = 0;  ///< sums to 1 over the nodes
  };
  std::vector<Node> nodes;

  /// Root mean square of the scale, Pa.
  double rms_scale_Pa() const;
};

/// What is known of the coefficients and of how good the model is: a prior, or the outcome of a
/// fit. The coefficients are taken as jointly normal.
struct CoefficientKnowledge {
  Coefficients<double> mean;
  CoefficientCovariance covariance;
  Discrepancy discrepancy;
};

/// The prior: the table of model/coefficients.h, independent; the discrepancy half-normal with
/// kDiscrepancyPrior_Pa.
CoefficientKnowledge prior_knowledge();
inline constexpr double kDiscrepancyPrior_Pa = 4000.0;

}  // namespace idlefit
