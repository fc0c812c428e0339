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

bool same_inputs(const Engine& a, const Engine& b) {
  for (std::size_t i = 0; i < kInputCount; ++i)
    if (input_value(a.inputs, i) != input_value(b.inputs, i)) return false;
  return true;
}

ParameterGradient parameters(const Engine& engine, const Coefficients<double>& coefficients) {
  ParameterGradient values;
  for (std::size_t i = 0; i < kInputCount; ++i)
    values[static_cast<Eigen::Index>(i)] = input_value(engine.inputs, i);
  for (std::size_t k = 0; k < kCoefficientCount; ++k)
    values[static_cast<Eigen::Index>(kInputCount + k)] = coefficient_value(coefficients, k);
  return values;
}

constexpr double kSampleMesh = 0.6;

SolveOptions one_of_many(const SolvedState& start) {
  return {.mesh = kSampleMesh, .start = start, .one_of_many = true};
}

}  // namespace

double normal_quantile(double share) {
  return -std::sqrt(2.0) * boost::math::erfc_inv(2.0 * share);
}

Eigen::MatrixXd quasi_normal_points(Eigen::Index dimensions, std::size_t count) {
  return points_in_cube(dimensions, count).unaryExpr(&normal_quantile);
}

NearbySolver::NearbySolver(const Engine& engine, const Coefficients<double>& coefficients,
                           const SolveResult& solved)
    : middle_{solved.point.map_Pa, solved.point.barometer_Pa, parameters(engine, coefficients),
              solved.state},
      slopes_(solved.gradient.value().state) {}

NearbySolver::Idle NearbySolver::solve(const Engine& engine,
                                       const Coefficients<double>& coefficients,
                                       const Idle& nearer) const {
  const Idle& from = nearer.map_Pa ? nearer : middle_;
  Idle idle{std::nullopt, engine.inputs.barometer_Pa, parameters(engine, coefficients), {}};
  const SolveResult solved = solve_idle(
      engine, coefficients, one_of_many(from.state + slopes_ * (idle.values - from.values)));
  idle.state = solved.state;
  if (solved.status == Status::ok) idle.map_Pa = solved.point.map_Pa;
  return idle;
}

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
      idle_(solver_at(center_.idle, At::idle)),
      sea_level_(center_.sea_level.gradient ? solver_at(center_.sea_level, At::sea_level) : idle_),
      threads_(threads) {
  assert(center_.idle.balanced && center_.effects_Pa.size() == center_.unknowns.size());
}

NearbySolver IdleSampler::solver_at(const SolveResult& solved, At at) const {
  const Eigen::Index latents = center_.unknowns.size() - kCoefficients;
  Engine engine = complete_at(card_, center_.unknowns.head(latents));
  if (at == At::sea_level) engine.inputs.barometer_Pa = kStandardAtmosphere_Pa;
  return {engine, coefficients_.at(center_.unknowns.tail(kCoefficients)), solved};
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
    NearbySolver::Idle idle;
    bool solved = false;
    if (belief_.has_reading()) {
      const Engine as_read = known_engine_at(card_, draw.unknowns.head(latents));
      idle = idle_.solve(as_read, c);
      if (!idle.map_Pa) {
        outcome.solved.weight = 0;
        return;
      }
      belief_.weigh(draw, idle.barometer_Pa - card_.known.vacuum_Pa.value() - *idle.map_Pa);
      solved = same_inputs(as_read, engine);
    }
    outcome.solved = {draw.weight, std::move(draw.discrepancy)};
    if (!solved) idle = idle_.solve(engine, c, idle);
    outcome.map_Pa = idle.map_Pa;
    if (engine.inputs.barometer_Pa == kStandardAtmosphere_Pa) {
      outcome.sea_level_Pa = outcome.map_Pa;
      return;
    }
    engine.inputs.barometer_Pa = kStandardAtmosphere_Pa;
    outcome.sea_level_Pa = sea_level_.solve(engine, c, idle).map_Pa;
  });
  return outcomes;
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
      belief_.principal_direction(center_.burning_effects);
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
