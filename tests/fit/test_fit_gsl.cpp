#include <Eigen/Core>
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstddef>
#include <iomanip>
#include <sstream>
#include <vector>

#include "fit/fit.h"
#include "tests/support/fit_by_gsl.h"
#include "tests/support/fit_sets.h"

namespace idlefit::test {
namespace {

constexpr double kCompressionSd = 0.4, kSparkSd_deg = 3.0, kOffsetSd_Pa = 2000.0;

// Fourteen readings on thirteen cars: two on the first car; of the second the compression ratio and
// the spark are not known; six readings share a gauge.
PointSet fourteen_readings(Random& random) {
  std::vector<int> readings(13, 1);
  readings[0] = 2;
  PointSet set = draw_set(random, draw_coefficients(random), 1500.0, 800.0, readings).set;
  FitEngine& unsure = set.engines[2];
  unsure.latents = {0, 1};
  unsure.input_per_latent = Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(kInputCount), 2);
  unsure.input_per_latent(static_cast<Eigen::Index>(Input::compression_ratio), 0) = kCompressionSd;
  unsure.input_per_latent(static_cast<Eigen::Index>(Input::spark_btdc_deg), 1) = kSparkSd_deg;
  set.car_latents[1] = 2;
  set.offsets.push_back({.sd = kOffsetSd_Pa});
  for (std::size_t i = 8; i < 14; ++i) {
    set.points[i].offset = 0;
    set.points[i].value += 1500.0;
  }
  return set;
}

}  // namespace

TEST_CASE("fit and GNU Scientific Library find the same coefficients", "[consistency][heavy]") {
  Random random(20);
  const PointSet set = fourteen_readings(random);
  const FitResult ours = fit(set, prior_knowledge(), {.threads = 2});
  INFO(ours.reason);
  REQUIRE(ours.status == FitStatus::ok);
  // What the fit's cost has beside half the squares: the scales' logarithms, and the prior of the
  // discrepancy.
  double constant = 0.5 * std::pow(ours.discrepancy_Pa / kDiscrepancyPrior_Pa, 2);
  for (const Point& point : set.points) {
    const double share = set.engines[point.engine].car == 0 ? 1.0 - kCarShare : 1.0;
    constant += std::log(std::hypot(point.sd, std::sqrt(share) * ours.discrepancy_Pa));
  }
  const GslUnknowns unknowns{.shared_car = true, .unsure_car = true, .offset_sd_Pa = kOffsetSd_Pa};
  const GslAnswer same_slopes = fit_by_gsl(set, ours.discrepancy_Pa, unknowns, false, 1e-7, 2);
  const GslAnswer differences = fit_by_gsl(set, ours.discrepancy_Pa, unknowns, true, 1e-7, 2);
  // The library says of itself where rounding ends a search; whether that was the minimum is
  // checked below.
  REQUIRE(same_slopes.ended);
  REQUIRE(differences.ended);

  std::ostringstream report;
  report << std::setprecision(7);
  double worst = 0, worst_differences = 0, apart = 0;
  int informed = 0;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    const auto i = static_cast<Eigen::Index>(k);
    const double mine = coefficient_value(ours.mode, k);
    const double theirs = info.prior_mean + info.prior_sd * same_slopes.x[i];
    const double by_differences = info.prior_mean + info.prior_sd * differences.x[i];
    const double posterior_sd = std::sqrt(ours.posterior.covariance(i, i));
    INFO(info.name);
    // The library knows no bounds; here none is met.
    CHECK(theirs > info.lower);
    CHECK(theirs < info.upper);
    report << "\n  " << info.name << ": " << mine << ", " << theirs << ", " << by_differences
           << "; deviation over the prior's " << posterior_sd / info.prior_sd;
    apart = std::max(apart, std::fabs(mine - by_differences) / posterior_sd);
    if (posterior_sd >= 0.95 * info.prior_sd) continue;
    ++informed;
    worst = std::max(worst, std::fabs(mine / theirs - 1.0));
    worst_differences = std::max(worst_differences, std::fabs(mine / by_differences - 1.0));
  }
  WARN(informed << " informed coefficients, apart by at most " << worst
                << " of their value from GSL with the same slopes, by " << worst_differences
                << " with finite differences; all by at most " << apart
                << " posterior deviations with the latter. All engines solved " << ours.evaluations
                << " times by the fit, " << same_slopes.evaluations << " and "
                << differences.evaluations << " by GSL; cost " << std::setprecision(10) << ours.cost
                << ", " << same_slopes.half_square + constant << ", "
                << differences.half_square + constant << report.str());
  REQUIRE(informed >= 3);
  CHECK(worst <= 1e-4);
  CHECK(worst_differences <= 1e-4);
  // Costs at a minimum are apart by half the square of that.
  CHECK(ours.cost == Approx(differences.half_square + constant).margin(1e-4).epsilon(0));
  CHECK(ours.cost == Approx(same_slopes.half_square + constant).margin(1e-4).epsilon(0));
  CHECK(ours.offsets.at(0) ==
        Approx(kOffsetSd_Pa * same_slopes.x[kGslOffset]).margin(5e-3 * kOffsetSd_Pa));
}

}  // namespace idlefit::test
