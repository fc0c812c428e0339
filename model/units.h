#pragma once

#include "model/constants.h"

namespace idlefit {

// From SI to the units a shop reads.

inline double to_kPa(double pressure_Pa) { return pressure_Pa / 1000.0; }
inline double to_inHg(double pressure_Pa) { return pressure_Pa / kInchMercury_Pa; }
inline double to_inches(double length_m) { return length_m / kInch_m; }
inline double to_psi(double pressure_Pa) { return pressure_Pa / kPsi_Pa; }
inline double to_lb_per_hr(double flow_kg_s) { return flow_kg_s / kPound_kg * kHour_s; }
inline double to_L_per_hr(double flow_m3_s) { return flow_m3_s * 1000.0 * kHour_s; }
inline double to_hp(double power_W) { return power_W / kHorsepower_W; }
/// Brake specific fuel consumption from kg/J.
inline double to_lb_per_hp_hr(double bsfc_kg_J) {
  return bsfc_kg_J / kPound_kg * kHorsepower_W * kHour_s;
}
inline double to_g_per_s(double flow_kg_s) { return flow_kg_s * 1000.0; }

}  // namespace idlefit
