#pragma once

#include "model/coefficients.h"
#include "model/constants.h"
#include "model/engine.h"
#include "model/gas.h"
#include "model/scalar.h"

namespace idlefit {

/// A fuel by what the cycle needs of it.
struct FuelProperties {
  double heating_value_J_kg;  ///< lower
  double stoichiometric_afr;  ///< by mass
};
/// Gasoline 43.5 MJ/kg and 14.7, 10 % ethanol 14.1, 85 % 9.7 (published, as in docs/physics.md);
/// heating values of the blends and methanol (19.9 MJ/kg, 6.45) from memory of Heywood, table D.4.
constexpr FuelProperties fuel_properties(Fuel fuel) {
  switch (fuel) {
    case Fuel::e10:
      return {41.9e6, 14.1};
    case Fuel::e85:
      return {29.2e6, 9.7};
    case Fuel::methanol:
      return {19.9e6, 6.45};
    case Fuel::gasoline:
      break;
  }
  return {43.5e6, 14.7};
}

/// Heat released per kg of fresh charge that burns, J/kg: the fuel's energy, limited by oxygen when
/// rich. The corner at lambda 1 is rounded over 0.04, which leaves 2 % unreleased there, about what
/// a stoichiometric exhaust carries as carbon monoxide and hydrogen.
template <class T>
T charge_heat_J_kg(const FuelProperties& fuel, const T& lambda) {
  const T oxygen_share = 0.5 * (1.0 + lambda - smooth_abs(T(1.0 - lambda), 0.04));
  return fuel.heating_value_J_kg * oxygen_share / (1.0 + lambda * fuel.stoichiometric_afr);
}

/// Laminar burning speed of undiluted gasoline charge, m/s, at unburned temperature and pressure:
/// (0.305 - 0.549 (phi - 1.21)^2) (T/298)^(2.18 - 0.8(phi-1)) (p/1 atm)^(-0.16 + 0.22(phi-1)).
/// Metghalchi and Keck as tabled in Heywood (from memory). Kept above 0 far from phi 1.21, where
/// the published parabola is not meant to be used, by rounding at 0.04 m/s.
struct LaminarSpeed {
  template <class T>
  static T at_298K(const T& phi) {
    const T s = 0.305 - 0.549 * (phi - 1.21) * (phi - 1.21);
    return 0.5 * (s + smooth_abs(s, 0.04));
  }
  template <class T>
  static T temperature_power(const T& phi) {
    return 2.18 - 0.8 * (phi - 1.0);
  }
  template <class T>
  static T pressure_power(const T& phi) {
    return -0.16 + 0.22 * (phi - 1.0);
  }
};

/// Typical ignition of a warm idle, where the dilution limit is stated; chosen.
inline constexpr double kIdleIgnition_K = 850.0;
inline constexpr double kIdleIgnition_Pa = 4.5e5;

/// Fall of the laminar speed's logarithm per diluent fraction, beyond 0.25 (dilution_factor).
inline constexpr double kDilutionLogSlope = 7.4826;

/// Share of the laminar speed left at a diluent mole fraction x: 1 - 2.06 x^0.77 (Rhodes and Keck
/// 1985), continued beyond 0.25 with the same value and slope by 0.2916 exp(-7.48 (x - 0.25)).
template <class T>
T dilution_factor(const T& x) {
  using std::exp;
  if (value(x) > 0.25) {
    constexpr double kAtJoin = 0.291594;  // value of the law below at 0.25; its slope meets as well
    return kAtJoin * exp(-kDilutionLogSlope * (x - 0.25));
  }
  return 1.0 - 2.06 * power(T(x + 1e-6), 0.77);  // the shift keeps the slope finite at x = 0
}

/// Mole fraction of burned gas in a charge of that burned mass fraction: moles go as mass times gas
/// constant.
template <class S>
S burned_mole_fraction(const S& burned_mass_fraction) {
  const GasModel gas;
  return burned_mass_fraction * gas.burned.gas_constant / gas_constant(gas, burned_mass_fraction);
}

/// Wiebe progress 1 - exp(-5 t^3) of a burn at time t in durations.
template <class S>
S wiebe(const S& t) {
  using std::exp;
  return 1.0 - exp(-5.0 * t * t * t);
}

/// How one charge burns, from its state at ignition.
template <class S>
struct Burn {
  S duration_deg;  ///< Wiebe duration if the flame speed stayed as at ignition
  S completeness;  ///< share of the fresh charge that burns if the flame never goes out
  S log_speed;     ///< of the laminar speed (m/s), dilution included, at ignition
  S ignition_Pa;
  S speed_power;  ///< of p/p_ignition in the laminar speed, along the unburned isentrope

  /// Rate of Wiebe time per crank degree at a pressure: the flame follows the unburned gas, heated
  /// and cooled by compression, and goes out where the laminar speed falls through the quench
  /// speed.
  template <class P>
  S rate_per_deg(const S& pressure_Pa, const P& quench_speed_m_s) const {
    using std::exp;
    using std::log;
    constexpr double kQuenchSharpness = 6.0;  // chosen: 10 to 90 % over a factor 2 in speed
    const S change = speed_power * log(pressure_Pa / ignition_Pa);
    const S deficit = log(quench_speed_m_s) - (log_speed + change);
    return exp((2.0 / 3.0) * change) / (duration_deg * (1.0 + exp(kQuenchSharpness * deficit)));
  }
};

/// Isentropic exponent (gamma - 1)/gamma of unburned charge near ignition, gamma 1.33.
inline constexpr double kUnburnedIsentrope = 0.248;

/// The burn of a charge with burned mass fraction `residual` at ignition pressure and temperature.
///   duration = D (N/1000)^a (S_L/S_ref)^(-2/3) dilution_factor^(-b)
/// after Hires et al. SAE 780232 (from memory); S_ref at lambda 1, 650 K, 6 bar. The dilution's
/// power b is a coefficient of its own, since turbulence takes part of it over.
template <class S, class P>
Burn<S> start_burn(const Coefficients<P>& c, const S& residual, const S& temperature_K,
                   const S& pressure_Pa, const P& lambda, const P& speed_rpm) {
  using std::exp;
  using std::log;
  const P phi = 1.0 / lambda;
  const P tp = LaminarSpeed::temperature_power(phi);
  const P pp = LaminarSpeed::pressure_power(phi);
  const S log_plain = log(LaminarSpeed::at_298K(phi)) + tp * log(temperature_K / 298.0) +
                      pp * log(pressure_Pa / kStandardAtmosphere_Pa);
  const double log_reference =
      std::log(LaminarSpeed::at_298K(1.0)) +
      LaminarSpeed::temperature_power(1.0) * std::log(650.0 / 298.0) +
      LaminarSpeed::pressure_power(1.0) * std::log(6e5 / kStandardAtmosphere_Pa);
  // Air that a lean mixture has over slows the flame through phi, so burned gas alone dilutes.
  const S diluent = burned_mole_fraction(residual);
  const S log_dilution = log(dilution_factor(diluent));
  Burn<S> b;
  b.duration_deg = c.burn_duration_deg *
                   exp(c.burn_speed_power * log(speed_rpm / 1000.0) -
                       (2.0 / 3.0) * (log_plain - log_reference) - c.burn_dilution * log_dilution);
  // A kernel that burns as slowly as one at the dilution limit does not grow: away from the idle
  // state the limit moves with the laminar speed at ignition. This is what makes a very early spark
  // misfire (initiation-limited, Quader, SAE 760760, from memory), where a late one quenches.
  const double log_idle =
      std::log(LaminarSpeed::at_298K(1.0)) +
      LaminarSpeed::temperature_power(1.0) * std::log(kIdleIgnition_K / 298.0) +
      LaminarSpeed::pressure_power(1.0) * std::log(kIdleIgnition_Pa / kStandardAtmosphere_Pa);
  const S equivalent = diluent + (log_idle - log_plain) / kDilutionLogSlope;
  b.completeness =
      c.combustion_completeness / (1.0 + exp((equivalent - c.dilution_limit) / c.dilution_width));
  b.log_speed = log_plain + log_dilution;
  b.ignition_Pa = pressure_Pa;
  b.speed_power = S(tp * kUnburnedIsentrope + pp);
  return b;
}

}  // namespace idlefit
