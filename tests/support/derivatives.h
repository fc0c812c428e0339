#pragma once

#include <ceres/jet.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstddef>
#include <limits>

namespace idlefit::test {

/// Checks every first derivative of a law by dual numbers against central finite differences with
/// one Richardson extrapolation, D = (4 D(h/2) - D(h)) / 3, whose error is of order h^4.
///
/// `law` is callable with std::array<T, N> and returns T, for T = double and T = ceres::Jet.
/// `step` is the finite step relative to each |x| (absolute where x is 0): keep x farther than that
/// from any branch of the law, and call once on either side of each branch.
///
/// The tolerance is `relative` times the derivative, plus what rounding can do to a difference
/// quotient (64 ulp of the law over the step): a derivative that is wrong by more than that fails.
template <std::size_t N, class Law>
void expect_derivatives_match(const Law& law, const std::array<double, N>& x,
                              double relative = 1e-7, double step = 1e-3) {
  using Dual = ceres::Jet<double, static_cast<int>(N)>;
  std::array<Dual, N> x_dual;
  for (std::size_t i = 0; i < N; ++i) x_dual[i] = Dual(x[i], static_cast<int>(i));
  const Dual y_dual = law(x_dual);
  const double y = law(x);

  INFO("value by double " << y << ", by dual number " << y_dual.a);
  // Dual numbers divide by way of the reciprocal: some ulp, more where a law subtracts near-equals.
  CHECK(std::abs(y - y_dual.a) <= 1e-12 * std::abs(y));

  for (std::size_t i = 0; i < N; ++i) {
    const double h = step * (x[i] == 0.0 ? 1.0 : std::abs(x[i]));
    double largest = std::abs(y);
    const auto central = [&](double width) {
      std::array<double, N> above = x, below = x;
      above[i] += width;
      below[i] -= width;
      const double y_above = law(above), y_below = law(below);
      largest = std::max({largest, std::abs(y_above), std::abs(y_below)});
      return (y_above - y_below) / (above[i] - below[i]);
    };
    const double finite = (4.0 * central(h / 2.0) - central(h)) / 3.0;
    const double rounding = 64.0 * std::numeric_limits<double>::epsilon() * largest / h;
    const double dual = y_dual.v[static_cast<int>(i)];
    const double difference = std::abs(dual - finite);
    const double allowed = relative * std::abs(dual) + rounding;
    INFO("derivative to argument " << i << ": dual number " << dual << ", finite differences "
                                   << finite << ", apart by " << difference << ", allowed "
                                   << allowed);
    CHECK(difference <= allowed);  // false for NaN
  }
}

/// Checks that value and all slopes of a law meet where it changes branch: `below` and `above` are
/// two arguments a hair apart, one on each side. The tolerance is relative to the larger of the
/// two, and must cover how much a smooth law changes over that hair.
template <std::size_t N, class Law>
void expect_branches_meet(const Law& law, const std::array<double, N>& below,
                          const std::array<double, N>& above, double relative = 1e-6) {
  using Dual = ceres::Jet<double, static_cast<int>(N)>;
  std::array<Dual, N> below_dual, above_dual;
  for (std::size_t i = 0; i < N; ++i) {
    below_dual[i] = Dual(below[i], static_cast<int>(i));
    above_dual[i] = Dual(above[i], static_cast<int>(i));
  }
  const Dual y_below = law(below_dual), y_above = law(above_dual);
  const auto meet = [relative](double a, double b, double scale) {
    return std::abs(a - b) <= relative * std::max({std::abs(a), std::abs(b), scale});
  };
  INFO("value below " << y_below.a << ", above " << y_above.a);
  CHECK(meet(y_below.a, y_above.a, 0.0));
  for (std::size_t i = 0; i < N; ++i) {
    const int k = static_cast<int>(i);
    // A slope that passes through zero at the branch is compared on the scale value / argument.
    const double scale = below[i] == 0.0 ? 0.0 : 1e-3 * std::abs(y_below.a) / std::abs(below[i]);
    INFO("slope to argument " << i << " below " << y_below.v[k] << ", above " << y_above.v[k]);
    CHECK(meet(y_below.v[k], y_above.v[k], scale));
  }
}

}  // namespace idlefit::test
