#include "tests/support/fit_by_gsl.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <vector>

#include "model/batch.h"
#include "model/idle.h"
#include "model/knowledge.h"

namespace idlefit::test {
namespace {

// Two inputs of the engine stand behind the offset.
constexpr Eigen::Index kOffset = kGslOffset, kFirstInput = kOffset + 1, kCarPart = kFirstInput + 2;

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

// The library's finite step is relative to an unknown: all are counted from -10.
constexpr double kFrom = 10.0;

struct Problem {
  const PointSet& set;
  double discrepancy_Pa;
  GslUnknowns unknown;
  unsigned threads;
  Eigen::Index unknowns;
  mutable int evaluations = 0;

  // Residuals, and where asked for, their slopes by the solver's own gradient.
  bool evaluate(const Eigen::VectorXd& x, Eigen::VectorXd& r, Eigen::MatrixXd* slopes) const {
    Coefficients<double> c;
    for (std::size_t k = 0; k < kCoefficientCount; ++k)
      coefficient_ref(c, k) += kCoefficientInfo[k].prior_sd * x[static_cast<Eigen::Index>(k)];
    r.head(unknowns) = x;
    if (slopes != nullptr) {
      slopes->setZero();
      slopes->topRows(unknowns).setIdentity();
    }
    if (unknown.shared_car) {
      r[kCarPart] = student_root(x[kCarPart]);
      if (slopes != nullptr) (*slopes)(kCarPart, kCarPart) = student_root_slope(x[kCarPart]);
    }
    ++evaluations;
    std::vector<char> solved(set.points.size(), 0);
    for_each_index(set.points.size(), threads, [&](std::size_t i) {
      const Point& point = set.points[i];
      const FitEngine& fit_engine = set.engines[point.engine];
      const bool shared = unknown.shared_car && fit_engine.car == 0;
      const bool unsure = unknown.unsure_car && fit_engine.car == 1;
      Engine engine = fit_engine.engine;
      if (unsure) {
        const Eigen::VectorXd moved =
            fit_engine.input_per_latent * x.segment(kFirstInput, 2).eval();
        for (std::size_t k = 0; k < kInputCount; ++k)
          input_ref(engine.inputs, k) += moved[static_cast<Eigen::Index>(k)];
      }
      // From the same cold start always, so that a difference is one of the model's.
      const SolveResult at =
          solve_idle(engine, c, {.gradient = slopes != nullptr, .settled = true});
      if (at.status != Status::ok) return;
      const double share = shared ? 1.0 - kCarShare : 1.0;
      const double scale_Pa = std::hypot(point.sd, std::sqrt(share) * discrepancy_Pa);
      const double per_part_Pa = shared ? std::sqrt(kCarShare) * discrepancy_Pa : 0.0;
      double left_Pa = point.value - at.point.map_Pa;
      if (point.offset) left_Pa -= unknown.offset_sd_Pa * x[kOffset];
      if (shared) left_Pa -= per_part_Pa * x[kCarPart];
      const double deviations = left_Pa / scale_Pa;
      const Eigen::Index row = unknowns + static_cast<Eigen::Index>(i);
      r[row] = student_root(deviations);
      if (slopes != nullptr) {
        const ParameterGradient& g = at.gradient->map_Pa;
        Eigen::VectorXd by_unknown = Eigen::VectorXd::Zero(unknowns);
        for (std::size_t k = 0; k < kCoefficientCount; ++k) {
          by_unknown[static_cast<Eigen::Index>(k)] =
              kCoefficientInfo[k].prior_sd * g[static_cast<Eigen::Index>(kInputCount + k)];
        }
        if (point.offset) by_unknown[kOffset] = unknown.offset_sd_Pa;
        if (unsure) {
          by_unknown.segment(kFirstInput, 2) = fit_engine.input_per_latent.transpose() *
                                               g.head<static_cast<Eigen::Index>(kInputCount)>();
        }
        if (shared) by_unknown[kCarPart] = per_part_Pa;
        slopes->row(row) = -student_root_slope(deviations) / scale_Pa * by_unknown.transpose();
      }
      solved[i] = 1;
    });
    return std::all_of(solved.begin(), solved.end(), [](char s) { return s != 0; });
  }
};

Eigen::VectorXd unknowns_of(const gsl_vector* at) {
  Eigen::VectorXd x(static_cast<Eigen::Index>(at->size));
  for (Eigen::Index k = 0; k < x.size(); ++k)
    x[k] = gsl_vector_get(at, static_cast<std::size_t>(k)) - kFrom;
  return x;
}
int residuals_for_gsl(const gsl_vector* at, void* data, gsl_vector* out) {
  Eigen::VectorXd r(static_cast<Eigen::Index>(out->size));
  if (!static_cast<const Problem*>(data)->evaluate(unknowns_of(at), r, nullptr)) return GSL_EDOM;
  for (std::size_t i = 0; i < out->size; ++i)
    gsl_vector_set(out, i, r[static_cast<Eigen::Index>(i)]);
  return GSL_SUCCESS;
}
int slopes_for_gsl(const gsl_vector* at, void* data, gsl_matrix* out) {
  Eigen::VectorXd r(static_cast<Eigen::Index>(out->size1));
  Eigen::MatrixXd slopes(r.size(), static_cast<Eigen::Index>(out->size2));
  if (!static_cast<const Problem*>(data)->evaluate(unknowns_of(at), r, &slopes)) return GSL_EDOM;
  for (std::size_t i = 0; i < out->size1; ++i) {
    for (std::size_t k = 0; k < out->size2; ++k) {
      gsl_matrix_set(out, i, k, slopes(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(k)));
    }
  }
  return GSL_SUCCESS;
}

}  // namespace

GslAnswer fit_by_gsl(const PointSet& set, double discrepancy_Pa, const GslUnknowns& unknowns,
                     bool finite_differences, double step_tolerance, unsigned threads) {
  const bool more = unknowns.shared_car || unknowns.unsure_car || unknowns.offset_sd_Pa > 0;
  Problem problem{set, discrepancy_Pa, unknowns, threads, more ? kCarPart + 1 : kOffset};
  gsl_multifit_nlinear_fdf fdf{};
  fdf.f = residuals_for_gsl;
  fdf.df = finite_differences ? nullptr : slopes_for_gsl;
  fdf.n = static_cast<std::size_t>(problem.unknowns) + set.points.size();
  fdf.p = static_cast<std::size_t>(problem.unknowns);
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
  GslAnswer answer;
  if (gsl_multifit_nlinear_init(start.get(), &fdf, work.get()) != GSL_SUCCESS) return answer;
  int why = 0;
  const int status = gsl_multifit_nlinear_driver(60, step_tolerance, 1e-9, 0.0, nullptr, nullptr,
                                                 &why, work.get());
  answer.ended = status == GSL_SUCCESS || status == GSL_ENOPROG;
  answer.x = unknowns_of(work->x);
  answer.evaluations = problem.evaluations;
  for (std::size_t i = 0; i < fdf.n; ++i)
    answer.half_square += 0.5 * std::pow(gsl_vector_get(work->f, i), 2);
  return answer;
}

}  // namespace idlefit::test
