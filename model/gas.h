#pragma once

#include "model/scalar.h"

namespace idlefit {

/// A gas of constant composition: R (J/kgK) and c_v = c0 + c1 T + c2 T^2 (J/kgK, T in K).
struct Species {
  double gas_constant;
  double c0, c1, c2;

  template <class T>
  T cv(const T& temperature_K) const {
    return c0 + temperature_K * (c1 + temperature_K * c2);
  }
};

/// Heats of formation are left out: sensible energies count from here, and heating values hold
/// here.
inline constexpr double kReference_K = 298.15;

/// The two gases of the cycle, which mix: fresh charge (air with fuel vapour) and burned gas.
struct GasModel {
  // c_v fitted to the NASA polynomials of stoichiometric gasoline charge, 300-1000 K, and of its
  // products, 300-2500 K; within 1 % of them in range.
  Species fresh{274.3, 644.3, 0.4295, -42.7e-6};
  Species burned{287.7, 655.5, 0.3994, -78.0e-6};
  double fresh_gamma = 1.335;  ///< in the flow function, gas drawn from the runner (350-500 K)
  double burned_gamma = 1.29;  ///< in the flow function, gas drawn from cylinder or exhaust port
};

/// Gas in a volume by extents, all of which are conserved: mass (kg), internal energy (J, sensible,
/// zero at kReference_K), burned mass (kg).
template <class S>
struct GasContent {
  S mass, energy, burned;
};

/// State of such gas.
template <class S>
struct GasState {
  S temperature_K;
  S pressure_Pa;
  S gas_extent;     ///< mass times gas constant, J/K
  S heat_capacity;  ///< mass times c_v, J/K
};

/// Specific internal energy of a species, J/kg.
template <class S>
S specific_energy(const Species& s, const S& temperature_K) {
  constexpr double r = kReference_K;
  const double offset = r * (s.c0 + r * (s.c1 / 2.0 + r * s.c2 / 3.0));
  return temperature_K * (s.c0 + temperature_K * (s.c1 / 2.0 + temperature_K * (s.c2 / 3.0))) -
         offset;
}

/// Specific enthalpy of a mixture, J/kg, burned mass fraction y.
template <class S, class Y>
auto specific_enthalpy(const GasModel& g, const S& temperature_K, const Y& y) {
  const S fresh = specific_energy(g.fresh, temperature_K) + g.fresh.gas_constant * temperature_K;
  const S burned = specific_energy(g.burned, temperature_K) + g.burned.gas_constant * temperature_K;
  return fresh + y * (burned - fresh);
}

/// Gas constant of a mixture, J/kgK, burned mass fraction y.
template <class Y>
Y gas_constant(const GasModel& g, const Y& y) {
  return g.fresh.gas_constant + y * (g.burned.gas_constant - g.fresh.gas_constant);
}

/// The content of a volume at given temperature, burned fraction and mass.
template <class S>
GasContent<S> content(const GasModel& g, const S& mass, const S& temperature_K, const S& y) {
  const S fresh = specific_energy(g.fresh, temperature_K);
  return {mass, mass * (fresh + y * (specific_energy(g.burned, temperature_K) - fresh)), mass * y};
}

/// Temperature and pressure from content and volume (m^3). `guess_K` must lie within some 10 % of
/// the temperature: a step of Chebyshev's method and one of Newton's follow, accurate to rounding
/// from 3 % away. The last carries the derivatives exactly, by the implicit-function theorem.
template <class S, class V>
GasState<S> gas_state(const GasModel& g, const GasContent<S>& c, const V& volume_m3,
                      double guess_K) {
  const double dc0 = g.burned.c0 - g.fresh.c0, dc1 = g.burned.c1 - g.fresh.c1,
               dc2 = g.burned.c2 - g.fresh.c2;
  const double dr = g.burned.gas_constant - g.fresh.gas_constant;
  // c_v of the whole content, as a polynomial in T.
  const double mass = value(c.mass), burned = value(c.burned);
  const double k0 = mass * g.fresh.c0 + burned * dc0;
  const double k1 = mass * g.fresh.c1 + burned * dc1;
  const double k2 = mass * g.fresh.c2 + burned * dc2;
  constexpr double r = kReference_K;
  const double goal = value(c.energy) + r * (k0 + r * (k1 / 2.0 + r * k2 / 3.0));
  const auto capacity = [&](double t) { return k0 + t * (k1 + t * k2); };
  double t = guess_K;
  {
    const double inverse = 1.0 / capacity(t);
    const double step = (t * (k0 + t * (k1 / 2.0 + t * (k2 / 3.0))) - goal) * inverse;
    t -= step * (1.0 + step * (0.5 * k1 + t * k2) * inverse);
  }

  GasState<S> s;
  const S fresh = S(specific_energy(g.fresh, t));
  const S step = c.mass * fresh + c.burned * (specific_energy(g.burned, t) - fresh) - c.energy;
  s.temperature_K = t - step * (1.0 / capacity(t));
  s.heat_capacity =
      c.mass * (g.fresh.c0 + s.temperature_K * (g.fresh.c1 + s.temperature_K * g.fresh.c2)) +
      c.burned * (dc0 + s.temperature_K * (dc1 + s.temperature_K * dc2));
  s.gas_extent = c.mass * g.fresh.gas_constant + c.burned * dr;
  s.pressure_Pa = s.gas_extent * s.temperature_K / volume_m3;
  return s;
}

}  // namespace idlefit
