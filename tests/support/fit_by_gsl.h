#pragma once

#include <Eigen/Core>
#include <cstddef>

#include "fit/points.h"
#include "model/coefficients.h"

// The fit's own problem written down once more and handed to the GNU Scientific Library: its
// Levenberg-Marquardt method, from the prior means, with the solver's own slopes or with finite
// differences of the compiled model, at a scale of the discrepancy that is given.

namespace idlefit::test {

/// What GSL is told of a set of idle pressures besides the coefficients. All cars but these have
/// one reading and nothing unknown.
struct GslUnknowns {
  bool shared_car = false;  ///< car 0 has several readings, and so a part of its own
  bool unsure_car = false;  ///< car 1 has two unknown inputs, FitEngine::latents 0 and 1
  double offset_sd_Pa = 0;  ///< over 0 where points share offset 0
};

struct GslAnswer {
  Eigen::VectorXd x;  ///< coefficients in prior deviations, then offset, two inputs, car's part
  double half_square = 0;
  int evaluations = 0;  ///< times that all engines were solved
  bool ended = false;   ///< at a minimum by its own word, or where rounding ends the search
};
inline constexpr auto kGslOffset = static_cast<Eigen::Index>(kCoefficientCount);

GslAnswer fit_by_gsl(const PointSet& set, double discrepancy_Pa, const GslUnknowns& unknowns,
                     bool finite_differences, double step_tolerance, unsigned threads);

}  // namespace idlefit::test
