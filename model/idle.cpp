#include "model/idle.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <limits>

#include "model/cycle.h"
#include "model/dual.h"
#include "model/idle_start.h"
#include "model/solve.h"

namespace idlefit {
namespace {

using Vector = SolvedState;
static_assert(Vector::RowsAtCompileTime == kCycleUnknowns);
using Matrix = Eigen::Matrix<double, kCycleUnknowns, kCycleUnknowns>;

// What closes the twelve equations.
struct Closure {
  enum Kind { torque, map, residual, burned_share } kind = torque;
  double target = 0;  // Pa, burned fraction at intake closing, or share of the charge that burns

  // The share falls some four times as fast as the residual fraction rises where it matters.
  static constexpr double kShareScale = 0.25;

  template <class S>
  S mismatch(const CycleState<S>& x, const CycleOutput<S>& out) const {
    switch (kind) {
      case map:
        return S((x.map_Pa - target) * 1e-5);
      case residual:
        return S(x.burned - target);
      case burned_share:
        return S(kShareScale * (out.burned_share - target));
      case torque:
        break;
    }
    return out.mismatch[kCycleUnknowns - 1];
  }
};

// The mismatch of the cycle with its closing equation.
template <class S>
Eigen::Matrix<S, kCycleUnknowns, 1> gather(const Closure& closure, const CycleState<S>& x,
                                           const CycleOutput<S>& out) {
  Eigen::Matrix<S, kCycleUnknowns, 1> f;
  for (int i = 0; i + 1 < kCycleUnknowns; ++i) f[i] = out.mismatch[static_cast<std::size_t>(i)];
  f[kCycleUnknowns - 1] = closure.mismatch(x, out);
  return f;
}

// The unknowns as a vector of numbers near one. This is the one place that knows their order.
class Scaling {
 public:
  explicit Scaling(const Cycle<double>& cycle)
      : mass_(cycle.swept_m3()), column_(cycle.column_scale_kg_s()) {}

  template <class S>
  CycleState<S> state(const Eigen::Matrix<S, kCycleUnknowns, 1>& v) const {
    CycleState<S> s;
    s.mass_kg = v[0] * mass_;
    s.temperature_K = v[1] * 500.0;
    s.burned = v[2];
    s.runner_Pa = v[3] * 1e5;
    s.runner_K = v[4] * 400.0;
    s.runner_burned = v[5];
    s.column_kg_s = v[6] * column_;
    s.port_K = v[7] * 800.0;
    s.port_burned = v[8];
    s.plenum_burned = v[9];
    s.plenum_K = v[10] * 400.0;
    s.map_Pa = v[11] * 1e5;
    return s;
  }
  Vector vector(const CycleState<double>& s) const {
    Vector v;
    v << s.mass_kg / mass_, s.temperature_K / 500.0, s.burned, s.runner_Pa / 1e5,
        s.runner_K / 400.0, s.runner_burned, s.column_kg_s / column_, s.port_K / 800.0,
        s.port_burned, s.plenum_burned, s.plenum_K / 400.0, s.map_Pa / 1e5;
    return v;
  }

 private:
  double mass_, column_;  // kg at 1 kg/m^3 in the swept volume; kg/s
};

// Bounds that any warm engine keeps to, wide: an iterate is put back on them.
const Vector& lower_bound() {
  static const Vector v = [] {
    Vector x;
    x << 0.02, 0.4, 1e-6, 0.03, 0.5, -0.03, -9.0, 0.3, -0.03, -0.03, 0.5, 0.05;
    return x;
  }();
  return v;
}
const Vector& upper_bound() {
  static const Vector v = [] {
    Vector x;
    x << 6.0, 4.0, 0.995, 4.0, 4.0, 1.0, 9.0, 3.0, 1.03, 1.0, 4.0, 4.0;
    return x;
  }();
  return v;
}

class Solver {
 public:
  Solver(const Engine& engine, const Coefficients<double>& coefficients,
         const SolveOptions& options, const Switches& switches)
      : goal_(options.one_of_many ? kRough : kTight),
        coarse_(engine.build, engine.inputs, coefficients, kCoarseMesh * options.mesh, switches),
        fine_(engine.build, engine.inputs, coefficients, options.mesh, switches),
        scaling_(fine_),
        barometer_Pa_(engine.inputs.barometer_Pa) {
    if (options.settled) fine_.settle_steps();
  }

  const Cycle<double>& coarse() const { return coarse_; }
  const Cycle<double>& fine() const { return fine_; }
  const Scaling& scaling() const { return scaling_; }
  int cycles() const { return cycles_; }

  Vector regression(const Inputs<double>& in) const {
    return idle_start(in, fine_.typical_losses_Pa())
        .cwiseMax(lower_bound())
        .cwiseMin(upper_bound());
  }
  Vector guess(double map_Pa) const { return scaling_.vector(fine_.first_guess(map_Pa)); }

  // The last cycle run is kept: a solve ends with the one that is reported.
  const CycleOutput<double>& run(const Cycle<double>& cycle, const Vector& v) {
    if (&cycle != last_cycle_ || v != last_start_) {
      ++cycles_;
      last_ = cycle.run(scaling_.state<double>(v));
      last_cycle_ = &cycle;
      last_start_ = v;
    }
    return last_;
  }

  Vector mismatch(const Cycle<double>& cycle, const Closure& closure, const Vector& v) {
    return gather<double>(closure, scaling_.state<double>(v), run(cycle, v));
  }

  // Mismatch and its exact Jacobian, by one differentiated cycle.
  Vector mismatch_and_jacobian(const Cycle<double>& cycle, const Closure& closure, const Vector& v,
                               Matrix& jacobian) {
    using S = Dual<kCycleUnknowns>;
    ++cycles_;
    Eigen::Matrix<S, kCycleUnknowns, 1> x;
    for (int i = 0; i < kCycleUnknowns; ++i) x[i] = S(v[i], i);
    const CycleState<S> state = scaling_.state<S>(x);
    const Eigen::Matrix<S, kCycleUnknowns, 1> f = gather<S>(closure, state, cycle.run(state));
    Vector values;
    for (int i = 0; i < kCycleUnknowns; ++i) {
      values[i] = f[i].a;
      jacobian.row(i) = f[i].v.head<kCycleUnknowns>().cast<double>().transpose();
    }
    return values;
  }

  // Lets the engine run a few cycles, nudging the manifold pressure toward the torque balance: from
  // a plain guess this lands where Newton's method can take over.
  void settle(const Closure& closure, Vector& v, int cycles) {
    for (int i = 0; i < cycles; ++i) {
      const CycleOutput<double> out = run(coarse_, v);
      if (!std::isfinite(out.imep_net_Pa) || !std::isfinite(out.end.temperature_K)) return;
      const Vector was = v;
      Vector now = scaling_.vector(out.end);
      const double charge_kg = coarse_.charge_scale_kg(was[11] * 1e5);
      const double share = charge_kg / std::max(out.forward_kg, 0.2 * charge_kg);
      now[9] = was[9] - out.mismatch[9] * share;
      now[10] = was[10] - out.mismatch[10] * share * coarse_.fresh_charge_K() / 400.0;
      if (closure.kind == Closure::torque) {
        constexpr double kImepPerMap = 10.0;  // steeper than any: only the start depends on it
        now[11] -= std::clamp(out.mismatch[11] / kImepPerMap, -0.06, 0.06);
        now[11] = std::min(now[11], 1.05e-5 * barometer_Pa_);
      }
      v = now.cwiseMax(lower_bound()).cwiseMin(upper_bound());
    }
  }

  // Broyden's method on the fine mesh from Jacobians of the coarse one, to the goal; Newton's on
  // the fine one where that stalls, with steps that are iterated to the end, since it may have
  // stalled where the number of iterations in some step changes.
  bool solve(const Closure& closure, Vector& v) {
    if (newton(coarse_, fine_, closure, v, goal_)) return true;
    fine_.settle_steps();
    last_cycle_ = nullptr;
    return newton(fine_, fine_, closure, v, goal_);
  }
  // To less, on the coarse mesh, for a branch followed from point to point: `along` it the last
  // point's Jacobian serves as long as it will.
  bool solve_coarse(const Closure& closure, Vector& v, bool along) {
    Vector x = v;
    if (along && broyden(coarse_, closure, x, kLoose)) {
      v = x;
      return true;
    }
    return newton(coarse_, coarse_, closure, v, kLoose);
  }

 private:
  static constexpr double kCoarseMesh = 0.35;
  static constexpr double kLoose = 3e-4;
  static constexpr double kRough = 1e-4;
  static constexpr double kTight = 1e-6;  // the last correction takes it some tenfold further

  // Shortens a step so that no unknown jumps further than the laws' curvature allows: 0.12 in a
  // burned fraction, some 150 K in the cylinder, 12 kPa of manifold pressure.
  static double step_length(const Vector& step) {
    static const Vector most = [] {
      Vector x;
      x << 0.25, 0.30, 0.12, 0.15, 0.30, 0.15, 0.5, 0.30, 0.25, 0.15, 0.30, 0.12;
      return x;
    }();
    double length = 1.0;
    for (int i = 0; i < kCycleUnknowns; ++i) {
      const double size = std::fabs(step[i]);
      if (size > most[i]) length = std::min(length, most[i] / size);
    }
    return length;
  }

  static double size(const Vector& f) {
    const double s = f.cwiseAbs().maxCoeff();
    return std::isfinite(s) ? s : std::numeric_limits<double>::infinity();
  }

  // The last correction. It costs nothing, as its cycle is the one reported, and makes answers
  // smooth over engines that differ by less than the goal resolves. Where it does not gain, as
  // where the number of iterations in some step changes, the solve is not at its end.
  // Along a branch it is near enough.
  bool corrected(const Cycle<double>& cycle, const Closure& closure, Vector& v, const Vector& f,
                 double goal) {
    const Vector next = v - inverse_ * f;
    if (!(size(mismatch(cycle, closure, next)) < 0.5 * goal)) return goal == kLoose;
    v = next;
    return true;
  }

  // Newton's method with Jacobians from the mesh `rough`, Broyden's between them. Leaves the
  // inverse Jacobian in inverse_.
  bool newton(const Cycle<double>& rough, const Cycle<double>& cycle, const Closure& closure,
              Vector& v, double goal) {
    constexpr double kMeshesDiffer = 0.02;  // above this one mesh's mismatch does for the other's
    double best = std::numeric_limits<double>::infinity();
    int worse = 0;
    for (int i = 0; i < 25; ++i) {
      Matrix jacobian;
      Vector f = mismatch_and_jacobian(rough, closure, v, jacobian);
      if (&rough != &cycle && size(f) < kMeshesDiffer) f = mismatch(cycle, closure, v);
      const double now = size(f);
      if (!std::isfinite(now) || !jacobian.allFinite()) return false;
      if (now < 0.7 * best) {
        best = now;
        worse = 0;
      } else if (++worse > 4) {
        return false;
      }
      inverse_ = jacobian.partialPivLu().inverse();
      if (!inverse_.allFinite()) return false;
      if (now < goal) {
        // On plain numbers, which is how the answer is worked out: the dual pass iterates otherwise
        // within a step, which shows in the sixth digit where a small cylinder is flushed.
        f = mismatch(cycle, closure, v);
        if (size(f) < goal && corrected(cycle, closure, v, f, goal)) return true;
      }
      const Vector step = -inverse_ * f;
      const double length = step_length(step);
      v = (v + length * step).cwiseMax(lower_bound()).cwiseMin(upper_bound());
      if (length == 1.0 && broyden(cycle, closure, v, goal)) return true;
    }
    return false;
  }

  // Broyden's good method from inverse_, which it updates; stops when it no longer gains.
  bool broyden(const Cycle<double>& cycle, const Closure& closure, Vector& v, double goal) {
    Vector x = v;
    Vector f = mismatch(cycle, closure, x);
    double now = size(f);
    for (int i = 0; i < 12; ++i) {
      if (!std::isfinite(now)) return false;
      if (now < goal) {
        v = x;
        if (corrected(cycle, closure, v, f, goal)) return true;
      }
      const Vector step = -inverse_ * f;
      if (step_length(step) < 1.0) return false;
      const Vector next = x + step;
      const Vector g = mismatch(cycle, closure, next);
      const double then = size(g);
      if (!(then < 0.5 * now)) return false;
      v = next;
      const Vector hy = inverse_ * (g - f);
      const double denominator = step.dot(hy);
      if (std::fabs(denominator) > 1e-30)
        inverse_ += (step - hy) * (step.transpose() * inverse_) / denominator;
      x = next;
      f = g;
      now = then;
    }
    return now < goal;
  }

  double goal_;
  Cycle<double> coarse_, fine_;
  Scaling scaling_;
  double barometer_Pa_;
  Matrix inverse_;  // of the last Jacobian, updated since
  int cycles_ = 0;
  const Cycle<double>* last_cycle_ = nullptr;
  Vector last_start_;
  CycleOutput<double> last_;
};

// What the fresh charge of a cycle amounts to.
template <class T>
struct Charge {
  T air_kg_s, fuel_kg_s;  // whole engine
  T ve_manifold, ve_ambient;
};
template <class T>
Charge<T> charge_of(const Build& build, const Inputs<T>& in, const T& charge_K, const T& fresh_kg,
                    const T& map_Pa) {
  const T afr = in.lambda * fuel_properties(build.fuel).stoichiometric_afr;
  const T air_kg = fresh_kg * afr / (1.0 + afr);
  const T swept_m3 = kPi / 4.0 * in.bore_m * in.bore_m * in.stroke_m;
  Charge<T> c;
  c.air_kg_s = air_kg * in.speed_rpm * (build.cylinders / 120.0);
  c.fuel_kg_s = c.air_kg_s / afr;
  c.ve_manifold = air_kg * kAirGasConstant_J_kgK * charge_K / (map_Pa * swept_m3);
  c.ve_ambient = air_kg * kAirGasConstant_J_kgK * in.intake_air_K / (in.barometer_Pa * swept_m3);
  return c;
}

OperatingPoint report(const Engine& engine, const Cycle<double>& cycle, const CycleState<double>& x,
                      const CycleOutput<double>& out) {
  const Charge<double> charge =
      charge_of(engine.build, engine.inputs, cycle.fresh_charge_K(), out.fresh_kg, x.map_Pa);
  OperatingPoint p;
  p.speed_rpm = engine.inputs.speed_rpm;
  p.map_Pa = x.map_Pa;
  p.barometer_Pa = engine.inputs.barometer_Pa;
  p.charge_K = cycle.fresh_charge_K();
  p.ve_manifold = charge.ve_manifold;
  p.ve_ambient = charge.ve_ambient;
  p.air_kg_s = charge.air_kg_s;
  p.fuel_kg_s = charge.fuel_kg_s;
  p.residual_fraction = x.burned;
  p.burned_fuel_fraction = out.burned_share;
  p.imep_gross_Pa = out.imep_gross_Pa;
  p.pmep_Pa = out.imep_gross_Pa - out.imep_net_Pa;
  p.fmep_Pa = out.fmep_Pa;
  p.accessory_mep_Pa = out.accessory_mep_Pa;
  p.burn_50_atdc_deg = out.burn_50_deg;
  p.burn_10_90_deg = out.burn_10_90_deg;
  p.peak_pressure_Pa = out.peak_Pa;
  p.wall_heat_share = out.wall_heat_J / std::max(1e-9, out.heat_released_J);
  p.exhaust_port_K = out.port_at_overlap_K;
  p.exhaust_pressure_Pa = out.exhaust_Pa;
  const FuelProperties fuel = fuel_properties(engine.build.fuel);
  const double fuel_kg = out.fresh_kg / (1.0 + engine.inputs.lambda * fuel.stoichiometric_afr);
  p.indicated_efficiency = out.imep_net_Pa * cycle.swept_m3() / (fuel_kg * fuel.heating_value_J_kg);
  p.energy_error = out.energy_error;
  p.mass_error = out.mass_error;
  p.burned_mass_error = out.burned_error;
  p.work_error = (out.imep_net_Pa - out.fmep_Pa - out.accessory_mep_Pa) / out.imep_gross_Pa;
  return p;
}

// Sensitivities of the solution to every input and coefficient by the implicit-function theorem:
// one differentiated cycle gives how the mismatch moves with unknowns and parameters together.
PointGradient gradient_at(const Engine& engine, const Coefficients<double>& coefficients,
                          const SolveOptions& options, const Switches& switches,
                          const Scaling& scaling, const Closure& closure, const Vector& v) {
  constexpr int kAll = kCycleUnknowns + kParameterCount;
  // One wide pass: the values are worked out once for all columns.
  using S = Dual<kAll>;
  Inputs<S> in;
  for (std::size_t i = 0; i < kInputCount; ++i)
    input_ref(in, i) = S(input_value(engine.inputs, i), kCycleUnknowns + static_cast<int>(i));
  Coefficients<S> c;
  for (std::size_t i = 0; i < kCoefficientCount; ++i)
    coefficient_ref(c, i) =
        S(coefficient_value(coefficients, i), kCycleUnknowns + static_cast<int>(kInputCount + i));
  Eigen::Matrix<S, kCycleUnknowns, 1> x;
  for (int i = 0; i < kCycleUnknowns; ++i) x[i] = S(v[i], i);
  Cycle<S> cycle_d(engine.build, in, c, options.mesh, switches);
  if (options.settled) cycle_d.settle_steps();
  const CycleState<S> state_d = scaling.state<S>(x);
  const CycleOutput<S> out = cycle_d.run(state_d);
  const Eigen::Matrix<S, kCycleUnknowns, 1> mismatch = gather<S>(closure, state_d, out);
  Eigen::Matrix<double, kCycleUnknowns, kAll> d;
  for (int row = 0; row < kCycleUnknowns; ++row)
    d.row(row) = mismatch[row].v.head<kAll>().cast<double>().transpose();
  const Matrix unknowns = d.leftCols<kCycleUnknowns>();
  const Eigen::Matrix<double, kCycleUnknowns, kParameterCount> moves =
      -unknowns.partialPivLu().solve(d.rightCols<kParameterCount>());

  // How a quantity moves in all: by the parameters themselves, and by the unknowns that they move.
  const auto total = [&](const S& q) -> ParameterGradient {
    return q.v.segment<kParameterCount>(kCycleUnknowns).cast<double>().matrix() +
           moves.transpose() * q.v.head<kCycleUnknowns>().cast<double>().matrix();
  };
  const Charge<S> charge =
      charge_of(engine.build, in, cycle_d.fresh_charge_K(), out.fresh_kg, state_d.map_Pa);
  PointGradient g;
  g.map_Pa = total(state_d.map_Pa);
  g.burned_fuel_fraction = total(out.burned_share);
  g.state = moves;
  g.residual_fraction = total(state_d.burned);
  g.air_kg_s = total(charge.air_kg_s);
  g.fuel_kg_s = total(charge.fuel_kg_s);
  g.ve_manifold = total(charge.ve_manifold);
  return g;
}

constexpr const char* kNeedsMoreAir =
    "no balance below the barometer: the engine needs more air than it can draw at this speed";
constexpr const char* kTooDiluted =
    "the charge is so diluted with exhaust that less than 80 % of it burns at the balance";

// Whether the burning branch ends, where too little of the charge burns, with work to spare. The
// balance then lies beyond that end, since along the branch the work falls as dilution grows: one
// solve for the end instead of the march to it. Of engines that do idle the work there falls short.
// A slow burn ends too late at the other end of the branch as well, above the barometer.
bool diluted_before_balance(Solver& solver, double barometer_Pa, const Vector& start) {
  constexpr double kToSpare = 0.01;  // bar of mean effective pressure, above what the mesh leaves
  Vector x = start;
  const Closure end{Closure::burned_share, kIdleBurnedShare};
  return solver.solve_coarse(end, x, false) && x[11] * 1e5 <= barometer_Pa - kIdleMargin_Pa &&
         solver.run(solver.coarse(), x).mismatch[kCycleUnknowns - 1] > kToSpare;
}

// What the march found.
enum class Found { balance, too_diluted, needs_more_than_ambient, nothing };

// The balance found by marching along the burning branch from the highest pressure at which an idle
// counts: up in residual fraction with the pressure free, since the branch folds in pressure at the
// dilution limit, until the engine makes no more work than idle needs or too little burns: along
// the branch the share that burns only falls.
Found march(Solver& solver, double barometer_Pa, Vector& v) {
  const double start_Pa = barometer_Pa - kIdleMargin_Pa;
  const Closure high{Closure::map, start_Pa};
  Vector x;
  const auto starts = [&](int settling_cycles) {
    x = solver.guess(start_Pa);
    solver.settle(high, x, settling_cycles);
    return solver.solve_coarse(high, x, false);
  };
  if (!starts(6) && !starts(40)) return Found::nothing;
  CycleOutput<double> out = solver.run(solver.coarse(), x);
  double torque = out.mismatch[kCycleUnknowns - 1];
  if (torque <= 0.0)
    return out.burned_share < kIdleBurnedShare ? Found::too_diluted
                                               : Found::needs_more_than_ambient;
  double burned_share = out.burned_share;

  // Steps of the residual fraction, shorter where the share that burns has begun to fall: it then
  // falls ever faster, and a step over that is taken back.
  constexpr double kLongest = 0.08, kFalling = 0.04, kShortest = 5e-4, kFallsBelow = 0.955;
  Vector before = x;  // the point before x, for the predictor
  double step = 0.05;
  bool along = false;  // the Jacobian at hand belongs to the march
  while (step >= kShortest && burned_share >= kIdleBurnedShare) {
    const double target = x[2] + step;
    Vector next = x;
    const double moved = x[2] - before[2];
    if (moved != 0.0) next += step / moved * (x - before);
    next = next.cwiseMax(lower_bound()).cwiseMin(upper_bound());
    const bool solved = solver.solve_coarse(Closure{Closure::residual, target}, next, along);
    along = solved;
    if (solved) out = solver.run(solver.coarse(), next);
    // A jump to the misfiring branch is not a step along this one.
    if (!solved || out.burned_share < burned_share - 0.25) {
      step *= 0.5;
      continue;
    }
    const double next_torque = out.mismatch[kCycleUnknowns - 1];
    if (next_torque <= 0.0) {
      Vector between = x + torque / (torque - next_torque) * (next - x);
      if (solver.solve(Closure{}, between)) {
        v = between;
        return Found::balance;
      }
      step *= 0.5;
      continue;
    }
    before = x;
    x = next;
    torque = next_torque;
    burned_share = out.burned_share;
    step = std::min(burned_share < kFallsBelow ? kFalling : kLongest, 1.5 * step);
  }
  // The end of the march without a balance: above the share that idle needs, the engine made too
  // much work everywhere, so its balance lies where less burns.
  return burned_share < kIdleBurnedShare ? Found::too_diluted : Found::nothing;
}

}  // namespace

SolveResult solve_idle_with(const Engine& engine, const Coefficients<double>& coefficients,
                            const SolveOptions& options, const Switches& switches) {
  SolveResult result;
  const double barometer = engine.inputs.barometer_Pa;
  Solver solver(engine, coefficients, options, switches);
  const Closure torque;
  Vector v;
  CycleOutput<double> out;
  // The physical idle burns well below the barometer; anything else may be another branch.
  const auto is_idle = [&] {
    out = solver.run(solver.fine(), v);
    return out.burned_share >= kIdleBurnedShare && v[11] * 1e5 <= barometer - kIdleMargin_Pa;
  };
  bool found = false;
  const auto leads_to_idle = [&](const Vector& start) {
    v = start;
    found = solver.solve(torque, v);
    return found && is_idle();
  };
  const Vector usual = solver.regression(engine.inputs);
  bool idles = leads_to_idle(options.start.value_or(usual));
  // Without a balance at hand the march may find the one beyond the limit, worth showing.
  const bool diluted = !idles && (found || options.one_of_many) &&
                       diluted_before_balance(solver, barometer, found ? v : usual);
  if (!idles && !diluted && options.start) idles = leads_to_idle(usual);
  if (!idles) {
    Vector marched;
    switch (diluted ? Found::too_diluted : march(solver, barometer, marched)) {
      case Found::balance:
        v = marched;
        out = solver.run(solver.fine(), v);
        found = true;
        break;
      case Found::needs_more_than_ambient:
        result.status = Status::no_idle;
        result.reason = kNeedsMoreAir;
        found = false;
        break;
      case Found::too_diluted:
        result.status = Status::no_idle;
        result.reason = kTooDiluted;
        // The balance at hand is then the one beyond the limit, and worth showing.
        found = found && out.burned_share < kIdleBurnedShare;
        break;
      case Found::nothing:
        if (!found) result.reason = "the solve found no repeating cycle that balances the torque";
        break;
    }
  }
  result.cycles = solver.cycles();
  if (!found) return result;

  result.point = report(engine, solver.fine(), solver.scaling().state<double>(v), out);
  result.state = v;
  result.balanced = true;
  result.status = Status::ok;
  if (result.point.map_Pa > barometer - kIdleMargin_Pa) {
    result.status = Status::no_idle;
    result.reason = kNeedsMoreAir;
  } else if (result.point.burned_fuel_fraction < kIdleBurnedShare) {
    result.status = Status::no_idle;
    result.reason = kTooDiluted;
  }
  if (options.gradient)
    result.gradient =
        gradient_at(engine, coefficients, options, switches, solver.scaling(), torque, v);
  return result;
}

SolveResult solve_idle(const Engine& engine, const Coefficients<double>& coefficients,
                       const SolveOptions& options) {
  return solve_idle_with(engine, coefficients, options, Switches{});
}

SolveResult solve_at_map_with(const Engine& engine, const Coefficients<double>& coefficients,
                              double map_Pa, const SolveOptions& options,
                              const Switches& switches) {
  SolveResult result;
  Solver solver(engine, coefficients, options, switches);
  const Closure fixed{Closure::map, map_Pa};
  Vector v;
  bool found = false;
  if (options.start) {
    v = *options.start;
    found = solver.solve(fixed, v);
  }
  if (!found) {
    v = solver.guess(map_Pa);
    solver.settle(fixed, v, 8);
    found = solver.solve(fixed, v);
  }
  if (!found) {
    // Let it run on: the cycle map contracts, if slowly for large overlap.
    v = solver.guess(map_Pa);
    solver.settle(fixed, v, 60);
    found = solver.solve(fixed, v);
  }
  result.cycles = solver.cycles();
  if (!found) {
    result.reason = "the cycle does not repeat at this manifold pressure";
    return result;
  }
  const CycleState<double> state = solver.scaling().state<double>(v);
  const CycleOutput<double> out = solver.run(solver.fine(), v);
  if (!(out.fresh_kg > 0.0)) {
    result.reason = "no net fresh charge enters: the engine does not run at this manifold pressure";
    return result;
  }
  result.point = report(engine, solver.fine(), state, out);
  result.state = v;
  result.balanced = true;
  result.status = Status::ok;
  if (options.gradient)
    result.gradient =
        gradient_at(engine, coefficients, options, switches, solver.scaling(), fixed, v);
  return result;
}

SolveResult solve_at_map(const Engine& engine, const Coefficients<double>& coefficients,
                         double map_Pa, const SolveOptions& options) {
  return solve_at_map_with(engine, coefficients, map_Pa, options, Switches{});
}

}  // namespace idlefit
