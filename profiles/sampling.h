#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <vector>

#include "model/batch.h"
#include "model/idle.h"
#include "model/uncertainty.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// The standard-normal number that so large a share (0 to 1, neither) lies below.
double normal_quantile(double share);

/// `count` points of `dimensions` independent standard-normal numbers, quasi-random (Sobol's, moved
/// by a fixed shift) and so the same each time. Columns are points.
Eigen::MatrixXd quasi_normal_points(Eigen::Index dimensions, std::size_t count);

/// Solves engines that differ from one solved with its gradient: each starts along the slopes of
/// the solver's state. On three fifths of the steps, which costs 0.02 kPa of MAP (root mean square)
/// and 0.1 at most.
class NearbySolver {
 public:
  NearbySolver(const Engine& engine, const Coefficients<double>& coefficients,
               const SolveResult& solved);
  struct Idle {
    std::optional<double> map_Pa;  ///< where there is an idle
    double barometer_Pa = 0;
    ParameterGradient values;  ///< of its engine and coefficients
    SolvedState state;         ///< where there is an idle
  };
  Idle solve(const Engine& engine, const Coefficients<double>& coefficients) const {
    return solve(engine, coefficients, middle_);
  }
  /// From another that is nearer than the one in the middle, where it has an idle.
  Idle solve(const Engine& engine, const Coefficients<double>& coefficients,
             const Idle& nearer) const;

 private:
  Idle middle_;
  Eigen::Matrix<double, 12, kParameterCount> slopes_;
};

/// The engine in the middle of a sample, solved.
struct SampleCenter {
  Eigen::VectorXd unknowns;    ///< latent variables, then those behind the coefficients
  Eigen::VectorXd effects_Pa;  ///< what each of them does to its MAP
  SolveResult idle;            ///< balanced, with its gradient
  /// What each of them does to its MAP at sea level: along this a sample is drawn, so that its
  /// engines are the same, and the baseline chosen by them too, however high the car stands.
  Eigen::VectorXd sea_level_effects_Pa;
  /// What each of them does there to the share of fuel that burns: it is along this that an idle is
  /// lost before MAP says so.
  Eigen::VectorXd burning_effects;
  /// At sea level, with its gradient where it has a balance there; else solves start from the idle.
  SolveResult sea_level;
};

/// How likely each idle MAP is by engines drawn at random.
struct SampledIdles {
  Predictive map;        ///< at the card's barometer; no_idle() is the share without an idle there
  Predictive sea_level;  ///< the same engines, speeds and loads at 101.325 kPa
  /// Engines that count: fewer than were drawn where a reading makes some unlikely.
  double effective = 0;
};

/// How good the gradient is, by engines drawn at random.
struct GradientCheck {
  double interval_off_Pa = 0;  ///< ends of the 80 % interval, solved less to first order: the worse
  double no_idle = 0;          ///< share without an idle, of which the gradient knows nothing
  double no_idle_at_sea_level = 0;  ///< likewise at sea level, where the baseline is chosen
};

/// Draws engines from what is known of a card's: quasi-random numbers (Sobol's, moved by a fixed
/// shift) as latent variables and coefficients, so that the same comes out each time and on any
/// number of threads. Assumed inputs move together and as far as completion lets them, coefficients
/// within their bounds; each engine's MAP is spread by what it may show beyond the model. An engine
/// without an idle, or whose solve does not converge, counts as a MAP above any. After a reading
/// each is weighed by how well the model, solved under the conditions of the reading, agrees with
/// it: one that has no idle there is none that could have been read, and counts for nothing.
class IdleSampler {
 public:
  /// Keeps references to card, coefficients and belief.
  IdleSampler(const EngineCard& card, const CoefficientUnknowns& coefficients,
              const EngineBelief& belief, SampleCenter center,
              unsigned threads = default_threads());

  /// `count` engines, 1 or more, each solved at the card's barometer and at sea level: an engine
  /// that idles high up may not do so at sea level, where its exhaust pushes harder.
  GradientCheck check(std::size_t count) const;

  /// `count` engines, 1 or more, each solved at the card's barometer and at sea level.
  SampledIdles sample(std::size_t count) const;

 private:
  struct Outcome;
  enum class At { idle, sea_level };
  NearbySolver solver_at(const SolveResult& solved, At at) const;
  std::vector<Outcome> outcomes(std::size_t count, const Eigen::MatrixXd& axes) const;

  const EngineCard& card_;
  const CoefficientUnknowns& coefficients_;
  const EngineBelief& belief_;
  SampleCenter center_;
  NearbySolver idle_, sea_level_;
  unsigned threads_;
};

}  // namespace idlefit
