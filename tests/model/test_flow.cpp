#include "model/flow.h"

#include <catch2/catch.hpp>
#include <utility>

#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

constexpr double kGammas[] = {1.29, 1.35, 1.37, 1.4};

TEST_CASE("Orifice function for gamma 1.4", "[flow][closed-form]") {
  // The equation worked by hand to five digits.
  constexpr std::pair<double, double> kTable[] = {{0.99, 0.14066}, {0.95, 0.30764},
                                                  {0.90, 0.42258}, {0.80, 0.56066},
                                                  {0.70, 0.63832}, {0.60, 0.67692}};
  const FlowFit fit(1.4);
  for (const auto& [ratio, expected] : kTable) {
    CAPTURE(ratio);
    CHECK(std::abs(flow_function(ratio, 1.4) - expected) <= 5.1e-6);
    CHECK(std::abs(fit.at(1.0 - ratio).psi - expected) <= 5.1e-6);
  }
  // Choked below 0.52828, at 0.68473.
  for (const double ratio : {0.52827, 0.3, 0.01}) {
    CHECK(std::abs(flow_function(ratio, 1.4) - 0.68473) <= 5.1e-6);
    CHECK(std::abs(fit.at(1.0 - ratio).psi - 0.68473) <= 5.1e-6);
    CHECK(fit.at(1.0 - ratio).slope == 0.0);
  }
  CHECK(fit.at(1.0 - 0.5284).slope > 0.0);
}

TEST_CASE("Mass flow follows the isentropic tables", "[flow][published]") {
  // NACA Report 1135, gamma 1.4: Mach number, p/p0 and A/A*. At one throat state the flow through
  // an area A at Mach M is the choked flow through A*, so Psi(p/p0) / Psi(choked) = A*/A.
  struct Row {
    double mach, pressure_ratio, area_ratio;
  };
  constexpr Row kRows[] = {{0.1, 0.9930, 5.8218}, {0.5, 0.8430, 1.3398}, {0.9, 0.5913, 1.0089}};
  const FlowFit fit(1.4);
  const double choked = fit.at(0.9).psi;
  for (const Row& row : kRows) {
    CAPTURE(row.mach);
    // The table's four digits of p/p0 are too few at M 0.1; its own relation gives the rest.
    const double ratio = std::pow(1.0 + 0.2 * row.mach * row.mach, -3.5);
    REQUIRE(std::abs(ratio - row.pressure_ratio) <= 5.1e-5);
    // Half of the last digit of A/A*.
    CHECK(std::abs(choked / fit.at(1.0 - ratio).psi - row.area_ratio) <= 5.1e-5);
    CHECK(std::abs(flow_function(0.0, 1.4) / flow_function(ratio, 1.4) - row.area_ratio) <= 5.1e-5);
  }
}

Side<double> air(double pressure_Pa, double temperature_K) {
  return {pressure_Pa, pressure_Pa / (kAirGasConstant_J_kgK * temperature_K)};
}

TEST_CASE("Choked air through one square centimetre", "[flow][closed-form]") {
  // 1e-4 m^2 * 101325 Pa / sqrt(287.05 * 288.15) * 0.68473 = 24.124 g/s, by hand.
  const FlowFit fit(1.4);
  const auto full = air(101325.0, 288.15), low = air(40000.0, 288.15);
  CHECK(std::abs(orifice_flow(full, low, 1e-4, 1e-4, fit, fit).flow - 24.124e-3) <= 5.1e-7);
  CHECK(std::abs(orifice_flow(low, full, 1e-4, 1e-4, fit, fit).flow + 24.124e-3) <= 5.1e-7);
}

TEST_CASE("The fit of the flow function is as good as it says", "[flow][closed-form]") {
  for (const double gamma : kGammas) {
    const FlowFit fit(gamma);
    double worst = 0.0;
    for (double drop = 1.0001 * kLaminarDrop; drop < 0.6; drop += 1.7e-4)
      worst = std::max(worst, std::abs(fit.at(drop).psi - flow_function(1.0 - drop, gamma)));
    CAPTURE(gamma);
    // 1e-8 is the accuracy stated beside the fit.
    CHECK(worst <= 1e-8);
  }
}

TEST_CASE("The laminar end of the flow function starts from zero and joins the root",
          "[flow][closed-form]") {
  for (const double gamma : kGammas) {
    const FlowFit fit(gamma);
    CHECK(fit.at(0.0).psi == 0.0);
    CHECK(fit.at(0.0).slope > 0.0);
    // Odd in the drop: linear to the third order near zero.
    CHECK(fit.at(1e-7).psi == Approx(1e-7 * fit.at(0.0).slope).epsilon(1e-6));
    // It never carries more than the ideal nozzle, and joins it with value, slope and curvature.
    for (const double share : {0.05, 0.3, 0.6, 0.9})
      CHECK(fit.at(share * kLaminarDrop).psi < flow_function(1.0 - share * kLaminarDrop, gamma));
    const FlowFit::Point below = fit.at(kLaminarDrop * (1 - 1e-9));
    const FlowFit::Point above = fit.at(kLaminarDrop * (1 + 1e-9));
    CHECK(below.psi == Approx(above.psi).epsilon(1e-8));
    CHECK(below.slope == Approx(above.slope).epsilon(1e-8));
    const double h = 1e-5 * kLaminarDrop;
    const double curvature_below =
        (fit.at(kLaminarDrop).slope - fit.at(kLaminarDrop - h).slope) / h;
    const double curvature_above =
        (fit.at(kLaminarDrop + h).slope - fit.at(kLaminarDrop).slope) / h;
    // One-sided differences over 1e-5 of the drop: some 1e-4 of the curvature.
    CHECK(curvature_below == Approx(curvature_above).epsilon(1e-3));
  }
}

TEST_CASE("The slope of the flow function is its derivative on both sides of its branches",
          "[flow][closed-form]") {
  for (const double gamma : kGammas) {
    const FlowFit fit(gamma);
    const double critical = 1.0 - std::pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0));
    const auto psi = [&](const auto& x) {
      const FlowFit::Point p = fit.at(value(x[0]));
      return along(x[0], p.psi, p.slope);
    };
    for (const double drop :
         {0.4 * kLaminarDrop, 1.5 * kLaminarDrop, 0.1, 0.3, 0.98 * critical, 1.02 * critical, 0.9})
      test::expect_derivatives_match<1>(psi, {drop});
    // At the choked end the slope falls to zero: compared absolutely, on a law of size 0.7. The fit
    // is good to 1e-8, its slope to some hundred times that.
    CHECK(std::abs(fit.at(critical - 1e-9).psi - fit.at(critical + 1e-9).psi) <= 2e-8);
    CHECK(std::abs(fit.at(critical - 1e-9).slope) <= 1e-5);
  }
}

// Flow between two gases of different density and gamma through areas that differ by direction.
// Arguments: pressures a and b, densities a and b, areas a->b and b->a.
template <class T>
OrificeFlow<T> two_gases(const std::array<T, 6>& x) {
  static const FlowFit fresh(1.37), burned(1.29);
  return orifice_flow(Side<T>{x[0], x[2]}, Side<T>{x[1], x[3]}, x[4], x[5], fresh, burned);
}
std::array<double, 6> two_gases_at(double pressure_b_over_a) {
  constexpr double pressure_a_Pa = 60e3;
  return {pressure_a_Pa, pressure_b_over_a * pressure_a_Pa, 0.55, 0.25, 1.1e-4, 0.9e-4};
}

TEST_CASE("Derivatives of an orifice's flow in every regime", "[flow][closed-form]") {
  const auto flow = [](const auto& x) { return two_gases(x).flow; };
  const auto weight = [](const auto& x) { return two_gases(x).weight_a; };
  for (const double ratio : {0.2, 0.7, 0.99, 1.01, 1.4, 4.0}) {
    CAPTURE(ratio);
    // A drop of 1 % is a root of small argument: steps of 1e-4 of the pressure, 1 % of the drop.
    test::expect_derivatives_match(flow, two_gases_at(ratio), 1e-7, 1e-4);
    test::expect_derivatives_match(weight, two_gases_at(ratio), 1e-7, 1e-4);
  }
  // Inside the laminar drop of 0.004 everything happens within 0.4 % of the pressure: steps of
  // 2e-5 of it, and with the sixth power of the drop in the weight a Richardson error of about
  // 1e-7.
  for (const double ratio : {0.9970, 0.9985, 0.9995, 1.0005, 1.0015, 1.0030}) {
    CAPTURE(ratio);
    test::expect_derivatives_match(flow, two_gases_at(ratio), 1e-6, 2e-5);
    test::expect_derivatives_match(weight, two_gases_at(ratio), 1e-6, 2e-5);
  }
}

TEST_CASE("An orifice's flow meets where its regime changes", "[flow][closed-form]") {
  const auto flow = [](const auto& x) { return two_gases(x).flow; };
  // Edge of the laminar part, both directions: p_b/p_a = 1 - 0.004 and 1/(1 - 0.004).
  for (const double edge : {1.0 - kLaminarDrop, 1.0 / (1.0 - kLaminarDrop)})
    test::expect_branches_meet<6>(flow, two_gases_at(edge * (1 - 1e-10)),
                                  two_gases_at(edge * (1 + 1e-10)), 1e-5);
  // Equality: the flow is zero, its slopes to the two pressures are not.
  using Dual = ceres::Jet<double, 6>;
  const auto dual_at = [](double ratio) {
    const std::array<double, 6> x = two_gases_at(ratio);
    std::array<Dual, 6> d;
    for (std::size_t i = 0; i < 6; ++i) d[i] = Dual(x[i], static_cast<int>(i));
    return two_gases(d);
  };
  const auto below = dual_at(1 - 1e-10), above = dual_at(1 + 1e-10);
  for (const int i : {0, 1}) {
    CHECK(below.flow.v[i] == Approx(above.flow.v[i]).epsilon(1e-6));
    CHECK(below.weight_a.v[i] == Approx(above.weight_a.v[i]).epsilon(1e-6));
  }
  CHECK(below.weight_a.a == Approx(0.5).margin(1e-6));
  CHECK(above.weight_a.a == Approx(0.5).margin(1e-6));
}

TEST_CASE("Flow runs downhill and is odd in the exchange of its sides", "[flow][closed-form]") {
  const FlowFit fresh(1.37), burned(1.29);
  for (double ratio = 0.3; ratio < 3.0; ratio *= 1.0007) {
    const auto x = two_gases_at(ratio);
    const Side<double> a{x[0], x[2]}, b{x[1], x[3]};
    const auto there = orifice_flow(a, b, x[4], x[5], fresh, burned);
    const auto back = orifice_flow(b, a, x[5], x[4], burned, fresh);
    if (std::abs(ratio - 1.0) > 1e-12) CHECK((there.flow > 0.0) == (ratio < 1.0));
    CHECK(back.flow == Approx(-there.flow).epsilon(1e-12).margin(1e-18));
    CHECK(back.weight_a == Approx(1.0 - there.weight_a).margin(1e-12));
    CHECK(there.weight_a >= 0.0);
    CHECK(there.weight_a <= 1.0);
  }
}

TEST_CASE("The linearisation for the time step matches the flow", "[flow][closed-form]") {
  using Dual = ceres::Jet<double, 6>;
  const auto linearised = [](double ratio) {
    const std::array<double, 6> x = two_gases_at(ratio);
    std::array<Dual, 6> d;
    for (std::size_t i = 0; i < 6; ++i) d[i] = Dual(x[i], static_cast<int>(i));
    return two_gases(d);
  };
  // Outside the laminar drop it is exact; choked flow knows nothing of the lower pressure.
  for (const double ratio : {0.2, 0.7, 0.99, 1.01, 1.4, 4.0}) {
    CAPTURE(ratio);
    const auto f = linearised(ratio);
    CHECK(f.per_pressure_a == Approx(f.flow.v[0]).epsilon(1e-12).margin(1e-20));
    CHECK(f.per_pressure_b == Approx(f.flow.v[1]).epsilon(1e-12).margin(1e-20));
  }
  // Inside it leaves the change of weights out: a stable step asks only for sign and size. Gases
  // whose density differs by more than two make the weights' share largest, under 60 % here.
  for (const double ratio : {0.9965, 0.998, 0.9999, 1.0001, 1.002, 1.0035}) {
    CAPTURE(ratio);
    const auto f = linearised(ratio);
    CHECK(f.per_pressure_a > 0.0);
    CHECK(f.per_pressure_b < 0.0);
    CHECK(f.per_pressure_a == Approx(f.flow.v[0]).epsilon(0.6));
    CHECK(f.per_pressure_b == Approx(f.flow.v[1]).epsilon(0.6));
  }
}

}  // namespace
}  // namespace idlefit
