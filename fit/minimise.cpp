#include "fit/minimise.h"

#include <ceres/ceres.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <memory>
#include <utility>

#include "fit/student.h"

namespace idlefit {
namespace {

class TermCost final : public ceres::CostFunction {
 public:
  TermCost(const CostTerm& term, const std::vector<ParameterBlock>& blocks) : term_(term) {
    set_num_residuals(static_cast<int>(term.size));
    for (const std::size_t b : term.blocks)
      mutable_parameter_block_sizes()->push_back(static_cast<int>(blocks[b].value.size()));
  }
  bool Evaluate(double const* const* parameters, double* residuals,
                double** jacobians) const override {
    return term_.evaluate(parameters, residuals, jacobians);
  }

 private:
  const CostTerm& term_;
};

// Student's cost twice, since Ceres halves it, with its derivatives by the squared residual.
class StudentLoss final : public ceres::LossFunction {
 public:
  void Evaluate(double square, double out[3]) const override {
    out[0] = 2.0 * student_cost(square);
    out[1] = student_weight(square);
    out[2] = -out[1] / (kStudentDegrees + square);
  }
};

void take_back(const std::vector<double>& at, std::vector<ParameterBlock>& blocks) {
  const double* from = at.data();
  for (ParameterBlock& block : blocks) {
    std::copy_n(from, block.value.size(), block.value.data());
    from += block.value.size();
  }
}

class Prepare final : public ceres::EvaluationCallback {
 public:
  Prepare(CostProblem& problem, const std::vector<double>& at) : problem_(problem), at_(at) {}
  void PrepareForEvaluation(bool, bool new_point) override {
    if (!new_point || !problem_.prepare) return;
    take_back(at_, problem_.blocks);
    problem_.prepare(problem_.blocks);
  }

 private:
  CostProblem& problem_;
  const std::vector<double>& at_;
};

}  // namespace

MinimiseResult minimise(CostProblem& problem, const MinimiseSettings& settings) {
  // Ceres orders blocks by their address: all in one piece, so that the order, and with it every
  // rounding, is the same each time.
  std::vector<double> parameters;
  for (const ParameterBlock& block : problem.blocks)
    parameters.insert(parameters.end(), block.value.begin(), block.value.end());
  Prepare prepare(problem, parameters);
  ceres::Problem::Options ownership;
  ownership.evaluation_callback = &prepare;
  ceres::Problem ceres_problem(ownership);
  bool any_own = false;
  auto ordering = std::make_shared<ceres::ParameterBlockOrdering>();
  std::vector<double*> address;
  double* at = parameters.data();
  for (const ParameterBlock& block : problem.blocks) {
    address.push_back(at);
    ceres_problem.AddParameterBlock(at, static_cast<int>(block.value.size()));
    for (Eigen::Index i = 0; i < block.lower.size(); ++i)
      ceres_problem.SetParameterLowerBound(at, static_cast<int>(i), block.lower[i]);
    for (Eigen::Index i = 0; i < block.upper.size(); ++i)
      ceres_problem.SetParameterUpperBound(at, static_cast<int>(i), block.upper[i]);
    ordering->AddElementToGroup(at, block.own ? 0 : 1);
    any_own = any_own || block.own;
    at += block.value.size();
  }
  for (const CostTerm& term : problem.terms) {
    std::vector<double*> of_term;
    for (const std::size_t b : term.blocks) of_term.push_back(address[b]);
    ceres::LossFunction* loss = term.student ? new StudentLoss : nullptr;
    if (term.weight != 1.0) loss = new ceres::ScaledLoss(loss, term.weight, ceres::TAKE_OWNERSHIP);
    ceres_problem.AddResidualBlock(new TermCost(term, problem.blocks), loss, of_term);
  }

  ceres::Solver::Options options;
  options.minimizer_type = ceres::TRUST_REGION;
  options.trust_region_strategy_type = ceres::LEVENBERG_MARQUARDT;
  options.linear_solver_type = any_own ? ceres::DENSE_SCHUR : ceres::DENSE_QR;
  if (any_own) options.linear_solver_ordering = ordering;
  options.function_tolerance = settings.relative_decrease;
  options.gradient_tolerance = 1e-14;   // what stops a fit is its cost and its step
  options.parameter_tolerance = 1e-10;  // parameters are near one, or what has such sizes
  options.max_num_iterations = settings.steps_at_most;
  // Steps that no longer gain, though tiny, have met the accuracy of the terms.
  options.min_trust_region_radius = 1e-4;
  // Its own work is little beside the terms', and on several threads its sums change their order.
  options.num_threads = 1;
  options.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(options, &ceres_problem, &summary);

  take_back(parameters, problem.blocks);

  MinimiseResult result;
  result.usable = summary.IsSolutionUsable();
  result.converged = summary.termination_type == ceres::CONVERGENCE;
  result.cost = summary.final_cost;
  result.steps = static_cast<int>(summary.iterations.size());
  result.message = summary.message;
  return result;
}

Eigen::MatrixXd inverse_information(const Eigen::MatrixXd& information) {
  if (!information.allFinite() || (information.diagonal().array() <= 0.0).any()) return {};
  const Eigen::VectorXd scale = information.diagonal().cwiseSqrt().cwiseInverse();
  const Eigen::MatrixXd scaled = scale.asDiagonal() * information * scale.asDiagonal();
  const Eigen::LLT<Eigen::MatrixXd> factor(scaled);
  if (factor.info() != Eigen::Success) return {};
  const Eigen::MatrixXd inverse =
      factor.solve(Eigen::MatrixXd::Identity(scaled.rows(), scaled.cols()));
  if (!inverse.allFinite()) return {};
  return scale.asDiagonal() * inverse * scale.asDiagonal();
}

}  // namespace idlefit
