#pragma once

#include <cassert>
#include <cmath>

#include "model/constants.h"

namespace idlefit {

// ISO 2533 = US Standard Atmosphere 1976, first layer. Both round the exponent g/(R lapse) to this.
inline constexpr double kLapseRate_K_m = 0.0065;
inline constexpr double kPressureExponent = 5.25588;
inline constexpr double kAtmosphereTop_m = 11000.0;

/// Station pressure (Pa) at an altitude in the standard atmosphere:
///   p = 101325 (1 - 0.0065 H / 288.15)^5.25588, H in geopotential metres, -2000 to 11000.
/// Geopotential and surveyed altitude differ by 1.5 m at 3000 m (0.02 kPa). A weather report's
/// barometer is corrected to sea level and is not this pressure.
/// Source: ISO 2533:1975.
inline double pressure_at_altitude_Pa(double altitude_m) {
  assert(altitude_m >= -2000.0 && altitude_m <= kAtmosphereTop_m);
  return kStandardAtmosphere_Pa *
         std::pow(1.0 - kLapseRate_K_m * altitude_m / kStandardTemperature_K, kPressureExponent);
}

/// Altitude (geopotential m) at which the standard atmosphere has this station pressure (Pa); the
/// inverse of pressure_at_altitude_Pa, for 22632 Pa (11000 m) to 127774 Pa (-2000 m).
/// Source: ISO 2533:1975.
inline double altitude_at_pressure_m(double pressure_Pa) {
  assert(pressure_Pa > 0.0);
  return kStandardTemperature_K / kLapseRate_K_m *
         (1.0 - std::pow(pressure_Pa / kStandardAtmosphere_Pa, 1.0 / kPressureExponent));
}

}  // namespace idlefit
