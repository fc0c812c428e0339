#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "model/accessories.h"
#include "model/burn.h"
#include "model/cam.h"
#include "model/coefficients.h"
#include "model/constants.h"
#include "model/engine.h"
#include "model/flow.h"
#include "model/friction.h"
#include "model/gas.h"
#include "model/gas_exchange.h"
#include "model/heat.h"
#include "model/scalar.h"
#include "model/valve.h"

// The crank-angle cycle of one representative cylinder with its intake runner and exhaust port.
// docs/physics.md states the equations; docs/decisions/ why this scheme.
//
// P is the scalar of parameters (inputs, coefficients, tables made of them), S that of the state.
// Solving uses P = double with S = double or a dual number; the gradient S = P = a dual number.

namespace idlefit {

// --- Chosen constants (gas_exchange.h has those of the gas paths) ---

inline constexpr double kChamberAreaRatio = 2.2;  ///< head and piston area over the bore's
/// Heat transfer in gas exchange over that at the same state with the valves shut: what passes the
/// valves stirs the gas. Woschni (SAE 670931, from memory) has a velocity coefficient of 6.18 in
/// gas exchange against 2.28 in compression, to the power 0.8.
inline constexpr double kGasExchangeHeat = 2.2;
/// Back-pressure over barometer at 5000 rpm and 100 kPa of MAP; goes with the square of both.
inline constexpr double kManifoldBackPressure_Pa = 12e3;
inline constexpr double kHeaderBackPressure_Pa = 5e3;

/// What the tests and `--explain` switch off to see what it does. All on in normal use.
struct Switches {
  bool wall_heat = true;     ///< cylinder, runner and port walls
  bool overlap = true;       ///< false: the intake valve stays shut until the exhaust valve has
  bool late_closing = true;  ///< false: the intake valve shuts at bottom dead centre
  bool dead_centre_events = false;   ///< valves move at the dead centres, within a few degrees
  bool burning = true;               ///< false: motored
  double flow_scale = 1.0;           ///< multiplies every valve area
  double runner_volume_scale = 1.0;  ///< the runner's mixing volume, its column unchanged
  double back_pressure_scale = 1.0;  ///< multiplies what the exhaust holds above the barometer
  GasModel gas{};
};

/// The unknowns of the periodic cycle.
template <class S>
struct CycleState {
  S mass_kg, temperature_K, burned;  ///< cylinder at intake closing; burned fraction
  S runner_Pa, runner_K, runner_burned, column_kg_s;  ///< runner gas at intake closing
  S port_K, port_burned;                              ///< exhaust port gas at intake closing
  S plenum_burned, plenum_K;                          ///< what the runner draws from the plenum
  S map_Pa;
};
inline constexpr int kCycleUnknowns = 12;

template <class S>
struct CycleOutput {
  CycleState<S> end;                       ///< map and plenum members are the start's
  std::array<S, kCycleUnknowns> mismatch;  ///< dimensionless; zero at a periodic, balanced idle
  S fresh_kg, forward_kg;  ///< net fresh charge, and all that the plenum gave, per cycle
  S imep_gross_Pa, imep_net_Pa, fmep_Pa, accessory_mep_Pa;
  S heat_released_J, wall_heat_J;
  S burned_share;  ///< of the fresh charge in the cylinder
  // Identities over the cycle, relative to what flows through.
  double energy_error, mass_error, burned_error;
  // Reports (no derivatives).
  double burn_50_deg = 0, burn_10_90_deg = 0, peak_Pa = 0, port_at_overlap_K = 0;
  double exhaust_Pa = 0;
};

template <class P>
class Cycle {
 public:
  Cycle(const Build& build, const Inputs<P>& in, const Coefficients<P>& c, double mesh = 1.0,
        const Switches& switches = {});

  template <class S>
  CycleOutput<S> run(const CycleState<S>& start) const;

  /// A plain starting point for the solve at a manifold pressure.
  CycleState<double> first_guess(double map_Pa) const;

  /// Takes a step's iterations further, so that what they leave does not jump with their number,
  /// and derivatives are those of the answer and not of the iterations'.
  void settle_steps() {
    paths_.settled = paths_value_.settled = 1e-8;
    paths_.carried = 2;
  }

  const P& fresh_charge_K() const { return charge_K_; }
  const P& swept_m3() const { return swept_; }
  /// About what a cylinder draws at a manifold pressure, to make masses dimensionless.
  template <class S>
  S charge_scale_kg(const S& map_Pa) const {
    return map_Pa * swept_ / (switches_.gas.fresh.gas_constant * charge_K_);
  }
  const P& intake_closing_deg() const { return intake_closing_; }
  const P& column_scale_kg_s() const { return column_scale_; }
  /// Mean effective pressure of friction and accessories, at half an atmosphere in the manifold.
  P typical_losses_Pa() const { return friction_Pa_ + gas_friction_ * 5e4 + accessory_mep_; }

 private:
  struct ClosedNode {
    P volume, volume_rate_deg;  // m^3, m^3 per degree
    P heat_factor_deg;          // Hohenberg's factor times wall area, per degree of crank
  };

  // The runner while its valve is shut, and the port while its own is.
  template <class S>
  void ring_down(const CycleState<S>& start, const S& plenum_enthalpy, OpenState<S>& y) const;

  void piston(const P& angle_deg, P& volume, P& volume_per_deg, P& wall_area) const;

  Build build_;
  Inputs<P> in_;
  Coefficients<P> c_;
  Switches switches_;
  GasPaths<P> paths_;
  GasPaths<double> paths_value_;

  P swept_, clearance_, crank_m_, bore_area_;
  P deg_per_s_, mean_piston_speed_;
  P charge_K_, fresh_enthalpy_, charge_heat_;
  P column_scale_, closed_runner_s_, closed_port_s_;
  P accessory_mep_, friction_Pa_, gas_friction_, back_pressure_gain_;
  P intake_opening_, intake_closing_, exhaust_opening_, exhaust_closing_;

  std::vector<OpenNode<P>> open_;   // each node ends a step
  std::vector<ClosedNode> closed_;  // node, midpoint, node, ... of each step
  std::vector<P> closed_step_deg_;
  int ignition_step_ = 0;  // first burning step of the closed part
  P closed_start_;
};

// --- Set-up ---

template <class P>
void Cycle<P>::piston(const P& angle_deg, P& volume, P& volume_per_deg, P& wall_area) const {
  using std::cos;
  using std::sin;
  using std::sqrt;
  const P angle = angle_deg * kDegree;
  const P s = sin(angle), co = cos(angle);
  const P ratio = in_.rod_m / crank_m_;
  const P root = sqrt(ratio * ratio - s * s);
  const P travel = crank_m_ * (1.0 + ratio - co - root);
  volume = clearance_ + bore_area_ * travel;
  volume_per_deg = bore_area_ * crank_m_ * s * (1.0 + co / root) * kDegree;
  wall_area = kChamberAreaRatio * bore_area_ + kPi * in_.bore_m * travel;
}

template <class P>
Cycle<P>::Cycle(const Build& build, const Inputs<P>& in, const Coefficients<P>& c, double mesh,
                const Switches& switches)
    : build_(build), in_(in), c_(c), switches_(switches) {
  using std::exp;
  using std::sqrt;

  bore_area_ = kPi / 4.0 * in.bore_m * in.bore_m;
  swept_ = bore_area_ * in.stroke_m;
  clearance_ = swept_ / (in.compression_ratio - 1.0);
  crank_m_ = in.stroke_m / 2.0;
  deg_per_s_ = 6.0 * in.speed_rpm;
  mean_piston_speed_ = in.stroke_m * in.speed_rpm / 30.0;

  charge_K_ = in.intake_air_K + c.charge_heating_K;
  fresh_enthalpy_ = specific_enthalpy(switches.gas, charge_K_, 0.0);
  charge_heat_ =
      switches.burning ? idlefit::charge_heat_J_kg(fuel_properties(build.fuel), in.lambda) : P(0.0);

  const double n_in = build.intake_valves, n_ex = build.exhaust_valves;
  column_scale_ = swept_ * in.speed_rpm / 60.0;  // kg/s: a full charge in an intake stroke
  paths_.gas = switches.gas;
  paths_.wall_heat = switches.wall_heat;
  paths_.wall_K = c.wall_temperature_K;
  paths_.reverse_flow = c.reverse_flow;
  paths_.runner_area =
      kThroatAreaRatio * n_in * kPi / 4.0 * in.intake_valve_diameter_m * in.intake_valve_diameter_m;
  paths_.runner_length = c.runner_length_m;
  paths_.runner_volume = switches.runner_volume_scale * paths_.runner_area * c.runner_length_m;
  paths_.port_volume = kExhaustPortRatio * swept_;
  paths_.runner_heat = paths_.port_heat = P(0.0);
  if (switches.wall_heat) {
    paths_.runner_heat =
        sqrt(4.0 * kPi * paths_.runner_area) * c.runner_length_m * c.runner_heat_W_m2K;
    paths_.port_heat = 4.0 * paths_.port_volume / (in.exhaust_valve_diameter_m * std::sqrt(n_ex)) *
                       c.exhaust_port_heat_W_m2K;
  }
  paths_.column_floor_kg_s = 0.02 * value(column_scale_);
  paths_value_ = GasPaths<double>::values(paths_);

  const P displacement = swept_ * static_cast<double>(build.cylinders);
  accessory_mep_ = mep_from_power_Pa(in.accessory_power_W, in.speed_rpm, displacement) +
                   mep_from_torque_Pa(in.converter_torque_Nm, displacement);

  const FrictionParts<P> friction =
      friction_parts_Pa(friction_geometry(build, in), in.speed_rpm, P(1.0));
  friction_Pa_ = c.friction * (friction.total() - friction.gas_load);
  gas_friction_ = c.friction * friction.gas_load / in.barometer_Pa;
  const double back =
      build.exhaust == Exhaust::headers ? kHeaderBackPressure_Pa : kManifoldBackPressure_Pa;
  back_pressure_gain_ = switches.back_pressure_scale * back / 1e10 * (in.speed_rpm / 5000.0) *
                        (in.speed_rpm / 5000.0);

  // Valve motion. Angles from firing top dead centre, the open part running from exhaust opening
  // (about 120) to intake closing (about 610).
  const P exhaust_centre = 360.0 - (2.0 * in.lobe_separation_deg - in.intake_centerline_deg);
  const P intake_centre = 360.0 + in.intake_centerline_deg;
  const ValveMotion<P> intake =
      valve_motion(in.intake_duration_050_deg, in.intake_duration_seat_deg, in.intake_valve_lift_m,
                   in.intake_rocker_ratio, in.seat_height_m, in.intake_lash_m, intake_centre);
  const ValveMotion<P> exhaust = valve_motion(
      in.exhaust_duration_050_deg, in.exhaust_duration_seat_deg, in.exhaust_valve_lift_m,
      in.exhaust_rocker_ratio, in.seat_height_m, in.exhaust_lash_m, exhaust_centre);
  exhaust_opening_ = exhaust_centre - exhaust.half_open_deg;
  exhaust_closing_ = exhaust_centre + exhaust.half_open_deg;
  intake_opening_ = intake_centre - intake.half_open_deg;
  intake_closing_ = intake_centre + intake.half_open_deg;
  if (switches.dead_centre_events) {
    exhaust_opening_ = P(180.0);
    exhaust_closing_ = intake_opening_ = P(360.0);
    intake_closing_ = P(540.0);
  }
  if (!switches.overlap && value(intake_opening_) < value(exhaust_closing_))
    intake_opening_ = exhaust_closing_;
  if (!switches.late_closing && value(intake_closing_) > 540.0) intake_closing_ = P(540.0);

  // Valves of the ideal engine: full lift but for a short ramp at either end.
  const auto ideal_lift = [](const P& full_lift, const P& angle, const P& opening,
                             const P& closing) {
    constexpr double kRamp_deg = 10.0;
    const P inside =
        value(angle - opening) < value(closing - angle) ? P(angle - opening) : P(closing - angle);
    if (value(inside) >= kRamp_deg) return full_lift;
    return P(full_lift * smooth_step(P(inside / kRamp_deg)));
  };
  const auto intake_area = [&](const P& angle) {
    const P lift = switches.dead_centre_events
                       ? ideal_lift(in.intake_valve_lift_m, angle, intake_opening_, intake_closing_)
                       : intake.lift_m(angle);
    return n_in * switches.flow_scale *
           effective_area_m2(lift, in.intake_valve_diameter_m, kIntakeBench, c.low_lift_flow,
                             c.full_lift_flow);
  };
  const auto exhaust_area = [&](const P& angle) {
    const P lift = switches.dead_centre_events ? ideal_lift(in.exhaust_valve_lift_m, angle,
                                                            exhaust_opening_, exhaust_closing_)
                                               : exhaust.lift_m(angle);
    return n_ex * switches.flow_scale *
           effective_area_m2(lift, in.exhaust_valve_diameter_m, kExhaustBench, c.low_lift_flow,
                             c.full_lift_flow);
  };

  // The open part, in pieces between valve events and dead centres.
  std::vector<P> marks{exhaust_opening_, intake_opening_, exhaust_closing_, intake_closing_};
  if (value(exhaust_opening_) < 179.0 && value(intake_opening_) > 181.0) marks.push_back(P(180.0));
  if (value(exhaust_closing_) < 539.0 && value(intake_closing_) > 541.0) marks.push_back(P(540.0));
  std::sort(marks.begin(), marks.end(), [](const P& a, const P& b) { return value(a) < value(b); });
  P last_s = P(0.0), earlier_s = P(0.0);
  open_.reserve(static_cast<std::size_t>(300 * mesh + 50));
  for (std::size_t i = 0; i + 1 < marks.size(); ++i) {
    const P from = marks[i], span = marks[i + 1] - marks[i];
    const double width = value(span);
    if (width <= 1e-9) continue;
    const double middle = value(from) + 0.5 * width;
    const bool in_open = middle > value(intake_opening_) && middle < value(intake_closing_);
    const bool ex_open = middle > value(exhaust_opening_) && middle < value(exhaust_closing_);
    // Counts do not depend on the engine, so that results move smoothly with it. They are closest
    // in blowdown, with the shortest at its start, where the first step is of first order only,
    // toward the end of the exhaust stroke, and between the valve events, where the cylinder falls
    // from exhaust to manifold pressure. Set by the error against CVODE and on random engines, and
    // by the ripple that too few steps leave in MAP's slopes (docs/decisions/0006-speed.md).
    const bool blowdown = ex_open && middle < 180.0;
    const double wanted = in_open && ex_open ? 38.0
                          : in_open          ? (middle < 540.0 ? 72.0 : 28.0)
                          : blowdown         ? 40.0
                          : ex_open          ? 32.0
                                             : 8.0;
    const int steps = std::max(2, static_cast<int>(std::lround(mesh * wanted)));
    double done = 0.0;
    for (int k = 1; k <= steps; ++k) {
      const double even = static_cast<double>(k) / steps;
      const double share = blowdown              ? std::pow(even, 1.5)
                           : ex_open && !in_open ? 1.0 - std::pow(1.0 - even, 1.9)
                                                 : even;
      const P angle = from + span * share;
      const P width_of_step = span * (share - done);
      done = share;
      OpenNode<P> n;
      P per_deg, area;
      piston(angle, n.volume, per_deg, area);
      n.volume_rate = per_deg * deg_per_s_;
      n.heat_factor = switches.wall_heat ? P(kGasExchangeHeat * c.heat_transfer * area *
                                             hohenberg_factor(n.volume, mean_piston_speed_))
                                         : P(0.0);
      n.intake_area = in_open ? intake_area(angle) : P(0.0);
      n.exhaust_area = ex_open ? exhaust_area(angle) : P(0.0);
      n.openness = openness(n.intake_area, paths_.runner_area);
      const P step_s = width_of_step / deg_per_s_;
      n.formula = step_formula(step_s, last_s, earlier_s, static_cast<int>(open_.size()) + 1);
      earlier_s = last_s;
      last_s = step_s;
      n.intake_open = in_open;
      n.exhaust_open = ex_open;
      n.pumping = middle > 180.0 && middle < 540.0;
      open_.push_back(n);
    }
  }
  closed_runner_s_ = (720.0 - (intake_closing_ - intake_opening_)) / deg_per_s_;
  closed_port_s_ = (720.0 - (exhaust_closing_ - exhaust_opening_)) / deg_per_s_;

  // The closed part: compression, burn, expansion.
  closed_start_ = intake_closing_ - 720.0;
  P ignition = -in.spark_btdc_deg;
  if (value(ignition) < value(closed_start_) + 2.0) ignition = closed_start_ + 2.0;
  P burn_end = P(75.0);
  if (value(burn_end) > value(exhaust_opening_) - 2.0) burn_end = exhaust_opening_ - 2.0;
  const P edges[] = {closed_start_, ignition, burn_end, exhaust_opening_};
  const int steps[] = {std::max(4, static_cast<int>(std::lround(5 * mesh))),
                       std::max(7, static_cast<int>(std::lround(9 * mesh))),
                       std::max(3, static_cast<int>(std::lround(3 * mesh)))};
  ignition_step_ = steps[0];
  for (int piece = 0; piece < 3; ++piece) {
    const P step = (edges[piece + 1] - edges[piece]) / static_cast<double>(steps[piece]);
    for (int k = 0; k < steps[piece]; ++k) {
      closed_step_deg_.push_back(step);
      for (int half = 0; half < 2; ++half) {
        ClosedNode n;
        P area;
        piston(P(edges[piece] + step * (k + 0.5 * half)), n.volume, n.volume_rate_deg, area);
        n.heat_factor_deg = switches.wall_heat
                                ? P(c.heat_transfer * area *
                                    hohenberg_factor(n.volume, mean_piston_speed_) / deg_per_s_)
                                : P(0.0);
        closed_.push_back(n);
      }
    }
  }
  ClosedNode last;
  P area;
  piston(exhaust_opening_, last.volume, last.volume_rate_deg, area);
  last.heat_factor_deg = switches.wall_heat
                             ? P(c.heat_transfer * area *
                                 hohenberg_factor(last.volume, mean_piston_speed_) / deg_per_s_)
                             : P(0.0);
  closed_.push_back(last);
}

template <class P>
CycleState<double> Cycle<P>::first_guess(double map_Pa) const {
  CycleState<double> s;
  const double ambient = value(in_.barometer_Pa);
  s.map_Pa = map_Pa;
  s.burned = std::clamp(0.08 + 0.10 * ambient / map_Pa, 0.12, 0.5);
  s.temperature_K = 340.0 * (1.0 - s.burned) + 850.0 * s.burned;
  const double volume = value(closed_.front().volume);
  s.mass_kg = map_Pa * 1.02 * volume / (gas_constant(switches_.gas, s.burned) * s.temperature_K);
  s.runner_Pa = map_Pa;
  s.runner_burned = s.burned * 0.35;
  s.runner_K = value(charge_K_) + 150.0 * s.runner_burned;
  s.column_kg_s = 0.0;
  s.port_K = 750.0;
  s.port_burned = 0.96;
  s.plenum_burned = s.runner_burned * 0.5;
  s.plenum_K = value(charge_K_) + 100.0 * s.plenum_burned;
  return s;
}

// --- One cycle ---

/// The runner from intake closing to intake opening, in closed form: the column rings down against
/// the gas in the runner as a damped oscillator, and the wall heats or cools that gas at the
/// plenum's pressure. The small exchange with the plenum that both need is booked as any flow.
template <class P>
template <class S>
void Cycle<P>::ring_down(const CycleState<S>& start, const S& plenum_enthalpy,
                         OpenState<S>& y) const {
  using std::cos;
  using std::exp;
  using std::sin;
  using std::sqrt;
  const GasModel& gas = switches_.gas;
  const double dr = gas.burned.gas_constant - gas.fresh.gas_constant;
  const S mass = start.runner_Pa * paths_.runner_volume /
                 (gas_constant(gas, start.runner_burned) * start.runner_K);
  const GasContent<S> before = content(gas, mass, start.runner_K, start.runner_burned);
  const GasState<S> g = gas_state(gas, before, paths_.runner_volume, value(start.runner_K));
  const S inverse_mass = 1.0 / mass;
  const S runner_h = (before.energy + g.gas_extent * g.temperature_K) * inverse_mass;

  // Pressure per kg exchanged, of the gas on the receiving or giving side.
  const S by_energy = g.gas_extent / (paths_.runner_volume * g.heat_capacity);
  const S fresh = specific_energy(gas.fresh, g.temperature_K);
  const S burned = specific_energy(gas.burned, g.temperature_K);
  const auto per_kg = [&](const S& h, const S& fraction) {
    return g.temperature_K / paths_.runner_volume * (gas.fresh.gas_constant + dr * fraction) +
           by_energy * (h - fresh - fraction * (burned - fresh));
  };
  // Exchanges `kg` with the plenum; which gas it is turns smoothly with the sign.
  constexpr double kTurningShare = 0.002;  // of the runner's mass
  const auto exchange = [&](const S& kg) {
    Carried<S> c{};
    c.forward = forward_weight(S(kg * inverse_mass * (1.0 / kTurningShare)));
    c.runner_h = runner_h;
    c.runner_y = start.runner_burned;
    c.column_h = runner_h + c.forward * (plenum_enthalpy - runner_h);
    c.column_y = c.runner_y + c.forward * (start.plenum_burned - c.runner_y);
    add_flows<true, false>(y, c, S(0.0), S(0.0), kg);
  };

  y[kRunMass] = before.mass;
  y[kRunEnergy] = before.energy;
  y[kRunBurned] = before.burned;

  // Oscillator: d' = D G, G' = -(A/L) d - 2 alpha G, d the pressure over the plenum's.
  const S stiffness = per_kg(runner_h, start.runner_burned);
  const S density = mass / paths_.runner_volume;
  const P gain = paths_.runner_area / paths_.runner_length;
  const S alpha = 0.5 * ringing_drag(paths_, start.runner_Pa, density);
  const S omega = sqrt(stiffness * gain - alpha * alpha);
  const S decay = exp(-alpha * closed_runner_s_);
  const S c = cos(omega * closed_runner_s_), s = sin(omega * closed_runner_s_) / omega;
  const S d0 = start.runner_Pa - start.map_Pa;
  const S g0 = start.column_kg_s;
  const S d1 = decay * (d0 * c + (stiffness * g0 + alpha * d0) * s);
  y[kColumn] = decay * (g0 * c - (gain * d0 + alpha * g0) * s);
  exchange(S((d1 - d0) / stiffness));

  // Wall heat at constant pressure: dp = by_energy Q + per_kg(h, y) dm = 0.
  const S capacity = g.heat_capacity + g.gas_extent;
  const S heat = capacity * (kRunnerWall_K - g.temperature_K) *
                 (1.0 - exp(-(paths_.runner_heat * closed_runner_s_) / capacity));
  y[kRunEnergy] += heat;
  y[kRunnerHeat] += heat;
  const bool drawn = value(heat) < 0.0;
  exchange(
      S(-by_energy * heat / (drawn ? per_kg(plenum_enthalpy, start.plenum_burned) : stiffness)));
}

template <class P>
template <class S>
[[gnu::flatten]] CycleOutput<S> Cycle<P>::run(const CycleState<S>& start) const {
  using std::exp;
  const GasModel& gas = switches_.gas;
  CycleOutput<S> out;
  const S exhaust_Pa = in_.barometer_Pa + back_pressure_gain_ * start.map_Pa * start.map_Pa;
  out.exhaust_Pa = value(exhaust_Pa);

  // --- Closed part: intake closing to exhaust opening, fourth-order Runge-Kutta on the energy
  // without its heat of combustion, and on Wiebe time.
  const GasContent<S> trapped = content(gas, start.mass_kg, start.temperature_K, start.burned);
  S energy = trapped.energy, wiebe_time = S(0.0), burned_done = S(0.0);
  S closed_work = S(0.0), wall_heat = S(0.0);
  const S fresh_kg = trapped.mass - trapped.burned;
  Burn<S> burn{};
  S heat_total = S(0.0), burned_total = S(0.0);
  double guess_K = value(start.temperature_K);
  const double wiebe_marks[] = {0.10, 0.50, 0.90};
  double mark_deg[3] = {0, 0, 0};
  double angle = value(closed_start_), progress_before = 0.0;

  const auto closed_state = [&](const ClosedNode& node, const S& e, const S& progress) {
    const GasContent<S> c{trapped.mass, e + heat_total * progress,
                          trapped.burned + burned_total * progress};
    GasState<S> g = gas_state(gas, c, node.volume, guess_K);
    guess_K = value(g.temperature_K);
    return g;
  };
  struct Rates {
    S work, heat, wiebe;
  };
  const auto rates = [&](const ClosedNode& node, const S& e, const S& t, bool burning) {
    Rates r;
    const S progress = burning ? wiebe(t) : burned_done;
    const GasState<S> g = closed_state(node, e, progress);
    r.work = g.pressure_Pa * node.volume_rate_deg;
    r.heat = S(0.0);
    if (switches_.wall_heat)
      r.heat = node.heat_factor_deg * hohenberg_gas_factor(g.pressure_Pa, g.temperature_K) *
               (g.temperature_K - c_.wall_temperature_K);
    r.wiebe = burning ? burn.rate_per_deg(g.pressure_Pa, c_.quench_speed_m_s) : S(0.0);
    out.peak_Pa = std::max(out.peak_Pa, value(g.pressure_Pa));
    return r;
  };

  const int steps = static_cast<int>(closed_step_deg_.size());
  for (int i = 0; i < steps; ++i) {
    const ClosedNode* node = &closed_[2 * static_cast<std::size_t>(i)];
    const P& h = closed_step_deg_[static_cast<std::size_t>(i)];
    if (i == ignition_step_ && switches_.burning) {
      const GasState<S> g = closed_state(node[0], energy, S(0.0));
      burn =
          start_burn(c_, start.burned, g.temperature_K, g.pressure_Pa, in_.lambda, in_.speed_rpm);
      burned_total = fresh_kg * burn.completeness;
      heat_total = burned_total * charge_heat_;
    }
    const bool burning = i >= ignition_step_ && switches_.burning;
    const P half = 0.5 * h;
    const Rates a = rates(node[0], energy, wiebe_time, burning);
    const Rates b = rates(node[1], S(energy - half * (a.work + a.heat)),
                          S(wiebe_time + half * a.wiebe), burning);
    const Rates c = rates(node[1], S(energy - half * (b.work + b.heat)),
                          S(wiebe_time + half * b.wiebe), burning);
    const Rates d =
        rates(node[2], S(energy - h * (c.work + c.heat)), S(wiebe_time + h * c.wiebe), burning);
    const S work = h * (1.0 / 6.0) * (a.work + 2.0 * (b.work + c.work) + d.work);
    const S heat = h * (1.0 / 6.0) * (a.heat + 2.0 * (b.heat + c.heat) + d.heat);
    closed_work += work;
    wall_heat += heat;
    energy -= work + heat;
    if (burning) wiebe_time += h * (1.0 / 6.0) * (a.wiebe + 2.0 * (b.wiebe + c.wiebe) + d.wiebe);
    const double progress = value(wiebe_time);
    for (int m = 0; m < 3; ++m) {
      const double mark = std::cbrt(-std::log(1.0 - wiebe_marks[m]) / 5.0);
      if (progress_before < mark && progress >= mark)
        mark_deg[m] = angle + value(h) * (mark - progress_before) / (progress - progress_before);
    }
    progress_before = progress;
    angle += value(h);
  }
  const S progress = switches_.burning ? wiebe(wiebe_time) : S(0.0);
  out.heat_released_J = heat_total * progress;
  out.burned_share = switches_.burning ? S(burn.completeness * progress) : S(0.0);
  out.burn_50_deg = mark_deg[1];
  out.burn_10_90_deg = mark_deg[2] > mark_deg[0] ? mark_deg[2] - mark_deg[0] : 0.0;

  // --- Open part.
  OpenState<S> y;
  for (S& row : y) row = S(0.0);
  y[kCylMass] = trapped.mass;
  y[kCylEnergy] = energy + heat_total * progress;
  y[kCylBurned] = trapped.burned + burned_total * progress;
  const S plenum_enthalpy = specific_enthalpy(gas, start.plenum_K, start.plenum_burned);
  ring_down(start, plenum_enthalpy, y);
  const S runner_kg_before = start.runner_Pa * paths_.runner_volume /
                             (gas_constant(gas, start.runner_burned) * start.runner_K);
  // The port's gas cools while the exhaust valve is shut.
  {
    const S capacity = exhaust_Pa * paths_.port_volume /
                       (gas_constant(gas, start.port_burned) * start.port_K) *
                       (gas.burned.gas_constant + gas.burned.cv(start.port_K));
    y[kPortK] = kExhaustPortWall_K + (start.port_K - kExhaustPortWall_K) *
                                         exp(-(paths_.port_heat * closed_port_s_) / capacity);
    y[kPortBurned] = start.port_burned;
  }
  const Surroundings<S> around{start.map_Pa, exhaust_Pa, plenum_enthalpy, start.plenum_burned};
  double runner_K = value(start.runner_K);
  S pumping_work = S(0.0);
  OpenHistory<S> history{y, y, y};
  for (const OpenNode<P>& node : open_) {
    const S work_before = history.now[kWork];
    if (!node.intake_open && node.exhaust_open) out.port_at_overlap_K = value(history.now[kPortK]);
    const auto step = [&]<bool kIntake, bool kExhaust>() {
      open_step<kIntake, kExhaust>(paths_, paths_value_, node, around, history, guess_K, runner_K);
    };
    if (node.intake_open && node.exhaust_open) {
      step.template operator()<true, true>();
    } else if (node.intake_open) {
      step.template operator()<true, false>();
    } else if (node.exhaust_open) {
      step.template operator()<false, true>();
    } else {
      step.template operator()<false, false>();
    }
    if (node.pumping) pumping_work += history.now[kWork] - work_before;
  }
  y = history.now;

  const GasState<S> cylinder = gas_state(
      gas, GasContent<S>{y[kCylMass], y[kCylEnergy], y[kCylBurned]}, open_.back().volume, guess_K);
  const GasState<S> runner =
      gas_state(gas, GasContent<S>{y[kRunMass], y[kRunEnergy], y[kRunBurned]}, paths_.runner_volume,
                runner_K);
  out.end = start;
  out.end.mass_kg = y[kCylMass];
  out.end.temperature_K = cylinder.temperature_K;
  out.end.burned = y[kCylBurned] / y[kCylMass];
  out.end.runner_Pa = runner.pressure_Pa;
  out.end.runner_K = runner.temperature_K;
  out.end.runner_burned = y[kRunBurned] / y[kRunMass];
  out.end.column_kg_s = y[kColumn];
  out.end.port_K = y[kPortK];
  out.end.port_burned = y[kPortBurned];

  // --- Mean effective pressures and the balance.
  const S work = closed_work + y[kWork];
  wall_heat += y[kWallHeat];
  out.wall_heat_J = wall_heat;
  out.imep_net_Pa = work / swept_;
  out.imep_gross_Pa = (work - pumping_work) / swept_;
  out.fmep_Pa = friction_Pa_ + gas_friction_ * start.map_Pa;
  out.accessory_mep_Pa = S(accessory_mep_);

  // Net fresh charge: what the plenum gave less what it got back, the burned gas in it being its
  // own.
  const S gained = y[kRunMass] - runner_kg_before;
  const S into_cylinder = y[kCylMass] - trapped.mass + y[kOutMass];
  out.forward_kg = y[kForward];
  out.fresh_kg = gained + into_cylinder;

  const S reference_kg = charge_scale_kg(start.map_Pa);
  const S inverse_kg = 1.0 / reference_kg;
  const CycleState<S>& end = out.end;
  auto& m = out.mismatch;
  m[0] = end.mass_kg / start.mass_kg - 1.0;
  m[1] = end.temperature_K / start.temperature_K - 1.0;
  m[2] = end.burned - start.burned;
  m[3] = end.runner_Pa / start.runner_Pa - 1.0;
  m[4] = end.runner_K / start.runner_K - 1.0;
  m[5] = end.runner_burned - start.runner_burned;
  m[6] = (end.column_kg_s - start.column_kg_s) / column_scale_;
  m[7] = end.port_K / start.port_K - 1.0;
  m[8] = end.port_burned - start.port_burned;
  // The plenum mixes what the runners push back into the fresh charge.
  m[9] = (y[kForward] * start.plenum_burned - y[kBackBurned]) * inverse_kg;
  m[10] = (y[kForward] * plenum_enthalpy - out.fresh_kg * fresh_enthalpy_ - y[kBackEnthalpy]) *
          inverse_kg / (1000.0 * charge_K_);
  m[11] = (out.imep_net_Pa - out.fmep_Pa - out.accessory_mep_Pa) * 1e-5;

  // --- Identities over the whole cycle: what enters runner and cylinder against what leaves them.
  // They close to rounding but for what the solve leaves unperiodic.
  const double heat = value(out.heat_released_J);
  const double fresh = value(out.fresh_kg);
  const double heat_in = heat + fresh * value(fresh_enthalpy_) + value(y[kRunnerHeat]);
  const double energy_out = value(work) + value(wall_heat) + value(y[kOutEnthalpy]);
  out.energy_error =
      (heat_in - energy_out) / std::max(1e-9, std::fabs(heat) + std::fabs(energy_out));
  out.mass_error = (fresh - value(y[kOutMass])) / std::max(1e-12, std::fabs(fresh));
  out.burned_error =
      value(burned_total * progress - y[kOutBurned]) / std::max(1e-12, std::fabs(fresh));
  return out;
}

}  // namespace idlefit
