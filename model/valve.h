#pragma once

#include "model/cam.h"
#include "model/constants.h"
#include "model/scalar.h"

namespace idlefit {

/// Play that any valve train takes up before the valve moves, m of tappet lift: oil film, lifter
/// bleed, bending. Chosen (one and a half thousandths of an inch); a solid lifter's lash comes on
/// top.
inline constexpr double kTakeUp_m = 0.0015 * kInch_m;

/// The lobe of these durations (crank degrees), lobe lift and seat height (m of tappet lift).
/// Where no smooth lobe meets both durations, the one nearest in power that meets the duration at
/// 0.050 in. Derivatives by the implicit-function theorem.
template <class T>
Lobe<T> make_lobe(const T& duration_050_deg, const T& duration_seat_deg, const T& lobe_lift_m,
                  const T& seat_height_m) {
  using std::log;
  using std::sqrt;
  const LobePower found = lobe_power(value(duration_050_deg), value(duration_seat_deg),
                                     value(lobe_lift_m), value(seat_height_m));
  const T log_seat = log(seat_height_m / lobe_lift_m);
  const T log_050 = log(kDurationHeight_m / lobe_lift_m);
  const auto mismatch = [&](const auto& log_low, const auto& log_high, const auto& seat,
                            const auto& at_050, const auto& q) {
    using std::exp;
    return seat * seat * (1.0 - exp(log_high / q)) - at_050 * at_050 * (1.0 - exp(log_low / q));
  };
  T q = T(found.power);
  if (found.met) {
    const ceres::Jet<double, 1> probe(found.power, 0);
    const ceres::Jet<double, 1> slope = mismatch(
        value(log_seat), value(log_050), value(duration_seat_deg), value(duration_050_deg), probe);
    // The value stays; this adds how the power moves with the durations.
    T shift = mismatch(log_seat, log_050, duration_seat_deg, duration_050_deg, T(found.power));
    q = found.power - (shift - value(shift)) / slope.v[0];
  }
  using std::exp;
  const T half = duration_050_deg / 2.0 / sqrt(1.0 - exp(log_050 / q));
  return {lobe_lift_m, half, q};
}

/// One valve on its lobe: when it is open and by how much.
template <class T>
struct ValveMotion {
  Lobe<T> lobe;
  T rocker_ratio;
  T take_up_m;      ///< tappet lift lost before the valve moves: lash over ratio, and play
  T centre_deg;     ///< crank angle of full lift, firing top dead centre 0
  T half_open_deg;  ///< the valve is off its seat within this of the centre

  /// Valve lift in m at a crank angle (degrees).
  T lift_m(const T& angle_deg) const {
    const T x = (angle_deg - centre_deg) / lobe.half_duration_deg;
    const T base = 1.0 - x * x;
    if (value(base) <= 0.0) return T(0.0);
    using std::exp;
    using std::log;
    const T over = lobe.lift_m * exp(lobe.power * log(base)) - take_up_m;
    if (value(over) <= 0.0) return T(0.0);
    // Leaves the seat without a corner: over^2 for small, over less the play for large.
    return rocker_ratio * over * over / (over + kTakeUp_m);
  }
};

template <class T>
ValveMotion<T> valve_motion(const T& duration_050_deg, const T& duration_seat_deg,
                            const T& valve_lift_m, const T& rocker_ratio, const T& seat_height_m,
                            const T& lash_m, const T& centre_deg) {
  using std::exp;
  using std::log;
  using std::sqrt;
  ValveMotion<T> v;
  v.rocker_ratio = rocker_ratio;
  v.lobe =
      make_lobe(duration_050_deg, duration_seat_deg, T(valve_lift_m / rocker_ratio), seat_height_m);
  v.take_up_m = kTakeUp_m + lash_m / rocker_ratio;
  v.centre_deg = centre_deg;
  v.half_open_deg =
      v.lobe.half_duration_deg * sqrt(1.0 - exp(log(v.take_up_m / v.lobe.lift_m) / v.lobe.power));
  return v;
}

/// Steady-flow table of a valve as two numbers: the coefficient on curtain area well below the
/// throat's limit, and the throat's own effective area over the valve's, in series.
struct FlowBench {
  double curtain_coefficient;
  double throat_area_ratio;
};
// Fitted to the steady-flow tables in docs/physics.md (from memory, each value within 0.05):
// intake 0.80/0.76/0.70/0.62/0.55, exhaust 0.68/0.66/0.66/0.62/0.57 on curtain area at lift over
// diameter 0.05/0.10/0.15/0.20/0.25; within 0.02 of both.
inline constexpr FlowBench kIntakeBench{0.82, 0.741};
inline constexpr FlowBench kExhaustBench{0.70, 0.98};

/// Effective flow area (coefficient times curtain area, throat in series) of one valve, m^2.
/// The coefficient is `low_lift_flow` up to lift/diameter 0.05, where seats seal over a ramp and
/// the true minimum area is about 0.67 of the curtain, and joins the steady-flow table by 0.15.
template <class T>
T effective_area_m2(const T& lift_m, const T& diameter_m, const FlowBench& bench,
                    const T& low_lift_flow, const T& full_lift_flow) {
  using std::sqrt;
  const T x = lift_m / diameter_m;
  const T full = full_lift_flow * bench.curtain_coefficient;
  T coefficient = full;
  if (value(x) < 0.05) {
    coefficient = low_lift_flow;
  } else if (value(x) < 0.15) {
    coefficient = low_lift_flow + (full - low_lift_flow) * smooth_step(T((x - 0.05) / 0.10));
  }
  const T curtain = 4.0 * coefficient * x;  // over the valve's own area
  const T throat = full_lift_flow * bench.throat_area_ratio;
  return kPi / 4.0 * diameter_m * diameter_m * curtain * throat /
         sqrt(curtain * curtain + throat * throat);
}

}  // namespace idlefit
