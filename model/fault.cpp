#include "model/fault.h"

#include <algorithm>
#include <cmath>

#include "model/cam.h"
#include "model/solve.h"
#include "model/starting.h"

namespace idlefit {
namespace {

constexpr double kFastIdle_rpm = 1500.0;

// The lambda that one cylinder's air is leaned by where a leak costs it all of its work, and the
// share of a silent cylinder's oxygen that a sensor sees beside its unburned fuel. Both chosen:
// lean misfire begins near 1.3 to 1.4, and sensors read false lean on misfire (published).
constexpr double kLeakAtNoWork = 0.35;
constexpr double kOxygenSeen = 0.5;

Engine at_1500(Engine engine) {
  engine.inputs.speed_rpm = kFastIdle_rpm;
  engine.inputs.spark_btdc_deg += kAdvanceBy1500_deg;
  engine.inputs.converter_torque_Nm = 0.0;
  return engine;
}

double cranking_Pa(const Inputs<double>& in) {
  const double closing = cam_events(in.intake_duration_seat_deg, in.exhaust_duration_seat_deg,
                                    in.lobe_separation_deg, in.intake_centerline_deg)
                             .ivc_abdc_deg;
  return cranking_pressure_Pa(effective_compression_ratio(in, closing), in.barometer_Pa);
}

double& at(IndicationVector& v, Indication i) { return v[static_cast<Eigen::Index>(i)]; }

IndicationVector shown(const Engine& engine, const OperatingPoint& idle,
                       const OperatingPoint& fast) {
  IndicationVector v;
  at(v, Indication::map_Pa) = idle.map_Pa;
  at(v, Indication::air_kg_s) = idle.air_kg_s;
  at(v, Indication::fuel_kg_s) = idle.fuel_kg_s;
  at(v, Indication::lambda) = engine.inputs.lambda;
  at(v, Indication::spark_deg) = engine.inputs.spark_btdc_deg;
  at(v, Indication::map_1500_Pa) = fast.map_Pa;
  at(v, Indication::cranking_Pa) = cranking_Pa(engine.inputs);
  at(v, Indication::coolant_K) = kHotCoolant_K;
  return v;
}

// How the fault changes what the cycle is solved with.
struct Changed {
  Engine engine;
  Coefficients<double> coefficients;
  Switches switches;
  double work_missing = 0;  // share of one cylinder's work
};

Changed changed(const Engine& engine, const Coefficients<double>& coefficients,
                const OperatingPoint& idle, Fault fault, double size) {
  Changed c{engine, coefficients, {}, 0.0};
  Inputs<double>& in = c.engine.inputs;
  switch (fault) {
    case Fault::spark:
      in.spark_btdc_deg += size;
      break;
    case Fault::runner_leak:
    case Fault::weak_cylinder:
      c.work_missing = size;
      break;
    case Fault::cam_timing:
      in.intake_centerline_deg += size;
      break;
    case Fault::cam_duration:
      in.intake_duration_050_deg += size;
      in.intake_duration_seat_deg += size;
      in.exhaust_duration_050_deg += size;
      in.exhaust_duration_seat_deg += size;
      break;
    case Fault::compression:
      in.compression_ratio -= size;
      break;
    case Fault::back_pressure:
      c.switches.back_pressure_scale =
          1.0 + size / (idle.exhaust_pressure_Pa - engine.inputs.barometer_Pa);
      break;
    case Fault::load:
      in.accessory_power_W += size;
      break;
    case Fault::mixture:
      in.lambda += size;
      break;
    case Fault::barometer:
      in.barometer_Pa -= size;
      break;
    case Fault::cold:
      c.coefficients.friction *= cold_friction_ratio(kHotCoolant_K - size);
      break;
    case Fault::shared_leak:
    case Fault::tap:
    case Fault::count:
      break;
  }
  return c;
}

// The solve of an idle of which one cylinder gives a share less work: the others give it. What all
// need is N (pmep + fmep + accessories), what there is (N - share) gross: so each must give
// share / (N - share) of that need more, which is a load like any other on the cycle that stands
// for all. The pumping of that cycle moves with it: a second solve takes it along.
SolveResult solve_changed(const Changed& c, const SolveResult& healthy) {
  SolveOptions options;
  options.start = healthy.state;
  if (c.work_missing <= 0.0) return solve_idle_with(c.engine, c.coefficients, options, c.switches);
  const double cylinders = c.engine.build.cylinders;
  const double left = cylinders - c.work_missing;
  SolveResult result = healthy;
  constexpr double kLeastLeft = 0.2;
  if (left < kLeastLeft) {
    result.status = Status::no_idle;
    return result;
  }
  const double own_mep_Pa = healthy.point.accessory_mep_Pa;
  for (int round = 0; round < 2; ++round) {
    const OperatingPoint& p = result.point;
    const double need_Pa = p.pmep_Pa + p.fmep_Pa + own_mep_Pa;
    Engine loaded = c.engine;
    loaded.inputs.accessory_power_W += c.work_missing / left * need_Pa * displacement_m3(c.engine) *
                                       c.engine.inputs.speed_rpm / 120.0;
    options.start = result.state;
    result = solve_idle_with(loaded, c.coefficients, options, c.switches);
    if (result.status != Status::ok) break;
  }
  return result;
}

}  // namespace

double cold_friction_ratio(double coolant_K) {
  constexpr double kHydrodynamic = 0.75;
  const auto viscosity = [](double kelvin) {
    return std::exp(869.72 / (104.4 + kelvin - kZeroCelsius_K));
  };
  return 1.0 + kHydrodynamic * (std::sqrt(viscosity(coolant_K) / viscosity(kHotCoolant_K)) - 1.0);
}

std::optional<HealthyEngine> HealthyEngine::solve(const Engine& engine,
                                                  const Coefficients<double>& coefficients) {
  HealthyEngine healthy(engine, coefficients);
  SolveOptions options;
  options.gradient = true;
  healthy.idle_ = solve_idle(engine, coefficients, options);
  if (healthy.idle_.status != Status::ok) return std::nullopt;
  healthy.at_1500_ = solve_idle(at_1500(engine), coefficients, options);
  if (healthy.at_1500_.status != Status::ok) return std::nullopt;
  healthy.indications_ = shown(engine, healthy.idle_.point, healthy.at_1500_.point);

  healthy.slopes_.setZero();
  const auto row = [&](Indication i) { return healthy.slopes_.row(static_cast<Eigen::Index>(i)); };
  const PointGradient& idle = *healthy.idle_.gradient;
  row(Indication::map_Pa) = idle.map_Pa.transpose();
  row(Indication::air_kg_s) = idle.air_kg_s.transpose();
  row(Indication::fuel_kg_s) = idle.fuel_kg_s.transpose();
  row(Indication::lambda)[static_cast<Eigen::Index>(Input::lambda)] = 1.0;
  row(Indication::spark_deg)[static_cast<Eigen::Index>(Input::spark_btdc_deg)] = 1.0;
  row(Indication::map_1500_Pa) = healthy.at_1500_.gradient->map_Pa.transpose();
  // What 1500 rpm in neutral does not share with the idle.
  for (const Input own : {Input::speed_rpm, Input::converter_torque_Nm})
    row(Indication::map_1500_Pa)[static_cast<Eigen::Index>(own)] = 0.0;
  for (std::size_t i = 0; i < kInputCount; ++i) {
    Inputs<double> up = engine.inputs, down = engine.inputs;
    const double step = 1e-5 * std::max(1e-4, std::fabs(input_value(engine.inputs, i)));
    input_ref(up, i) += step;
    input_ref(down, i) -= step;
    row(Indication::cranking_Pa)[static_cast<Eigen::Index>(i)] =
        (cranking_Pa(up) - cranking_Pa(down)) / (2.0 * step);
  }
  return healthy;
}

std::optional<IndicationVector> HealthyEngine::with(Fault fault, double size,
                                                    bool by_vacuum) const {
  const Changed c = changed(engine_, coefficients_, idle_.point, fault, size);
  SolveResult idle = idle_, fast = at_1500_;
  if (fault != Fault::tap && fault != Fault::shared_leak) {
    idle = solve_changed(c, idle_);
    if (idle.status != Status::ok) return std::nullopt;
    Changed faster = c;
    faster.engine = at_1500(c.engine);
    fast = solve_changed(faster, at_1500_);
    // An engine that idles but cannot hold 1500 rpm has its throttle wide open there.
    if (fast.status != Status::ok) fast.point.map_Pa = c.engine.inputs.barometer_Pa;
  }
  IndicationVector v = shown(c.engine, idle.point, fast.point);
  const double cylinders = engine_.build.cylinders;
  switch (fault) {
    case Fault::runner_leak:
      at(v, Indication::lambda) *= 1.0 + kLeakAtNoWork * size / cylinders;
      break;
    case Fault::weak_cylinder:
      at(v, Indication::lambda) *= 1.0 + kOxygenSeen * size / cylinders;
      break;
    case Fault::tap:
      at(v, Indication::map_Pa) += size;
      break;
    case Fault::barometer:
      if (by_vacuum) at(v, Indication::map_Pa) += size;
      break;
    case Fault::cold:
      at(v, Indication::coolant_K) -= size;
      break;
    default:
      break;
  }
  return v;
}

}  // namespace idlefit
