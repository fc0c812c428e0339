#pragma once

#include <ceres/jet.h>

#include <cmath>

namespace idlefit {

/// The value of a scalar, without its derivatives.
inline double value(double x) { return x; }
template <int N>
double value(const ceres::Jet<double, N>& x) {
  return x.a;
}

/// x^exponent for x > 0 with one call of pow, derivatives included.
inline double power(double x, double exponent) { return std::pow(x, exponent); }
template <int N>
ceres::Jet<double, N> power(const ceres::Jet<double, N>& x, double exponent) {
  const double y = std::pow(x.a, exponent);
  return ceres::Jet<double, N>(y, (exponent * y / x.a) * x.v);
}

/// A function of one variable from its value and slope there, both worked out in double.
inline double along(double, double f, double) { return f; }
template <int N>
ceres::Jet<double, N> along(const ceres::Jet<double, N>& x, double f, double slope) {
  return ceres::Jet<double, N>(f, slope * x.v);
}

/// The same derivatives with another value.
inline double with_value(double, double a) { return a; }
template <int N>
ceres::Jet<double, N> with_value(const ceres::Jet<double, N>& x, double a) {
  return ceres::Jet<double, N>(a, x.v);
}

/// Rises from 0 at t = 0 to 1 at t = 1 with two continuous derivatives; t in [0, 1].
template <class T>
T smooth_step(const T& t) {
  return t * t * t * (10.0 + t * (6.0 * t - 15.0));
}

/// Smooth absolute value, sqrt(x^2 + width^2).
template <class T, class U>
T smooth_abs(const T& x, const U& width) {
  using std::sqrt;
  return sqrt(x * x + width * width);
}

}  // namespace idlefit
