#include "model/starting.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <vector>

#include "model/accessories.h"
#include "model/burn.h"

namespace idlefit {
namespace {

bool steady(const SolveResult& r) {
  return r.status == Status::ok && r.point.burned_fuel_fraction >= kSteadyBurnedFraction;
}

}  // namespace

Engine with_converter(const Engine& engine, double torque_Nm, double speed_rpm) {
  Engine held = engine;
  held.inputs.converter_torque_Nm =
      converter_torque_Nm(engine.inputs.speed_rpm, speed_rpm, torque_Nm);
  return held;
}

std::optional<SteadySpeed> lowest_steady_speed(const Engine& engine,
                                               const Coefficients<double>& coefficients,
                                               double floor_rpm) {
  const double torque_Nm = engine.inputs.converter_torque_Nm, at_rpm = engine.inputs.speed_rpm;
  SolveOptions options;
  const auto solve = [&](double speed_rpm) {
    Engine at = engine;
    at.inputs.speed_rpm = speed_rpm;
    const SolveResult r = solve_idle(with_converter(at, torque_Nm, at_rpm), coefficients, options);
    if (r.status == Status::ok) options.start = r.state;
    return r;
  };
  constexpr double kCoarse_rpm = 4.0 * kIdleSpeedStep_rpm;
  const double floor = std::ceil(floor_rpm / kIdleSpeedStep_rpm) * kIdleSpeedStep_rpm;
  for (double coarse = floor; coarse <= kIdleSpeedMax_rpm; coarse += kCoarse_rpm) {
    SolveResult best = solve(coarse);
    if (!steady(best)) continue;
    if (coarse == floor) return SteadySpeed{coarse, true, best.point};
    double speed_rpm = coarse;
    // The hundred below was not steady.
    for (double step = kCoarse_rpm / 2.0; step >= kIdleSpeedStep_rpm; step /= 2.0) {
      const SolveResult lower = solve(speed_rpm - step);
      if (!steady(lower)) continue;
      speed_rpm -= step;
      best = lower;
    }
    return SteadySpeed{speed_rpm, false, best.point};
  }
  return std::nullopt;
}

std::optional<IdleSpark> least_idle_spark(const Engine& engine,
                                          const Coefficients<double>& coefficients, double low_deg,
                                          double high_deg) {
  std::vector<IdleSpark> tried;
  SolveOptions options;
  bool any_steady = false, rough = false;
  for (double spark_deg = low_deg; spark_deg <= high_deg; spark_deg += 1.0) {
    Engine at = engine;
    at.inputs.spark_btdc_deg = spark_deg;
    const SolveResult r = solve_idle(at, coefficients, options);
    if (r.status == Status::ok) {
      options.start = r.state;
      any_steady = any_steady || steady(r);
      tried.push_back({spark_deg, r.point, false});
    }
    // Beyond here more spark burns less still: it lights what is not yet compressed.
    rough = any_steady && !steady(r);
    if (rough) break;
  }
  if (any_steady) {
    std::erase_if(tried, [](const IdleSpark& s) {
      return s.point.burned_fuel_fraction < kSteadyBurnedFraction;
    });
  }
  if (tried.empty()) return std::nullopt;
  double lowest_Pa = tried.front().point.map_Pa;
  for (const IdleSpark& s : tried) lowest_Pa = std::min(lowest_Pa, s.point.map_Pa);
  IdleSpark chosen = *std::find_if(tried.begin(), tried.end(), [&](const IdleSpark& s) {
    return s.point.map_Pa <= lowest_Pa + kSparkWorth_Pa;
  });
  chosen.rough_beyond = rough;
  return chosen;
}

Booster booster_at(double vacuum_Pa) {
  const double vacuum_inHg = vacuum_Pa / kInchMercury_Pa;
  return vacuum_inHg >= 16.0   ? Booster::enough
         : vacuum_inHg >= 14.0 ? Booster::marginal
         : vacuum_inHg >= 10.0 ? Booster::reservoir
                               : Booster::pump;
}

std::optional<PeakFlow> peak_air_flow(const Engine& engine,
                                      const Coefficients<double>& coefficients) {
  constexpr double kFrom_rpm = 2000.0, kStep_rpm = 250.0;
  Engine loaded = engine;
  loaded.inputs.lambda = kFullLoadLambda;
  loaded.inputs.spark_btdc_deg = kFullLoadSpark_deg;
  loaded.inputs.converter_torque_Nm = 0.0;
  const double limit_rpm = 30.0 * kPistonSpeedMax_m_s / engine.inputs.stroke_m;
  std::optional<PeakFlow> peak;
  SolveOptions options;
  double last_kg_s = 0;
  for (double rpm = kFrom_rpm; rpm <= std::max(limit_rpm, kFrom_rpm); rpm += kStep_rpm) {
    loaded.inputs.speed_rpm = rpm;
    const SolveResult r =
        solve_at_map(loaded, coefficients, kFullLoadMap * engine.inputs.barometer_Pa, options);
    if (r.status != Status::ok) continue;
    options.start = r.state;
    last_kg_s = r.point.air_kg_s;
    if (!peak || last_kg_s > peak->air_kg_s) peak = PeakFlow{rpm, last_kg_s, r.point.ve_manifold};
  }
  if (peak) peak->at_limit = last_kg_s >= peak->air_kg_s;
  return peak;
}

double fuel_flow_kg_s(double air_kg_s, double lambda, Fuel fuel) {
  return air_kg_s / (lambda * fuel_properties(fuel).stoichiometric_afr);
}

double power_by_air_W(double air_kg_s, double lambda) {
  return fuel_flow_kg_s(air_kg_s, lambda, Fuel::gasoline) / kBsfc_kg_J;
}

double injector_flow_wanted_kg_s(double power_W, double bsfc_kg_J, int count, double duty) {
  return injector_flow_wanted_kg_s(power_W * bsfc_kg_J, count, duty);
}

double injector_flow_wanted_kg_s(double fuel_kg_s, int count, double duty) {
  assert(count > 0 && duty > 0.0);
  return fuel_kg_s / (count * duty);
}

double injector_flow_at_kg_s(double rated_kg_s, double rated_Pa, double pressure_Pa) {
  assert(rated_Pa > 0.0 && pressure_Pa >= 0.0);
  return rated_kg_s * std::sqrt(pressure_Pa / rated_Pa);
}

double fuel_density_kg_m3(Fuel fuel) {
  switch (fuel) {
    case Fuel::gasoline:
      return 745.0;
    case Fuel::e10:
      return 750.0;
    case Fuel::e85:
      return 785.0;
    case Fuel::methanol:
      return 792.0;
  }
  return 745.0;
}

double pump_flow_wanted_m3_s(double fuel_kg_s, Fuel fuel) {
  return fuel_kg_s * (1.0 + kPumpReserve) / fuel_density_kg_m3(fuel);
}

double volume_over_bottom(double from_bottom_deg, double compression_ratio, double rod_ratio) {
  assert(compression_ratio > 1.0 && rod_ratio > 1.0);
  // Piston travel from the top in crank radii; 2 at the bottom.
  const double sine = std::sin(from_bottom_deg * kDegree);
  const double travel = 1.0 + std::cos(from_bottom_deg * kDegree) + rod_ratio -
                        std::sqrt(rod_ratio * rod_ratio - sine * sine);
  return (1.0 + (compression_ratio - 1.0) * travel / 2.0) / compression_ratio;
}

double effective_compression_ratio(const Inputs<double>& in, double intake_closing_abdc_deg) {
  return in.compression_ratio * volume_over_bottom(intake_closing_abdc_deg, in.compression_ratio,
                                                   2.0 * in.rod_m / in.stroke_m);
}

double cranking_pressure_Pa(double effective_ratio, double barometer_Pa, double exponent) {
  return barometer_Pa * (std::pow(effective_ratio, exponent) - 1.0);
}

}  // namespace idlefit
