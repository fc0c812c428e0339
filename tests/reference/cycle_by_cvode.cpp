#include "tests/reference/cycle_by_cvode.h"

#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sundials/sundials_context.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>
#include <sunnonlinsol/sunnonlinsol_fixedpoint.h>

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <stdexcept>
#include <utility>
#include <vector>

#include "model/accessories.h"
#include "model/burn.h"
#include "model/flow.h"
#include "model/friction.h"
#include "model/gas.h"
#include "model/gas_exchange.h"
#include "model/heat.h"
#include "model/valve.h"

namespace idlefit::reference {
namespace {

// Everything that moves, and the running sums that the idle needs.
enum Variable : std::size_t {
  kCylinderKg,
  kCylinderK,
  kCylinderBurned,
  kWiebeTime,
  kRunnerKg,
  kRunnerK,
  kRunnerBurned,
  kColumnFlow,
  kPortTemperature,
  kPortFraction,
  kWorkDone,
  kColumnKg,
  kForwardKg,
  kBackBurnedKg,
  kBackJoule,
  kVariables
};
using Values = std::array<double, kVariables>;

struct Gas {
  double energy, enthalpy;  // J/kg
  double gas_constant, cv;  // J/kgK
  double energy_by_burned;  // d energy / d burned fraction
};
Gas gas_of(const GasModel& g, double temperature_K, double burned) {
  const double fresh = specific_energy(g.fresh, temperature_K);
  Gas s;
  s.energy_by_burned = specific_energy(g.burned, temperature_K) - fresh;
  s.energy = fresh + burned * s.energy_by_burned;
  s.gas_constant = gas_constant(g, burned);
  s.enthalpy = s.energy + s.gas_constant * temperature_K;
  s.cv =
      g.fresh.cv(temperature_K) + burned * (g.burned.cv(temperature_K) - g.fresh.cv(temperature_K));
  return s;
}

class Context {
 public:
  Context() {
    if (SUNContext_Create(nullptr, &context_) != 0) throw std::runtime_error("SUNContext_Create");
  }
  ~Context() { SUNContext_Free(&context_); }
  Context(const Context&) = delete;
  Context& operator=(const Context&) = delete;
  SUNContext get() const { return context_; }

 private:
  SUNContext context_ = nullptr;
};

}  // namespace

// One engine's geometry and constants, its stretches of crank angle, and CVODE's memory for each.
struct CvodeCycle::Parts {
  // A stretch between two events, over which the same equations hold.
  struct Stretch {
    double from_deg, to_deg;
    bool intake_open, exhaust_open, closed, burning;
    std::vector<Variable> moving;
    N_Vector y = nullptr, absolute = nullptr;
    SUNMatrix matrix = nullptr;
    SUNLinearSolver linear = nullptr;
    SUNNonlinearSolver nonlinear = nullptr;
    void* cvode = nullptr;
    Parts* parts = nullptr;
  };

  Build build;
  Inputs<double> in;
  Coefficients<double> c;
  CvodeOptions options;
  GasModel gas;
  FlowFit fresh_fit{gas.fresh_gamma}, burned_fit{gas.burned_gamma};

  double bore_area, swept, clearance, crank, deg_per_s, piston_speed;
  double charge_K, fresh_enthalpy, charge_heat;
  double runner_area, runner_volume, runner_heat, port_volume, port_heat;
  double column_scale, column_floor;
  double friction_Pa, gas_friction, accessory_mep, back_pressure_gain;
  ValveMotion<double> intake, exhaust;
  double intake_opening, intake_closing, exhaust_opening, exhaust_closing, ignition;

  Context context;
  std::vector<Stretch> stretches;

  // Of the cycle under way.
  Values now;
  double map_Pa, exhaust_Pa, plenum_enthalpy, plenum_burned;
  double trapped_kg, trapped_burned;  // at intake closing
  Burn<double> burn;
  long calls;

  Parts(const Engine& engine, const Coefficients<double>& coefficients, const CvodeOptions& o);
  ~Parts();

  struct Chamber {
    double volume, volume_per_deg, wall_area;
  };
  Chamber chamber(double deg) const;
  double valve_area(bool intake_side, double deg) const;
  double wall_heat_W(const Chamber& v, bool closed, double pressure, double temperature) const;
  double burned_in_burn(double wiebe_time) const {
    return trapped_burned + (1.0 - trapped_burned) * burn.completeness * wiebe(wiebe_time);
  }
  void add_stretch(double from, double to);
  void closed_rates(const Stretch& s, double deg, const Values& x, Values& rate) const;
  void open_rates(const Stretch& s, double deg, const Values& x, Values& rate) const;
  void rest_with_intake_shut(const CycleState<double>& start);
  bool integrate(Stretch& s);
  static int rates_for_cvode(realtype deg, N_Vector y, N_Vector rate, void* data);
};

CvodeCycle::Parts::Chamber CvodeCycle::Parts::chamber(double deg) const {
  const double angle = deg * kDegree;
  const double sine = std::sin(angle), cosine = std::cos(angle);
  const double along_rod = std::sqrt(in.rod_m * in.rod_m - crank * crank * sine * sine);
  const double travel = crank + in.rod_m - crank * cosine - along_rod;
  Chamber v;
  v.volume = clearance + bore_area * travel;
  v.volume_per_deg =
      bore_area * (crank * sine + crank * crank * sine * cosine / along_rod) * kDegree;
  v.wall_area = kChamberAreaRatio * bore_area + kPi * in.bore_m * travel;
  return v;
}

double CvodeCycle::Parts::valve_area(bool intake_side, double deg) const {
  return intake_side ? build.intake_valves *
                           effective_area_m2(intake.lift_m(deg), in.intake_valve_diameter_m,
                                             kIntakeBench, c.low_lift_flow, c.full_lift_flow)
                     : build.exhaust_valves *
                           effective_area_m2(exhaust.lift_m(deg), in.exhaust_valve_diameter_m,
                                             kExhaustBench, c.low_lift_flow, c.full_lift_flow);
}

double CvodeCycle::Parts::wall_heat_W(const Chamber& v, bool closed, double pressure,
                                      double temperature) const {
  return (closed ? 1.0 : kGasExchangeHeat) * c.heat_transfer *
         hohenberg_factor(v.volume, piston_speed) * hohenberg_gas_factor(pressure, temperature) *
         v.wall_area * (temperature - c.wall_temperature_K);
}

CvodeCycle::Parts::Parts(const Engine& engine, const Coefficients<double>& coefficients,
                         const CvodeOptions& o)
    : build(engine.build), in(engine.inputs), c(coefficients), options(o) {
  bore_area = kPi / 4.0 * in.bore_m * in.bore_m;
  swept = bore_area * in.stroke_m;
  clearance = swept / (in.compression_ratio - 1.0);
  crank = 0.5 * in.stroke_m;
  deg_per_s = 360.0 * in.speed_rpm / 60.0;
  piston_speed = 2.0 * in.stroke_m * in.speed_rpm / 60.0;
  charge_K = in.intake_air_K + c.charge_heating_K;
  fresh_enthalpy = gas_of(gas, charge_K, 0.0).enthalpy;
  charge_heat = charge_heat_J_kg(fuel_properties(build.fuel), in.lambda);

  runner_area = kThroatAreaRatio * build.intake_valves * kPi / 4.0 * in.intake_valve_diameter_m *
                in.intake_valve_diameter_m;
  runner_volume = runner_area * c.runner_length_m;
  runner_heat = c.runner_heat_W_m2K * c.runner_length_m * std::sqrt(4.0 * kPi * runner_area);
  port_volume = kExhaustPortRatio * swept;
  port_heat = c.exhaust_port_heat_W_m2K * 4.0 * port_volume /
              (in.exhaust_valve_diameter_m * std::sqrt(static_cast<double>(build.exhaust_valves)));
  column_scale = swept * in.speed_rpm / 60.0;
  column_floor = 0.02 * column_scale;

  const double displacement = build.cylinders * swept;
  accessory_mep = mep_from_power_Pa(in.accessory_power_W, in.speed_rpm, displacement) +
                  mep_from_torque_Pa(in.converter_torque_Nm, displacement);
  const FrictionParts<double> friction =
      friction_parts_Pa(friction_geometry(build, in), in.speed_rpm, 1.0);
  friction_Pa = c.friction * (friction.total() - friction.gas_load);
  gas_friction = c.friction * friction.gas_load / in.barometer_Pa;
  back_pressure_gain =
      (build.exhaust == Exhaust::headers ? kHeaderBackPressure_Pa : kManifoldBackPressure_Pa) *
      std::pow(in.speed_rpm / 5000.0 / 1e5, 2);

  intake = valve_motion(in.intake_duration_050_deg, in.intake_duration_seat_deg,
                        in.intake_valve_lift_m, in.intake_rocker_ratio, in.seat_height_m,
                        in.intake_lash_m, 360.0 + in.intake_centerline_deg);
  exhaust = valve_motion(in.exhaust_duration_050_deg, in.exhaust_duration_seat_deg,
                         in.exhaust_valve_lift_m, in.exhaust_rocker_ratio, in.seat_height_m,
                         in.exhaust_lash_m,
                         360.0 + in.intake_centerline_deg - 2.0 * in.lobe_separation_deg);
  intake_opening = intake.centre_deg - intake.half_open_deg;
  intake_closing = intake.centre_deg + intake.half_open_deg;
  exhaust_opening = exhaust.centre_deg - exhaust.half_open_deg;
  exhaust_closing = exhaust.centre_deg + exhaust.half_open_deg;
  // The model lights no earlier than two degrees after intake closing.
  ignition = std::max(-in.spark_btdc_deg, intake_closing - 720.0 + 2.0);

  std::array<double, 6> edges{intake_closing - 720.0, ignition,        exhaust_opening,
                              intake_opening,         exhaust_closing, intake_closing};
  std::sort(edges.begin(), edges.end());
  stretches.reserve(edges.size());
  for (std::size_t i = 0; i + 1 < edges.size(); ++i)
    if (edges[i + 1] - edges[i] > 1e-9) add_stretch(edges[i], edges[i + 1]);
}

void CvodeCycle::Parts::add_stretch(double from, double to) {
  const double middle = 0.5 * (from + to);
  Stretch s;
  s.from_deg = from;
  s.to_deg = to;
  s.closed = middle < exhaust_opening;
  s.burning = s.closed && middle > ignition;
  s.intake_open = middle > intake_opening && middle < intake_closing;
  s.exhaust_open = middle > exhaust_opening && middle < exhaust_closing;
  s.moving = {kCylinderK, kWorkDone};
  if (s.burning) s.moving.push_back(kWiebeTime);
  if (s.intake_open || s.exhaust_open)
    s.moving.insert(s.moving.end(), {kCylinderKg, kCylinderBurned});
  if (s.exhaust_open) s.moving.insert(s.moving.end(), {kPortTemperature, kPortFraction});
  if (s.intake_open)
    s.moving.insert(s.moving.end(), {kRunnerKg, kRunnerK, kRunnerBurned, kColumnFlow, kColumnKg,
                                     kForwardKg, kBackBurnedKg, kBackJoule});
  s.parts = this;

  // Errors count relative to a variable, and below a tenth of its scale relative to that.
  const double kg = in.barometer_Pa * swept / (280.0 * charge_K);
  Values scale{};
  scale[kCylinderKg] = scale[kRunnerKg] = kg;
  scale[kCylinderK] = scale[kRunnerK] = scale[kPortTemperature] = 400.0;
  scale[kCylinderBurned] = scale[kRunnerBurned] = scale[kPortFraction] = scale[kWiebeTime] = 1.0;
  scale[kColumnFlow] = column_scale;
  scale[kWorkDone] = 1e5 * swept;
  scale[kColumnKg] = scale[kForwardKg] = scale[kBackBurnedKg] = kg;
  scale[kBackJoule] = kg * 4e5;

  const auto size = static_cast<sunindextype>(s.moving.size());
  s.y = N_VNew_Serial(size, context.get());
  s.absolute = N_VNew_Serial(size, context.get());
  for (std::size_t i = 0; i < s.moving.size(); ++i)
    N_VGetArrayPointer(s.absolute)[i] = 0.1 * options.relative_tolerance * scale[s.moving[i]];
  stretches.push_back(std::move(s));
}

CvodeCycle::Parts::~Parts() {
  for (Stretch& s : stretches) {
    if (s.cvode) CVodeFree(&s.cvode);
    if (s.nonlinear) SUNNonlinSolFree(s.nonlinear);
    if (s.linear) SUNLinSolFree(s.linear);
    if (s.matrix) SUNMatDestroy(s.matrix);
    N_VDestroy(s.y);
    N_VDestroy(s.absolute);
  }
}

// Valves shut. Energy of the charge, its heat of combustion released with the burn:
// m c_v dT = q dm_burned - (u_burned - u_fresh) dm_burned - p dV - wall heat.
void CvodeCycle::Parts::closed_rates(const Stretch& s, double deg, const Values& x,
                                     Values& rate) const {
  const Chamber v = chamber(deg);
  const double temperature = x[kCylinderK];
  const double burned = s.burning ? burned_in_burn(x[kWiebeTime]) : x[kCylinderBurned];
  const Gas g = gas_of(gas, temperature, burned);
  const double pressure = trapped_kg * g.gas_constant * temperature / v.volume;
  double released = 0.0;
  if (s.burning) {
    const double t = x[kWiebeTime];
    rate[kWiebeTime] = burn.rate_per_deg(pressure, c.quench_speed_m_s);
    const double progress_rate = 15.0 * t * t * std::exp(-5.0 * t * t * t) * rate[kWiebeTime];
    released = trapped_kg * (1.0 - trapped_burned) * burn.completeness * progress_rate *
               (charge_heat - g.energy_by_burned);
  }
  rate[kWorkDone] = pressure * v.volume_per_deg;
  rate[kCylinderK] =
      (released - rate[kWorkDone] - wall_heat_W(v, true, pressure, temperature) / deg_per_s) /
      (trapped_kg * g.cv);
}

// One or both valves open. For a volume that gains flows F_i carrying h_i and y_i, and heat Q:
// m dy = sum F_i (y_i - y), m c_v dT = Q - p dV + sum F_i (h_i - u) - (du/dy) m dy.
void CvodeCycle::Parts::open_rates(const Stretch& s, double deg, const Values& x,
                                   Values& rate) const {
  const Chamber v = chamber(deg);
  const double cyl_kg = x[kCylinderKg], cyl_K = x[kCylinderK], cyl_y = x[kCylinderBurned];
  const Gas cyl = gas_of(gas, cyl_K, cyl_y);
  const double cyl_Pa = cyl_kg * cyl.gas_constant * cyl_K / v.volume;
  const Side<double> cyl_side{cyl_Pa, cyl_kg / v.volume};

  double mass_gain = 0.0, burned_gain = 0.0, energy_gain = 0.0;  // of the cylinder, /s
  const auto gain = [&](double flow, double enthalpy, double burned) {
    mass_gain += flow;
    burned_gain += flow * (burned - cyl_y);
    energy_gain += flow * (enthalpy - cyl.energy);
  };

  if (s.intake_open) {
    const double run_kg = x[kRunnerKg], run_K = x[kRunnerK], run_y = x[kRunnerBurned];
    const Gas run = gas_of(gas, run_K, run_y);
    const double run_Pa = run_kg * run.gas_constant * run_K / runner_volume;
    const double run_density = run_kg / runner_volume;
    const double area = valve_area(true, deg);
    const OrificeFlow<double> f = orifice_flow(Side<double>{run_Pa, run_density}, cyl_side, area,
                                               area * c.reverse_flow, fresh_fit, burned_fit);
    const double in_h = f.weight_a * run.enthalpy + (1.0 - f.weight_a) * cyl.enthalpy;
    const double in_y = f.weight_a * run_y + (1.0 - f.weight_a) * cyl_y;
    gain(f.flow, in_h, in_y);

    const double column = x[kColumnFlow];
    const double forward = forward_weight(column / (kTurning * column_floor));
    const double col_h = forward * plenum_enthalpy + (1.0 - forward) * run.enthalpy;
    const double col_y = forward * plenum_burned + (1.0 - forward) * run_y;
    const double burned_rate = column * (col_y - run_y) - f.flow * (in_y - run_y);
    const double heat = runner_heat * (kRunnerWall_K - run_K);
    rate[kRunnerKg] = (column - f.flow) / deg_per_s;
    rate[kRunnerBurned] = burned_rate / run_kg / deg_per_s;
    rate[kRunnerK] = (heat + column * (col_h - run.energy) - f.flow * (in_h - run.energy) -
                      run.energy_by_burned * burned_rate) /
                     (run_kg * run.cv) / deg_per_s;
    // Pressure difference, loss of dynamic head, and the damping of the ringing, a share of
    // critical, 2 zeta omega with omega^2 = gamma p A / (rho L V), less what flows through an open
    // valve fast.
    const double loss = kRunnerLossCoefficient * smooth_abs(column, column_floor) * column /
                        (2.0 * run_density * runner_area * c.runner_length_m);
    const double omega = std::sqrt(gas.fresh_gamma * run_Pa * runner_area /
                                   (run_density * c.runner_length_m * runner_volume));
    const double speed_2 = std::pow(column / (run_density * runner_area), 2);
    const double through = smooth_step(std::min(1.0, area / (kOpenAreaRatio * runner_area))) *
                           speed_2 / (speed_2 + std::pow(kThroughSpeed_m_s, 2));
    rate[kColumnFlow] = (runner_area / c.runner_length_m * (map_Pa - run_Pa) - loss -
                         2.0 * kRunnerDamping * omega * (1.0 - through) * column) /
                        deg_per_s;
    rate[kColumnKg] = column / deg_per_s;
    rate[kForwardKg] = forward * column / deg_per_s;
    rate[kBackBurnedKg] = (forward - 1.0) * column * run_y / deg_per_s;
    rate[kBackJoule] = (forward - 1.0) * column * run.enthalpy / deg_per_s;
  }

  if (s.exhaust_open) {
    const double port_K = x[kPortTemperature], port_y = x[kPortFraction];
    const Gas port = gas_of(gas, port_K, port_y);
    const double density = exhaust_Pa / (port.gas_constant * port_K);
    const double area = valve_area(false, deg);
    const OrificeFlow<double> f = orifice_flow(cyl_side, Side<double>{exhaust_Pa, density}, area,
                                               area * c.reverse_flow, burned_fit, burned_fit);
    const double out_h = f.weight_a * cyl.enthalpy + (1.0 - f.weight_a) * port.enthalpy;
    const double out_y = f.weight_a * cyl_y + (1.0 - f.weight_a) * port_y;
    gain(-f.flow, out_h, out_y);

    // At constant pressure, with the heat capacity of burned gas.
    const double port_kg = density * port_volume;
    const double capacity = port_kg * (gas.burned.gas_constant + gas.burned.cv(port_K));
    rate[kPortTemperature] =
        (f.flow * (out_h - port.enthalpy) - port_heat * (port_K - kExhaustPortWall_K)) / capacity /
        deg_per_s;
    rate[kPortFraction] = f.flow * (out_y - port_y) / port_kg / deg_per_s;
  }

  rate[kCylinderKg] = mass_gain / deg_per_s;
  rate[kCylinderBurned] = burned_gain / cyl_kg / deg_per_s;
  rate[kWorkDone] = cyl_Pa * v.volume_per_deg;
  rate[kCylinderK] =
      ((energy_gain - wall_heat_W(v, false, cyl_Pa, cyl_K) - cyl.energy_by_burned * burned_gain) /
           deg_per_s -
       rate[kWorkDone]) /
      (cyl_kg * cyl.cv);
}

int CvodeCycle::Parts::rates_for_cvode(realtype deg, N_Vector y, N_Vector rate, void* data) {
  Stretch& s = *static_cast<Stretch*>(data);
  Parts& parts = *s.parts;
  ++parts.calls;
  Values x = parts.now, r{};
  const double* values = N_VGetArrayPointer(y);
  for (std::size_t i = 0; i < s.moving.size(); ++i) x[s.moving[i]] = values[i];
  // A trial beyond reason: CVODE takes a shorter step.
  if (!(x[kCylinderK] > 50.0 && x[kCylinderKg] > 0.0 && x[kRunnerK] > 50.0 && x[kRunnerKg] > 0.0 &&
        x[kPortTemperature] > 50.0))
    return 1;
  if (s.closed) {
    parts.closed_rates(s, deg, x, r);
  } else {
    parts.open_rates(s, deg, x, r);
  }
  double* rates = N_VGetArrayPointer(rate);
  for (std::size_t i = 0; i < s.moving.size(); ++i) rates[i] = r[s.moving[i]];
  return 0;
}

bool CvodeCycle::Parts::integrate(Stretch& s) {
  double* values = N_VGetArrayPointer(s.y);
  for (std::size_t i = 0; i < s.moving.size(); ++i) values[i] = now[s.moving[i]];
  const auto check = [](int flag) {
    if (flag != CV_SUCCESS) throw std::runtime_error("CVODE could not be set up");
  };
  if (!s.cvode) {
    const bool bdf = options.method == CvodeOptions::Method::bdf;
    s.cvode = CVodeCreate(bdf ? CV_BDF : CV_ADAMS, context.get());
    if (!s.cvode) throw std::runtime_error("CVODE could not be set up");
    check(CVodeInit(s.cvode, &Parts::rates_for_cvode, s.from_deg, s.y));
    check(CVodeSVtolerances(s.cvode, options.relative_tolerance, s.absolute));
    check(CVodeSetMaxNumSteps(s.cvode, 200000));
    // Failures are told by the result.
    check(CVodeSetErrHandlerFn(
        s.cvode, [](int, const char*, const char*, char*, void*) {}, nullptr));
    if (options.method == CvodeOptions::Method::adams) {
      s.nonlinear = SUNNonlinSol_FixedPoint(s.y, 0, context.get());
      check(CVodeSetNonlinearSolver(s.cvode, s.nonlinear));
    } else {
      const auto size = static_cast<sunindextype>(s.moving.size());
      s.matrix = SUNDenseMatrix(size, size, context.get());
      s.linear = SUNLinSol_Dense(s.y, s.matrix, context.get());
      check(CVodeSetLinearSolver(s.cvode, s.linear, s.matrix));
    }
  } else {
    check(CVodeReInit(s.cvode, s.from_deg, s.y));
  }
  // Vectors of stretches have their final place by now.
  check(CVodeSetUserData(s.cvode, &s));
  check(CVodeSetStopTime(s.cvode, s.to_deg));
  double reached = s.from_deg;
  const int flag = CVode(s.cvode, s.to_deg, s.y, &reached, CV_NORMAL);
  if (flag < 0) return false;
  for (std::size_t i = 0; i < s.moving.size(); ++i) now[s.moving[i]] = values[i];
  return true;
}

// The runner and its column while the intake valve is shut, and the port while the exhaust valve
// is: closed forms, which are the model's law there. A column at d Pa over the plenum and G kg/s
// obeys d' = D G, G' = -(A/L) d - 2 alpha G; then the wall warms the runner's gas at constant
// pressure. Each moves some gas between runner and plenum.
void CvodeCycle::Parts::rest_with_intake_shut(const CycleState<double>& start) {
  const double seconds = (720.0 - (intake_closing - intake_opening)) / deg_per_s;
  const Gas run = gas_of(gas, start.runner_K, start.runner_burned);
  const double kg = start.runner_Pa * runner_volume / (run.gas_constant * start.runner_K);

  // dp per kg that enters with h and y, at constant volume: from p V = m R T.
  const auto pressure_per_kg = [&](double h, double y) {
    const double dr = gas.burned.gas_constant - gas.fresh.gas_constant;
    const double temperature_per_kg =
        (h - run.energy - run.energy_by_burned * (y - start.runner_burned)) / (kg * run.cv);
    return (run.gas_constant * start.runner_K + dr * (y - start.runner_burned) * start.runner_K +
            kg * run.gas_constant * temperature_per_kg) /
           runner_volume;
  };
  const double stiffness = pressure_per_kg(run.enthalpy, start.runner_burned);
  const double gain = runner_area / c.runner_length_m;
  const double alpha = kRunnerDamping * std::sqrt(gas.fresh_gamma * start.runner_Pa * runner_area /
                                                  (kg * c.runner_length_m));
  const double omega = std::sqrt(stiffness * gain - alpha * alpha);
  const double d = start.runner_Pa - map_Pa, flow = start.column_kg_s;
  const double cosine = std::cos(omega * seconds), sine = std::sin(omega * seconds) / omega;
  const double decay = std::exp(-alpha * seconds);
  const double d_end = decay * (d * (cosine + alpha * sine) + stiffness * flow * sine);
  now[kColumnFlow] = decay * (flow * (cosine - alpha * sine) - gain * d * sine);

  double mass = kg, burned = kg * start.runner_burned, energy = kg * run.energy;
  const auto exchange = [&](double moved) {
    const double turn = moved / kg / 0.002;  // what the plenum gives is the plenum's gas, smoothly
    const double forward = forward_weight(turn);
    mass += moved;
    burned += moved * (forward * plenum_burned + (1.0 - forward) * start.runner_burned);
    energy += moved * (forward * plenum_enthalpy + (1.0 - forward) * run.enthalpy);
    now[kColumnKg] += moved;
    now[kForwardKg] += forward * moved;
    now[kBackBurnedKg] += (forward - 1.0) * moved * start.runner_burned;
    now[kBackJoule] += (forward - 1.0) * moved * run.enthalpy;
  };
  exchange((d_end - d) / stiffness);

  const double capacity = kg * (run.cv + run.gas_constant);
  const double heat = capacity * (kRunnerWall_K - start.runner_K) *
                      (1.0 - std::exp(-runner_heat * seconds / capacity));
  energy += heat;
  const double pressure_by_heat = run.gas_constant / (run.cv * runner_volume);
  const double per_kg = heat < 0.0 ? pressure_per_kg(plenum_enthalpy, plenum_burned) : stiffness;
  exchange(-pressure_by_heat * heat / per_kg);

  now[kRunnerKg] = mass;
  now[kRunnerBurned] = burned / mass;
  double temperature = start.runner_K;
  for (int i = 0; i < 6; ++i) {
    const Gas g = gas_of(gas, temperature, now[kRunnerBurned]);
    temperature -= (g.energy - energy / mass) / g.cv;
  }
  now[kRunnerK] = temperature;

  const double port_seconds = (720.0 - (exhaust_closing - exhaust_opening)) / deg_per_s;
  const double port_kg =
      exhaust_Pa * port_volume / (gas_constant(gas, start.port_burned) * start.port_K);
  const double port_capacity = port_kg * (gas.burned.gas_constant + gas.burned.cv(start.port_K));
  now[kPortTemperature] =
      kExhaustPortWall_K +
      (start.port_K - kExhaustPortWall_K) * std::exp(-port_heat * port_seconds / port_capacity);
  now[kPortFraction] = start.port_burned;
}

CvodeCycle::CvodeCycle(const Engine& engine, const Coefficients<double>& coefficients,
                       const CvodeOptions& options)
    : parts_(std::make_unique<Parts>(engine, coefficients, options)) {}
CvodeCycle::~CvodeCycle() = default;
CvodeCycle::CvodeCycle(CvodeCycle&&) noexcept = default;

CvodeCycleResult CvodeCycle::run(const CycleState<double>& start) const {
  Parts& p = *parts_;
  CvodeCycleResult result;
  p.calls = 0;
  p.now = Values{};
  p.map_Pa = start.map_Pa;
  p.exhaust_Pa = p.in.barometer_Pa + p.back_pressure_gain * start.map_Pa * start.map_Pa;
  p.plenum_burned = start.plenum_burned;
  p.plenum_enthalpy = gas_of(p.gas, start.plenum_K, start.plenum_burned).enthalpy;
  p.trapped_kg = p.now[kCylinderKg] = start.mass_kg;
  p.trapped_burned = p.now[kCylinderBurned] = start.burned;
  p.now[kCylinderK] = start.temperature_K;
  p.rest_with_intake_shut(start);

  bool lit = false;
  for (Parts::Stretch& s : p.stretches) {
    if (s.burning && !lit) {
      lit = true;
      const double pressure = p.trapped_kg * gas_constant(p.gas, start.burned) * p.now[kCylinderK] /
                              p.chamber(s.from_deg).volume;
      p.burn =
          start_burn(p.c, start.burned, p.now[kCylinderK], pressure, p.in.lambda, p.in.speed_rpm);
    }
    if (!p.integrate(s)) return result;
    if (s.burning) p.now[kCylinderBurned] = p.burned_in_burn(p.now[kWiebeTime]);
  }

  const Values& y = p.now;
  result.integrated = true;
  result.rate_calls = p.calls;
  result.end = start;
  result.end.mass_kg = y[kCylinderKg];
  result.end.temperature_K = y[kCylinderK];
  result.end.burned = y[kCylinderBurned];
  result.end.runner_Pa =
      y[kRunnerKg] * gas_constant(p.gas, y[kRunnerBurned]) * y[kRunnerK] / p.runner_volume;
  result.end.runner_K = y[kRunnerK];
  result.end.runner_burned = y[kRunnerBurned];
  result.end.column_kg_s = y[kColumnFlow];
  result.end.port_K = y[kPortTemperature];
  result.end.port_burned = y[kPortFraction];
  result.imep_net_Pa = y[kWorkDone] / p.swept;
  result.fmep_Pa = p.friction_Pa + p.gas_friction * start.map_Pa;
  result.accessory_mep_Pa = p.accessory_mep;
  result.fresh_kg = y[kColumnKg];
  result.forward_kg = y[kForwardKg];
  result.back_burned_kg = y[kBackBurnedKg];
  result.back_enthalpy_J = y[kBackJoule];
  result.burned_share = p.burn.completeness * wiebe(y[kWiebeTime]);
  return result;
}

namespace {

using Vector = Eigen::Matrix<double, kCycleUnknowns, 1>;
using Matrix = Eigen::Matrix<double, kCycleUnknowns, kCycleUnknowns>;

std::array<double*, kCycleUnknowns> members(CycleState<double>& s) {
  return {&s.mass_kg,     &s.temperature_K, &s.burned,      &s.runner_Pa,
          &s.runner_K,    &s.runner_burned, &s.column_kg_s, &s.port_K,
          &s.port_burned, &s.plenum_burned, &s.plenum_K,    &s.map_Pa};
}

}  // namespace

double CvodeCycle::relative_tolerance() const { return parts_->options.relative_tolerance; }

std::array<double, kCycleUnknowns> CvodeCycle::scale() const {
  const Parts& p = *parts_;
  return {p.swept, 500.0, 1.0, 1e5, 400.0, 1.0, p.column_scale, 800.0, 1.0, 1.0, 400.0, 1e5};
}

std::array<double, kCycleUnknowns> CvodeCycle::mismatch(const CycleState<double>& start,
                                                        const CvodeCycleResult& result) const {
  const Parts& p = *parts_;
  CycleState<double> from = start, to = result.end;
  const auto a = members(from), b = members(to);
  const std::array<double, kCycleUnknowns> size = scale();
  std::array<double, kCycleUnknowns> m;
  for (std::size_t i = 0; i < m.size(); ++i) m[i] = (*b[i] - *a[i]) / size[i];
  // What the plenum gives and gets: burned gas, and enthalpy with the fresh charge that comes in.
  const double kg = start.map_Pa * p.swept / (280.0 * p.charge_K);
  const double h = gas_of(p.gas, start.plenum_K, start.plenum_burned).enthalpy;
  m[9] = (result.back_burned_kg - result.forward_kg * start.plenum_burned) / kg;
  m[10] = (result.back_enthalpy_J + result.fresh_kg * p.fresh_enthalpy - result.forward_kg * h) /
          (kg * 1000.0 * p.charge_K);
  m[11] = (result.imep_net_Pa - result.fmep_Pa - result.accessory_mep_Pa) / 1e5;
  return m;
}

void CvodeCycle::mix_plenum(const CvodeCycleResult& result, CycleState<double>& state) const {
  const Parts& p = *parts_;
  state.plenum_burned = result.back_burned_kg / result.forward_kg;
  const double h =
      (result.back_enthalpy_J + result.fresh_kg * p.fresh_enthalpy) / result.forward_kg;
  for (int i = 0; i < 6; ++i) {
    const Gas g = gas_of(p.gas, state.plenum_K, state.plenum_burned);
    state.plenum_K -= (g.enthalpy - h) / (g.cv + g.gas_constant);
  }
}

namespace {

Vector missing(const CvodeCycle& cycle, const CycleState<double>& from,
               const CvodeCycleResult& result) {
  const std::array<double, kCycleUnknowns> m = cycle.mismatch(from, result);
  return Eigen::Map<const Vector>(m.data());
}

// Lets the engine run at its manifold pressure until all but the torque repeats within
// `tolerance`, so many cycles at most; false where it does not. idle.cycle is then the cycle from
// idle.state.
bool run_until_periodic(const CvodeCycle& cycle, double tolerance, int most_cycles,
                        CvodeIdle& idle) {
  for (int i = 0; i < most_cycles; ++i) {
    ++idle.cycles;
    idle.cycle = cycle.run(idle.state);
    if (!idle.cycle.integrated || !(idle.cycle.forward_kg > 0.0)) return false;
    idle.worst_mismatch =
        missing(cycle, idle.state, idle.cycle).head<kCycleUnknowns - 1>().cwiseAbs().maxCoeff();
    if (!std::isfinite(idle.worst_mismatch)) return false;
    if (idle.worst_mismatch < tolerance) return true;
    idle.state = idle.cycle.end;
    cycle.mix_plenum(idle.cycle, idle.state);
  }
  return false;
}

}  // namespace

CvodeIdle idle_by_newton(const CvodeCycle& cycle, const CycleState<double>& start,
                         double tolerance) {
  constexpr double kSettled = 2e-3;
  constexpr int kSettleCycles = 40;
  // Well above what the error control leaves of roughness.
  const double difference = std::max(1e-5, 100.0 * cycle.relative_tolerance());
  const std::array<double, kCycleUnknowns> size = cycle.scale();
  CvodeIdle idle;
  idle.state = start;
  // Near the dilution limit the idle need not be stable at fixed pressure: Newton takes over.
  run_until_periodic(cycle, kSettled, kSettleCycles, idle);

  // False where CVODE gave up.
  const auto evaluate = [&](const CycleState<double>& at, Vector& f) {
    ++idle.cycles;
    idle.cycle = cycle.run(at);
    if (!idle.cycle.integrated) return false;
    f = missing(cycle, at, idle.cycle);
    return f.allFinite();
  };
  const auto moved = [&](const Vector& step) {
    CycleState<double> to = idle.state;
    const auto x = members(to);
    for (std::size_t i = 0; i < size.size(); ++i)
      *x[i] += step[static_cast<Eigen::Index>(i)] * size[i];
    return to;
  };

  Vector f, g;
  if (!evaluate(idle.state, f)) return idle;
  Matrix jacobian;
  for (int i = 0; i < kCycleUnknowns; ++i) {
    if (!evaluate(moved(difference * Vector::Unit(i)), g)) return idle;
    jacobian.col(i) = (g - f) / difference;
  }
  Matrix inverse = jacobian.partialPivLu().inverse();
  for (int i = 0; i < 20; ++i) {
    const Vector step = -inverse * f;
    idle.state = moved(step);
    if (!evaluate(idle.state, g)) return idle;
    idle.worst_mismatch = g.cwiseAbs().maxCoeff();
    if (idle.worst_mismatch < tolerance) {
      idle.found = true;
      return idle;
    }
    const Vector answer = inverse * (g - f);
    inverse += (step - answer) * (step.transpose() * inverse) / step.dot(answer);
    f = g;
  }
  return idle;
}

CvodeIdle idle_by_secant(const CvodeCycle& cycle, const CycleState<double>& start, double tolerance,
                         double torque_bar) {
  CvodeIdle idle;
  idle.state = start;
  constexpr int kMostCycles = 150;
  double before = start.map_Pa, torque_before = std::nan("");
  for (int i = 0; i < 25; ++i) {
    if (!run_until_periodic(cycle, tolerance, kMostCycles, idle)) return idle;
    const double now = idle.state.map_Pa;
    const double torque = missing(cycle, idle.state, idle.cycle)[kCycleUnknowns - 1];
    if (std::fabs(torque) < torque_bar) {
      idle.found = true;
      return idle;
    }
    // The first step by a slope of 3 kPa of imep for 1 kPa of manifold pressure; later ones no
    // longer than 12 kPa, since far from the balance the curve bends.
    const double step =
        i == 0 ? -torque * 1e5 / 3.0 : -torque * (now - before) / (torque - torque_before);
    before = now;
    torque_before = torque;
    idle.state.map_Pa = now + std::clamp(step, -12e3, 12e3);
  }
  return idle;
}

}  // namespace idlefit::reference
