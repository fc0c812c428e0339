#include "model/cam.h"

#include <algorithm>
#include <cmath>

namespace idlefit {
namespace {

// Share of the half duration at which a lobe of this power has fallen to `height`.
double flank(double power, double height_m, double lift_m) {
  return std::sqrt(1.0 - std::pow(height_m / lift_m, 1.0 / power));
}

}  // namespace

double seat_gap_deg(double power, double duration_050_deg, double lobe_lift_m,
                    double seat_height_m) {
  return duration_050_deg *
         (flank(power, seat_height_m, lobe_lift_m) / flank(power, kDurationHeight_m, lobe_lift_m) -
          1.0);
}

LobePower lobe_power(double duration_050_deg, double duration_seat_deg, double lobe_lift_m,
                     double seat_height_m) {
  const double gap = duration_seat_deg - duration_050_deg;
  const auto excess = [&](double power) {
    return seat_gap_deg(power, duration_050_deg, lobe_lift_m, seat_height_m) - gap;
  };
  double low = kLobePowerMin, high = kLobePowerMax;
  if (!(excess(low) <= 0.0)) return {low, false};
  if (!(excess(high) >= 0.0)) return {high, false};
  // The gap rises smoothly with the power: bisection-guarded secant steps.
  double low_value = excess(low), high_value = excess(high);
  double power = low;
  for (int i = 0; i < 60 && high - low > 1e-12; ++i) {
    power = low - low_value * (high - low) / (high_value - low_value);
    const double margin = 0.01 * (high - low);
    power = std::clamp(power, low + margin, high - margin);
    const double value = excess(power);
    if (std::fabs(value) < 1e-11) break;
    (value < 0.0 ? low : high) = power;
    (value < 0.0 ? low_value : high_value) = value;
  }
  return {power, true};
}

}  // namespace idlefit
