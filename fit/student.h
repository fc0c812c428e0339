#pragma once

#include <cmath>

#include "model/knowledge.h"

namespace idlefit {

// Student's t with n = kStudentDegrees degrees of freedom as a cost, by the squared deviation t^2
// over the scale.

/// Negative logarithm of its density but for a constant: (n + 1) / 2 log(1 + t^2 / n).
inline double student_cost(double square) {
  return 0.5 * (kStudentDegrees + 1.0) * std::log1p(square / kStudentDegrees);
}
/// Weight w of t in reweighted least squares, where the cost's slope is w t: kStudentWeightMost at
/// t = 0, and near 0 for an outlier.
inline double student_weight(double square) {
  return (kStudentDegrees + 1.0) / (kStudentDegrees + square);
}
inline constexpr double kStudentWeightMost = (kStudentDegrees + 1.0) / kStudentDegrees;
/// Second derivative of the cost by t; below 0 for an outlier.
inline double student_curvature(double square) {
  return student_weight(square) * (kStudentDegrees - square) / (kStudentDegrees + square);
}

}  // namespace idlefit
