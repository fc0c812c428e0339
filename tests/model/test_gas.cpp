#include "model/gas.h"

#include <catch2/catch.hpp>

#include "model/constants.h"
#include "tests/reference/gas_polynomials.h"
#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

const GasModel kGas;

TEST_CASE("Published polynomials meet tabled heat capacities", "[reference][published]") {
  // JANAF tables at 298.15 K, J/(mol K) (from memory): a slip in a coefficient would show.
  CHECK(reference::kN2.cp_J_molK(298.15) == Approx(29.12).epsilon(2e-3));
  CHECK(reference::kO2.cp_J_molK(298.15) == Approx(29.38).epsilon(2e-3));
  CHECK(reference::kCO2.cp_J_molK(298.15) == Approx(37.13).epsilon(2e-3));
  CHECK(reference::kH2O.cp_J_molK(298.15) == Approx(33.59).epsilon(2e-3));
  // The two ranges meet at 1000 K.
  for (const auto& s : {reference::kN2, reference::kO2, reference::kCO2, reference::kH2O})
    CHECK(s.cp_J_molK(999.999) == Approx(s.cp_J_molK(1000.0)).epsilon(1e-3));
}

TEST_CASE("A species' heat capacity is its polynomial", "[gas][closed-form]") {
  // 600 + 0.5 T - 5e-5 T^2 at 400 K: 600 + 200 - 8, by hand.
  const Species invented{300.0, 600.0, 0.5, -5e-5};
  CHECK(invented.cv(400.0) == Approx(792.0).epsilon(1e-14));
}

TEST_CASE("Heat capacities against the NASA polynomials", "[gas][published]") {
  // Within 1 %, which is what stands beside the fit. The vapour makes 10 to 20 % of the charge's
  // heat capacity; isooctane in place of gasoline moves it by 0.6 % at 500 K, 1.2 % at 1000 K.
  for (double temperature_K = 300.0; temperature_K <= 1000.0; temperature_K += 50.0) {
    CAPTURE(temperature_K);
    const auto published = reference::stoichiometric_charge(temperature_K);
    CHECK(kGas.fresh.cv(temperature_K) == Approx(published.cv_J_kgK).epsilon(0.01));
  }
  for (double temperature_K = 300.0; temperature_K <= 2500.0; temperature_K += 100.0) {
    CAPTURE(temperature_K);
    const auto published = reference::stoichiometric_products(temperature_K);
    CHECK(kGas.burned.cv(temperature_K) == Approx(published.cv_J_kgK).epsilon(0.01));
  }
}

TEST_CASE("Gas constants against composition", "[gas][published]") {
  // Universal gas constant over the molar mass of stoichiometric charge and of its products; 1 %
  // for the make-up of gasoline (molar mass 100 to 115) and for argon counted as nitrogen.
  CHECK(kGas.fresh.gas_constant ==
        Approx(reference::stoichiometric_charge(300.0).gas_constant_J_kgK).epsilon(0.01));
  CHECK(kGas.burned.gas_constant ==
        Approx(reference::stoichiometric_products(300.0).gas_constant_J_kgK).epsilon(0.01));
}

TEST_CASE("The flow function's gammas belong to their gases", "[gas][consistency]") {
  // gamma = 1 + R/c_v, at 350 to 500 K in the runner and 800 to 1200 K in cylinder and exhaust port
  // while they exchange gas. 0.025 of gamma is 0.7 % of the choked flow.
  for (const double temperature_K : {350.0, 425.0, 500.0})
    CHECK(1.0 + kGas.fresh.gas_constant / kGas.fresh.cv(temperature_K) ==
          Approx(kGas.fresh_gamma).margin(0.025).epsilon(0));
  for (const double temperature_K : {800.0, 1000.0, 1200.0})
    CHECK(1.0 + kGas.burned.gas_constant / kGas.burned.cv(temperature_K) ==
          Approx(kGas.burned_gamma).margin(0.025).epsilon(0));
}

TEST_CASE("Energy and enthalpy belong together", "[gas][closed-form]") {
  CHECK(std::abs(specific_energy(kGas.fresh, kReference_K)) < 1e-9);
  CHECK(std::abs(specific_energy(kGas.burned, kReference_K)) < 1e-9);
  for (const double temperature_K : {250.0, 300.0, 600.0, 1200.0, 2600.0}) {
    CAPTURE(temperature_K);
    using Dual = ceres::Jet<double, 1>;
    for (const Species& s : {kGas.fresh, kGas.burned})  // du/dT = c_v
      CHECK(specific_energy(s, Dual(temperature_K, 0)).v[0] ==
            Approx(s.cv(temperature_K)).epsilon(1e-13));
    for (const double burned : {0.0, 0.4, 1.0}) {
      const double energy = (1.0 - burned) * specific_energy(kGas.fresh, temperature_K) +
                            burned * specific_energy(kGas.burned, temperature_K);
      CHECK(specific_enthalpy(kGas, temperature_K, burned) - energy ==
            Approx(gas_constant(kGas, burned) * temperature_K).epsilon(1e-12));
    }
  }
}

TEST_CASE("State and content are inverse", "[gas][closed-form]") {
  constexpr double mass_kg = 3e-4, volume_m3 = 2.5e-4;
  for (const double temperature_K : {310.0, 420.0, 800.0, 1500.0, 2600.0})
    for (const double burned : {0.0, 0.35, 1.0})
      for (const double off : {-0.03, -0.01, 0.0, 0.01, 0.03}) {
        CAPTURE(temperature_K, burned, off);
        const auto c = content(kGas, mass_kg, temperature_K, burned);
        const auto s = gas_state(kGas, c, volume_m3, temperature_K * (1.0 + off));
        // Newton's remainder: e1 = k e0^2, e2 = k e1^2 with k = T c_v' / (2 c_v) up to 0.2, so that
        // two steps from 3 % away leave 6.5e-9.
        CHECK(s.temperature_K == Approx(temperature_K).epsilon(7e-9));
        CHECK(s.pressure_Pa * volume_m3 ==
              Approx(mass_kg * gas_constant(kGas, burned) * temperature_K).epsilon(7e-9));
        CHECK(s.heat_capacity == Approx(mass_kg * ((1.0 - burned) * kGas.fresh.cv(temperature_K) +
                                                   burned * kGas.burned.cv(temperature_K)))
                                     .epsilon(7e-9));
        CHECK(s.gas_extent == Approx(mass_kg * gas_constant(kGas, burned)).epsilon(1e-13));
      }
}

TEST_CASE("Derivatives of the gas laws", "[gas][closed-form]") {
  test::expect_derivatives_match<1>([](const auto& x) { return kGas.burned.cv(x[0]); }, {1400.0});
  test::expect_derivatives_match<1>(
      [](const auto& x) { return specific_energy(kGas.burned, x[0]); }, {1400.0});
  test::expect_derivatives_match<2>(
      [](const auto& x) { return specific_enthalpy(kGas, x[0], x[1]); }, {600.0, 0.3});
  test::expect_derivatives_match<1>([](const auto& x) { return gas_constant(kGas, x[0]); }, {0.3});
  test::expect_derivatives_match<3>(
      [](const auto& x) { return content(kGas, x[0], x[1], x[2]).energy; }, {3e-4, 600.0, 0.3});
}

TEST_CASE("Derivatives of the gas state", "[gas][closed-form]") {
  // Mass, energy, burned mass and volume of a cylinder at 900 K, burned fraction 0.4.
  const auto c = content(kGas, 3e-4, 900.0, 0.4);
  const std::array<double, 4> x{c.mass, c.energy, c.burned, 2.5e-4};
  const auto at = [&](double guess_K, auto member, double relative) {
    test::expect_derivatives_match(
        [=](const auto& y) {
          using T = std::decay_t<decltype(y[0])>;
          return member(gas_state(kGas, GasContent<T>{y[0], y[1], y[2]}, y[3], guess_K));
        },
        x, relative);
  };
  const auto all = [&](double guess_K, double relative) {
    at(
        guess_K, [](const auto& s) { return s.temperature_K; }, relative);
    at(
        guess_K, [](const auto& s) { return s.pressure_Pa; }, relative);
    at(
        guess_K, [](const auto& s) { return s.heat_capacity; }, relative);
    at(
        guess_K, [](const auto& s) { return s.gas_extent; }, relative);
  };
  // Exact by the implicit-function theorem, also from 3 % away; the finite differences see the two
  // Newton steps' 7e-9 over steps of 1e-3: hence 1e-5.
  all(900.0, 1e-7);
  all(927.0, 1e-5);
  all(873.0, 1e-5);
}

}  // namespace
}  // namespace idlefit
