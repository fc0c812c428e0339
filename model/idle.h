#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>

#include "model/coefficients.h"
#include "model/engine.h"

namespace idlefit {

/// Derivative columns: the inputs in the order of IDLEFIT_INPUTS, then the coefficients in the
/// order of IDLEFIT_COEFFICIENTS.
inline constexpr int kParameterCount = static_cast<int>(kInputCount + kCoefficientCount);
using ParameterGradient = Eigen::Matrix<double, kParameterCount, 1>;

enum class Status { ok, no_idle, not_converged };

/// One steady operating point of the engine, warm. Pressures are absolute. Mean effective
/// pressures of losses are positive: imep_gross = pmep + fmep + accessory at an idle.
struct OperatingPoint {
  double speed_rpm = 0;
  double map_Pa = 0;
  double barometer_Pa = 0;
  double ve_manifold = 0;        ///< dry air per cycle over swept volume at MAP and charge_K
  double ve_ambient = 0;         ///< dry air per cycle over swept volume at barometer, intake air
  double charge_K = 0;           ///< fresh charge in the plenum, before it meets backflow
  double air_kg_s = 0;           ///< dry air, whole engine
  double fuel_kg_s = 0;          ///< whole engine
  double residual_fraction = 0;  ///< burned mass over all mass in the cylinder at intake closing
  double burned_fuel_fraction = 0;  ///< share of the fresh charge in the cylinder that burns
  double imep_gross_Pa = 0;         ///< compression and expansion strokes
  double pmep_Pa = 0;               ///< exhaust and intake strokes, a loss, positive
  double fmep_Pa = 0;               ///< rubbing friction and engine auxiliaries
  double accessory_mep_Pa = 0;      ///< accessories and converter
  double burn_50_atdc_deg = 0;      ///< crank angle at which half of the burn is done
  double burn_10_90_deg = 0;        ///< 10 to 90 % burn duration; 0 where 90 % is never reached
  double peak_pressure_Pa = 0;
  double wall_heat_share = 0;  ///< heat to the walls in a cycle over heat released
  double exhaust_port_K = 0;   ///< exhaust port gas late in the exhaust stroke, before overlap
  double exhaust_pressure_Pa = 0;
  double indicated_efficiency = 0;  ///< net indicated work over the fuel's energy

  // How well the cycle closes, each relative to what flows through it; see docs/physics.md.
  double energy_error = 0, mass_error = 0, burned_mass_error = 0, work_error = 0;
};

/// Where a solve ended, a start for the solve of an engine much like it. Its numbers mean something
/// to the solver alone.
using SolvedState = Eigen::Matrix<double, 12, 1>;

/// Derivatives to every input and coefficient, at the solution.
struct PointGradient {
  ParameterGradient map_Pa = ParameterGradient::Zero();
  ParameterGradient ve_manifold = ParameterGradient::Zero();
  ParameterGradient air_kg_s = ParameterGradient::Zero();
  ParameterGradient fuel_kg_s = ParameterGradient::Zero();
  ParameterGradient residual_fraction = ParameterGradient::Zero();
  ParameterGradient burned_fuel_fraction = ParameterGradient::Zero();
  /// Of the solver's state, a column a parameter: what an engine that differs starts from.
  Eigen::Matrix<double, 12, kParameterCount> state =
      Eigen::Matrix<double, 12, kParameterCount>::Zero();
};

struct SolveOptions {
  bool gradient = false;
  double mesh = 1.0;  ///< multiplies the number of steps; 1 is the tested accuracy
  /// Tried first; where it does not lead to an idle, the solve starts as if it were not there.
  std::optional<SolvedState> start = std::nullopt;
  /// For one engine of many, each of which counts for little: MAP is good to 5 Pa
  /// (tests/model/test_random_engines.cpp).
  bool one_of_many = false;
  /// Every step is iterated to the end: the gradient is then the slope of the answers to five
  /// digits and not to three, at half as much again. For a search that ends on that gradient.
  bool settled = false;
};

struct SolveResult {
  Status status = Status::not_converged;
  std::string reason;     ///< plain words, empty when status is ok
  bool balanced = false;  ///< `point` holds a balance (status ok, or a no-idle balance)
  OperatingPoint point;
  std::optional<PointGradient> gradient;
  SolvedState state = SolvedState::Zero();  ///< of `point`, where there is one
  int cycles = 0;                           ///< cycles integrated, a measure of cost
};

/// Predicts the warm idle: the manifold pressure at which the work of the periodic cycle pays for
/// friction and accessories. Never throws for a valid Engine; no idle and not converged are fields
/// of the result.
SolveResult solve_idle(const Engine& engine, const Coefficients<double>& coefficients,
                       const SolveOptions& options = {});

/// The same cycle at a given manifold pressure (Pa), whatever work it makes; the gradient's map_Pa
/// is then zero. `not_converged` where the engine cannot run at that pressure, with the reason.
SolveResult solve_at_map(const Engine& engine, const Coefficients<double>& coefficients,
                         double map_Pa, const SolveOptions& options = {});

}  // namespace idlefit
