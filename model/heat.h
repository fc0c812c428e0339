#pragma once

#include <bit>
#include <cstdint>

#include "model/scalar.h"

namespace idlefit {

/// x^(2/5) for x > 0 within rounding, and x^(-3/5), of which its slope is made. A cycle takes one
/// for every look at the gas, so it is worth four times std::pow's speed: x^(-1/5) guessed within
/// some per cent from the bits of x, whose exponent is a logarithm, then twice refined by the
/// series of (1 - h)^(-1/5), h = 1 - x z^5. No division, no call.
struct TwoFifths {
  double power, per_x;
};
inline TwoFifths two_fifths(double x) {
  constexpr double kOneBits = 4503599627370496.0;  // 2^52: the bits of one power of two
  constexpr double kMiddle = 1023.0 - 0.045;       // exponent bias, less the logarithm's mean error
  constexpr auto kGuess = static_cast<std::uint64_t>(1.2 * kMiddle * kOneBits);
  double z = std::bit_cast<double>(kGuess - std::bit_cast<std::uint64_t>(x) / 5);
  for (int i = 0; i < 2; ++i) {
    const double z2 = z * z;
    const double h = 1.0 - x * z * (z2 * z2);
    z += z * h * (0.2 + h * (0.12 + h * (0.088 + h * 0.0704)));
  }
  const double z3 = z * z * z;
  return {x * z3, z3};
}

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
  const S x = pressure_Pa * pressure_Pa / temperature_K;
  const TwoFifths f = two_fifths(value(x));
  return along(x, f.power, 0.4 * f.per_x);
}

}  // namespace idlefit
