#include <benchmark/benchmark.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstddef>
#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "model/atmosphere.h"
#include "model/constants.h"
#include "model/idle.h"
#include "profiles/engine_file.h"

// How long an idle solve takes, alone and with the gradient to all inputs and coefficients: over
// the example engines, and over a fixed random population. The time shown is the median over the
// engines of each pass; the counters are over all engines, each by its own median over the passes.

namespace idlefit {
namespace {

std::vector<Engine> example_engines() {
  std::vector<std::string> paths;
  for (const auto& entry : std::filesystem::directory_iterator(IDLEFIT_SOURCE_DIR "/docs/examples"))
    if (entry.path().extension() == ".yaml") paths.push_back(entry.path().string());
  std::sort(paths.begin(), paths.end());
  std::vector<Engine> engines;
  for (const std::string& path : paths)
    engines.push_back(complete(read_engine_card(path, {})).engine);
  return engines;
}

// Drawn independently over wide ranges, so that many of them would never be built and some have no
// idle: 3 to 8 cylinders, 1 to 9 L, compression 7.5 to 13, intake duration at 0.050 in 180 to 280
// degrees, lobe separation 102 to 120, 500 to 1400 rpm, 0 to 3500 m.
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

double quantile(std::vector<double> values, double share) {
  const auto at = static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1) + 0.5);
  std::nth_element(values.begin(), values.begin() + at, values.end());
  return values[static_cast<std::size_t>(at)];
}

void solve_all(benchmark::State& state, const std::vector<Engine>& engines, bool gradient) {
  const Coefficients<double> coefficients;
  SolveOptions options;
  options.gradient = gradient;
  std::vector<std::vector<double>> seconds(engines.size());
  int ok = 0, no_idle = 0, not_converged = 0;
  for ([[maybe_unused]] auto _ : state) {
    std::vector<double> pass;
    ok = no_idle = not_converged = 0;
    for (std::size_t i = 0; i < engines.size(); ++i) {
      const auto start = std::chrono::steady_clock::now();
      const SolveResult result = solve_idle(engines[i], coefficients, options);
      const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
      benchmark::DoNotOptimize(result.point.map_Pa);
      pass.push_back(took.count());
      seconds[i].push_back(took.count());
      ok += result.status == Status::ok;
      no_idle += result.status == Status::no_idle;
      not_converged += result.status == Status::not_converged;
    }
    state.SetIterationTime(quantile(pass, 0.5));
  }
  std::vector<double> ms;
  for (const std::vector<double>& s : seconds) ms.push_back(1e3 * quantile(s, 0.5));
  state.counters["median_ms"] = quantile(ms, 0.5);
  state.counters["p90_ms"] = quantile(ms, 0.9);
  state.counters["p99_ms"] = quantile(ms, 0.99);
  state.counters["worst_ms"] = quantile(ms, 1.0);
  state.counters["ok"] = ok;
  state.counters["no_idle"] = no_idle;
  state.counters["not_converged"] = not_converged;
}

void examples(benchmark::State& state, bool gradient) {
  static const std::vector<Engine> engines = example_engines();
  solve_all(state, engines, gradient);
}
void random_population(benchmark::State& state, bool gradient) {
  static const std::vector<Engine> engines = random_engines(200);
  solve_all(state, engines, gradient);
}

BENCHMARK_CAPTURE(examples, idle, false)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(15);
BENCHMARK_CAPTURE(examples, idle_with_gradient, true)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(15);
BENCHMARK_CAPTURE(random_population, idle, false)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(5);
BENCHMARK_CAPTURE(random_population, idle_with_gradient, true)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(5);

}  // namespace
}  // namespace idlefit

BENCHMARK_MAIN();
