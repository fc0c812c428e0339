#pragma once

#include "model/scalar.h"

namespace idlefit {

/// Hohenberg's heat-transfer coefficient, W/(m^2 K), gas to combustion-chamber walls:
/// 129.8 V^-0.06 p^0.8 T^-0.4 (S + 1.4)^0.8 with V in m^3, p in bar, T in K, S the mean piston
/// speed in m/s. Source: Hohenberg, SAE 790825. As (p^2/T)^0.4 it takes one power a call; the parts
/// that do not change with the gas stand in `hohenberg_factor`.
template <class T>
T hohenberg_factor(const T& volume_m3, const T& mean_piston_speed_m_s) {
  constexpr double kBarToPower = 1e-4;  // (1e-5 bar/Pa)^0.8
  return 129.8 * kBarToPower * power(volume_m3, -0.06) * power(T(mean_piston_speed_m_s + 1.4), 0.8);
}
template <class S>
S hohenberg_gas_factor(const S& pressure_Pa, const S& temperature_K) {
  return power(S(pressure_Pa * pressure_Pa / temperature_K), 0.4);
}

}  // namespace idlefit
