#include "tests/bench/engines.h"

#include <cmath>
#include <random>
#include <string>

#include "model/atmosphere.h"
#include "model/constants.h"
#include "profiles/engine_file.h"
#include "tests/support/run_program.h"

namespace idlefit::bench {

std::vector<Engine> example_engines() {
  std::vector<Engine> engines;
  for (const std::string& path : repository_files("docs/examples", ".yaml"))
    engines.push_back(complete(read_engine_card(path, {})).engine);
  return engines;
}

std::vector<Engine> random_engines(int count) {
  std::mt19937_64 generator(20240229);  // any seed; fixed so that timings compare
  const auto uniform = [&](double low, double high) {
    return low + (high - low) * static_cast<double>(generator() >> 11) * 0x1p-53;
  };
  std::vector<Engine> engines;
  for (int i = 0; i < count; ++i) {
    Engine e;
    Inputs<double>& in = e.inputs;
    e.build.cylinders = static_cast<int>(uniform(3.0, 9.0));
    e.build.layout =
        e.build.cylinders % 2 == 0 && e.build.cylinders > 4 ? Layout::vee : Layout::inline_row;
    e.build.exhaust = uniform(0.0, 1.0) < 0.5 ? Exhaust::manifolds : Exhaust::headers;
    e.build.tappet = uniform(0.0, 1.0) < 0.5 ? Tappet::flat : Tappet::roller;
    const double cylinder_m3 = uniform(1e-3, 9e-3) / e.build.cylinders;
    const double stroke_over_bore = uniform(0.8, 1.1);
    in.bore_m = std::cbrt(cylinder_m3 * 4.0 / kPi / stroke_over_bore);
    in.stroke_m = stroke_over_bore * in.bore_m;
    in.rod_m = uniform(1.5, 2.0) * in.stroke_m;
    in.compression_ratio = uniform(7.5, 13.0);
    in.intake_valve_diameter_m = uniform(0.45, 0.49) * in.bore_m;
    in.exhaust_valve_diameter_m = uniform(0.37, 0.40) * in.bore_m;
    in.intake_duration_050_deg = uniform(180.0, 280.0);
    in.exhaust_duration_050_deg = in.intake_duration_050_deg + uniform(-4.0, 12.0);
    const double gap_deg = uniform(42.0, 62.0);
    in.intake_duration_seat_deg = in.intake_duration_050_deg + gap_deg;
    in.exhaust_duration_seat_deg = in.exhaust_duration_050_deg + gap_deg;
    in.seat_height_m = 0.006 * kInch_m;
    in.intake_rocker_ratio = in.exhaust_rocker_ratio = uniform(1.45, 1.75);
    in.intake_valve_lift_m = in.exhaust_valve_lift_m =
        uniform(0.22, 0.28) * in.intake_valve_diameter_m;
    in.lobe_separation_deg = uniform(102.0, 120.0);
    in.intake_centerline_deg = in.lobe_separation_deg - uniform(0.0, 6.0);
    in.speed_rpm = uniform(500.0, 1400.0);
    in.spark_btdc_deg = uniform(5.0, 30.0);
    in.lambda = uniform(0.85, 1.02);
    in.barometer_Pa = pressure_at_altitude_Pa(uniform(0.0, 3500.0));
    in.intake_air_K = uniform(275.0, 325.0);
    in.accessory_power_W = uniform(0.0, 1500.0);
    in.converter_torque_Nm = uniform(0.0, 1.0) < 0.3 ? uniform(0.0, 40.0) : 0.0;
    engines.push_back(e);
  }
  return engines;
}

}  // namespace idlefit::bench
