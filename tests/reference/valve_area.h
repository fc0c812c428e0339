#pragma once

#include <cmath>

#include "model/constants.h"

namespace idlefit::reference {

/// A poppet valve with a conical seat.
struct ValveSeat {
  double head_diameter_m, seat_width_m, seat_angle_deg, port_diameter_m, stem_diameter_m;
};

/// Least flow area (m^2) of a poppet valve at a lift (m), in three stages: a cone frustum square to
/// the seat, then one that reaches the seat's edge, then the port less the stem.
/// Source: Heywood (1988), section 6.3.1, from memory.
inline double least_flow_area_m2(const ValveSeat& v, double lift_m) {
  const double beta = v.seat_angle_deg * kDegree;
  const double w = v.seat_width_m;
  const double mean_diameter_m = v.head_diameter_m - w;
  const double port_m2 =
      kPi / 4.0 * (v.port_diameter_m * v.port_diameter_m - v.stem_diameter_m * v.stem_diameter_m);
  const double first_stage_end_m = w / (std::sin(beta) * std::cos(beta));
  if (lift_m < first_stage_end_m)
    return kPi * lift_m * std::cos(beta) *
           (v.head_diameter_m - 2.0 * w + 0.5 * lift_m * std::sin(2.0 * beta));
  const double height_m = lift_m - w * std::tan(beta);
  return std::fmin(port_m2, kPi * mean_diameter_m * std::sqrt(height_m * height_m + w * w));
}

}  // namespace idlefit::reference
