#include "model/burn.h"

#include <catch2/catch.hpp>
#include <utility>

#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

TEST_CASE("Wiebe progress", "[burn][closed-form]") {
  // 1 - exp(-5 t^3) turned round: 1/10/50/90 % at 0.126/0.276/0.5175/0.772 of the duration. The
  // tolerance is the steepest rate, 2.3 per duration, times half of the last digit.
  CHECK(std::abs(wiebe(0.126) - 0.01) <= 2.3 * 5e-4);
  CHECK(std::abs(wiebe(0.276) - 0.10) <= 2.3 * 5e-4);
  CHECK(std::abs(wiebe(0.5175) - 0.50) <= 2.3 * 5e-5);
  CHECK(std::abs(wiebe(0.772) - 0.90) <= 2.3 * 5e-4);
  CHECK(wiebe(0.0) == 0.0);
  CHECK(wiebe(1.0) == Approx(1.0 - std::exp(-5.0)));
  test::expect_derivatives_match<1>([](const auto& x) { return wiebe(x[0]); }, {0.3});
  test::expect_derivatives_match<1>([](const auto& x) { return wiebe(x[0]); }, {1.1});
}

double laminar_speed_m_s(double phi, double temperature_K, double pressure_Pa) {
  return LaminarSpeed::at_298K(phi) *
         std::pow(temperature_K / 298.0, LaminarSpeed::temperature_power(phi)) *
         std::pow(pressure_Pa / kStandardAtmosphere_Pa, LaminarSpeed::pressure_power(phi));
}

TEST_CASE("Laminar burning speed of gasoline", "[burn][closed-form]") {
  // The correlation of Metghalchi and Keck as tabled in Heywood (from memory), worked by hand. Our
  // rounding to stay above zero adds 0.04^2/(4 S) m/s to the speed S at 298 K: 0.5 % at phi 1,
  // 0.9 % at phi 0.8.
  struct Row {
    double phi, temperature_K, pressure_Pa, speed_m_s;
  };
  constexpr Row kRows[] = {{1.21, 298.0, 101325.0, 0.305},  {1.0, 298.0, 101325.0, 0.28079},
                           {0.8, 298.0, 101325.0, 0.21271}, {1.0, 650.0, 6e5, 1.15651},
                           {1.1, 700.0, 5e5, 1.43853},      {0.8, 600.0, 3e5, 0.87667}};
  for (const Row& row : kRows) {
    CAPTURE(row.phi, row.temperature_K);
    const double speed = laminar_speed_m_s(row.phi, row.temperature_K, row.pressure_Pa);
    CHECK(speed >= row.speed_m_s * (1.0 - 1e-4));
    CHECK(speed <= row.speed_m_s * 1.01);
  }
  // Above zero wherever a mixture may be asked for.
  for (double lambda = 0.4; lambda < 2.5; lambda += 0.05)
    CHECK(LaminarSpeed::at_298K(1.0 / lambda) > 0.0);
}

TEST_CASE("Dilution slows the flame as published", "[burn][published]") {
  // Rhodes and Keck (1985), read second-hand: 1 - 2.06 x^0.77, worked by hand at 0.05/0.10/0.20.
  constexpr std::pair<double, double> kTable[] = {
      {0.05, 0.79485}, {0.10, 0.65016}, {0.20, 0.40343}};
  for (const auto& [x, factor] : kTable) {
    CAPTURE(x);
    // The shift of the mole fraction by 1e-6 moves the factor by under 1e-5.
    CHECK(std::abs(dilution_factor(x) - factor) <= 1e-5);
  }
  CHECK(dilution_factor(0.0) == Approx(1.0).margin(1e-4));
  // Beyond 0.25 our own continuation, 0.2916 exp(-7.48 (x - 0.25)); half of the last digits.
  CHECK(dilution_factor(0.35) == Approx(0.13802).epsilon(1e-3));
  CHECK(dilution_factor(0.50) == Approx(0.04494).epsilon(1e-3));
}

TEST_CASE("The dilution factor and its continuation meet", "[burn][closed-form]") {
  const auto law = [](const auto& x) { return dilution_factor(x[0]); };
  // 1e-5 for the shift of the argument, 4e-6 of the value there.
  test::expect_branches_meet<1>(law, {0.25 * (1 - 1e-9)}, {0.25 * (1 + 1e-9)}, 1e-5);
  for (const double x : {0.01, 0.1, 0.249, 0.251, 0.6}) test::expect_derivatives_match<1>(law, {x});
}

TEST_CASE("Heat of a charge is limited by fuel when lean and by oxygen when rich",
          "[burn][closed-form]") {
  const FuelProperties gasoline = fuel_properties(Fuel::gasoline);
  // Heat over the fuel's energy is min(1, lambda): all fuel burns when lean; when rich, oxygen for
  // the share lambda of it. The rounded corner takes 0.04^2/(4 |1 - lambda|): 0.002 at 0.2 away.
  const auto share = [&](double lambda) {
    return charge_heat_J_kg(gasoline, lambda) * (1.0 + lambda * 14.7) / 43.5e6;
  };
  CHECK(share(0.7) == Approx(0.7).margin(0.0014));
  CHECK(share(0.8) == Approx(0.8).margin(0.0021));
  CHECK(share(1.0) == Approx(0.98).margin(1e-12));
  CHECK(share(1.2) == Approx(1.0).margin(0.0021));
  CHECK(share(1.4) == Approx(1.0).margin(0.0011));
  for (double lambda = 0.6; lambda <= 1.6; lambda += 0.02)
    CHECK(share(lambda) <= std::min(1.0, lambda));  // never more than either allows
  for (const double lambda : {0.7, 0.99, 1.0, 1.01, 1.4})
    test::expect_derivatives_match<1>(
        [&](const auto& x) { return charge_heat_J_kg(gasoline, x[0]); }, {lambda});
}

TEST_CASE("Stoichiometric charges of all fuels carry about the same heat", "[burn][published]") {
  // Heywood (1988) table D.4 (from memory): lower heating value of a stoichiometric mixture, J per
  // kg of mixture, 2.83 MJ gasoline, 2.68 methanol; blends lie between, within 3 %.
  const auto heat_MJ_kg = [](Fuel fuel) {
    const FuelProperties f = fuel_properties(fuel);
    return f.heating_value_J_kg / (1.0 + f.stoichiometric_afr) / 1e6;
  };
  CHECK(heat_MJ_kg(Fuel::gasoline) == Approx(2.83).epsilon(0.03));
  CHECK(heat_MJ_kg(Fuel::methanol) == Approx(2.68).epsilon(0.03));
  CHECK(heat_MJ_kg(Fuel::e10) == Approx(2.80).epsilon(0.03));
  CHECK(heat_MJ_kg(Fuel::e85) == Approx(2.73).epsilon(0.03));
}

TEST_CASE("Burned mole fraction", "[burn][closed-form]") {
  // Moles go as mass times gas constant, 287.7 and 274.3 J/kgK: half of the mass is 287.7/562.0 of
  // the moles.
  CHECK(burned_mole_fraction(0.0) == 0.0);
  CHECK(burned_mole_fraction(0.5) == Approx(287.7 / 562.0).epsilon(1e-12));
  CHECK(burned_mole_fraction(1.0) == Approx(1.0).epsilon(1e-12));
  test::expect_derivatives_match<1>([](const auto& x) { return burned_mole_fraction(x[0]); }, {0.4},
                                    1e-7, 1e-6);
}

// Residual, temperature, pressure, lambda, speed.
template <class T>
Burn<T> burn_at(const std::array<T, 5>& x) {
  return start_burn(Coefficients<T>{}, x[0], x[1], x[2], x[3], x[4]);
}
constexpr std::array<double, 5> kReferenceCharge{0.0, 650.0, 6e5, 1.0, 1000.0};
constexpr std::array<double, 5> kIdleCharge{0.33, 640.0, 5e5, 0.95, 720.0};

TEST_CASE("The burn duration is its coefficient at the reference charge", "[burn][closed-form]") {
  // 1000 rpm, no residual, lambda 1, 650 K and 6 bar is where the coefficient is defined.
  CHECK(burn_at(kReferenceCharge).duration_deg ==
        Approx(Coefficients<double>{}.burn_duration_deg).epsilon(1e-3));
}

TEST_CASE("Burn duration follows speed and laminar speed by the published powers",
          "[burn][published]") {
  // Hires et al. SAE 780232 (from memory): duration ~ N^(1/3) S_L^(-2/3). The speed's power is a
  // coefficient (prior 0.33); temperature and pressure act through S_L alone.
  const Coefficients<double> c;
  const double base = burn_at(kIdleCharge).duration_deg;
  auto x = kIdleCharge;
  x[4] *= 2.0;
  CHECK(std::log2(burn_at(x).duration_deg / base) == Approx(c.burn_speed_power).epsilon(1e-12));
  x = kIdleCharge;
  x[1] *= 1.1;
  const double phi = 1.0 / kIdleCharge[3];
  CHECK(burn_at(x).duration_deg / base ==
        Approx(std::pow(laminar_speed_m_s(phi, x[1], x[2]) /
                            laminar_speed_m_s(phi, kIdleCharge[1], kIdleCharge[2]),
                        -2.0 / 3.0))
            .epsilon(1e-12));
}

TEST_CASE("What slows a burn", "[burn][trade]") {
  // Common practice, no source: residual and lean mixtures burn slowly; the fastest mixture is
  // rich, lambda 0.80 to 0.95.
  const double base = burn_at(kIdleCharge).duration_deg;
  auto x = kIdleCharge;
  x[0] += 0.1;
  CHECK(burn_at(x).duration_deg > base);
  double fastest = 1e9, fastest_lambda = 0.0;
  for (double lambda = 0.7; lambda <= 1.3; lambda += 0.01) {
    x = kIdleCharge;
    x[3] = lambda;
    const double duration_deg = burn_at(x).duration_deg;
    if (duration_deg < fastest) {
      fastest = duration_deg;
      fastest_lambda = lambda;
    }
  }
  CHECK(fastest_lambda >= 0.80);
  CHECK(fastest_lambda <= 0.95);
}

TEST_CASE("A charge at the dilution limit half burns", "[burn][closed-form]") {
  const Coefficients<double> c;
  const auto share = [&](double residual, double temperature_K, double lambda) {
    return burn_at(std::array{residual, temperature_K, kIdleIgnition_Pa, lambda, 720.0})
               .completeness /
           c.combustion_completeness;
  };
  // Mass fraction of a burned mole fraction: the gas constants of fresh charge and burned gas.
  const auto mass = [](double mole) { return mole * 274.3 / (287.7 - mole * (287.7 - 274.3)); };
  CHECK(share(mass(c.dilution_limit), kIdleIgnition_K, 1.0) == Approx(0.5).epsilon(1e-9));
  CHECK(share(mass(c.dilution_limit - 5.0 * c.dilution_width), kIdleIgnition_K, 1.0) > 0.99);
  CHECK(share(mass(c.dilution_limit + 5.0 * c.dilution_width), kIdleIgnition_K, 1.0) < 0.01);
  // A kernel at 640 K burns as slowly with 2.18 ln(850/640) / 7.4826 = 0.08267 less of diluent.
  CHECK(share(mass(c.dilution_limit - 0.08267), 640.0, 1.0) == Approx(0.5).margin(0.001));
}

TEST_CASE("A flame keeps its pace at ignition and goes out when the speed falls",
          "[burn][closed-form]") {
  const Burn<double> b = burn_at(kIdleCharge);
  // At the ignition pressure, far above the quench speed: one duration per duration.
  CHECK(b.rate_per_deg(kIdleCharge[2], 1e-6) * b.duration_deg == Approx(1.0).epsilon(1e-9));
  // At the quench speed half of the pace is left, by the law's own symmetry.
  CHECK(b.rate_per_deg(kIdleCharge[2], std::exp(b.log_speed)) * b.duration_deg ==
        Approx(0.5).epsilon(1e-12));
  // Along the unburned isentrope, T ~ p^(1 - 1/1.33), pace follows the laminar speed to 2/3.
  const double phi = 1.0 / kIdleCharge[3];
  const double heated_K = kIdleCharge[1] * std::pow(3.0, kUnburnedIsentrope);
  CHECK(kUnburnedIsentrope == Approx(1.0 - 1.0 / 1.33).epsilon(1e-3));
  CHECK(b.rate_per_deg(3.0 * kIdleCharge[2], 1e-6) / b.rate_per_deg(kIdleCharge[2], 1e-6) ==
        Approx(std::pow(laminar_speed_m_s(phi, heated_K, 3.0 * kIdleCharge[2]) /
                            laminar_speed_m_s(phi, kIdleCharge[1], kIdleCharge[2]),
                        2.0 / 3.0))
            .epsilon(1e-9));
  // Along the unburned isentrope speed rises with pressure, so expansion slows the flame.
  CHECK(b.speed_power > 0.0);
  CHECK(b.rate_per_deg(2e5, 0.05) < b.rate_per_deg(5e5, 0.05));
  CHECK(b.rate_per_deg(5e5, 0.05) < b.rate_per_deg(15e5, 0.05));
}

TEST_CASE("Derivatives of the burn to its charge", "[burn][closed-form]") {
  const auto charge = [](double residual, double lambda) {
    return std::array<double, 5>{residual, 640.0, 5e5, lambda, 720.0};
  };
  // Either side of the dilution factor's join, rich and lean, and past the dilution limit.
  for (const auto& x : {charge(0.10, 0.9), charge(0.10, 1.1), charge(0.33, 0.95),
                        charge(0.33, 1.02), charge(0.62, 0.95)}) {
    CAPTURE(x[0], x[3]);
    test::expect_derivatives_match([](const auto& y) { return burn_at(y).duration_deg; }, x);
    // The width of the dilution limit, 0.03 in residual, asks for smaller steps.
    test::expect_derivatives_match([](const auto& y) { return burn_at(y).completeness; }, x, 1e-7,
                                   3e-4);
    test::expect_derivatives_match([](const auto& y) { return burn_at(y).log_speed; }, x);
    test::expect_derivatives_match([](const auto& y) { return burn_at(y).speed_power; }, x);
    test::expect_derivatives_match(
        [](const auto& y) {
          using T = std::decay_t<decltype(y[0])>;
          return burn_at(y).rate_per_deg(T(0.6 * y[2]), T(y[1] / 640.0 * 0.1));
        },
        x);
  }
}

TEST_CASE("Derivatives of the burn to its coefficients", "[burn][closed-form]") {
  const auto with = [](const auto& x) {
    using T = std::decay_t<decltype(x[0])>;
    Coefficients<T> c;
    c.burn_duration_deg = x[0];
    c.burn_dilution = x[1];
    c.burn_speed_power = x[2];
    c.dilution_limit = x[3];
    c.dilution_width = x[4];
    c.combustion_completeness = x[5];
    return start_burn(c, T(0.52), T(640.0), T(5e5), T(0.95), T(720.0));
  };
  const std::array<double, 6> x{62.0, 0.30, 0.33, 0.58, 0.030, 0.965};
  test::expect_derivatives_match([&](const auto& y) { return with(y).duration_deg; }, x);
  test::expect_derivatives_match([&](const auto& y) { return with(y).completeness; }, x, 1e-7,
                                 3e-4);
}

}  // namespace
}  // namespace idlefit
