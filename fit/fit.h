#pragma once

#include <cstddef>
#include <functional>
#include <string>
#include <vector>

#include "fit/points.h"
#include "model/knowledge.h"

namespace idlefit {

struct FitOptions {
  unsigned threads = 1;
  /// Told how many times all engines have been solved so far.
  std::function<void(int evaluations)> progress = {};
};

/// What a fit has to say of one point, in the point's unit.
struct FittedPoint {
  double before = 0;      ///< the model with the coefficients that the fit started from
  double after = 0;       ///< with the fitted ones, the car's own unknowns and the offset as fitted
  double deviations = 0;  ///< measured less that, over the scale of what the model leaves open
  double weight = 1;      ///< by which Student's t takes the point in; near 0 for an outlier
  double leave_out = 0;   ///< what a fit without this point predicts for it
  double leave_out_low = 0, leave_out_high = 0;  ///< 80 % interval of that prediction
  bool refitted = false;  ///< leave_out comes from a fit without it, not from its leverage
  bool outlier = false;
  double leverage = 0;  ///< share of the point in its own fitted value
};

enum class FitStatus { ok, engine_without_idle, not_converged };

struct FitResult {
  FitStatus status = FitStatus::not_converged;
  std::string reason;                ///< plain words, empty when status is ok
  std::vector<std::size_t> engines;  ///< those without an idle
  std::vector<std::string> engine_reasons;
  CoefficientKnowledge posterior;  ///< mean, covariance and discrepancy
  Coefficients<double> mode;       ///< most probable at discrepancy_Pa
  double discrepancy_Pa = 0;       ///< most probable scale
  std::vector<double> offsets;     ///< fitted, in their points' unit
  std::vector<FittedPoint> points;
  double cost = 0;      ///< at the mode: posterior.h's, but for its constant
  int evaluations = 0;  ///< times that all engines were solved
};

/// Fits the coefficients to points, from what is known of them before; of the discrepancy every fit
/// knows kDiscrepancyPrior_Pa and no more, whatever `prior` says of it. The likelihood and the way
/// to the answer: fit/posterior.h, docs/decisions/0005-fit.md. Never throws for valid points; an
/// engine without an idle or a search that does not end is a field of the result.
FitResult fit(const PointSet& set, const CoefficientKnowledge& prior, const FitOptions& options);

/// From this many deviations on a point is called an outlier.
inline constexpr double kOutlierDeviations = 3.0;

}  // namespace idlefit
