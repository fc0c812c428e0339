#include "model/scalar.h"

#include <catch2/catch.hpp>

#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

TEST_CASE("Derivatives of the scalar helpers", "[scalar][closed-form]") {
  test::expect_derivatives_match<1>([](const auto& x) { return power(x[0], 0.77); }, {0.2});
  test::expect_derivatives_match<1>([](const auto& x) { return power(x[0], -0.06); }, {2e-4});
  for (const double t : {0.1, 0.5, 0.9})
    test::expect_derivatives_match<1>([](const auto& x) { return smooth_step(x[0]); }, {t});
  for (const double x : {-0.3, 0.01, 0.3})
    test::expect_derivatives_match<1>([](const auto& y) { return smooth_abs(y[0], 0.04); }, {x});
  // The smooth step leaves and arrives level, twice over: 10 t^3 - 15 t^4 + 6 t^5.
  using Dual = ceres::Jet<double, 1>;
  CHECK(smooth_step(0.0) == 0.0);
  CHECK(smooth_step(1.0) == Approx(1.0).epsilon(1e-14));
  CHECK(std::abs(smooth_step(Dual(0.0, 0)).v[0]) < 1e-14);
  CHECK(std::abs(smooth_step(Dual(1.0, 0)).v[0]) < 1e-13);
}

TEST_CASE("Derivatives carried from elsewhere", "[scalar][closed-form]") {
  // x^2 at 3 by its value and slope, composed with 2 t at t = 1.5: derivative 2 * 6 = 12.
  using Dual = ceres::Jet<double, 1>;
  const Dual x = 2.0 * Dual(1.5, 0);
  CHECK(along(x, 9.0, 6.0).a == 9.0);
  CHECK(along(x, 9.0, 6.0).v[0] == 12.0);
  CHECK(along(3.0, 9.0, 6.0) == 9.0);
  CHECK(with_value(x, 3.5).a == 3.5);
  CHECK(with_value(x, 3.5).v[0] == 2.0);
  CHECK(with_value(3.0, 3.5) == 3.5);
  CHECK(value(x) == 3.0);
  CHECK(value(3.0) == 3.0);
}

}  // namespace
}  // namespace idlefit
