#pragma once

#include <algorithm>
#include <cmath>

#include "model/cam.h"
#include "model/engine.h"
#include "model/valve.h"

// J. W. Fox, W. K. Cheng, J. B. Heywood, "A Model for Predicting Residual Gas Fraction in
// Spark-Ignition Engines", SAE 931025 (1993), read second-hand. An outside check, no law of ours.
// To be trusted for an overlap factor of 0 to 2 deg/m, 10 to 27 rev/s, p_i/p_e 0.3 to 1 and
// compression 7 to 12 (from memory); it exceeds 1 for large cams.

namespace idlefit::reference {

/// Valve lift between which the correlation counts the overlap.
inline constexpr double kOverlapValveLift_m = 0.15e-3;

/// Overlap factor, deg/m: (1.45/B) (107 + 7.8 D + D^2) L D_v / B^2 with B, L, D_v in mm, where D is
/// the overlap in crank degrees between 0.15 mm valve lifts, zero where negative.
inline double overlap_factor_deg_m(double bore_m, double valve_lift_m, double valve_diameter_m,
                                   double overlap_deg) {
  const double bore_mm = 1e3 * bore_m;
  const double overlap = std::max(overlap_deg, 0.0);
  return 1.45 / bore_mm * (107.0 + 7.8 * overlap + overlap * overlap) * (1e3 * valve_lift_m) *
         (1e3 * valve_diameter_m) / (bore_mm * bore_mm);
}

/// Residual mass fraction: 1.266 (OF/N) (p_i/p_e)^-0.87 sqrt|p_e - p_i|
/// + 0.632 phi (p_i/p_e)^-0.74 / r_c, with OF in deg/m, N in rev/s, p in bar.
inline double residual_fraction(double overlap_factor_deg_m, double speed_rpm, double intake_Pa,
                                double exhaust_Pa, double phi, double compression_ratio) {
  const double ratio = intake_Pa / exhaust_Pa;
  const double difference_bar = std::abs(exhaust_Pa - intake_Pa) / 1e5;
  return 1.266 * overlap_factor_deg_m / (speed_rpm / 60.0) * std::pow(ratio, -0.87) *
             std::sqrt(difference_bar) +
         0.632 * phi * std::pow(ratio, -0.74) / compression_ratio;
}

/// Crank degrees for which a valve stands above 0.15 mm: by the valve's own motion, play and lash
/// taken off, since the correlation counts lift at the valve.
inline double duration_at_overlap_lift_deg(double duration_050_deg, double duration_seat_deg,
                                           double valve_lift_m, double rocker_ratio,
                                           double seat_height_m, double lash_m) {
  const ValveMotion<double> valve = valve_motion(duration_050_deg, duration_seat_deg, valve_lift_m,
                                                 rocker_ratio, seat_height_m, lash_m, 0.0);
  double open = 0.0, shut = valve.half_open_deg;
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (open + shut);
    (valve.lift_m(middle) > kOverlapValveLift_m ? open : shut) = middle;
  }
  return 2.0 * open;
}

/// Overlap in crank degrees between 0.15 mm valve lifts, signed.
inline double overlap_deg(const Inputs<double>& in) {
  const double intake_deg = duration_at_overlap_lift_deg(
      in.intake_duration_050_deg, in.intake_duration_seat_deg, in.intake_valve_lift_m,
      in.intake_rocker_ratio, in.seat_height_m, in.intake_lash_m);
  const double exhaust_deg = duration_at_overlap_lift_deg(
      in.exhaust_duration_050_deg, in.exhaust_duration_seat_deg, in.exhaust_valve_lift_m,
      in.exhaust_rocker_ratio, in.seat_height_m, in.exhaust_lash_m);
  return cam_events(intake_deg, exhaust_deg, in.lobe_separation_deg, in.intake_centerline_deg)
      .overlap_deg;
}

/// Overlap factor of an engine, deg/m; lift times diameter is the mean of the two valves.
inline double overlap_factor_deg_m(const Inputs<double>& in) {
  const double overlap = overlap_deg(in);
  return 0.5 * (overlap_factor_deg_m(in.bore_m, in.intake_valve_lift_m, in.intake_valve_diameter_m,
                                     overlap) +
                overlap_factor_deg_m(in.bore_m, in.exhaust_valve_lift_m,
                                     in.exhaust_valve_diameter_m, overlap));
}

}  // namespace idlefit::reference
