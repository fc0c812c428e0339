#include "model/dual.h"

#include <ceres/jet.h>

#include <array>
#include <catch2/catch.hpp>
#include <cmath>

#include "model/gas.h"
#include "model/heat.h"
#include "model/scalar.h"

namespace idlefit {
namespace {

// The dual number of Ceres, whose derivatives are in double, is what this one is held against: the
// same values to the last bits, and derivatives to what a float holds of them.
template <class Law>
void expect_same_as_jet(const Law& law, const std::array<double, 3>& x) {
  using Jet = ceres::Jet<double, 3>;
  std::array<Dual<3>, 3> own;
  std::array<Jet, 3> theirs;
  for (int i = 0; i < 3; ++i) {
    const auto at = static_cast<std::size_t>(i);
    own[at] = Dual<3>(x[at], i);
    theirs[at] = Jet(x[at], i);
  }
  const Dual<3> a = law(own);
  const Jet b = law(theirs);
  CHECK(a.a == Approx(b.a).epsilon(1e-14));
  for (int i = 0; i < 3; ++i) {
    INFO("derivative " << i);
    CHECK(std::fabs(static_cast<double>(a.v[i]) - b.v[i]) <= 1e-6 * b.v.lpNorm<Eigen::Infinity>());
  }
}

TEST_CASE("A dual number does what that of Ceres does", "[scalar][closed-form]") {
  const std::array<double, 3> x{1.7, 0.6, 2.3};
  expect_same_as_jet([](const auto& v) { return v[0] + v[1] - v[2]; }, x);
  expect_same_as_jet([](const auto& v) { return v[0] * v[1] / v[2]; }, x);
  expect_same_as_jet([](const auto& v) { return -v[0] + 2.0 - (3.0 - v[1]) * 0.5; }, x);
  expect_same_as_jet([](const auto& v) { return 2.0 / v[0] + v[1] / 4.0 + (1.0 + v[2]); }, x);
  expect_same_as_jet([](const auto& v) { return exp(v[0]) * log(v[1]) - sqrt(v[2]); }, x);
  expect_same_as_jet([](const auto& v) { return sin(v[0]) * cos(v[1]) + pow(v[2], v[0]); }, x);
  expect_same_as_jet([](const auto& v) { return power(v[0], -0.06) * power(v[1], 0.8); }, x);
  expect_same_as_jet(
      [](auto v) {
        v[0] += v[1];
        v[1] -= 0.25;
        v[2] *= v[0];
        v[0] /= v[1];
        v[1] *= 3.0;
        v[2] /= 7.0;
        v[0] -= v[2];
        v[2] += 1.0;
        return v[0] * v[1] * v[2];
      },
      x);
  // Laws of the cycle, at a cylinder's state.
  expect_same_as_jet([](const auto& v) { return hohenberg_gas_factor(v[0], v[1]); },
                     {9e5, 1400.0, 1.0});
  expect_same_as_jet([](const auto& v) { return specific_enthalpy(GasModel{}, v[0], v[1]); },
                     {900.0, 0.4, 1.0});
}

TEST_CASE("A dual number keeps its slopes under another value", "[scalar][closed-form]") {
  const Dual<9> x = 2.0 * Dual<9>(1.5, 8);
  CHECK(value(with_value(x, 3.5)) == 3.5);
  CHECK(with_value(x, 3.5).v[8] == 2.0F);
  CHECK(x.v.head<8>().isZero());
  CHECK(value(along(x, 9.0, 6.0)) == 9.0);
  CHECK(along(x, 9.0, 6.0).v[8] == 12.0F);
}

}  // namespace
}  // namespace idlefit
