#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>

#include <Eigen/Core>
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstddef>
#include <iomanip>
#include <memory>
#include <sstream>
#include <vector>

#include "fit/fit.h"
#include "model/batch.h"
#include "model/idle.h"
#include "tests/support/fit_sets.h"

// The fit's own problem written down once more and handed to the GNU Scientific Library: its
// Levenberg-Marquardt method, from the prior means, with the solver's own slopes and with finite
// differences of the compiled model.

namespace idlefit::test {
namespace {

constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
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

// Half the square of this is Student's cost in the deviations.
double student_root(double deviations) {
  constexpr double n = kStudentDegrees;
  return std::copysign(std::sqrt((n + 1.0) * std::log1p(deviations * deviations / n)), deviations);
}
double student_root_slope(double deviations) {
  constexpr double n = kStudentDegrees;
  const double root = student_root(deviations);
  if (std::fabs(deviations) < 1e-6) return std::sqrt((n + 1.0) / n);
  return (n + 1.0) * deviations / ((n + deviations * deviations) * root);
}

// Unknowns: coefficients in prior deviations, the offset, the second car's two inputs, the first
// car's own part. The library's finite step is relative to an unknown: all are counted from -10.
constexpr double kFrom = 10.0;
constexpr Eigen::Index kOffset = kCoefficients, kCompression = kOffset + 1, kSpark = kOffset + 2,
                       kCarPart = kOffset + 3, kUnknowns = kOffset + 4;

struct Problem {
  const PointSet& set;
  double discrepancy_Pa;
  mutable int evaluations = 0;

  // Residuals, and where asked for, their slopes by the solver's own gradient.
  bool evaluate(const Eigen::VectorXd& x, Eigen::VectorXd& r, Eigen::MatrixXd* slopes) const {
    Coefficients<double> c;
    for (std::size_t k = 0; k < kCoefficientCount; ++k)
      coefficient_ref(c, k) += kCoefficientInfo[k].prior_sd * x[static_cast<Eigen::Index>(k)];
    r.head(kUnknowns) = x;
    r[kCarPart] = student_root(x[kCarPart]);
    if (slopes != nullptr) {
      slopes->setZero();
      slopes->topRows(kUnknowns).setIdentity();
      (*slopes)(kCarPart, kCarPart) = student_root_slope(x[kCarPart]);
    }
    ++evaluations;
    std::vector<char> solved(set.points.size(), 0);
    for_each_index(set.points.size(), 2, [&](std::size_t i) {
      const Point& point = set.points[i];
      const std::size_t car = set.engines[point.engine].car;
      Engine engine = set.engines[point.engine].engine;
      if (car == 1) {
        engine.inputs.compression_ratio += kCompressionSd * x[kCompression];
        engine.inputs.spark_btdc_deg += kSparkSd_deg * x[kSpark];
      }
      // From the same cold start always, so that a difference is one of the model's.
      const SolveResult at = solve_idle(engine, c, {.gradient = slopes != nullptr});
      if (at.status != Status::ok) return;
      const double share = car == 0 ? 1.0 - kCarShare : 1.0;
      const double scale_Pa = std::hypot(point.sd, std::sqrt(share) * discrepancy_Pa);
      const double per_part_Pa = car == 0 ? std::sqrt(kCarShare) * discrepancy_Pa : 0.0;
      const double per_offset_Pa = point.offset ? kOffsetSd_Pa : 0.0;
      const double deviations =
          (point.value - at.point.map_Pa - per_part_Pa * x[kCarPart] - per_offset_Pa * x[kOffset]) /
          scale_Pa;
      const Eigen::Index row = kUnknowns + static_cast<Eigen::Index>(i);
      r[row] = student_root(deviations);
      if (slopes != nullptr) {
        const ParameterGradient& g = at.gradient->map_Pa;
        Eigen::VectorXd by_unknown(kUnknowns);
        for (std::size_t k = 0; k < kCoefficientCount; ++k) {
          by_unknown[static_cast<Eigen::Index>(k)] =
              kCoefficientInfo[k].prior_sd * g[static_cast<Eigen::Index>(kInputCount + k)];
        }
        by_unknown[kOffset] = per_offset_Pa;
        by_unknown[kCompression] =
            car == 1 ? kCompressionSd * g[static_cast<Eigen::Index>(Input::compression_ratio)] : 0;
        by_unknown[kSpark] =
            car == 1 ? kSparkSd_deg * g[static_cast<Eigen::Index>(Input::spark_btdc_deg)] : 0;
        by_unknown[kCarPart] = per_part_Pa;
        slopes->row(row) = -student_root_slope(deviations) / scale_Pa * by_unknown.transpose();
      }
      solved[i] = 1;
    });
    return std::all_of(solved.begin(), solved.end(), [](char s) { return s != 0; });
  }
};

Eigen::VectorXd unknowns(const gsl_vector* at) {
  Eigen::VectorXd x(kUnknowns);
  for (Eigen::Index k = 0; k < kUnknowns; ++k)
    x[k] = gsl_vector_get(at, static_cast<std::size_t>(k)) - kFrom;
  return x;
}
int residuals_for_gsl(const gsl_vector* at, void* data, gsl_vector* out) {
  Eigen::VectorXd r(static_cast<Eigen::Index>(out->size));
  if (!static_cast<const Problem*>(data)->evaluate(unknowns(at), r, nullptr)) return GSL_EDOM;
  for (std::size_t i = 0; i < out->size; ++i)
    gsl_vector_set(out, i, r[static_cast<Eigen::Index>(i)]);
  return GSL_SUCCESS;
}
int slopes_for_gsl(const gsl_vector* at, void* data, gsl_matrix* out) {
  Eigen::VectorXd r(static_cast<Eigen::Index>(out->size1));
  Eigen::MatrixXd slopes(r.size(), kUnknowns);
  if (!static_cast<const Problem*>(data)->evaluate(unknowns(at), r, &slopes)) return GSL_EDOM;
  for (std::size_t i = 0; i < out->size1; ++i) {
    for (std::size_t k = 0; k < out->size2; ++k) {
      gsl_matrix_set(out, i, k, slopes(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(k)));
    }
  }
  return GSL_SUCCESS;
}

struct Answer {
  Eigen::VectorXd x;
  double half_square = 0;
  int evaluations = 0;
};
Answer by_gsl(const PointSet& set, double discrepancy_Pa, bool finite_differences) {
  Problem problem{set, discrepancy_Pa};
  gsl_multifit_nlinear_fdf fdf{};
  fdf.f = residuals_for_gsl;
  fdf.df = finite_differences ? nullptr : slopes_for_gsl;
  fdf.n = static_cast<std::size_t>(kUnknowns) + set.points.size();
  fdf.p = static_cast<std::size_t>(kUnknowns);
  fdf.params = &problem;
  gsl_multifit_nlinear_parameters parameters = gsl_multifit_nlinear_default_parameters();
  parameters.h_df = 1e-5;  // of an unknown near 10: 1e-4 deviations, good to 1e-5 of a slope
  gsl_set_error_handler_off();
  const std::unique_ptr<gsl_multifit_nlinear_workspace, decltype(&gsl_multifit_nlinear_free)> work(
      gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &parameters, fdf.n, fdf.p),
      gsl_multifit_nlinear_free);
  const std::unique_ptr<gsl_vector, decltype(&gsl_vector_free)> start(gsl_vector_alloc(fdf.p),
                                                                      gsl_vector_free);
  gsl_vector_set_all(start.get(), kFrom);
  REQUIRE(gsl_multifit_nlinear_init(start.get(), &fdf, work.get()) == GSL_SUCCESS);
  int why = 0;
  const int status =
      gsl_multifit_nlinear_driver(60, 1e-7, 1e-9, 0.0, nullptr, nullptr, &why, work.get());
  INFO("GSL: " << gsl_strerror(status));
  // It says of itself where rounding ends a search; whether that was the minimum is checked below.
  CHECK((status == GSL_SUCCESS || status == GSL_ENOPROG));
  Answer answer{unknowns(work->x), 0, problem.evaluations};
  for (std::size_t i = 0; i < fdf.n; ++i)
    answer.half_square += 0.5 * std::pow(gsl_vector_get(work->f, i), 2);
  return answer;
}

}  // namespace

TEST_CASE("fit and GNU Scientific Library find the same coefficients", "[consistency]") {
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
  const Answer same_slopes = by_gsl(set, ours.discrepancy_Pa, false);
  const Answer differences = by_gsl(set, ours.discrepancy_Pa, true);

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
  // Aimed at: 1e-4 of the value. Not reached, for the reason below: 1.3e-4 with the same slopes and
  // 1.6e-4 with finite differences was measured.
  CHECK(worst <= 5e-4);
  // The solver's slopes are those of its steps and not of its answers to the last digit: they are
  // off by some 0.5 Pa in 1000 to 5000 per prior deviation. Over scales of 1700 Pa and fourteen
  // readings that shifts a mode by 0.5 / 1700 * sqrt(14) = 1e-3 deviations each way.
  CHECK(apart <= 5e-3);
  // Costs at a minimum are apart by half the square of that.
  CHECK(ours.cost == Approx(differences.half_square + constant).margin(1e-4).epsilon(0));
  CHECK(ours.cost == Approx(same_slopes.half_square + constant).margin(1e-4).epsilon(0));
  CHECK(ours.offsets.at(0) ==
        Approx(kOffsetSd_Pa * same_slopes.x[kOffset]).margin(5e-3 * kOffsetSd_Pa));
}

}  // namespace idlefit::test
