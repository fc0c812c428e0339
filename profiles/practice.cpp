#include "profiles/practice.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

#include "model/constants.h"

namespace idlefit {
namespace {

// A curve through points that rises or falls only where they do, with a continuous slope, constant
// beyond its ends: cubic Hermite pieces with the slopes of Fritsch and Butland (SIAM J. Sci. Stat.
// Comput. 5, 1984), the end slopes zero.
template <std::size_t n>
class SmoothCurve {
 public:
  struct Point {
    double x, y;
  };
  constexpr explicit SmoothCurve(const std::array<Point, n>& points) : points_(points) {
    for (std::size_t i = 1; i + 1 < n; ++i) {
      const double left = secant(i - 1), right = secant(i);
      if (left * right > 0.0) {
        const double left_width = points_[i].x - points_[i - 1].x;
        const double right_width = points_[i + 1].x - points_[i].x;
        const double weight = (left_width + 2.0 * right_width) / (3.0 * (left_width + right_width));
        slopes_[i] = left * right / (weight * right + (1.0 - weight) * left);
      }
    }
  }

  double at(double x) const {
    if (x <= points_.front().x) return points_.front().y;
    if (x >= points_.back().x) return points_.back().y;
    std::size_t i = 0;
    while (x > points_[i + 1].x) ++i;
    const double width = points_[i + 1].x - points_[i].x;
    const double t = (x - points_[i].x) / width;
    const double t2 = t * t, t3 = t2 * t;
    return (2.0 * t3 - 3.0 * t2 + 1.0) * points_[i].y + (t3 - 2.0 * t2 + t) * width * slopes_[i] +
           (3.0 * t2 - 2.0 * t3) * points_[i + 1].y + (t3 - t2) * width * slopes_[i + 1];
  }

 private:
  constexpr double secant(std::size_t i) const {
    return (points_[i + 1].y - points_[i].y) / (points_[i + 1].x - points_[i].x);
  }

  std::array<Point, n> points_;
  std::array<double, n> slopes_{};
};

}  // namespace

Spread duration_of_word(EngineCard::Words word) {
  switch (word) {
    case EngineCard::Words::stock:
      return {195.0, 8.0};
    case EngineCard::Words::towing:
      return {206.0, 6.0};
    case EngineCard::Words::mild:
      return {214.0, 7.0};
    case EngineCard::Words::street:
      return {220.0, 6.0};
    case EngineCard::Words::lopey:
      return {232.0, 8.0};
    case EngineCard::Words::race:
      return {248.0, 12.0};
  }
  return duration_of_unknown_cam();
}

Spread duration_of_unknown_cam() { return {217.0, 15.0}; }

bool is_solid(EngineCard::Lifter lifter) {
  return lifter == EngineCard::Lifter::solid_flat || lifter == EngineCard::Lifter::solid_roller;
}

Spread seat_height_of(EngineCard::Lifter lifter) {
  // The spreads are chosen.
  return is_solid(lifter) ? Spread{0.020 * kInch_m, 0.002 * kInch_m}
                          : Spread{0.006 * kInch_m, 0.0008 * kInch_m};
}

Spread seat_gap_of(EngineCard::Lifter lifter, std::optional<EngineCard::Words> word) {
  // Above the lash even a factory's lobe shows little of its long ramps.
  if (is_solid(lifter)) return {40.0, 4.0};
  return word == EngineCard::Words::stock ? Spread{70.0, 6.0} : Spread{52.0, 8.0};
}

Spread lobe_separation_at(double duration_050_deg) {
  static constexpr SmoothCurve<6> curve{{{{190.0, 112.0},
                                          {206.0, 111.4},
                                          {214.0, 111.0},
                                          {220.0, 110.5},
                                          {232.0, 110.0},
                                          {252.0, 108.0}}}};
  return {curve.at(duration_050_deg), 2.0};
}

Spread idle_speed_at(double duration_050_deg, int cylinders) {
  // For a V8: 600 to 700 rpm under 205 deg, 700 to 800 to 220, 800 to 900 to 230, 850 to 950 to
  // 242, 950 to 1200 above; 50 to 100 more for fewer cylinders.
  static constexpr SmoothCurve<7> curve{{{{188.0, 640.0},
                                          {200.0, 670.0},
                                          {212.0, 750.0},
                                          {225.0, 850.0},
                                          {236.0, 905.0},
                                          {248.0, 1000.0},
                                          {265.0, 1120.0}}}};
  const double fewer_cylinders = cylinders <= 4 ? 100.0 : cylinders <= 6 ? 60.0 : 0.0;
  return {curve.at(duration_050_deg) + fewer_cylinders, 60.0};
}

double least_idle_speed_rpm(int cylinders) {
  // 600 rpm for a V8, 50 to 100 more for fewer cylinders.
  return cylinders <= 4 ? 700.0 : cylinders <= 6 ? 650.0 : 600.0;
}

SparkReach idle_spark_reach(EngineCard::Ignition ignition) {
  return ignition == EngineCard::Ignition::controlled ? SparkReach{5.0, 27.0}
                                                      : SparkReach{5.0, 20.0};
}

Spread idle_spark_at(double duration_050_deg) {
  static constexpr SmoothCurve<5> curve{
      {{{188.0, 11.0}, {214.0, 15.0}, {225.0, 17.0}, {236.0, 20.0}, {260.0, 25.0}}}};
  return {curve.at(duration_050_deg), 3.0};
}

Spread idle_lambda_at(double duration_050_deg) {
  // Stock 0.97 to 1.0, mild 0.94 to 0.97, warm 0.90 to 0.94, race 0.87 to 0.90.
  static constexpr SmoothCurve<5> curve{
      {{{190.0, 0.988}, {198.0, 0.98}, {214.0, 0.955}, {230.0, 0.92}, {252.0, 0.885}}}};
  return {curve.at(duration_050_deg), 0.02};
}

Spread valve_lift_at(double duration_050_deg, double bore_m, Valvetrain valvetrain,
                     int intake_valves) {
  static constexpr SmoothCurve<6> curve{
      {{{180.0, 0.36}, {195.0, 0.39}, {220.0, 0.45}, {236.0, 0.50}, {250.0, 0.55}, {275.0, 0.63}}}};
  // The curve is for pushrod engines of 4 in bore; smaller engines have less, but not in
  // proportion.
  const double bore_factor = std::sqrt(std::clamp(bore_m / (4.0 * kInch_m), 0.5, 1.5));
  const double train_factor = intake_valves > 1                    ? 0.85
                              : valvetrain == Valvetrain::overhead ? 0.95
                                                                   : 1.0;
  const double factor = kInch_m * bore_factor * train_factor;
  return {curve.at(duration_050_deg) * factor, 0.03 * factor};
}

Spread bore_over_stroke(int cylinders) {
  return {cylinders <= 4 ? 0.95 : cylinders <= 6 ? 1.05 : 1.13, 0.08};
}

ValveCount valve_count(int per_cylinder) {
  const int exhaust = per_cylinder <= 3 ? 1 : 2;
  return {std::max(per_cylinder - exhaust, 1), exhaust};
}

Spread intake_valve_share(int intake_valves) {
  return intake_valves == 1   ? Spread{0.47, 0.012}
         : intake_valves == 2 ? Spread{0.38, 0.012}
                              : Spread{0.32, 0.012};
}

Spread exhaust_valve_share(int exhaust_valves) {
  return exhaust_valves == 1 ? Spread{0.385, 0.010} : Spread{0.33, 0.010};
}

}  // namespace idlefit
