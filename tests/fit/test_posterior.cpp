#include "fit/posterior.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstddef>
#include <iomanip>
#include <memory>
#include <sstream>
#include <utility>
#include <vector>

#include "fit/fit.h"
#include "model/idle.h"
#include "tests/support/fit_sets.h"

// The posterior by Laplace's method, and over nodes of the discrepancy, beside the same density
// walked by a Markov chain (Metropolis), which knows nothing of modes and Hessians.

namespace idlefit::test {
namespace {

constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);

struct SmallSet {
  DrawnSet drawn;
  std::unique_ptr<FitProblem> problem;  // LinearPosterior refers to it
  Unknowns at;
  LinearPosterior linear;
  DiscrepancyPosterior laplace;
};

SmallSet small_set(unsigned seed) {
  Random random(seed);
  // 4 to 12 readings; a car with two of them in every other set.
  std::vector<int> readings(2 + 2 * seed, 1);
  if (seed % 2 == 0) readings[0] = 2;
  DrawnSet drawn = draw_set(random, draw_coefficients(random), 700.0 * seed, 700.0, readings);
  const CoefficientKnowledge prior = prior_knowledge();
  auto problem = std::make_unique<FitProblem>(drawn.set, prior);
  const FitResult result = fit(drawn.set, prior, {.threads = 2});
  INFO(result.reason);
  REQUIRE(result.status == FitStatus::ok);
  Unknowns at = problem->start();
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const auto i = static_cast<Eigen::Index>(k);
    at.shared[i] = (coefficient_value(result.mode, k) - coefficient_value(prior.mean, k)) /
                   problem->prior_sd[i];
  }
  std::vector<LinearRow> rows;
  {
    Predictions predictions(drawn.set, 2);
    std::vector<Eigen::VectorXd> no_latents(problem->latents.size(), Eigen::VectorXd(0));
    REQUIRE(predictions.evaluate(problem->coefficients(at.shared), no_latents));
    rows = linear_rows(*problem, predictions);
  }
  const LinearPosterior linear(*problem, at, rows, 1);
  const DiscrepancyPosterior laplace = discrepancy_posterior(linear, at);
  return {std::move(drawn), std::move(problem), at, linear, laplace};
}

struct State {
  Unknowns x;
  double log_d = 0;
};

// Walks exp(-cost) over unknowns and discrepancy (per Pa: the cost holds its prior's density), from
// the mode; `visit` sees every state after the first tenth.
template <class Visit>
double walk(const LinearPosterior& posterior, const DiscrepancyPosterior& laplace, State state,
            int steps, Random& random, const Visit& visit) {
  const Eigen::MatrixXd root = laplace.shared_covariance.llt().matrixL();
  Eigen::Index size = root.rows() + 1;
  for (const Eigen::VectorXd& car : state.x.cars) size += car.size();
  const double length = 2.38 / std::sqrt(static_cast<double>(size));  // Roberts et al. 1997, memory
  const auto minus_log = [&](const State& s) {
    return posterior.cost(std::exp(s.log_d), s.x) - s.log_d;  // the walk is in the logarithm
  };
  double now = minus_log(state);
  int taken = 0;
  Eigen::VectorXd z(root.rows());
  for (int i = 0; i < steps; ++i) {
    State next = state;
    for (Eigen::Index k = 0; k < z.size(); ++k) z[k] = random.normal();
    next.x.shared.noalias() += root * (length * z);
    for (Eigen::VectorXd& car : next.x.cars) {
      for (Eigen::Index j = 0; j < car.size(); ++j) car[j] += length * random.normal();
    }
    next.log_d += length * 0.6 * random.normal();
    const double then = minus_log(next);
    if (std::log(random.uniform()) < now - then) {
      state = std::move(next);
      now = then;
      ++taken;
    }
    if (i >= steps / 10) visit(state);
  }
  return static_cast<double>(taken) / steps;
}

struct Moments {
  Eigen::VectorXd sum = Eigen::VectorXd::Zero(kCoefficients), squares = sum;
  double weights = 0, weight_squares = 0;

  void add(const Eigen::VectorXd& x, double weight = 1.0) {
    sum += weight * x.head(kCoefficients);
    squares += weight * x.head(kCoefficients).cwiseAbs2();
    weights += weight;
    weight_squares += weight * weight;
  }
  Eigen::VectorXd mean() const { return sum / weights; }
  Eigen::VectorXd sd() const { return (squares / weights - mean().cwiseAbs2()).cwiseSqrt(); }
  double effective() const { return weights * weights / weight_squares; }
};

// Furthest means apart, in the chain's deviations, and furthest ratio of deviations from 1.
void compare(const DiscrepancyPosterior& laplace, const Moments& chain, double& mean_apart,
             double& sd_apart, std::ostream& report) {
  const Eigen::VectorXd sd = laplace.shared_covariance.diagonal().head(kCoefficients).cwiseSqrt();
  const Eigen::VectorXd mean = laplace.shared_mean.head(kCoefficients);
  Eigen::Index mean_at = 0, sd_at = 0;
  mean_apart = ((mean - chain.mean()).cwiseAbs().cwiseQuotient(chain.sd())).maxCoeff(&mean_at);
  sd_apart = (sd.cwiseQuotient(chain.sd()).array() - 1.0).abs().maxCoeff(&sd_at);
  report << "means apart by at most " << mean_apart << " deviations ("
         << kCoefficientInfo[static_cast<std::size_t>(mean_at)].name << "), deviations by "
         << 100.0 * sd_apart << " % (" << kCoefficientInfo[static_cast<std::size_t>(sd_at)].name
         << ": " << sd[sd_at] << " for " << chain.sd()[sd_at] << " of the prior's)";
}

}  // namespace

TEST_CASE("Laplace's posterior beside a Markov chain", "[consistency][heavy]") {
  // 300,000 steps in some 20 dimensions are worth some 3,000 independent draws: means to 0.02
  // deviations, deviations to 1.3 %.
  std::ostringstream report;
  report << std::setprecision(2);
  for (unsigned seed = 1; seed <= 5; ++seed) {
    const SmallSet set = small_set(seed);
    Random random(100 + seed);
    Moments chain;
    double log_d = 0, square = 0;
    const double taken = walk(set.linear, set.laplace, {set.at, std::log(set.laplace.best_Pa)},
                              300000, random, [&](const State& s) {
                                chain.add(s.x.shared);
                                log_d += s.log_d;
                                square += s.log_d * s.log_d;
                              });
    double mean_apart = 0, sd_apart = 0;
    report << "\n  " << set.drawn.set.points.size() << " readings: ";
    compare(set.laplace, chain, mean_apart, sd_apart, report);
    log_d /= chain.weights;
    double nodes = 0;
    for (const Discrepancy::Node& node : set.laplace.discrepancy.nodes)
      nodes += node.weight * std::log(node.scale_Pa);
    report << "; discrepancy " << std::setprecision(4) << std::exp(nodes) << " for "
           << std::exp(log_d) << " Pa (logarithm's deviation " << std::setprecision(2)
           << std::sqrt(square / chain.weights - log_d * log_d) << "); " << 100 * taken
           << " % of steps taken";
    INFO("set " << seed);
    CHECK(mean_apart < 0.25);
    CHECK(sd_apart < 0.15);
  }
  WARN("Laplace and chain on the linear model:" << report.str());
}

TEST_CASE("Laplace's posterior beside importance sampling of the full model",
          "[consistency][long]") {
  // Thinned states of the chain, weighed by what the full model says of them and the linear one
  // said; states out of the coefficients' bounds or without an idle weigh nothing.
  constexpr int kSteps = 600000, kEvery = 450;
  std::ostringstream report;
  report << std::setprecision(2);
  for (unsigned seed = 1; seed <= 5; ++seed) {
    const SmallSet set = small_set(seed);
    Random random(200 + seed);
    Moments full;
    int count = 0, out = 0;
    walk(set.linear, set.laplace, {set.at, std::log(set.laplace.best_Pa)}, kSteps, random,
         [&](const State& s) {
           if (count++ % kEvery != 0) return;
           const Coefficients<double> c = set.problem->coefficients(s.x.shared);
           bool possible = true;
           for (std::size_t k = 0; k < kCoefficientCount; ++k) {
             const double value = coefficient_value(c, k);
             possible = possible && value >= kCoefficientInfo[k].lower &&
                        value <= kCoefficientInfo[k].upper;
           }
           std::vector<LinearRow> rows(set.problem->rows.size());
           for (std::size_t i = 0; i < rows.size() && possible; ++i) {
             const Point& point = set.drawn.set.points[i];
             const SolveResult at = solve_idle(set.drawn.set.engines[point.engine].engine, c);
             possible = at.balanced;
             rows[i] = {at.point.map_Pa, Eigen::VectorXd::Zero(kCoefficients), Eigen::VectorXd(0)};
           }
           if (!possible) {
             ++out;
             return;
           }
           const double d = std::exp(s.log_d);
           const LinearPosterior here(*set.problem, s.x, rows, 1);
           full.add(s.x.shared, std::exp(set.linear.cost(d, s.x) - here.cost(d, s.x)));
         });
    double mean_apart = 0, sd_apart = 0;
    report << "\n  " << set.drawn.set.points.size() << " readings: ";
    compare(set.laplace, full, mean_apart, sd_apart, report);
    report << "; worth " << std::setprecision(4) << full.effective() << " draws, " << out
           << " out of bounds" << std::setprecision(2);
    INFO("set " << seed << ", worth " << full.effective() << " draws");
    REQUIRE(full.effective() > 100);
    // The limits asked for, and three times the sampling's own error of the furthest of them.
    CHECK(mean_apart < 0.25 + 3.0 / std::sqrt(full.effective()));
    CHECK(sd_apart < 0.15 + 3.0 / std::sqrt(2.0 * full.effective()));
  }
  WARN("Laplace and importance sampling of the full model:" << report.str());
}

}  // namespace idlefit::test
