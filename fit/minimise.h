#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <functional>
#include <string>
#include <vector>

namespace idlefit {

/// Some parameters that always enter a term together, each with its bounds.
struct ParameterBlock {
  Eigen::VectorXd value;         ///< the start, and after minimise() the minimum
  Eigen::VectorXd lower, upper;  ///< empty where there are none
  bool own = false;  ///< met by few terms, no two such blocks in one term: eliminated first
};

/// Some residuals r, a vector, and what they cost: half of their square, or, for one residual
/// after Student's t, student_cost (fit/student.h), times `weight`.
struct CostTerm {
  std::vector<std::size_t> blocks;  ///< which parameter blocks it depends on
  Eigen::Index size = 1;            ///< number of residuals
  bool student = false;
  double weight = 1.0;
  /// Fills the residuals, and where `jacobians` is not null, its entry for each block (row-major,
  /// size x block size; the entry may be null too). False where there is no value here.
  std::function<bool(double const* const* parameters, double* residuals, double** jacobians)>
      evaluate;
};

struct CostProblem {
  std::vector<ParameterBlock> blocks;
  std::vector<CostTerm> terms;
  /// Called before terms are evaluated at a new point, with all blocks at that point; may be empty.
  std::function<void(const std::vector<ParameterBlock>&)> prepare;
};

struct MinimiseSettings {
  double relative_decrease = 1e-10;  ///< of the cost in a step, below which it is done
  int steps_at_most = 60;
};

struct MinimiseResult {
  bool usable = false;  ///< the blocks hold a minimum, or the best point on the way
  bool converged = false;
  double cost = 0;
  int steps = 0;
  std::string message;
};

/// Minimises the sum of the terms' costs within the bounds by Levenberg-Marquardt with exact
/// derivatives (Ceres Solver). The one set of solver settings for every fit of this program.
MinimiseResult minimise(CostProblem& problem, const MinimiseSettings& settings = {});

/// The inverse of a symmetric positive definite information matrix (a Hessian), scaled to unit
/// diagonal before it is factored; empty where the matrix is not positive definite to working
/// accuracy. The covariance of a fit with unit weights is this times the residual variance.
Eigen::MatrixXd inverse_information(const Eigen::MatrixXd& information);

}  // namespace idlefit
