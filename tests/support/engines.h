#pragma once

#include <cmath>
#include <random>

#include "model/accessories.h"
#include "model/atmosphere.h"
#include "model/constants.h"
#include "model/engine.h"

// Invented engines for the tests, built in the trade's units.

namespace idlefit::test {

/// A pushrod V8 of 4.00 x 3.48 in (350 in^3), 9.5:1, exhaust durations 6 degrees longer than the
/// intake's, 0.8 kW of accessories, sea level: the table of docs/physics.md.
inline Engine table_v8(double duration_050_deg, double duration_seat_deg,
                       double lobe_separation_deg, double valve_lift_in, double speed_rpm,
                       double spark_btdc_deg) {
  Engine e;
  Inputs<double>& in = e.inputs;
  in.bore_m = 4.00 * kInch_m;
  in.stroke_m = 3.48 * kInch_m;
  in.rod_m = 5.70 * kInch_m;
  in.compression_ratio = 9.5;
  in.intake_valve_diameter_m = 1.94 * kInch_m;
  in.exhaust_valve_diameter_m = 1.50 * kInch_m;
  in.intake_duration_050_deg = duration_050_deg;
  in.exhaust_duration_050_deg = duration_050_deg + 6.0;
  in.intake_duration_seat_deg = duration_seat_deg;
  in.exhaust_duration_seat_deg = duration_seat_deg + 6.0;
  in.seat_height_m = 0.006 * kInch_m;
  in.intake_valve_lift_m = in.exhaust_valve_lift_m = valve_lift_in * kInch_m;
  in.intake_rocker_ratio = in.exhaust_rocker_ratio = 1.5;
  in.lobe_separation_deg = lobe_separation_deg;
  in.intake_centerline_deg = lobe_separation_deg - 4.0;
  in.speed_rpm = speed_rpm;
  in.spark_btdc_deg = spark_btdc_deg;
  in.lambda = 1.0;
  in.barometer_Pa = kStandardAtmosphere_Pa;
  in.intake_air_K = 298.15;
  in.accessory_power_W = 800.0;
  return e;
}
inline Engine stock_v8() { return table_v8(194, 256, 112, 0.390, 600, 10); }
inline Engine mild_v8() { return table_v8(214, 266, 112, 0.443, 700, 14); }
inline Engine street_v8() { return table_v8(224, 274, 112, 0.465, 750, 16); }
inline Engine lopey_v8() { return table_v8(236, 286, 110, 0.500, 850, 20); }

/// The wild population: drawn at random over 1-9 L, 3-8 cylinders, 7.5-13 compression,
/// 180-280 degrees at 0.050 in, lobe separation 102-120, 500-1400 rpm, 0-3500 m.
class WildEngines {
 public:
  explicit WildEngines(unsigned seed) : generator_(seed) {}

  Engine next() {
    Engine e;
    Inputs<double>& in = e.inputs;
    const int counts[] = {3, 4, 5, 6, 8};
    e.build.cylinders = counts[static_cast<int>(uniform(0, 5))];
    e.build.layout = e.build.cylinders >= 6 ? Layout::vee : Layout::inline_row;
    e.build.valvetrain = e.build.cylinders >= 6 ? Valvetrain::pushrod : Valvetrain::overhead;
    e.build.tappet = uniform(0, 1) < 0.5 ? Tappet::flat : Tappet::roller;
    const double cylinder_m3 = uniform(1e-3, 9e-3) / e.build.cylinders;
    const double bore_over_stroke = uniform(0.90, 1.20);
    in.bore_m = std::cbrt(4.0 / kPi * cylinder_m3 * bore_over_stroke);
    in.stroke_m = in.bore_m / bore_over_stroke;
    in.rod_m = uniform(1.5, 1.8) * in.stroke_m;
    in.compression_ratio = uniform(7.5, 13.0);
    in.intake_valve_diameter_m = uniform(0.45, 0.49) * in.bore_m;
    in.exhaust_valve_diameter_m = uniform(0.37, 0.40) * in.bore_m;
    in.intake_duration_050_deg = uniform(180, 280);
    in.exhaust_duration_050_deg = in.intake_duration_050_deg + uniform(-4, 12);
    in.intake_duration_seat_deg = in.intake_duration_050_deg + uniform(44, 62);
    in.exhaust_duration_seat_deg = in.exhaust_duration_050_deg + uniform(44, 62);
    in.seat_height_m = 0.006 * kInch_m;
    // Lift grows with duration and bore; common practice, no source.
    const double lift_m = (0.39 + 0.0034 * (in.intake_duration_050_deg - 195.0)) * kInch_m *
                          uniform(0.92, 1.08) * in.bore_m / (4.0 * kInch_m);
    in.intake_valve_lift_m = in.exhaust_valve_lift_m = std::max(lift_m, 0.25 * kInch_m);
    const double ratio = e.build.valvetrain == Valvetrain::pushrod ? 1.5 : 1.0;
    in.intake_rocker_ratio = in.exhaust_rocker_ratio = ratio;
    in.lobe_separation_deg = uniform(102, 120);
    in.intake_centerline_deg = in.lobe_separation_deg - uniform(0, 6);
    in.speed_rpm = uniform(500, 1400);
    in.spark_btdc_deg = uniform(5, 35);
    in.lambda = uniform(0.85, 1.05);
    in.barometer_Pa = pressure_at_altitude_Pa(uniform(0, 3500));
    in.intake_air_K = uniform(275, 320);
    const double size = cylinder_m3 * e.build.cylinders / 5.7e-3;
    in.accessory_power_W = uniform(0, 2500) * size;
    in.converter_torque_Nm = uniform(0, 1) < 0.3 ? uniform(20, 60) * size : 0.0;
    return e;
  }

 private:
  // Not std::uniform_real_distribution, whose sequence each library may choose.
  double uniform(double low, double high) {
    return low + (high - low) * (static_cast<double>(generator_()) + 0.5) / 4294967296.0;
  }
  std::mt19937 generator_;
};

}  // namespace idlefit::test
