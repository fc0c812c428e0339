#include "profiles/sampling.h"

#include <Eigen/QR>
#include <algorithm>
#include <boost/math/special_functions/erf.hpp>
#include <boost/random/sobol.hpp>
#include <cassert>
#include <cmath>
#include <cstdint>
#include <optional>
#include <random>
#include <utility>

#include "model/constants.h"

namespace idlefit {
namespace {

constexpr Eigen::Index kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);

// Sobol's points, all moved by the same way around the unit cube (a Cranley-Patterson shift) so
// that none lies at its corner; the way is any, but always the same. Columns are points.
Eigen::MatrixXd points_in_cube(Eigen::Index dimensions, std::size_t count) {
  constexpr double kUnit = 0x1p-32;
  std::mt19937 shifts;  // the standard fixes its numbers
  Eigen::VectorXd shift(dimensions);
  for (double& s : shift) s = (static_cast<double>(shifts()) + 0.5) * kUnit;
  boost::random::sobol_engine<std::uint32_t, 32> sobol(static_cast<std::size_t>(dimensions));
  Eigen::MatrixXd points(dimensions, static_cast<Eigen::Index>(count));
  for (Eigen::Index column = 0; column < points.cols(); ++column) {
    for (Eigen::Index row = 0; row < dimensions; ++row) {
      const double x = static_cast<double>(sobol()) * kUnit + shift[row];
      points(row, column) = std::clamp(x - std::floor(x), 0.5 * kUnit, 1.0 - 0.5 * kUnit);
    }
  }
  return points;
}

double normal_quantile(double share) {
  return -std::sqrt(2.0) * boost::math::erfc_inv(2.0 * share);
}

}  // namespace

struct IdleSampler::Outcome {
  struct Law {
    double weight = 1;
    std::vector<Predictive::Part> discrepancy;
  };
  double first_order_Pa = 0;  // MAP by the gradient
  Law first_order;
  std::optional<double> map_Pa, sea_level_Pa;  // as solved, where there is an idle
  Law solved;
};

namespace {

// The law of MAP from what each outcome says of it. Where none counts there is no idle.
template <class Outcome, class LawOf, class MapOf>
Predictive law_of(const std::vector<Outcome>& outcomes, const LawOf& law_of, const MapOf& map_of) {
  double sum = 0;
  for (const Outcome& outcome : outcomes) sum += law_of(outcome).weight;
  if (!(sum > 0.0)) return Predictive({}, 1.0);
  std::vector<Predictive::Part> parts;
  double without = 0;
  for (const Outcome& outcome : outcomes) {
    const auto& law = law_of(outcome);
    const double share = law.weight / sum;
    if (const std::optional<double> map_Pa = map_of(outcome)) {
      for (const Predictive::Part& part : law.discrepancy)
        parts.push_back({share * part.weight, *map_Pa + part.mean_Pa, part.sd_Pa});
    } else {
      without += share;
    }
  }
  return Predictive(std::move(parts), without);
}

}  // namespace

IdleSampler::IdleSampler(const EngineCard& card, const CoefficientUnknowns& coefficients,
                         const EngineBelief& belief, SampleCenter center, unsigned threads)
    : card_(card),
      coefficients_(coefficients),
      belief_(belief),
      center_(std::move(center)),
      threads_(threads) {
  assert(center_.idle.balanced && center_.effects_Pa.size() == center_.unknowns.size());
}

// The first of Sobol's columns are the most even; each goes to one of the axes (columns), the next
// to the choice of a part of the discrepancy, the rest to what is at right angles to the axes.
std::vector<IdleSampler::Outcome> IdleSampler::outcomes(std::size_t count,
                                                        const Eigen::MatrixXd& axes) const {
  assert(count > 0);
  const Eigen::Index unknowns = center_.unknowns.size(), latents = unknowns - kCoefficients;
  const Eigen::Index first = axes.cols();
  const Eigen::MatrixXd points = points_in_cube(unknowns + 1, count);
  // Independent normal numbers stay what they are when they are turned.
  const Eigen::MatrixXd turn = Eigen::HouseholderQR<Eigen::MatrixXd>(axes).householderQ() *
                               Eigen::MatrixXd::Identity(unknowns, unknowns);

  std::vector<Outcome> outcomes(count);
  for_each_index(count, threads_, [&](std::size_t i) {
    const auto point = points.col(static_cast<Eigen::Index>(i));
    Eigen::VectorXd numbers(unknowns);
    for (Eigen::Index k = 0; k < unknowns; ++k)
      numbers[k] = normal_quantile(point[k < first ? k : k + 1]);
    EngineBelief::Draw draw = belief_.draw(turn * numbers, point[first]);
    Outcome& outcome = outcomes[i];
    outcome.first_order_Pa =
        center_.idle.point.map_Pa + center_.effects_Pa.dot(draw.unknowns - center_.unknowns);
    outcome.first_order = {1.0, draw.discrepancy};

    Engine engine = complete_at(card_, draw.unknowns.head(latents));
    const Coefficients<double> c = coefficients_.at(draw.unknowns.tail(kCoefficients));
    if (belief_.has_reading()) {
      const SolveResult read = solve_idle(known_engine_at(card_, draw.unknowns.head(latents)), c,
                                          {.start = center_.idle.state});
      if (read.status != Status::ok) {
        outcome.solved.weight = 0;
        return;
      }
      belief_.weigh(draw,
                    read.point.barometer_Pa - card_.known.vacuum_Pa.value() - read.point.map_Pa);
    }
    outcome.solved = {draw.weight, std::move(draw.discrepancy)};
    const SolveResult idle = solve_idle(engine, c, {.start = center_.idle.state});
    if (idle.status == Status::ok) outcome.map_Pa = idle.point.map_Pa;
    if (engine.inputs.barometer_Pa == kStandardAtmosphere_Pa) {
      outcome.sea_level_Pa = outcome.map_Pa;
      return;
    }
    engine.inputs.barometer_Pa = kStandardAtmosphere_Pa;
    const SolveResult sea_level = solve_idle(
        engine, c, {.start = idle.status == Status::ok ? idle.state : center_.sea_level});
    if (sea_level.status == Status::ok) outcome.sea_level_Pa = sea_level.point.map_Pa;
  });
  return outcomes;
}

// What one deviation of each unknown does to the share of fuel that burns at sea level, by
// differences: it is along this that an idle is lost before MAP says so.
Eigen::VectorXd IdleSampler::burning_effects() const {
  constexpr double kStep = 0.25;  // deviations: well above what the solve is good for
  const Eigen::Index unknowns = center_.unknowns.size(), latents = unknowns - kCoefficients;
  const auto solved_at = [&](const Eigen::VectorXd& there) {
    Engine engine = complete_at(card_, there.head(latents));
    engine.inputs.barometer_Pa = kStandardAtmosphere_Pa;
    return solve_idle(engine, coefficients_.at(there.tail(kCoefficients)),
                      {.start = center_.sea_level});
  };
  Eigen::VectorXd effects = Eigen::VectorXd::Zero(unknowns);
  const SolveResult center = solved_at(center_.unknowns);
  if (!center.balanced) return effects;
  for_each_index(static_cast<std::size_t>(unknowns), threads_, [&](std::size_t i) {
    const auto k = static_cast<Eigen::Index>(i);
    Eigen::VectorXd there = center_.unknowns;
    there[k] += kStep;
    const SolveResult solved = solved_at(there);
    if (solved.balanced)
      effects[k] = (solved.point.burned_fuel_fraction - center.point.burned_fuel_fraction) / kStep;
  });
  return effects;
}

GradientCheck IdleSampler::check(std::size_t count) const {
  // The interval in question is the one here, so the draws lie along what moves MAP here.
  const Eigen::MatrixXd axes = belief_.principal_direction(center_.effects_Pa);
  const std::vector<Outcome> drawn = outcomes(count, axes);
  const auto by_solve = [](const Outcome& o) -> const Outcome::Law& { return o.solved; };
  const Predictive solved = law_of(drawn, by_solve, [](const Outcome& o) { return o.map_Pa; });
  const Predictive sea_level =
      law_of(drawn, by_solve, [](const Outcome& o) { return o.sea_level_Pa; });
  const Predictive first_order = law_of(
      drawn, [](const Outcome& o) -> const Outcome::Law& { return o.first_order; },
      [](const Outcome& o) { return std::optional(o.first_order_Pa); });
  // The same draws on both sides, so that what is due to the draws cancels.
  const double barometer_Pa = center_.idle.point.barometer_Pa;
  const PressureInterval a = interval_80(solved, barometer_Pa);
  const PressureInterval b = interval_80(first_order, barometer_Pa);
  return {std::max(std::fabs(a.low_Pa - b.low_Pa), std::fabs(a.high_Pa - b.high_Pa)),
          solved.no_idle(), sea_level.no_idle()};
}

SampledIdles IdleSampler::sample(std::size_t count) const {
  Eigen::MatrixXd axes(center_.unknowns.size(), 2);
  axes << belief_.principal_direction(center_.sea_level_effects_Pa),
      belief_.principal_direction(burning_effects());
  const std::vector<Outcome> drawn = outcomes(count, axes);
  const auto solved = [](const Outcome& o) -> const Outcome::Law& { return o.solved; };
  double sum = 0, square = 0;
  for (const Outcome& outcome : drawn) {
    sum += outcome.solved.weight;
    square += outcome.solved.weight * outcome.solved.weight;
  }
  return {law_of(drawn, solved, [](const Outcome& o) { return o.map_Pa; }),
          law_of(drawn, solved, [](const Outcome& o) { return o.sea_level_Pa; }),
          sum > 0.0 ? sum * sum / square : 0.0};
}

}  // namespace idlefit
