#pragma once

#include <Eigen/Core>
#include <array>
#include <cstddef>
#include <optional>

#include "model/constants.h"
#include "model/idle.h"

namespace idlefit {

// What instruments show on an engine, in order or with one thing wrong: the same cycle, solved
// with the fault in it.

/// What is wrong, of one size; 0 is in order. Sizes in SI but for crank degrees; a size may be
/// negative where that is said.
enum class Fault : std::size_t {
  spark,          ///< crank degrees more advance than set; negative: late
  runner_leak,    ///< air leaks in at one runner: share of that cylinder's work lost to it, 0 to 1
  shared_leak,    ///< air leaks in ahead of all runners: no effect on an idle held in speed
  weak_cylinder,  ///< share of one cylinder's work that is missing, 0 to 1
  cam_timing,     ///< crank degrees late, both lobes; negative: early
  cam_duration,   ///< crank degrees that both lobes last longer than the card says, at any lift
  compression,    ///< compression ratio lost
  back_pressure,  ///< Pa more in the exhaust at that idle; by the square of the flow elsewhere
  load,           ///< W more at the crankshaft
  mixture,        ///< lambda more; negative: richer
  tap,            ///< Pa that the gauge's tap stands above the manifold
  barometer,      ///< Pa that the barometer stands below the one that was taken; may be negative
  cold,           ///< K that coolant and oil are short of warm
  count
};
inline constexpr std::size_t kFaultCount = static_cast<std::size_t>(Fault::count);

/// What is read, SI but for crank degrees and lambda.
enum class Indication : int {
  map_Pa,       ///< at idle
  air_kg_s,     ///< at idle, whole engine
  fuel_kg_s,    ///< likewise
  lambda,       ///< at idle, in the exhaust
  spark_deg,    ///< at idle, before top dead centre
  map_1500_Pa,  ///< at 1500 rpm in neutral
  cranking_Pa,  ///< gauge, throttle open, mean of the cylinders
  coolant_K,    ///< at idle
  count
};
inline constexpr int kIndicationCount = static_cast<int>(Indication::count);
using IndicationVector = Eigen::Matrix<double, kIndicationCount, 1>;

/// Coolant of a warm engine, 85 to 109 degC by service manuals (published): below their middle,
/// since thermostats of older engines open at 80 to 90 degC (from memory).
inline constexpr double kHotCoolant_K = kZeroCelsius_K + 90.0;
/// Spark at 1500 rpm over that at idle (crank degrees): what a mechanical advance has given by
/// then. 4 to 10, from memory.
inline constexpr double kAdvanceBy1500_deg = 7.0;

/// An engine in order at idle and held at 1500 rpm.
class HealthyEngine {
 public:
  /// Empty where either cannot be solved.
  static std::optional<HealthyEngine> solve(const Engine& engine,
                                            const Coefficients<double>& coefficients);

  const IndicationVector& indications() const { return indications_; }
  /// Their derivatives, a row an indication.
  const Eigen::Matrix<double, kIndicationCount, kParameterCount>& slopes() const { return slopes_; }
  const OperatingPoint& idle() const { return idle_.point; }

  /// What it shows with a fault; empty where it has no idle then. With Fault::barometer the gauge's
  /// MAP is what a vacuum leaves of the barometer taken, if `by_vacuum`.
  std::optional<IndicationVector> with(Fault fault, double size, bool by_vacuum) const;

 private:
  HealthyEngine(const Engine& engine, const Coefficients<double>& coefficients)
      : engine_(engine), coefficients_(coefficients) {}

  Engine engine_;
  Coefficients<double> coefficients_;
  SolveResult idle_, at_1500_;
  IndicationVector indications_;
  Eigen::Matrix<double, kIndicationCount, kParameterCount> slopes_;
};

/// Rubbing friction with coolant and oil this cold over that of a warm engine. Three quarters of it
/// grow with the square root of the oil's viscosity (Sandoval and Heywood, SAE 2003-01-0725; share
/// chosen), that of SAE 10W-30 by Vogel's equation (their constants, from memory).
double cold_friction_ratio(double coolant_K);

}  // namespace idlefit
