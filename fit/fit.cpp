#include "fit/fit.h"

#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <deque>
#include <limits>
#include <optional>
#include <utility>

#include "fit/minimise.h"
#include "fit/posterior.h"
#include "fit/predictions.h"
#include "model/uncertainty.h"

namespace idlefit {
namespace {

constexpr double kFurthestLatent = 4.0;  // deviations: no engine is further from what is usual
constexpr double kUnbounded = std::numeric_limits<double>::max();  // what Ceres takes for no bound
constexpr int kRoundsAtMost = 25;
constexpr double kSettledDiscrepancy = 0.01;  // relative: far less than it is known
constexpr double kSettledShared = 0.1;        // prior deviations: the last rounds take the rest
constexpr double kNegligibleMove = 1e-3;      // prior deviations
constexpr double kShortestShare = 0.25;       // of a round's way, before the search proper steps in
constexpr double kRelativeDecrease = 1e-8;
constexpr int kStepsOnFailure = 10;
constexpr int kLastRoundsAtMost = 8, kLastRoundsWanted = 3;
constexpr double kNegligibleGain = 1e-3;   // of cost: 0.045 posterior deviations at most
constexpr double kSettledLast = 1e-3;      // prior deviations: the step after is a tenth of it
constexpr double kLeverageToRefit = 0.7;   // above, the first order of leaving out is not enough
constexpr std::size_t kRefitsAtMost = 50;  // each costs about as much as an evaluation of them all

// The cost of posterior.h as terms for minimise(): the exact model in place of the linear one. Each
// term reads the predictions that `prepare` has made at the current point.
class Search {
 public:
  Search(const FitProblem& problem, Predictions& predictions, const FitOptions& options)
      : problem_(problem), predictions_(predictions), options_(options) {}

  bool evaluate(const Unknowns& x) {
    if (at_ && at_->shared == x.shared && at_->cars == x.cars) return good_;
    at_ = x;
    good_ = predictions_.evaluate(problem_.coefficients(x.shared), x.cars, accuracy_);
    ++evaluations_;
    if (options_.progress) options_.progress(evaluations_);
    return good_;
  }

  void use(Predictions::Accuracy accuracy) {
    if (accuracy != accuracy_) at_.reset();
    accuracy_ = accuracy;
  }

  // Moves x to the minimum for a scale of the discrepancy.
  MinimiseResult minimise_at(double discrepancy_Pa, int steps_at_most, Unknowns& x) {
    CostProblem cost;
    cost.blocks.push_back(shared_block(x.shared));
    std::vector<std::size_t> block_of_car(x.cars.size(), 0);
    for (std::size_t car = 0; car < x.cars.size(); ++car) {
      if (x.cars[car].size() == 0) continue;
      block_of_car[car] = cost.blocks.size();
      cost.blocks.push_back(own_block(car, x.cars[car]));
    }
    cost.terms.push_back(prior_term());
    for (std::size_t car = 0; car < x.cars.size(); ++car)
      add_own_terms(car, block_of_car[car], cost.terms);
    for (std::size_t i = 0; i < problem_.rows.size(); ++i)
      cost.terms.push_back(row_term(i, discrepancy_Pa, block_of_car[problem_.rows[i].car]));
    const auto unknowns_of = [&](const std::vector<ParameterBlock>& blocks) {
      Unknowns at{blocks[0].value, x.cars};
      for (std::size_t car = 0; car < at.cars.size(); ++car) {
        if (at.cars[car].size() > 0) at.cars[car] = blocks[block_of_car[car]].value;
      }
      return at;
    };
    cost.prepare = [&](const std::vector<ParameterBlock>& blocks) {
      evaluate(unknowns_of(blocks));
    };
    const MinimiseResult result =
        minimise(cost, {.relative_decrease = kRelativeDecrease, .steps_at_most = steps_at_most});
    if (result.usable) x = unknowns_of(cost.blocks);
    return result;
  }

  // The nearest unknowns that the search may take.
  Unknowns within_bounds(Unknowns x) const {
    const auto clamp = [](Eigen::VectorXd& value, const ParameterBlock& block) {
      value = value.cwiseMax(block.lower).cwiseMin(block.upper);
    };
    clamp(x.shared, shared_block(x.shared));
    for (std::size_t car = 0; car < x.cars.size(); ++car)
      clamp(x.cars[car], own_block(car, x.cars[car]));
    return x;
  }

  int evaluations() const { return evaluations_; }

 private:
  static constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);

  ParameterBlock shared_block(const Eigen::VectorXd& start) const {
    ParameterBlock block;
    block.value = start;
    block.lower = Eigen::VectorXd::Constant(problem_.shared, -kUnbounded);
    block.upper = Eigen::VectorXd::Constant(problem_.shared, kUnbounded);
    for (std::size_t k = 0; k < kCoefficientCount; ++k) {
      const auto i = static_cast<Eigen::Index>(k);
      const double mean = coefficient_value(problem_.prior.mean, k);
      block.lower[i] = (kCoefficientInfo[k].lower - mean) / problem_.prior_sd[i];
      block.upper[i] = (kCoefficientInfo[k].upper - mean) / problem_.prior_sd[i];
    }
    return block;
  }
  ParameterBlock own_block(std::size_t car, const Eigen::VectorXd& start) const {
    ParameterBlock block;
    block.value = start;
    block.own = true;
    block.upper = Eigen::VectorXd::Constant(start.size(), kUnbounded);
    block.upper.head(problem_.latents[car]).setConstant(kFurthestLatent);
    block.lower = -block.upper;
    return block;
  }

  CostTerm prior_term() const {
    CostTerm term;
    term.blocks = {0};
    term.size = problem_.shared;
    term.evaluate = [this](double const* const* x, double* residuals, double** jacobians) {
      const Eigen::Map<const Eigen::VectorXd> shared(x[0], problem_.shared);
      Eigen::Map<Eigen::VectorXd> r(residuals, problem_.shared);
      r = shared;
      r.head(kCoefficients) = problem_.prior_root * shared.head(kCoefficients);
      if (jacobians != nullptr && jacobians[0] != nullptr) {
        Eigen::Map<Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>> j(
            jacobians[0], problem_.shared, problem_.shared);
        j.setIdentity();
        j.topLeftCorner(kCoefficients, kCoefficients) = problem_.prior_root;
      }
      return true;
    };
    return term;
  }

  void add_own_terms(std::size_t car, std::size_t block, std::vector<CostTerm>& terms) const {
    const Eigen::Index size = problem_.own_size[car], latents = problem_.latents[car];
    const auto part_of_own = [&](Eigen::Index first, Eigen::Index count, bool student) {
      CostTerm term;
      term.blocks = {block};
      term.size = count;
      term.student = student;
      term.evaluate = [first, count, size](double const* const* x, double* residuals,
                                           double** jacobians) {
        for (Eigen::Index j = 0; j < count; ++j) residuals[j] = x[0][first + j];
        if (jacobians != nullptr && jacobians[0] != nullptr) {
          std::fill(jacobians[0], jacobians[0] + count * size, 0.0);
          for (Eigen::Index j = 0; j < count; ++j) jacobians[0][j * size + first + j] = 1.0;
        }
        return true;
      };
      terms.push_back(std::move(term));
    };
    if (latents > 0) part_of_own(0, latents, false);
    for (Eigen::Index j = latents; j < size; ++j) part_of_own(j, 1, true);
  }

  CostTerm row_term(std::size_t i, double discrepancy_Pa, std::size_t own_block) const {
    const Row& row = problem_.rows[i];
    CostTerm term;
    term.blocks = {0};
    if (own_block != 0) term.blocks.push_back(own_block);
    term.student = true;
    term.weight = row.counts_as;
    const double scale = row.scale(discrepancy_Pa), per_part = row.per_car_part(discrepancy_Pa);
    term.evaluate = [this, i, &row, scale, per_part, own_block](
                        double const* const* x, double* residuals, double** jacobians) {
      if (!good_) return false;
      double model = predictions_.value(i);
      if (row.offset >= 0) model += row.offset_sd * x[0][row.offset];
      if (row.car_part >= 0) model += per_part * x[1][row.car_part];
      residuals[0] = (row.measured - model) / scale;
      if (jacobians != nullptr && jacobians[0] != nullptr) {
        Eigen::Map<Eigen::VectorXd> j(jacobians[0], problem_.shared);
        j.setZero();
        j.head(kCoefficients) =
            -predictions_.per_coefficient(i).cwiseProduct(problem_.prior_sd) / scale;
        if (row.offset >= 0) j[row.offset] = -row.offset_sd / scale;
      }
      if (own_block != 0 && jacobians != nullptr && jacobians[1] != nullptr) {
        Eigen::Map<Eigen::VectorXd> j(jacobians[1], problem_.own_size[row.car]);
        j.setZero();
        for (std::size_t k = 0; k < row.latents.size(); ++k)
          j[row.latents[k]] -= predictions_.per_latent(i)[static_cast<Eigen::Index>(k)] / scale;
        if (row.car_part >= 0) j[row.car_part] = -per_part / scale;
      }
      return true;
    };
    return term;
  }

  const FitProblem& problem_;
  Predictions& predictions_;
  const FitOptions& options_;
  std::optional<Unknowns> at_;
  Predictions::Accuracy accuracy_ = Predictions::Accuracy::usual;
  bool good_ = false;
  int evaluations_ = 0;
};

// A share of the way from one point to another.
Unknowns between(const Unknowns& from, const Unknowns& to, double share) {
  Unknowns x = from;
  x.shared += share * (to.shared - from.shared);
  for (std::size_t car = 0; car < x.cars.size(); ++car)
    x.cars[car] += share * (to.cars[car] - from.cars[car]);
  return x;
}

double largest_move(const Unknowns& from, const Unknowns& to) {
  return (to.shared - from.shared).lpNorm<Eigen::Infinity>();
}

// Rounds bring a search nearer by a share of what is left, since the model is not that straight.
// From where a few of them led, Anderson's method finds where they lead in the end: the combination
// of their goals whose moves cancel best (J. ACM 12 (1965) 547, from memory).
class Extrapolation {
 public:
  Unknowns next(const Unknowns& from, const Unknowns& goal) {
    rounds_.push_back({goal, goal.shared - from.shared});
    if (rounds_.size() > kRoundsKept) rounds_.pop_front();
    const Round& last = rounds_.back();
    const auto earlier = static_cast<Eigen::Index>(rounds_.size()) - 1;
    if (earlier == 0) return goal;
    Eigen::MatrixXd against(last.move.size(), earlier);
    for (Eigen::Index i = 0; i < earlier; ++i)
      against.col(i) = last.move - rounds_[static_cast<std::size_t>(i)].move;
    const Eigen::VectorXd weights = against.colPivHouseholderQr().solve(last.move);
    if (!(weights.lpNorm<1>() < kWeightAtMost)) return goal;
    Unknowns x = goal;
    for (Eigen::Index i = 0; i < earlier; ++i) {
      const Unknowns& other = rounds_[static_cast<std::size_t>(i)].goal;
      x.shared += weights[i] * (other.shared - goal.shared);
      for (std::size_t car = 0; car < x.cars.size(); ++car)
        x.cars[car] += weights[i] * (other.cars[car] - goal.cars[car]);
    }
    return x;
  }

 private:
  static constexpr std::size_t kRoundsKept = 5;
  static constexpr double kWeightAtMost = 10.0;  // beyond, the moves were too much alike
  struct Round {
    Unknowns goal;
    Eigen::VectorXd move;  // of the shared unknowns, from where the round began to its goal
  };
  std::deque<Round> rounds_;
};

void describe_points(const PointSet& set, const FitProblem& problem,
                     const LinearPosterior& posterior, const LinearPosterior::Mode& mode,
                     FitResult& result) {
  const double d = result.discrepancy_Pa;
  const std::vector<LinearPosterior::RowView> views = posterior.row_views(d, mode);
  std::vector<std::size_t> refit;
  for (std::size_t i = 0; i < views.size(); ++i) {
    FittedPoint& point = result.points[i];
    const LinearPosterior::RowView& view = views[i];
    point.after = problem.rows[i].measured - view.residual;
    point.deviations = view.deviations;
    point.weight = view.weight;
    point.leverage = view.leverage;
    point.outlier = std::fabs(view.deviations) > kOutlierDeviations;
    point.leave_out = problem.rows[i].measured - view.leave_out_residual;
    if (point.outlier || view.leverage > kLeverageToRefit) refit.push_back(i);
  }
  if (refit.size() > kRefitsAtMost) refit.resize(kRefitsAtMost);
  for (const std::size_t i : refit) {
    const LinearPosterior::Mode without = posterior.mode(d, mode.at, i);
    // The model itself at the unknowns of that fit, for this engine alone.
    PointSet one;
    one.engines = {set.engines[set.points[i].engine]};
    one.points = {set.points[i]};
    one.points[0].engine = 0;
    one.engines[0].car = 0;
    const Row& row = problem.rows[i];
    Predictions alone(one, 1);
    if (!alone.evaluate(problem.coefficients(without.at.shared),
                        {without.at.cars[row.car].head(problem.latents[row.car])}))
      continue;
    double predicted = alone.value(0);
    if (row.offset >= 0) predicted += row.offset_sd * without.at.shared[row.offset];
    if (row.car_part >= 0)
      predicted += row.per_car_part(d) * without.at.cars[row.car][row.car_part];
    result.points[i].leave_out = predicted;
    result.points[i].refitted = true;
  }
  for (std::size_t i = 0; i < views.size(); ++i) {
    // What the fit without the row leaves open, normal, and the row's own Student's t. The law does
    // not mind that its numbers are here in the point's unit.
    std::vector<Predictive::Part> law;
    for (const DiscrepancyPart& part :
         discrepancy_parts({.nodes = {{problem.rows[i].scale(d), 1.0}}})) {
      law.push_back({part.weight, result.points[i].leave_out,
                     std::hypot(views[i].leave_out_sd, std::sqrt(part.variance_Pa2))});
    }
    const Predictive predictive(std::move(law));
    result.points[i].leave_out_low = predictive.quantile_Pa(0.1);
    result.points[i].leave_out_high = predictive.quantile_Pa(0.9);
  }
}

}  // namespace

FitResult fit(const PointSet& set, const CoefficientKnowledge& prior, const FitOptions& options) {
  FitResult result;
  const FitProblem problem(set, prior);
  Predictions predictions(set, options.threads);
  Search search(problem, predictions, options);
  Unknowns x = problem.start();
  result.points.resize(set.points.size());
  if (!search.evaluate(x)) {
    result.status = FitStatus::engine_without_idle;
    result.reason = "the model finds no idle for an engine whose idle was measured";
    for (const std::size_t e : predictions.failed()) {
      result.engines.push_back(e);
      result.engine_reasons.push_back(predictions.reason(e));
    }
    return result;
  }
  for (std::size_t i = 0; i < set.points.size(); ++i)
    result.points[i].before = predictions.value(i);

  // With the model as linear and all else exact, Student's t and the scale of the discrepancy
  // included: each round costs one evaluation, or a few where the model is not that straight, and
  // takes a Newton step, where Ceres, which knows Student's t by its weights, would creep. Ceres
  // steps in where a round does not gain.
  const auto posterior_here = [&] {
    return LinearPosterior(problem, x, linear_rows(problem, predictions), options.threads);
  };
  const auto search_on = [&](double d, int steps_at_most) {
    const MinimiseResult found = search.minimise_at(d, steps_at_most, x);
    if (found.usable && search.evaluate(x)) return true;
    result.reason = "the search for the coefficients failed: " + found.message;
    result.evaluations = search.evaluations();
    return false;
  };
  search.use(Predictions::Accuracy::rough);
  if (!search.evaluate(x)) {
    search.use(Predictions::Accuracy::usual);
    search.evaluate(x);
  }
  std::optional<LinearPosterior> posterior(posterior_here());
  DiscrepancyPosterior over = discrepancy_posterior(*posterior, x);
  double d = over.best_Pa;
  bool settled = false;
  Extrapolation rough_rounds;
  for (int round = 0; round < kRoundsAtMost && !settled; ++round) {
    const double cost = posterior->cost(d, x);
    const Unknowns before = x;
    const Unknowns goal = posterior->mode(d, x).at;
    const auto gains = [&](const Unknowns& there) {
      x = search.within_bounds(there);
      if (!search.evaluate(x)) return false;
      posterior.emplace(posterior_here());
      // A move too small to matter may rise by what the solves are good for.
      return posterior->cost(d, x) <= cost || largest_move(before, x) < kNegligibleMove;
    };
    bool gained = gains(rough_rounds.next(before, goal));
    for (double share = 1.0; share >= kShortestShare && !gained; share *= 0.5)
      gained = gains(between(before, goal, share));
    if (!gained) {
      x = before;
      search.use(Predictions::Accuracy::usual);
      if (!search.evaluate(x) || !search_on(d, kStepsOnFailure)) return result;
      posterior.emplace(posterior_here());
    }
    over = discrepancy_posterior(*posterior, x);
    settled = std::fabs(std::log(over.best_Pa / d)) < kSettledDiscrepancy &&
              largest_move(before, x) < kSettledShared;
    d = over.best_Pa;
  }
  if (!settled) {
    result.evaluations = search.evaluations();
    result.reason = "the coefficients do not settle";
    return result;
  }
  // The last digits: on usual slopes, good to three of them, the mode would be some thousandths of
  // a deviation off, and rough values shift it by more.
  search.use(Predictions::Accuracy::fine);
  bool ended = false;
  Extrapolation last_rounds;
  for (int round = 0; round < kLastRoundsAtMost && !ended; ++round) {
    if (!search.evaluate(x)) break;
    posterior.emplace(posterior_here());
    if (round == 0) d = discrepancy_posterior(*posterior, x).best_Pa;
    const double cost = posterior->cost(d, x);
    const Unknowns goal = search.within_bounds(posterior->mode(d, x).at);
    // Many points leave rounds that creep where they hardly inform a coefficient.
    ended = largest_move(x, goal) < kSettledLast ||
            (round >= kLastRoundsWanted && cost - posterior->cost(d, goal) < kNegligibleGain);
    x = ended ? goal : search.within_bounds(last_rounds.next(x, goal));
  }
  if (!ended) {
    if (!search_on(d, kStepsOnFailure)) return result;
    posterior.emplace(posterior_here());
  }
  result.evaluations = search.evaluations();
  over = discrepancy_posterior(*posterior, x);
  constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
  result.discrepancy_Pa = d;
  result.posterior.discrepancy = over.discrepancy;
  result.posterior.mean = problem.coefficients(over.shared_mean);
  result.posterior.covariance = problem.prior_sd.asDiagonal() *
                                over.shared_covariance.topLeftCorner(kCoefficients, kCoefficients) *
                                problem.prior_sd.asDiagonal();
  // Symmetric to the last bit, which rounding does not see to.
  result.posterior.covariance.triangularView<Eigen::StrictlyUpper>() =
      result.posterior.covariance.transpose().eval();
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    double& c = coefficient_ref(result.posterior.mean, k);
    c = std::clamp(c, kCoefficientInfo[k].lower, kCoefficientInfo[k].upper);
  }
  const LinearPosterior::Mode mode = posterior->mode(d, x);
  result.mode = problem.coefficients(x.shared);
  result.cost = posterior->cost(d, x);
  for (std::size_t g = 0; g < set.offsets.size(); ++g) {
    result.offsets.push_back(set.offsets[g].sd *
                             x.shared[kCoefficients + static_cast<Eigen::Index>(g)]);
  }
  describe_points(set, problem, *posterior, mode, result);
  result.status = FitStatus::ok;
  return result;
}

}  // namespace idlefit
