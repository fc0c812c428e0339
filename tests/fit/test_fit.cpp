#include "fit/fit.h"

#include <Eigen/Core>
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstddef>
#include <limits>
#include <vector>

#include "fit/predictions.h"
#include "model/idle.h"
#include "model/quantity.h"
#include "tests/support/engines.h"
#include "tests/support/fit_sets.h"

namespace idlefit::test {
namespace {

constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
constexpr double kReadingSd_Pa = 700.0;  // some 0.2 inHg; chosen

FitResult fitted(const PointSet& set, unsigned threads = 2) {
  FitResult result = fit(set, prior_knowledge(), {.threads = threads});
  INFO(result.reason);
  REQUIRE(result.status == FitStatus::ok);
  return result;
}

Eigen::VectorXd deviations(const CoefficientKnowledge& knowledge) {
  return knowledge.covariance.diagonal().cwiseSqrt();
}

void check_sound(const PointSet& set, const FitResult& result) {
  const Eigen::VectorXd sd = deviations(result.posterior);
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    INFO(info.name);
    for (const Coefficients<double>* c : {&result.posterior.mean, &result.mode}) {
      CHECK(coefficient_value(*c, k) >= info.lower);
      CHECK(coefficient_value(*c, k) <= info.upper);
    }
    CHECK(sd[static_cast<Eigen::Index>(k)] > 0);
  }
  CHECK(result.points.size() == set.points.size());
  CHECK(std::isfinite(result.discrepancy_Pa));
  double sum = 0;
  for (const Discrepancy::Node& node : result.posterior.discrepancy.nodes) sum += node.weight;
  CHECK(sum == Approx(1.0));
  for (const FittedPoint& point : result.points) {
    for (const double number : {point.before, point.after, point.deviations, point.weight,
                                point.leave_out, point.leave_out_low, point.leave_out_high})
      CHECK(std::isfinite(number));
    CHECK(point.leave_out_low < point.leave_out_high);
  }
}

// Deviation of the idle MAP of the street V8 for what the coefficients leave open.
double street_sd_Pa(const CoefficientKnowledge& knowledge) {
  const SolveResult at = solve_idle(street_v8(), knowledge.mean, {.gradient = true});
  REQUIRE(at.status == Status::ok);
  const Eigen::VectorXd slope = at.gradient->map_Pa.tail<kCoefficients>();
  return std::sqrt(slope.dot(knowledge.covariance * slope));
}

PointSet one_reading(const Engine& engine, double map_Pa) {
  PointSet set;
  set.engines.push_back(known_engine(engine, 0));
  set.points.push_back(
      {.engine = 0, .quantity = Quantity::map, .value = map_Pa, .sd = kReadingSd_Pa, .offset = {}});
  set.car_latents = {0};
  return set;
}

// Readings of the common truth of these tests, one a car.
DrawnSet twenty(unsigned seed, double discrepancy_Pa = 1000.0) {
  Random random(seed);
  Coefficients<double> truth;
  truth.low_lift_flow = 0.72;
  truth.heat_transfer = 0.85;
  truth.friction = 1.08;
  return draw_set(random, truth, discrepancy_Pa, kReadingSd_Pa, std::vector<int>(20, 1));
}

}  // namespace

TEST_CASE("one reading is a fit", "[consistency]") {
  const CoefficientKnowledge prior = prior_knowledge();
  const double expected_Pa = idle_map_Pa(street_v8(), prior.mean);
  const PointSet set = one_reading(street_v8(), expected_Pa + 4000.0);
  const FitResult result = fitted(set);
  check_sound(set, result);
  // The one engine's MAP is drawn towards the reading and not beyond.
  CHECK(result.points[0].before == Approx(expected_Pa));
  CHECK(result.points[0].after > expected_Pa);
  CHECK(result.points[0].after < expected_Pa + 4000.0);
  CHECK(street_sd_Pa(result.posterior) < street_sd_Pa(prior));
  // Without it nothing is known but the prior: what leaving it out predicts is what was before, but
  // for the curvature of the model between the two.
  WARN("left out: " << result.points[0].leave_out - expected_Pa << " Pa off the prior's prediction"
                    << " after a move of " << result.points[0].after - expected_Pa << " Pa");
  CHECK(std::fabs(result.points[0].leave_out - expected_Pa) <
        0.1 * (result.points[0].after - expected_Pa));
}

TEST_CASE("fewer readings than coefficients are a fit", "[consistency]") {
  for (const int cars : {2, 5, 10}) {
    INFO(cars << " cars");
    Random random(7);
    const DrawnSet drawn = draw_set(random, {}, 1500.0, kReadingSd_Pa,
                                    std::vector<int>(static_cast<std::size_t>(cars), 1));
    check_sound(drawn.set, fitted(drawn.set));
  }
}

TEST_CASE("repeats of one engine narrow little", "[consistency]") {
  const Coefficients<double> truth;
  Random random(3);
  const DrawnSet cars = draw_set(random, truth, 2000.0, kReadingSd_Pa, std::vector<int>(20, 1));
  PointSet repeats = one_reading(street_v8(), 0);
  repeats.points.clear();
  const double of_car_Pa = std::sqrt(kCarShare) * 2000.0 * random.student();
  for (int i = 0; i < 20; ++i) {
    Point point{.engine = 0, .quantity = Quantity::map, .sd = kReadingSd_Pa, .offset = {}};
    point.value = idle_map_Pa(street_v8(), truth) + of_car_Pa +
                  std::hypot(kReadingSd_Pa, std::sqrt(1.0 - kCarShare) * 2000.0) * random.student();
    repeats.points.push_back(point);
  }
  const FitResult of_repeats = fitted(repeats), of_cars = fitted(cars.set);
  check_sound(repeats, of_repeats);
  const double before_Pa = street_sd_Pa(prior_knowledge());
  const double repeats_Pa = street_sd_Pa(of_repeats.posterior);
  const double cars_Pa = street_sd_Pa(of_cars.posterior);
  WARN("deviation of the street V8's idle MAP by the coefficients: "
       << before_Pa << " Pa before, " << repeats_Pa << " after twenty readings of it, " << cars_Pa
       << " after twenty other cars");
  // One car's own part does not average out: twenty readings leave it whole, twenty cars leave a
  // twentieth of its variance. A half is far from either.
  CHECK(repeats_Pa < before_Pa);
  CHECK(cars_Pa < 0.5 * repeats_Pa);
}

TEST_CASE("what no point informs keeps its prior", "[closed-form]") {
  // Filling at a given pressure does not hang on friction: no work balance is asked for.
  constexpr double kHeld_Pa = 45e3;
  PointSet set;
  FitEngine held = known_engine(street_v8(), 0);
  held.map_Pa = kHeld_Pa;
  set.engines.push_back(held);
  const SolveResult by_prior = solve_at_map(street_v8(), {}, kHeld_Pa);
  REQUIRE(by_prior.status == Status::ok);
  set.points.push_back({.engine = 0,
                        .quantity = Quantity::ve,
                        .value = by_prior.point.ve_manifold + 0.02,
                        .sd = 0.02,
                        .offset = {}});
  set.car_latents = {0};
  const FitResult result = fitted(set);
  const CoefficientKnowledge prior = prior_knowledge();
  const auto friction = static_cast<Eigen::Index>(Coefficient::friction);
  // To rounding: its slopes are exact zeros.
  CHECK(result.posterior.mean.friction == Approx(prior.mean.friction).epsilon(1e-12));
  CHECK(result.posterior.covariance(friction, friction) ==
        Approx(prior.covariance(friction, friction)).epsilon(1e-9));
  const auto low_lift = static_cast<Eigen::Index>(Coefficient::low_lift_flow);
  CHECK(result.posterior.covariance(low_lift, low_lift) < prior.covariance(low_lift, low_lift));
}

TEST_CASE("a gross outlier moves no coefficient by half its deviation", "[consistency][heavy]") {
  double worst = 0;
  for (const unsigned seed : {1U, 2U, 3U}) {
    const DrawnSet drawn = twenty(seed);
    const FitResult clean = fitted(drawn.set);
    for (const double sign : {-1.0, 1.0}) {
      PointSet spoilt = drawn.set;
      const std::size_t row = 4 * seed + 1;
      spoilt.points[row].value += sign * 8.0 * kInchMercury_Pa;
      const FitResult result = fitted(spoilt);
      INFO("seed " << seed << ", " << sign * 8 << " inHg");
      CHECK(result.points[row].outlier);
      CHECK(result.points[row].weight < 0.3);
      for (std::size_t k = 0; k < kCoefficientCount; ++k) {
        INFO(kCoefficientInfo[k].name);
        const double moved = (coefficient_value(result.posterior.mean, k) -
                              coefficient_value(clean.posterior.mean, k)) /
                             deviations(clean.posterior)[static_cast<Eigen::Index>(k)];
        worst = std::max(worst, std::fabs(moved));
        CHECK(std::fabs(moved) < 0.5);
      }
    }
  }
  WARN("8 inHg in one of twenty readings moves a coefficient by at most " << worst
                                                                          << " of its deviation");
}

TEST_CASE("leaving a row out by its leverage is fitting without it", "[consistency][heavy]") {
  // Few readings, so that each pulls hard on its own fitted value.
  Random random(5);
  const DrawnSet drawn =
      draw_set(random, draw_coefficients(random), 1000.0, kReadingSd_Pa, std::vector<int>(7, 1));
  const FitResult all = fitted(drawn.set);
  double apart_square = 0, pull_square = 0, worst = 0;
  for (std::size_t row = 0; row < 7; ++row) {
    PointSet without = drawn.set;
    without.points.erase(without.points.begin() + static_cast<std::ptrdiff_t>(row));
    const FitResult refit = fitted(without);
    const double predicted_Pa = idle_map_Pa(drawn.set.engines[row].engine, refit.mode);
    const FittedPoint& point = all.points[row];
    const double half_Pa = 0.5 * (point.leave_out_high - point.leave_out_low);
    const double apart_Pa = std::fabs(point.leave_out - predicted_Pa);
    apart_square += apart_Pa * apart_Pa;
    pull_square += std::pow(predicted_Pa - point.after, 2);
    worst = std::max(worst, apart_Pa / half_Pa);
    INFO("row " << row << ": " << point.after << " Pa fitted, " << point.leave_out << " left out, "
                << predicted_Pa << " by a fit without it; leverage " << point.leverage
                << (point.refitted ? ", refitted" : "") << ", discrepancy " << all.discrepancy_Pa
                << " and " << refit.discrepancy_Pa << " Pa");
    // The refit is of the linear model and at the discrepancy of all rows, the fit without the row
    // finds its own: a fifth of the interval's half is what nobody would see in it.
    CHECK(apart_Pa < 0.2 * half_Pa);
  }
  WARN("rows move their own fitted value by rms "
       << std::sqrt(pull_square / 7) << " Pa; left out by leverage and by a fit are apart by rms "
       << std::sqrt(apart_square / 7) << " Pa, at most " << worst << " of the interval's half");
  // And far less than what leaving out does: without it this test would say nothing.
  CHECK(apart_square < 0.1 * pull_square);
}

TEST_CASE("a fit is the same to the bit on any number of threads", "[consistency]") {
  Random random(11);
  const DrawnSet drawn = draw_set(random, {}, 1500.0, kReadingSd_Pa, {1, 2, 1, 3, 1, 1, 1, 1});
  const FitResult one = fitted(drawn.set, 1);
  for (const unsigned threads : {2U, 5U}) {
    const FitResult more = fitted(drawn.set, threads);
    CHECK(more.discrepancy_Pa == one.discrepancy_Pa);
    CHECK(more.cost == one.cost);
    CHECK((more.posterior.covariance.array() == one.posterior.covariance.array()).all());
    for (std::size_t k = 0; k < kCoefficientCount; ++k) {
      CHECK(coefficient_value(more.mode, k) == coefficient_value(one.mode, k));
      CHECK(coefficient_value(more.posterior.mean, k) == coefficient_value(one.posterior.mean, k));
    }
    for (std::size_t i = 0; i < one.points.size(); ++i)
      CHECK(more.points[i].leave_out == one.points[i].leave_out);
  }
}

TEST_CASE("an engine without an idle is named", "[consistency]") {
  DrawnSet drawn = twenty(2);
  drawn.set.engines.resize(3);
  drawn.set.points.resize(3);
  drawn.set.car_latents.resize(3);
  // Far more rubbing than any throttle could feed.
  drawn.set.engines[1].engine.inputs.accessory_power_W = 200e3;
  REQUIRE_FALSE(solve_idle(drawn.set.engines[1].engine, {}).balanced);
  const FitResult result = fit(drawn.set, prior_knowledge(), {.threads = 2});
  CHECK(result.status == FitStatus::engine_without_idle);
  REQUIRE(result.engines == std::vector<std::size_t>{1});
  REQUIRE(result.engine_reasons.size() == 1);
  CHECK_FALSE(result.engine_reasons[0].empty());
  CHECK_FALSE(result.reason.empty());
}

TEST_CASE("readings out of reach leave the coefficients within their bounds",
          "[consistency][heavy]") {
  for (const double shift_Pa : {-18e3, 25e3}) {
    INFO(shift_Pa << " Pa");
    DrawnSet drawn = twenty(9);
    for (Point& point : drawn.set.points) {
      point.value += shift_Pa;
      point.sd = 50.0;
    }
    const FitResult result = fit(drawn.set, prior_knowledge(), {.threads = 2});
    INFO(result.reason);
    CHECK(result.status == FitStatus::ok);
    if (result.status == FitStatus::ok) check_sound(drawn.set, result);
  }
}

TEST_CASE("a gauge's offset is found", "[consistency][heavy]") {
  constexpr double kOffset_Pa = 3000.0;
  Random random(13);
  DrawnSet drawn = draw_set(random, {}, 500.0, 300.0, std::vector<int>(20, 1));
  drawn.set.offsets.push_back({.sd = 3000.0});
  for (std::size_t i = 0; i < 20; i += 2) {
    drawn.set.points[i].offset = 0;
    drawn.set.points[i].value += kOffset_Pa;
  }
  const FitResult result = fitted(drawn.set);
  REQUIRE(result.offsets.size() == 1);
  // Two means of ten readings, each of Student's scale 583 Pa (deviation 825): their difference has
  // a deviation of 370 Pa; three of those.
  CHECK(std::fabs(result.offsets[0] - kOffset_Pa) < 3.0 * 370.0);
  WARN("offset of 3000 Pa found as " << result.offsets[0]);
}

TEST_CASE("slopes of predictions are those of the model", "[consistency]") {
  // One car at idle and at a held pressure, each quantity, two of its inputs open.
  PointSet set;
  FitEngine idle = known_engine(mild_v8(), 0), held = known_engine(mild_v8(), 0);
  idle.latents = held.latents = {1, 0};
  idle.input_per_latent = Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(kInputCount), 2);
  idle.input_per_latent(static_cast<Eigen::Index>(Input::compression_ratio), 0) = 0.3;
  idle.input_per_latent(static_cast<Eigen::Index>(Input::intake_duration_seat_deg), 1) = 3.0;
  idle.input_per_latent(static_cast<Eigen::Index>(Input::exhaust_duration_seat_deg), 1) = 3.0;
  held.input_per_latent = idle.input_per_latent;
  held.map_Pa = 45e3;
  idle.friction_factor = 0.75;
  set.engines = {idle, held};
  set.car_latents = {2};
  for (const Quantity q : {Quantity::map, Quantity::vacuum, Quantity::air, Quantity::fuel})
    set.points.push_back({.engine = 0, .quantity = q, .value = 1, .sd = 1, .offset = {}});
  for (const Quantity q : {Quantity::ve, Quantity::air, Quantity::residual})
    set.points.push_back({.engine = 1, .quantity = q, .value = 1, .sd = 1, .offset = {}});

  const std::size_t points = set.points.size();
  const auto unknowns = kCoefficients + 2;
  const auto values = [&](const Eigen::VectorXd& x, Predictions& predictions) {
    Coefficients<double> c;
    for (std::size_t k = 0; k < kCoefficientCount; ++k)
      coefficient_ref(c, k) += kCoefficientInfo[k].prior_sd * x[static_cast<Eigen::Index>(k)];
    REQUIRE(predictions.evaluate(c, {x.tail(2)}));
    Eigen::VectorXd v(static_cast<Eigen::Index>(points));
    for (std::size_t i = 0; i < points; ++i) v[static_cast<Eigen::Index>(i)] = predictions.value(i);
    return v;
  };
  Eigen::VectorXd at(unknowns);  // away from where anything is special
  for (Eigen::Index k = 0; k < unknowns; ++k) at[k] = 0.3 * std::sin(1.0 + static_cast<double>(k));
  Predictions here(set, 2);
  const Eigen::VectorXd value = values(at, here);
  Eigen::MatrixXd exact(static_cast<Eigen::Index>(points), unknowns), differences = exact;
  for (std::size_t i = 0; i < points; ++i) {
    const auto row = static_cast<Eigen::Index>(i);
    for (std::size_t k = 0; k < kCoefficientCount; ++k) {
      const auto column = static_cast<Eigen::Index>(k);
      exact(row, column) = here.per_coefficient(i)[column] * kCoefficientInfo[k].prior_sd;
    }
    exact(row, kCoefficients) = here.per_latent(i)[1];  // columns of the engine, not of the car
    exact(row, kCoefficients + 1) = here.per_latent(i)[0];
  }
  constexpr double kStep = 0.01;  // deviations
  for (Eigen::Index k = 0; k < unknowns; ++k) {
    Eigen::VectorXd above = at, below = at;
    above[k] += kStep;
    below[k] -= kStep;
    Predictions fresh_above(set, 2), fresh_below(set, 2);  // a cold start on either side
    differences.col(k) = (values(above, fresh_above) - values(below, fresh_below)) / (2.0 * kStep);
  }
  double worst = 0;
  for (std::size_t i = 0; i < points; ++i) {
    const auto row = static_cast<Eigen::Index>(i);
    const double largest = exact.row(row).cwiseAbs().maxCoeff();
    for (Eigen::Index k = 0; k < unknowns; ++k) {
      INFO("point " << i << ", unknown " << k << ": " << exact(row, k) << ", by differences "
                    << differences(row, k) << ", largest " << largest);
      const double apart = std::fabs(exact(row, k) - differences(row, k));
      worst = std::max(worst, apart / largest);
      // The solver's slopes are good to some 1e-4 of the largest, no better: its dual numbers
      // iterate otherwise within a step than its plain ones. A wrong column is off by far more.
      CHECK(apart < 1e-3 * largest);
    }
  }
  CHECK(exact.row(1).isApprox(-exact.row(0), 1e-12));  // vacuum
  CHECK(exact(4, static_cast<Eigen::Index>(Coefficient::friction)) == 0.0);
  WARN("slopes apart from differences by at most " << worst << " of the largest of their point");
}

}  // namespace idlefit::test
