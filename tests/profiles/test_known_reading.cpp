#include "profiles/known_reading.h"

#include <catch2/catch.hpp>
#include <cmath>

#include "model/idle.h"
#include "model/units.h"

namespace idlefit {
namespace {

// A V8 of which little is known but the vacuum it pulls under the conditions of the idle.
EngineCard card_with(double vacuum_Pa) {
  EngineCard card;
  card.cylinders = 8;
  card.bore_m = 0.102;
  card.stroke_m = 0.090;
  card.described_as = EngineCard::Words::street;
  card.speed_rpm = 780;
  card.altitude_m = 250;
  card.known.vacuum_Pa = vacuum_Pa;
  card.known.speed_rpm = 780;
  return card;
}

double predicted_vacuum_Pa(const Engine& engine, const Coefficients<double>& coefficients) {
  const SolveResult at = solve_idle(engine, coefficients);
  REQUIRE(at.balanced);
  return at.point.barometer_Pa - at.point.map_Pa;
}

double expected_vacuum_Pa() {
  const Eigen::VectorXd none =
      Eigen::VectorXd::Zero(static_cast<Eigen::Index>(complete(card_with(5e4)).latent_keys.size()));
  return predicted_vacuum_Pa(known_engine_at(card_with(5e4), none), {});
}

// The update stops within 5 Pa of its limit; a few times that for what the last step leaves.
constexpr double kSettled_Pa = 20;

TEST_CASE("a reading that was expected moves nothing", "[closed-form]") {
  const double vacuum_Pa = expected_vacuum_Pa();
  const EngineCard card = card_with(vacuum_Pa);
  const auto informed = inform_by_reading(card, complete(card));
  REQUIRE(informed);
  CHECK(informed->surprise_Pa == Approx(0).margin(1));  // the solver's tolerance, Pa
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    CHECK(coefficient_value(informed->coefficients, k) ==
          Approx(kCoefficientInfo[k].prior_mean).epsilon(1e-3));
  }
}

TEST_CASE("a reading draws the prediction by its weight", "[consistency]") {
  // To first order the vacuum after the update lies at reading - (reading - expected) s^2 / (j'j +
  // s^2); the model's curvature over the move may change that by a tenth of the move.
  const double expected_Pa = expected_vacuum_Pa();
  for (const double move_Pa : {-8e3, -3e3, 3e3}) {
    const EngineCard card = card_with(expected_Pa + move_Pa);
    const auto informed = inform_by_reading(card, complete(card));
    REQUIRE(informed);
    CHECK(informed->surprise_Pa == Approx(-move_Pa).margin(kSettled_Pa));
    const double after_Pa = predicted_vacuum_Pa(informed->engine, informed->coefficients);
    const double weight = std::pow(kVacuumReadingSd_Pa / informed->surprise_sd_Pa, 2);
    CHECK(
        after_Pa ==
        Approx(expected_Pa + move_Pa * (1 - weight)).margin(0.1 * std::abs(move_Pa) + kSettled_Pa));
  }
}

TEST_CASE("the reading leaves less unknown than it found", "[consistency]") {
  const EngineCard card = card_with(expected_vacuum_Pa() - 3e3);
  const auto informed = inform_by_reading(card, complete(card));
  REQUIRE(informed);
  const SolveResult at = solve_idle(informed->engine, informed->coefficients, {.gradient = true});
  REQUIRE(at.gradient);
  const Eigen::VectorXd effects_Pa = unknown_effects_Pa(*at.gradient, informed->input_per_latent);
  const double after_Pa = map_uncertainty(effects_Pa, &informed->reading).sd_Pa;
  CHECK(after_Pa < 0.7 * map_uncertainty(effects_Pa).sd_Pa);
  // Under the same conditions no more certain than the reading with the rest could make it.
  CHECK(after_Pa < kVacuumReadingSd_Pa * 1.05);
  CHECK(after_Pa > kVacuumReadingSd_Pa * 0.5);
}

}  // namespace
}  // namespace idlefit
