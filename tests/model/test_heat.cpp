#include "model/heat.h"

#include <catch2/catch.hpp>

#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

// Volume, pressure, temperature, mean piston speed.
template <class T>
T coefficient(const std::array<T, 4>& x) {
  return hohenberg_factor(x[0], x[3]) * hohenberg_gas_factor(x[1], x[2]);
}

TEST_CASE("Hohenberg's coefficient at a point", "[heat][closed-form]") {
  // SAE 790825: 129.8 V^-0.06 p^0.8 T^-0.4 (S + 1.4)^0.8 with m^3, bar, K, m/s, by hand for
  // 1e-4 m^3, 10 bar, 1500 K, 2.3 m/s: 217.5 W/(m^2 K); half of the last digit.
  CHECK(std::abs(coefficient(std::array<double, 4>{1e-4, 10e5, 1500.0, 2.3}) - 217.5) <= 0.05);
}

TEST_CASE("Hohenberg's coefficient has the published powers", "[heat][published]") {
  // SAE 790825: powers -0.06, 0.8 and -0.4 of volume, pressure and temperature, 0.8 of S + 1.4.
  const std::array<double, 4> x{2e-4, 6e5, 900.0, 2.6};
  const double base = coefficient(x);
  const auto doubled = [&](std::size_t i, double to) {
    auto y = x;
    y[i] = to;
    return std::log2(coefficient(y) / base);
  };
  CHECK(doubled(0, 4e-4) == Approx(-0.06).epsilon(1e-12));
  CHECK(doubled(1, 12e5) == Approx(0.8).epsilon(1e-12));
  CHECK(doubled(2, 1800.0) == Approx(-0.4).epsilon(1e-12));
  CHECK(doubled(3, 2.0 * (2.6 + 1.4) - 1.4) == Approx(0.8).epsilon(1e-12));
}

TEST_CASE("Derivatives of Hohenberg's coefficient", "[heat][closed-form]") {
  test::expect_derivatives_match<4>([](const auto& x) { return coefficient(x); },
                                    {2e-4, 6e5, 900.0, 2.6});
}

}  // namespace
}  // namespace idlefit
