#pragma once

#include "model/constants.h"

namespace idlefit {

/// Valve events in crank degrees, signed: IVO before top dead centre, IVC after bottom, EVO before
/// bottom, EVC after top dead centre. Negative where the event lies on the other side.
template <class T>
struct CamEvents {
  T ivo_btdc_deg, ivc_abdc_deg, evo_bbdc_deg, evc_atdc_deg, overlap_deg;
};

/// Valve events of a cam from durations counted at one common height.
///   IVO = Di/2 - ICL, IVC = Di/2 + ICL - 180, ECL = 2 LSA - ICL,
///   EVO = De/2 + ECL - 180, EVC = De/2 - ECL, overlap = IVO + EVC = (Di + De)/2 - 2 LSA.
/// Source: cam geometry, as on every published cam card (common practice).
template <class T>
CamEvents<T> cam_events(const T& intake_duration_deg, const T& exhaust_duration_deg,
                        const T& lobe_separation_deg, const T& intake_centerline_deg) {
  const T exhaust_centerline_deg = 2.0 * lobe_separation_deg - intake_centerline_deg;
  CamEvents<T> e;
  e.ivo_btdc_deg = intake_duration_deg / 2.0 - intake_centerline_deg;
  e.ivc_abdc_deg = intake_duration_deg / 2.0 + intake_centerline_deg - 180.0;
  e.evo_bbdc_deg = exhaust_duration_deg / 2.0 + exhaust_centerline_deg - 180.0;
  e.evc_atdc_deg = exhaust_duration_deg / 2.0 - exhaust_centerline_deg;
  e.overlap_deg = e.ivo_btdc_deg + e.evc_atdc_deg;
  return e;
}

/// Tappet lift of a smooth lobe, l(phi) = lift (1 - (phi/half_duration)^2)^power, phi in crank
/// degrees from the lobe's centre. The power sets how long the ramps are: 1.5 (no ramps) to 8
/// (factory ramps). The law and the range of the power: docs/physics.md.
template <class T>
struct Lobe {
  T lift_m;
  T half_duration_deg;
  T power;
};

/// The heights and durations a lobe must meet.
inline constexpr double kDurationHeight_m = 0.050 * kInch_m;  // "duration at 0.050 in"
inline constexpr double kLobePowerMin = 1.5;
inline constexpr double kLobePowerMax = 8.0;

/// Gap between seat and 0.050 in durations (crank degrees) that a lobe of this power shows; rises
/// with the power. Heights and lift in m of tappet lift.
double seat_gap_deg(double power, double duration_050_deg, double lobe_lift_m,
                    double seat_height_m);

/// Power of the lobe that shows both durations (crank degrees) at a lobe lift and seat height
/// (m of tappet lift). Below kLobePowerMin or above kLobePowerMax no smooth lobe meets both: the
/// nearest limit is returned and `met` is false.
struct LobePower {
  double power = 0;
  bool met = false;
};
LobePower lobe_power(double duration_050_deg, double duration_seat_deg, double lobe_lift_m,
                     double seat_height_m);

}  // namespace idlefit
