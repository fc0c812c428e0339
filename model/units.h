#pragma once

#include "model/constants.h"

namespace idlefit {

// From SI to the units a shop reads.

inline double to_kPa(double pressure_Pa) { return pressure_Pa / 1000.0; }
inline double to_inHg(double pressure_Pa) { return pressure_Pa / kInchMercury_Pa; }
inline double to_inches(double length_m) { return length_m / kInch_m; }
inline double to_g_per_s(double flow_kg_s) { return flow_kg_s * 1000.0; }

}  // namespace idlefit
