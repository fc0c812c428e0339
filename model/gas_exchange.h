#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <type_traits>

#include "model/constants.h"
#include "model/flow.h"
#include "model/gas.h"
#include "model/heat.h"
#include "model/scalar.h"

// The open part of the cycle, exhaust opening to intake closing: cylinder, intake runner with its
// gas column, exhaust port, and what passes between them and the plenum.

namespace idlefit {

// --- Chosen constants of the gas paths ---

inline constexpr double kRunnerWall_K = 355.0;         ///< port and runner wall, warm: coolant
inline constexpr double kExhaustPortWall_K = 550.0;    ///< exhaust port wall at idle
inline constexpr double kThroatAreaRatio = 0.8;        ///< runner area over the valve heads' area
inline constexpr double kRunnerLossCoefficient = 0.5;  ///< entry and bend loss, dynamic heads
inline constexpr double kRunnerDamping = 0.08;         ///< of critical, ringing of the column
/// Column speed through an open valve at which half of that damping is gone.
inline constexpr double kThroughSpeed_m_s = 45.0;
/// Effective valve area over the runner's at which the valve counts as open: that of full lift.
inline constexpr double kOpenAreaRatio = 0.6;
inline constexpr double kExhaustPortRatio = 0.25;  ///< port volume over one cylinder's swept

/// Geometry and laws of the gas paths, constant over a cycle.
template <class P>
struct GasPaths {
  GasModel gas;
  FlowFit fresh_fit{gas.fresh_gamma}, burned_fit{gas.burned_gamma};
  bool wall_heat = true;
  P wall_K;                                                  // combustion chamber
  P reverse_flow;                                            // coefficient, reverse over forward
  P runner_volume, runner_area, runner_length, runner_heat;  // heat: W/K
  P port_volume, port_heat;
  double column_floor_kg_s;  // flow below which the column's turning is smoothed
  double settled = 1e-4;     // a step's iterations end when nothing moves by more, relative
  int carried = 1;           // iterations that carry derivatives, where one is not known to do

  template <class Q>
  static GasPaths<double> values(const GasPaths<Q>& p) {
    GasPaths<double> v;
    v.gas = p.gas;
    v.fresh_fit = p.fresh_fit;
    v.burned_fit = p.burned_fit;
    v.wall_heat = p.wall_heat;
    v.wall_K = value(p.wall_K);
    v.reverse_flow = value(p.reverse_flow);
    v.runner_volume = value(p.runner_volume);
    v.runner_area = value(p.runner_area);
    v.runner_length = value(p.runner_length);
    v.runner_heat = value(p.runner_heat);
    v.port_volume = value(p.port_volume);
    v.port_heat = value(p.port_heat);
    v.column_floor_kg_s = p.column_floor_kg_s;
    v.settled = p.settled;
    v.carried = p.carried;
    return v;
  }
};

/// An implicit formula over unequal steps: the state at a step's end is
///   now + first (now - before) + second (before - earlier) + implicit_s rate(end).
template <class P>
struct StepFormula {
  P implicit_s, first, second;
  P guess_first, guess_second;  // the same without a rate: the polynomial through the last points

  static StepFormula<double> values(const StepFormula& f) {
    return {value(f.implicit_s), value(f.first), value(f.second), value(f.guess_first),
            value(f.guess_second)};
  }
};

/// Share of the third-order term in the backward differentiation formula. The second-order formula
/// (0) is stable for whatever oscillates and has three times the error; the third-order one (1)
/// lets the intake column's ringing grow where a slow idle leaves few steps to a swing. Set between
/// by the error on random engines (docs/decisions/0006-speed.md).
inline constexpr double kThirdOrderShare = 0.93;
/// Where a step is this much longer than the one before, half of that term is left. It goes
/// smoothly, so that results move smoothly with the engine.
inline constexpr double kThirdOrderGrowth = 1.6;

/// The backward differentiation formula from the last steps' lengths (s), newest first: the slope
/// at the new point x0 of the polynomial through the points before,
///   [x0,x1] + (t0-t1) [x0,x1,x2] + share (t0-t1) (t0-t2) [x0,x1,x2,x3]
/// in divided differences, is the rate there. `known`: points at hand, 1 (backward Euler) or more.
template <class P>
StepFormula<P> step_formula(const P& step, const P& last, const P& earlier, int known) {
  if (known < 2) return {step, P(0.0), P(0.0), P(0.0), P(0.0)};
  const P two = step + last;
  if (known < 3) {
    const P w = step / two, implicit = step / (1.0 + w);
    return {implicit, P(implicit * w / last), P(0.0), P(step / last), P(0.0)};
  }
  const P growth = step / (kThirdOrderGrowth * last), cube = growth * growth * growth;
  const P steady = 1.0 / (1.0 + cube * cube);
  const P third = kThirdOrderShare * steady * step / (two + earlier);
  const P w = step / two + third, implicit = step / (1.0 + w);
  const P bend = third * two / (last + earlier);
  const P guess_bend = steady * step * two / (last + earlier);
  return {implicit, P(implicit * (w + bend) / last), P(-(implicit * bend) / earlier),
          P((step + guess_bend) / last), P(-guess_bend / earlier)};
}

/// What a step needs at the crank angle it ends at.
template <class P>
struct OpenNode {
  P volume, volume_rate;        // m^3, m^3/s
  P heat_factor;                // Hohenberg's factor times wall area
  P intake_area, exhaust_area;  // effective, forward, all valves of the cylinder, m^2
  P openness;                   // of the intake valve, 0 to 1
  StepFormula<P> formula;       // of the step from the node before
  bool intake_open = false, exhaust_open = false;  // over that step
  bool pumping = false;  // that step belongs to the exhaust or intake stroke

  static OpenNode<double> values(const OpenNode& n) {
    return {value(n.volume),
            value(n.volume_rate),
            value(n.heat_factor),
            value(n.intake_area),
            value(n.exhaust_area),
            value(n.openness),
            StepFormula<P>::values(n.formula),
            n.intake_open,
            n.exhaust_open,
            n.pumping};
  }
};

/// What surrounds cylinder, runner and port.
template <class S>
struct Surroundings {
  S map_Pa, exhaust_Pa;
  S plenum_enthalpy, plenum_burned;  // of the gas that the runner draws, J/kg and fraction

  static Surroundings<double> values(const Surroundings& s) {
    return {value(s.map_Pa), value(s.exhaust_Pa), value(s.plenum_enthalpy), value(s.plenum_burned)};
  }
};

// Rows of the open part's state. Each block is touched only while its valve is open. Contents are
// extents (kg, J, kg), rows named Out and Back run sums.
enum Row : std::size_t {
  kCylMass,
  kCylEnergy,
  kCylBurned,
  kWallHeat,
  kWork,
  kPortK,
  kPortBurned,
  kOutMass,
  kOutEnthalpy,
  kOutBurned,
  kRunMass,
  kRunEnergy,
  kRunBurned,
  kColumn,
  kForward,
  kBackBurned,
  kBackEnthalpy,
  kRunnerHeat,
  kRows
};
inline constexpr std::size_t kExhaustRows = kPortK, kIntakeRows = kRunMass;

template <class S>
using OpenState = std::array<S, kRows>;

/// Calls f(row) for every row that a step with these valves open moves.
template <bool kIntake, bool kExhaust, class F>
void for_rows(F&& f) {
  for (std::size_t i = 0; i < kExhaustRows; ++i) f(i);
  if constexpr (kExhaust)
    for (std::size_t i = kExhaustRows; i < kIntakeRows; ++i) f(i);
  if constexpr (kIntake)
    for (std::size_t i = kIntakeRows; i < kRows; ++i) f(i);
}

/// What the flows carry: specific enthalpy (J/kg) and burned fraction.
template <class S>
struct Carried {
  S in_h, in_y;          // runner to cylinder
  S out_h, out_y;        // cylinder to exhaust port
  S column_h, column_y;  // plenum to runner
  S forward;             // weight of the plenum's gas in the column's flow
  S runner_h, runner_y;
  S port_h, port_y, port_mass, port_heat_capacity;
};

/// Adds to the rates what these flows (kg/s) bring. All gas moves through here, so what leaves one
/// volume is what enters the next.
template <bool kIntake, bool kExhaust, class S>
void add_flows(OpenState<S>& k, const Carried<S>& c, const S& in, const S& out, const S& column) {
  if constexpr (kIntake) {
    const S energy = in * c.in_h, burned = in * c.in_y;
    k[kCylMass] += in;
    k[kCylEnergy] += energy;
    k[kCylBurned] += burned;
    k[kRunMass] += column - in;
    k[kRunEnergy] += column * c.column_h - energy;
    k[kRunBurned] += column * c.column_y - burned;
    const S back = (c.forward - 1.0) * column;
    k[kForward] += c.forward * column;
    k[kBackBurned] += back * c.runner_y;
    k[kBackEnthalpy] += back * c.runner_h;
  }
  if constexpr (kExhaust) {
    const S energy = out * c.out_h, burned = out * c.out_y;
    k[kCylMass] -= out;
    k[kCylEnergy] -= energy;
    k[kCylBurned] -= burned;
    k[kOutMass] += out;
    k[kOutEnthalpy] += energy;
    k[kOutBurned] += burned;
    // The port keeps its pressure: what comes in drives as much out, at the port's own state.
    k[kPortK] += (energy - out * c.port_h) / c.port_heat_capacity;
    k[kPortBurned] += (burned - out * c.port_y) / c.port_mass;
  }
}

/// Damping of the column's ringing with the valve shut (1/s): a share of critical against the
/// runner's gas as a spring.
template <class P, class S>
S ringing_drag(const GasPaths<P>& p, const S& pressure_Pa, const S& density_kg_m3) {
  using std::sqrt;
  return 2.0 * kRunnerDamping *
         sqrt(p.gas.fresh_gamma * pressure_Pa / density_kg_m3 * p.runner_area /
              (p.runner_length * p.runner_volume));
}

/// How far a valve with this effective area opens the runner into the cylinder, 0 to 1.
template <class P>
P openness(const P& valve_area_m2, const P& runner_area_m2) {
  const P share = valve_area_m2 / (kOpenAreaRatio * runner_area_m2);
  return value(share) < 1.0 ? smooth_step(share) : P(1.0);
}

/// Share of the ringing's damping left on a column that flows this fast (m/s) into a valve this far
/// open. The damping is for what swings to and fro: acting in full on a charge that passes through,
/// it would cost several times the entry loss at full load. Chosen so that it is all there at an
/// idle's speeds and the entry loss is what is left at full load's.
template <class S, class P>
S ringing_share(const P& valve_openness, const S& speed_m_s) {
  const S square = speed_m_s * speed_m_s;
  return 1.0 - valve_openness * square / (square + kThroughSpeed_m_s * kThroughSpeed_m_s);
}

/// 0 where a flow runs back at `floor` or more, 1 where it runs forward so, smooth between.
template <class S>
S forward_weight(const S& flow_over_floor) {
  const double x = value(flow_over_floor);
  if (x >= 1.0) return S(1.0);
  if (x <= -1.0) return S(0.0);
  return smooth_step(S(0.5 + 0.5 * flow_over_floor));
}

/// How a pressure answers to what enters its volume.
struct PressureAnswer {
  double by_mass, by_energy, by_burned;

  template <class S>
  S to(const S& mass, const S& energy, const S& burned) const {
    return by_mass * mass + by_energy * energy + by_burned * burned;
  }
};
template <class S, class P>
PressureAnswer pressure_answer(const GasModel& gas, const GasState<S>& g, const P& volume) {
  const double t = value(g.temperature_K), inverse = 1.0 / value(volume);
  const double fresh = specific_energy(gas.fresh, t), burned = specific_energy(gas.burned, t);
  PressureAnswer r;
  r.by_energy = value(g.gas_extent) * inverse / value(g.heat_capacity);
  r.by_mass = t * inverse * gas.fresh.gas_constant - r.by_energy * fresh;
  r.by_burned = t * inverse * (gas.burned.gas_constant - gas.fresh.gas_constant) -
                r.by_energy * (burned - fresh);
  return r;
}

/// What an iteration changed, relative: the cylinder's pressure, signed, and the most of that, of
/// the runner's pressure and of the port's temperature.
struct Change {
  double cylinder, most;
};

/// One Newton iteration on the implicit equation x = base + bh f(x) of a step that ends at `node`;
/// x is replaced. The matrix holds what is stiff, the valve flows by the pressures that drive them
/// and the gas column by its pressure, at x; the rest goes along as fixed point. What the matrix
/// adds enters as extra flow, so that every balance closes exactly after any iteration. Flattened,
/// here and below: of its own the compiler leaves calls for every operation of a dual number, which
/// takes twice as long.
template <bool kIntake, bool kExhaust, class S, class P>
[[gnu::flatten]] Change newton_iteration(const GasPaths<P>& p, const OpenNode<P>& node,
                                         const Surroundings<S>& around, const P& bh,
                                         const OpenState<S>& base, OpenState<S>& x,
                                         double& cylinder_K, double& runner_K) {
  const GasModel& gas = p.gas;
  OpenState<S> k;
  for_rows<kIntake, kExhaust>([&](std::size_t i) { k[i] = S(0.0); });
  Carried<S> c;
  S in = S(0.0), out = S(0.0), column = S(0.0), out_weight = S(0.0);

  const GasState<S> cyl = gas_state(gas, GasContent<S>{x[kCylMass], x[kCylEnergy], x[kCylBurned]},
                                    node.volume, cylinder_K);
  cylinder_K = value(cyl.temperature_K);
  const S inverse_mass = 1.0 / x[kCylMass];
  const S cyl_h = (x[kCylEnergy] + cyl.gas_extent * cyl.temperature_K) * inverse_mass;
  const S cyl_y = x[kCylBurned] * inverse_mass;
  const Side<S> cyl_side{cyl.pressure_Pa, S(x[kCylMass] / node.volume)};
  const PressureAnswer cyl_answer = pressure_answer(gas, cyl, node.volume);
  k[kWork] = cyl.pressure_Pa * node.volume_rate;
  if (p.wall_heat)
    k[kWallHeat] = node.heat_factor * hohenberg_gas_factor(cyl.pressure_Pa, cyl.temperature_K) *
                   (cyl.temperature_K - p.wall_K);
  k[kCylEnergy] = -k[kWork] - k[kWallHeat];

  PressureAnswer run_answer{};
  double in_by_cyl = 0, in_by_run = 0, out_by_cyl = 0, drag_slope = 0, column_gain = 0, run_Pa = 1;
  if constexpr (kIntake) {
    const GasState<S> run = gas_state(gas, GasContent<S>{x[kRunMass], x[kRunEnergy], x[kRunBurned]},
                                      p.runner_volume, runner_K);
    runner_K = value(run.temperature_K);
    run_answer = pressure_answer(gas, run, p.runner_volume);
    run_Pa = value(run.pressure_Pa);
    const S run_inverse = 1.0 / x[kRunMass];
    c.runner_h = (x[kRunEnergy] + run.gas_extent * run.temperature_K) * run_inverse;
    c.runner_y = x[kRunBurned] * run_inverse;
    const Side<S> run_side{run.pressure_Pa, S(x[kRunMass] / p.runner_volume)};
    const OrificeFlow<S> f =
        orifice_flow(run_side, cyl_side, node.intake_area, P(node.intake_area * p.reverse_flow),
                     p.fresh_fit, p.burned_fit);
    in = f.flow;
    in_by_run = f.per_pressure_a;
    in_by_cyl = f.per_pressure_b;
    c.in_h = cyl_h + f.weight_a * (c.runner_h - cyl_h);
    c.in_y = cyl_y + f.weight_a * (c.runner_y - cyl_y);

    column = x[kColumn];
    c.forward = forward_weight(S(column * (1.0 / (kTurning * p.column_floor_kg_s))));
    c.column_h = c.runner_h + c.forward * (around.plenum_enthalpy - c.runner_h);
    c.column_y = c.runner_y + c.forward * (around.plenum_burned - c.runner_y);
    const S kg_per_m = run_side.density_kg_m3 * p.runner_area;
    const S drag = kRunnerLossCoefficient * smooth_abs(column, p.column_floor_kg_s) /
                   (2.0 * kg_per_m * p.runner_length);
    const S ringing = ringing_share(node.openness, S(column / kg_per_m)) *
                      ringing_drag(p, run.pressure_Pa, run_side.density_kg_m3);
    column_gain = value(p.runner_area) / value(p.runner_length);
    drag_slope = 2.0 * value(drag) + value(ringing);
    k[kColumn] = p.runner_area / p.runner_length * (around.map_Pa - run.pressure_Pa) -
                 (drag + ringing) * column;
    k[kRunnerHeat] = p.runner_heat * (kRunnerWall_K - run.temperature_K);
    k[kRunEnergy] = k[kRunnerHeat];
  }
  if constexpr (kExhaust) {
    c.port_y = x[kPortBurned];
    c.port_h = specific_enthalpy(gas, x[kPortK], x[kPortBurned]);
    const S density = around.exhaust_Pa / (gas_constant(gas, x[kPortBurned]) * x[kPortK]);
    c.port_mass = density * p.port_volume;
    c.port_heat_capacity = c.port_mass * (gas.burned.gas_constant + gas.burned.cv(x[kPortK]));
    const OrificeFlow<S> f =
        orifice_flow(cyl_side, Side<S>{around.exhaust_Pa, density}, node.exhaust_area,
                     P(node.exhaust_area * p.reverse_flow), p.burned_fit, p.burned_fit);
    out = f.flow;
    out_weight = f.weight_a;
    out_by_cyl = f.per_pressure_a;
    c.out_h = c.port_h + f.weight_a * (cyl_h - c.port_h);
    c.out_y = c.port_y + f.weight_a * (cyl_y - c.port_y);
    k[kPortK] = -p.port_heat * (x[kPortK] - kExhaustPortWall_K) / c.port_heat_capacity;
  }
  add_flows<kIntake, kExhaust>(k, c, in, out, column);

  // What is missing from the step's equation, then the stiff part of its answer: pressures of
  // cylinder and runner and the column, eliminated by hand.
  const auto missing = [&](Row i) { return S(base[i] + bh * k[i] - x[i]); };
  const double h = value(bh);
  const S cyl_gap = cyl_answer.to(missing(kCylMass), missing(kCylEnergy), missing(kCylBurned));
  Change change{};
  S cyl_change, extra_in = S(0.0), extra_out = S(0.0), extra_column = S(0.0);
  double m11 = 1.0;
  if constexpr (kExhaust)
    m11 += h * cyl_answer.to(1.0, value(c.out_h), value(c.out_y)) * out_by_cyl;
  if constexpr (kIntake) {
    const double in_cyl = cyl_answer.to(1.0, value(c.in_h), value(c.in_y));
    const double in_run = run_answer.to(1.0, value(c.in_h), value(c.in_y));
    const double column_run = run_answer.to(1.0, value(c.column_h), value(c.column_y));
    const double column_inverse = 1.0 / (1.0 + h * drag_slope);
    m11 -= h * in_cyl * in_by_cyl;
    const double m12 = -h * in_cyl * in_by_run, m21 = h * in_run * in_by_cyl;
    const double m22 =
        1.0 + h * in_run * in_by_run + h * h * column_gain * column_run * column_inverse;
    const double inverse = 1.0 / (m11 * m22 - m12 * m21);
    const S column_gap = missing(kColumn);
    const S run_gap = run_answer.to(missing(kRunMass), missing(kRunEnergy), missing(kRunBurned)) +
                      (h * column_run * column_inverse) * column_gap;
    cyl_change = (m22 * cyl_gap - m12 * run_gap) * inverse;
    const S run_change = (m11 * run_gap - m21 * cyl_gap) * inverse;
    extra_column = (column_gap - (h * column_gain) * run_change) * column_inverse;
    extra_in = in_by_cyl * cyl_change + in_by_run * run_change;
    change.most = std::fabs(value(run_change)) / run_Pa;
    k[kColumn] += (extra_column - column_gap) * (1.0 / h);
  } else {
    cyl_change = cyl_gap * (1.0 / m11);
  }
  if constexpr (kExhaust) extra_out = out_by_cyl * cyl_change;
  add_flows<kIntake, kExhaust>(k, c, extra_in, extra_out, extra_column);
  if constexpr (kExhaust) {
    // The port's little gas is flushed within a step of blowdown: implicit in its own state too.
    const double flush = std::max(0.0, value(out)) * value(out_weight) / value(c.port_mass) +
                         value(p.port_heat) / value(c.port_heat_capacity);
    const double damp = 1.0 / (1.0 + h * flush);
    // What comes in may still change after the pressures have settled: it must move far less.
    constexpr double kPortWeight = 100.0;
    change.most = std::max(
        change.most, kPortWeight * std::fabs(value(missing(kPortK))) * damp / value(x[kPortK]));
    for (const Row i : {kPortK, kPortBurned}) k[i] = (x[i] - base[i] + missing(i) * damp) / bh;
  }
  for_rows<kIntake, kExhaust>([&](std::size_t i) { x[i] = base[i] + bh * k[i]; });
  change.cylinder = value(cyl_change) / value(cyl.pressure_Pa);
  change.most = std::max(change.most, std::fabs(change.cylinder));
  return change;
}

/// Newton iterations from a predicted x until nothing moves any more. Where an iterate empties
/// a volume or changes its temperature beyond reason (a prediction past a valve event), or swings
/// to the other side of equality and back (a root law does that to Newton's method), the change is
/// halved: only the way there differs, not where it ends.
template <bool kIntake, bool kExhaust>
[[gnu::flatten]] void iterate(const GasPaths<double>& p, const OpenNode<double>& node,
                              const Surroundings<double>& around, double bh,
                              const OpenState<double>& base, const OpenState<double>& now,
                              OpenState<double>& x, double& cylinder_K, double& runner_K) {
  constexpr int kMost = 30;
  const double cylinder_start_K = cylinder_K, runner_start_K = runner_K;
  // Energy counts from the reference temperature; u + 250 kJ/kg is positive down to 0 K.
  const auto reasonable = [](const OpenState<double>& y, const OpenState<double>& was, Row mass,
                             Row energy) {
    constexpr double kOffset = 2.5e5;
    const double now_u = y[energy] / y[mass] + kOffset, was_u = was[energy] / was[mass] + kOffset;
    return y[mass] > 0.2 * was[mass] && y[mass] < 5.0 * was[mass] && now_u > 0.5 * was_u &&
           now_u < 2.0 * was_u;
  };
  const auto good = [&](const OpenState<double>& y, const OpenState<double>& was) {
    if (!reasonable(y, was, kCylMass, kCylEnergy)) return false;
    if constexpr (kIntake) return reasonable(y, was, kRunMass, kRunEnergy);
    return true;
  };
  if (!good(x, now)) for_rows<kIntake, kExhaust>([&](std::size_t i) { x[i] = now[i]; });
  double last = 0.0;
  for (int i = 0; i < kMost; ++i) {
    const OpenState<double> was = x;
    Change change =
        newton_iteration<kIntake, kExhaust>(p, node, around, bh, base, x, cylinder_K, runner_K);
    const bool swings =
        change.cylinder * last < 0.0 && std::fabs(change.cylinder) > 0.25 * std::fabs(last);
    for (int k = 0; k < 6 && ((swings && k == 0) || !good(x, was)); ++k) {
      for_rows<kIntake, kExhaust>([&](std::size_t r) { x[r] = 0.5 * (x[r] + was[r]); });
      change.cylinder *= 0.5;
      change.most *= 0.5;
      cylinder_K = cylinder_start_K;
      runner_K = runner_start_K;
    }
    if (change.most < p.settled) break;  // the next change would be some per cent of this
    last = change.cylinder;
  }
}

/// The state at the last three nodes.
template <class S>
struct OpenHistory {
  OpenState<S> now, before, earlier;
};

/// One step by the node's formula; `y` moves on by it.
template <bool kIntake, bool kExhaust, class S, class P>
[[gnu::flatten]] void open_step(const GasPaths<P>& p, const GasPaths<double>& pv,
                                const OpenNode<P>& node, const Surroundings<S>& around,
                                OpenHistory<S>& y, double& cylinder_K, double& runner_K) {
  const StepFormula<P>& formula = node.formula;
  const P& bh = formula.implicit_s;
  OpenState<S>& now = y.now;
  OpenState<S> base, x;
  for_rows<kIntake, kExhaust>([&](std::size_t i) {
    const S change = now[i] - y.before[i], earlier = y.before[i] - y.earlier[i];
    base[i] = now[i] + formula.first * change + formula.second * earlier;
    x[i] = now[i] + formula.guess_first * change + formula.guess_second * earlier;
    y.earlier[i] = y.before[i];
    y.before[i] = now[i];
  });
  if constexpr (std::is_same_v<S, double>) {
    iterate<kIntake, kExhaust>(p, node, around, bh, base, now, x, cylinder_K, runner_K);
  } else {
    // Iterate on the values; one more iteration then carries the derivatives (implicit function
    // theorem: the matrix needs no derivatives of its own). What the matrix leaves out converges as
    // a fixed point, so derivatives that are reported (P dual) get a second one while the cylinder
    // is small enough to be flushed in a few steps.
    const OpenNode<double> node_v = OpenNode<P>::values(node);
    const Surroundings<double> around_v = Surroundings<S>::values(around);
    OpenState<double> base_v, now_v, x_v;
    for_rows<kIntake, kExhaust>([&](std::size_t i) {
      base_v[i] = value(base[i]);
      now_v[i] = value(now[i]);
      x_v[i] = value(x[i]);
    });
    iterate<kIntake, kExhaust>(pv, node_v, around_v, value(bh), base_v, now_v, x_v, cylinder_K,
                               runner_K);
    for_rows<kIntake, kExhaust>([&](std::size_t i) { x[i] = with_value(x[i], x_v[i]); });
    constexpr int kCarried = std::is_same_v<P, double> || !(kIntake && kExhaust) ? 1 : 2;
    const int carried = std::max(kCarried, p.carried);
    for (int i = 0; i < carried; ++i)
      newton_iteration<kIntake, kExhaust>(p, node, around, bh, base, x, cylinder_K, runner_K);
  }
  for_rows<kIntake, kExhaust>([&](std::size_t i) { now[i] = x[i]; });
  // With the exhaust valve shut its sums have no rates, but the formula still carries the last
  // steps' changes into the cylinder; carried into the sums as well, every balance stays closed.
  if constexpr (!kExhaust)
    for (std::size_t i = kOutMass; i < kIntakeRows; ++i) {
      const S change = now[i] - y.before[i], earlier = y.before[i] - y.earlier[i];
      y.earlier[i] = y.before[i];
      y.before[i] = now[i];
      now[i] += formula.first * change + formula.second * earlier;
    }
}

}  // namespace idlefit
