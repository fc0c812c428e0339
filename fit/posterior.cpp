#include "fit/posterior.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <map>
#include <stdexcept>
#include <utility>

#include "fit/minimise.h"
#include "fit/student.h"
#include "model/batch.h"

namespace idlefit {
namespace {

// The discrepancy is one in idle MAP; of any other quantity it is the same share as of a MAP of
// this size, a usual idle. Chosen.
constexpr double kUsualIdle_Pa = 40e3;

// Which readings of a car have its part of the discrepancy in common. Air and fuel go with MAP: an
// engine that rubs more needs more of all three. Filling and residual at a held MAP do not.
enum Kind { at_idle, filling, diluted, kinds };
Kind kind_of(Quantity quantity) {
  switch (quantity) {
    case Quantity::ve:
      return filling;
    case Quantity::residual:
      return diluted;
    default:
      return at_idle;
  }
}

double log_determinant(const Eigen::LLT<Eigen::MatrixXd>& factor) {
  return 2.0 * factor.matrixLLT().diagonal().array().log().sum();
}

}  // namespace

double Row::scale(double discrepancy_Pa) const {
  const double share = car_part >= 0 ? 1.0 - kCarShare : 1.0;
  return std::sqrt(sd * sd + share * std::pow(per_discrepancy_Pa * discrepancy_Pa, 2));
}
double Row::per_car_part(double discrepancy_Pa) const {
  return car_part >= 0 ? std::sqrt(kCarShare) * discrepancy_Pa * per_discrepancy_Pa : 0.0;
}

FitProblem::FitProblem(const PointSet& set, const CoefficientKnowledge& known)
    : prior(known), rows_of_car(set.car_latents.size()) {
  constexpr auto coefficients = static_cast<Eigen::Index>(kCoefficientCount);
  prior_sd = prior.covariance.diagonal().cwiseSqrt();
  const Eigen::MatrixXd scaled = prior_sd.cwiseInverse().asDiagonal() * prior.covariance *
                                 prior_sd.cwiseInverse().asDiagonal();
  const Eigen::LLT<Eigen::MatrixXd> factor(scaled);
  if (factor.info() != Eigen::Success)
    throw std::logic_error("the prior's covariance is not positive definite");
  prior_root = factor.matrixL().solve(Eigen::MatrixXd::Identity(scaled.rows(), scaled.cols()));
  shared = coefficients + static_cast<Eigen::Index>(set.offsets.size());

  for (const std::size_t count : set.car_latents)
    latents.push_back(static_cast<Eigen::Index>(count));
  own_size = latents;
  std::vector<std::array<int, kinds>> readings(latents.size());
  for (const Point& p : set.points)
    ++readings[set.engines[p.engine].car][static_cast<std::size_t>(kind_of(p.quantity))];
  std::vector<std::array<Eigen::Index, kinds>> part(latents.size());
  for (std::size_t car = 0; car < latents.size(); ++car) {
    for (std::size_t kind = 0; kind < kinds; ++kind)
      part[car][kind] = readings[car][kind] > 1 ? own_size[car]++ : -1;
  }
  for (const Point& p : set.points) {
    const FitEngine& engine = set.engines[p.engine];
    Row row;
    row.car = engine.car;
    for (const std::size_t j : engine.latents) row.latents.push_back(static_cast<Eigen::Index>(j));
    row.car_part = part[engine.car][static_cast<std::size_t>(kind_of(p.quantity))];
    if (p.offset) {
      row.offset = coefficients + static_cast<Eigen::Index>(*p.offset);
      row.offset_sd = set.offsets[*p.offset].sd;
    }
    row.measured = p.value;
    row.sd = p.sd;
    row.counts_as = p.counts_as;
    row.per_discrepancy_Pa = p.quantity == Quantity::map      ? 1.0
                             : p.quantity == Quantity::vacuum ? -1.0
                                                              : p.value / kUsualIdle_Pa;
    rows_of_car[row.car].push_back(rows.size());
    rows.push_back(std::move(row));
  }
}

Unknowns FitProblem::start() const {
  Unknowns x{Eigen::VectorXd::Zero(shared), {}};
  for (const Eigen::Index size : own_size) x.cars.push_back(Eigen::VectorXd::Zero(size));
  return x;
}

Coefficients<double> FitProblem::coefficients(const Eigen::VectorXd& at) const {
  Coefficients<double> c;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const auto i = static_cast<Eigen::Index>(k);
    coefficient_ref(c, k) = coefficient_value(prior.mean, k) + prior_sd[i] * at[i];
  }
  return c;
}

std::vector<LinearRow> linear_rows(const FitProblem& problem, const Predictions& predictions) {
  std::vector<LinearRow> rows(problem.rows.size());
  for (std::size_t i = 0; i < rows.size(); ++i) {
    rows[i].model = predictions.value(i);
    rows[i].by_coefficient = predictions.per_coefficient(i).cwiseProduct(problem.prior_sd);
    rows[i].by_latent = predictions.per_latent(i);
  }
  return rows;
}

// The Hessian in arrow form: the cars' own blocks are eliminated one by one. What is kept of a car
// is what brings its unknowns back: own = own_step + own_gain * shared step.
struct LinearPosterior::Information {
  Eigen::MatrixXd reduced;           // of the shared unknowns, the cars' eliminated
  Eigen::VectorXd reduced_gradient;  // of the cost
  std::vector<Eigen::MatrixXd> own_gain;
  std::vector<Eigen::VectorXd> own_step;
  std::vector<Eigen::LLT<Eigen::MatrixXd>> own_factor;
  double own_log_determinant = 0;
  bool positive = true;
};

LinearPosterior::LinearPosterior(const FitProblem& problem, Unknowns at,
                                 std::vector<LinearRow> rows, unsigned threads)
    : problem_(problem), expansion_(std::move(at)), rows_(std::move(rows)), threads_(threads) {}

double LinearPosterior::residual(std::size_t i, double discrepancy_Pa, const Unknowns& x) const {
  const Row& row = problem_.rows[i];
  const LinearRow& linear = rows_[i];
  const Eigen::VectorXd& own = x.cars[row.car];
  const Eigen::VectorXd& own_before = expansion_.cars[row.car];
  constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
  double model = linear.model + linear.by_coefficient.dot(x.shared.head(kCoefficients) -
                                                          expansion_.shared.head(kCoefficients));
  for (std::size_t j = 0; j < row.latents.size(); ++j) {
    model += linear.by_latent[static_cast<Eigen::Index>(j)] *
             (own[row.latents[j]] - own_before[row.latents[j]]);
  }
  if (row.car_part >= 0) model += row.per_car_part(discrepancy_Pa) * own[row.car_part];
  if (row.offset >= 0) model += row.offset_sd * x.shared[row.offset];
  return row.measured - model;
}

// How the prediction of a row moves with the unknowns.
void LinearPosterior::slopes(std::size_t i, double discrepancy_Pa, Eigen::VectorXd& by_shared,
                             Eigen::VectorXd& by_own) const {
  const Row& row = problem_.rows[i];
  constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
  by_shared = Eigen::VectorXd::Zero(problem_.shared);
  by_shared.head(kCoefficients) = rows_[i].by_coefficient;
  if (row.offset >= 0) by_shared[row.offset] = row.offset_sd;
  by_own = Eigen::VectorXd::Zero(problem_.own_size[row.car]);
  for (std::size_t j = 0; j < row.latents.size(); ++j)
    by_own[row.latents[j]] += rows_[i].by_latent[static_cast<Eigen::Index>(j)];
  if (row.car_part >= 0) by_own[row.car_part] = row.per_car_part(discrepancy_Pa);
}

double LinearPosterior::cost(double discrepancy_Pa, const Unknowns& x,
                             std::optional<std::size_t> without) const {
  constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
  double sum = 0.5 * std::pow(discrepancy_Pa / kDiscrepancyPrior_Pa, 2) +
               0.5 * (problem_.prior_root * x.shared.head(kCoefficients)).squaredNorm() +
               0.5 * x.shared.tail(problem_.shared - kCoefficients).squaredNorm();
  for (std::size_t car = 0; car < x.cars.size(); ++car) {
    const Eigen::Index latents = problem_.latents[car];
    sum += 0.5 * x.cars[car].head(latents).squaredNorm();
    for (Eigen::Index j = latents; j < x.cars[car].size(); ++j)
      sum += student_cost(x.cars[car][j] * x.cars[car][j]);
  }
  for (std::size_t i = 0; i < problem_.rows.size(); ++i) {
    if (without == i) continue;
    const Row& row = problem_.rows[i];
    const double scale = row.scale(discrepancy_Pa);
    const double deviations = residual(i, discrepancy_Pa, x) / scale;
    sum += row.counts_as * (student_cost(deviations * deviations) + std::log(scale));
  }
  return sum;
}

LinearPosterior::Information LinearPosterior::information(
    double discrepancy_Pa, const Unknowns& x, bool exact,
    std::optional<std::size_t> without) const {
  constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
  const std::size_t cars = x.cars.size();
  const Eigen::Index shared = problem_.shared;
  Information info;
  info.own_gain.resize(cars);
  info.own_step.resize(cars);
  info.own_factor.resize(cars);

  // In slices of cars whose sums are added in order: the same on any number of threads.
  const std::size_t slice = std::max<std::size_t>(1, (cars + 63) / 64);
  const std::size_t slices = (cars + slice - 1) / slice;
  struct Part {
    Eigen::MatrixXd reduced;
    Eigen::VectorXd gradient;
    double log_determinant = 0;
    bool positive = true;
  };
  std::vector<Part> parts(slices);
  for_each_index(slices, threads_, [&](std::size_t s) {
    Part& part = parts[s];
    part.reduced = Eigen::MatrixXd::Zero(shared, shared);
    part.gradient = Eigen::VectorXd::Zero(shared);
    Eigen::VectorXd by_shared, by_own;
    for (std::size_t car = s * slice; car < std::min(cars, (s + 1) * slice); ++car) {
      const Eigen::Index own = problem_.own_size[car], latents = problem_.latents[car];
      Eigen::MatrixXd own_own = Eigen::MatrixXd::Zero(own, own);
      Eigen::MatrixXd own_shared = Eigen::MatrixXd::Zero(own, shared);
      Eigen::VectorXd own_gradient = x.cars[car];
      for (Eigen::Index j = 0; j < latents; ++j) own_own(j, j) = 1.0;
      for (Eigen::Index j = latents; j < own; ++j) {
        const double u = x.cars[car][j];
        own_own(j, j) = exact ? student_curvature(u * u) : student_weight(u * u);
        own_gradient[j] = student_weight(u * u) * u;
      }
      for (const std::size_t i : problem_.rows_of_car[car]) {
        if (without == i) continue;
        const Row& row = problem_.rows[i];
        const double scale = row.scale(discrepancy_Pa);
        const double deviations = residual(i, discrepancy_Pa, x) / scale;
        const double square = deviations * deviations;
        const double curvature = row.counts_as / (scale * scale) *
                                 (exact ? student_curvature(square) : student_weight(square));
        const double slope = -row.counts_as * student_weight(square) * deviations / scale;
        slopes(i, discrepancy_Pa, by_shared, by_own);
        part.reduced += curvature * by_shared * by_shared.transpose();
        part.gradient += slope * by_shared;
        own_own += curvature * by_own * by_own.transpose();
        own_shared += curvature * by_own * by_shared.transpose();
        own_gradient += slope * by_own;
      }
      if (own == 0) continue;
      const Eigen::LLT<Eigen::MatrixXd> factor(own_own);
      if (factor.info() != Eigen::Success) {
        part.positive = false;
        return;
      }
      info.own_gain[car] = -factor.solve(own_shared);
      info.own_step[car] = -factor.solve(own_gradient);
      part.reduced += own_shared.transpose() * info.own_gain[car];
      part.gradient += own_shared.transpose() * info.own_step[car];
      part.log_determinant += log_determinant(factor);
      info.own_factor[car] = factor;
    }
  });

  info.reduced = Eigen::MatrixXd::Zero(shared, shared);
  info.reduced.topLeftCorner(kCoefficients, kCoefficients) =
      problem_.prior_root.transpose() * problem_.prior_root;
  info.reduced.diagonal().tail(shared - kCoefficients).setOnes();
  info.reduced_gradient = info.reduced * x.shared;
  for (const Part& part : parts) {
    info.positive = info.positive && part.positive;
    if (!info.positive) return info;
    info.reduced += part.reduced;
    info.reduced_gradient += part.gradient;
    info.own_log_determinant += part.log_determinant;
  }
  return info;
}

LinearPosterior::Mode LinearPosterior::mode(double discrepancy_Pa, const Unknowns& start,
                                            std::optional<std::size_t> without) const {
  constexpr int kStepsAtMost = 100;
  constexpr double kSettled = 1e-10;  // of a cost that is of the order of the number of rows
  Mode mode;
  mode.at = start;
  mode.cost = cost(discrepancy_Pa, mode.at, without);
  const auto move = [&](const Information& info) {
    const Eigen::VectorXd step = -info.reduced.llt().solve(info.reduced_gradient);
    Unknowns x = mode.at;
    x.shared += step;
    for (std::size_t car = 0; car < x.cars.size(); ++car) {
      if (x.cars[car].size() > 0) x.cars[car] += info.own_step[car] + info.own_gain[car] * step;
    }
    return x;
  };
  for (int i = 0; i < kStepsAtMost; ++i) {
    // Newton's step where the cost is convex and it gains; else that of reweighted least squares,
    // which always gains.
    Unknowns next = mode.at;
    double then = std::numeric_limits<double>::infinity();
    const Information exact = information(discrepancy_Pa, mode.at, true, without);
    if (exact.positive && exact.reduced.llt().info() == Eigen::Success) {
      next = move(exact);
      then = cost(discrepancy_Pa, next, without);
    }
    if (!(then <= mode.cost)) {
      next = move(information(discrepancy_Pa, mode.at, false, without));
      then = cost(discrepancy_Pa, next, without);
    }
    const double gain = mode.cost - then;
    if (!(gain >= 0.0)) break;  // no further to working accuracy
    mode.at = std::move(next);
    mode.cost = then;
    if (gain <= kSettled * (1.0 + std::fabs(mode.cost))) break;
  }
  Information info = information(discrepancy_Pa, mode.at, true, without);
  mode.shared_covariance = info.positive ? inverse_information(info.reduced) : Eigen::MatrixXd();
  if (mode.shared_covariance.size() == 0) {
    // Not a strict minimum of the linear model's cost, which rows far out can bring about: their
    // weights in place of their curvature.
    info = information(discrepancy_Pa, mode.at, false, without);
    mode.shared_covariance = inverse_information(info.reduced);
  }
  mode.log_marginal =
      -mode.cost - 0.5 * (log_determinant(info.reduced.llt()) + info.own_log_determinant);
  return mode;
}

std::vector<LinearPosterior::RowView> LinearPosterior::row_views(double discrepancy_Pa,
                                                                 const Mode& mode) const {
  std::vector<RowView> views(rows_.size());
  Information info = information(discrepancy_Pa, mode.at, true, std::nullopt);
  const bool exact = info.positive && info.reduced.llt().info() == Eigen::Success;
  if (!exact) info = information(discrepancy_Pa, mode.at, false, std::nullopt);
  const Eigen::LLT<Eigen::MatrixXd> reduced(info.reduced);
  for_each_index(rows_.size(), threads_, [&](std::size_t i) {
    const Row& row = problem_.rows[i];
    RowView& view = views[i];
    Eigen::VectorXd by_shared, by_own;
    slopes(i, discrepancy_Pa, by_shared, by_own);
    const double scale = row.scale(discrepancy_Pa);
    view.residual = residual(i, discrepancy_Pa, mode.at);
    view.deviations = view.residual / scale;
    const double square = view.deviations * view.deviations;
    view.weight = student_weight(square);
    // Variance of the row's own prediction in the posterior: shared unknowns, and the car's given
    // those.
    double spread = 0;
    if (by_own.size() > 0) {
      by_shared += info.own_gain[row.car].transpose() * by_own;
      spread += by_own.dot(info.own_factor[row.car].solve(by_own));
    }
    spread += by_shared.dot(reduced.solve(by_shared));
    const double information_of_row =
        row.counts_as / (scale * scale) * (exact ? student_curvature(square) : view.weight);
    view.leverage = information_of_row * spread;
    const double left = 1.0 - view.leverage;  // over 0 where the posterior is proper without it
    const double spread_without = left > 1e-9 ? spread / left : spread;
    view.leave_out_residual = view.residual + spread_without * row.counts_as * view.weight *
                                                  view.residual / (scale * scale);
    view.leave_out_sd = std::sqrt(std::max(0.0, spread_without));
  });
  return views;
}

DiscrepancyPosterior discrepancy_posterior(const LinearPosterior& posterior,
                                           const Unknowns& start) {
  // Equal steps of the logarithm from a fortieth of the prior's scale to three times it: below,
  // the discrepancy drowns in any reading error; above, the prior has nothing left.
  constexpr int kNodes = 17;
  constexpr double kNegligible = 1e-3;
  std::vector<double> scale(kNodes), log_weight(kNodes);
  std::vector<LinearPosterior::Mode> modes(kNodes);
  const double low = std::log(kDiscrepancyPrior_Pa / 40.0);
  const double step = (std::log(3.0 * kDiscrepancyPrior_Pa) - low) / (kNodes - 1);
  Unknowns x = start;
  for (int k = kNodes - 1; k >= 0; --k) {
    const auto at = static_cast<std::size_t>(k);
    scale[at] = std::exp(low + step * k);
    modes[at] = posterior.mode(scale[at], x);
    x = modes[at].at;
    log_weight[at] = modes[at].log_marginal + std::log(scale[at]);
  }
  const auto most = std::max_element(log_weight.begin(), log_weight.end());
  DiscrepancyPosterior found;
  const std::ptrdiff_t peak = most - log_weight.begin();
  double shift = 0;  // of the peak from its node, by the parabola through its neighbours
  if (peak > 0 && peak + 1 < kNodes) {
    const double before = *(most - 1), after = *(most + 1);
    const double bend = before - 2.0 * *most + after;
    if (bend < 0) shift = 0.5 * (before - after) / bend;
  }
  found.best_Pa = scale[static_cast<std::size_t>(peak)] * std::exp(step * shift);

  double sum = 0;
  std::vector<double> weight(kNodes);
  for (std::size_t k = 0; k < kNodes; ++k) {
    weight[k] = std::exp(log_weight[k] - *most);
    if (weight[k] < kNegligible) weight[k] = 0;
    sum += weight[k];
  }
  const Eigen::Index size = modes.front().at.shared.size();
  found.shared_mean = Eigen::VectorXd::Zero(size);
  found.shared_covariance = Eigen::MatrixXd::Zero(size, size);
  for (std::size_t k = 0; k < kNodes; ++k) {
    if (weight[k] == 0) continue;
    found.discrepancy.nodes.push_back({scale[k], weight[k] / sum});
    found.shared_mean += weight[k] / sum * modes[k].at.shared;
  }
  for (std::size_t k = 0; k < kNodes; ++k) {
    if (weight[k] == 0) continue;
    const Eigen::VectorXd off = modes[k].at.shared - found.shared_mean;
    found.shared_covariance +=
        weight[k] / sum * (modes[k].shared_covariance + off * off.transpose());
  }
  return found;
}

}  // namespace idlefit
