#include "profiles/known_reading.h"

#include <catch2/catch.hpp>
#include <cmath>

#include "model/idle.h"
#include "model/knowledge.h"
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

double vacuum_Pa(const Engine& engine, const Coefficients<double>& coefficients) {
  const SolveResult at = solve_idle(engine, coefficients);
  REQUIRE(at.balanced);
  return at.point.barometer_Pa - at.point.map_Pa;
}

double expected_vacuum_Pa(const CoefficientKnowledge& knowledge) {
  const Eigen::VectorXd none =
      Eigen::VectorXd::Zero(static_cast<Eigen::Index>(complete(card_with(5e4)).latent_keys.size()));
  return vacuum_Pa(known_engine_at(card_with(5e4), none), knowledge.mean);
}

// The same with its cam card.
EngineCard known_cam_card() {
  EngineCard card = card_with(5e4);
  card.duration_050_deg = {219, 226};
  card.duration_seat_deg = {272, 279};
  card.lobe_separation_deg = 111;
  card.intake_centerline_deg = 107;
  card.valve_lift_m = {0.0116, 0.0117};
  return card;
}

// A reading of an engine in order at a known speed and barometer, so that nothing but the gauge
// stands between it and closed forms; taken however far off.
constexpr ReadingTrust kGaugeAlone{
    .speed_rpm = 0, .weather_Pa = 0, .barometer_Pa = 0, .fault_chance = 0, .least_chance = 0};

TakenReading taken_by(double vacuum_Pa, const CoefficientKnowledge& knowledge,
                      const ReadingTrust& trust) {
  const EngineCard card = card_with(vacuum_Pa);
  return inform_by_reading(card, complete(card), knowledge, trust);
}

InformedEngine informed_by(double vacuum_Pa, const CoefficientKnowledge& knowledge) {
  const TakenReading taken = taken_by(vacuum_Pa, knowledge, kGaugeAlone);
  REQUIRE(taken.informed);
  return *taken.informed;
}

// What the unknowns do to idle MAP at the engine that a reading made out.
Eigen::VectorXd effects_Pa(const InformedEngine& informed, const CoefficientKnowledge& knowledge) {
  const SolveResult at = solve_idle(informed.engine, informed.coefficients, {.gradient = true});
  REQUIRE(at.gradient);
  return unknown_effects_Pa(*at.gradient, informed.input_per_latent,
                            CoefficientUnknowns(knowledge));
}

CoefficientKnowledge without_discrepancy() {
  CoefficientKnowledge knowledge = prior_knowledge();
  knowledge.discrepancy = {};
  return knowledge;
}

// The update stops within 5 Pa of its limit; a few times that for what the last step leaves.
constexpr double kSettled_Pa = 20;

TEST_CASE("a reading that was expected moves nothing", "[closed-form]") {
  for (const CoefficientKnowledge& knowledge : {prior_knowledge(), without_discrepancy()}) {
    const TakenReading taken = taken_by(expected_vacuum_Pa(knowledge), knowledge, kGaugeAlone);
    CHECK(taken.surprise_Pa == Approx(0).margin(1));  // the solver's tolerance, Pa
    CHECK(taken.surprise_chance == Approx(1).margin(1e-3));
    REQUIRE(taken.informed);
    const InformedEngine& informed = *taken.informed;
    CHECK(informed.unknowns.cwiseAbs().maxCoeff() < 1e-3);
    for (std::size_t k = 0; k < kCoefficientCount; ++k) {
      CHECK(coefficient_value(informed.coefficients, k) ==
            Approx(kCoefficientInfo[k].prior_mean).epsilon(1e-3));
    }
  }
}

TEST_CASE("a reading draws the prediction by its weight", "[consistency]") {
  // To first order, and under the same conditions, the vacuum after the update lies at reading -
  // (reading - expected) s^2 / (j'j + s^2) where nothing is beyond the model; the model's curvature
  // over the move may change that by a tenth of the move.
  const CoefficientKnowledge knowledge = without_discrepancy();
  const double expected_Pa = expected_vacuum_Pa(knowledge);
  for (const double move_Pa : {-8e3, -3e3, 3e3}) {
    const TakenReading taken = taken_by(expected_Pa + move_Pa, knowledge, kGaugeAlone);
    CHECK(taken.surprise_Pa == Approx(-move_Pa).margin(kSettled_Pa));
    REQUIRE(taken.informed);
    const InformedEngine& informed = *taken.informed;
    CHECK(informed.map_beyond_Pa == Approx(0).margin(kSettled_Pa));
    const double spread_Pa2 =
        effects_Pa(informed, knowledge).squaredNorm() + std::pow(kVacuumReadingSd_Pa, 2);
    const double weight = std::pow(kVacuumReadingSd_Pa, 2) / spread_Pa2;
    CHECK(
        vacuum_Pa(informed.engine, informed.coefficients) ==
        Approx(expected_Pa + move_Pa * (1 - weight)).margin(0.1 * std::abs(move_Pa) + kSettled_Pa));
  }
}

TEST_CASE("the engine shown idles where the reading predicts", "[consistency]") {
  // The mean of the unknowns, and what the car shows beyond it, found again from what is returned;
  // with a discrepancy that dominates the physics, the engine ends where likely ones end.
  CoefficientKnowledge sure = prior_knowledge();
  sure.covariance *= 0.01;
  for (const CoefficientKnowledge& knowledge : {prior_knowledge(), sure}) {
    const double expected_Pa = expected_vacuum_Pa(knowledge);
    for (const double move_Pa : {-6e3, 4e3}) {
      INFO(move_Pa);
      const InformedEngine informed = informed_by(expected_Pa + move_Pa, knowledge);
      const EngineCard card = card_with(expected_Pa + move_Pa);
      const Eigen::VectorXd mean = informed.belief.unknowns_mean(informed.unknowns.size());
      const Eigen::Index latents = mean.size() - static_cast<Eigen::Index>(kCoefficientCount);
      const double mean_Pa =
          vacuum_Pa(complete_at(card, mean.head(latents)),
                    CoefficientUnknowns(knowledge).at(mean.tail(mean.size() - latents)));
      CHECK(vacuum_Pa(informed.engine, informed.coefficients) - informed.map_beyond_Pa ==
            Approx(mean_Pa - informed.belief.car_mean_Pa()).margin(kSettled_Pa));
      CHECK(informed.belief.car_mean_Pa() * move_Pa < 0);  // less vacuum is more pressure
      CHECK(std::abs(informed.belief.car_mean_Pa()) < std::abs(move_Pa));
      CHECK((informed.unknowns - mean).norm() <= 3 + 1e-9);
    }
  }
}

TEST_CASE("a reading far off is put down to the car", "[consistency]") {
  // Nothing else gives: a card that says all but little, coefficients known ten times better than
  // by the table, and a reading 8 kPa off what they say. The car keeps 0.8 of what is beyond the
  // model, and the reading is good to 1.7 kPa.
  CoefficientKnowledge knowledge = prior_knowledge();
  knowledge.covariance *= 0.01;
  EngineCard card = known_cam_card();
  const Eigen::VectorXd none =
      Eigen::VectorXd::Zero(static_cast<Eigen::Index>(complete(card).latent_keys.size()));
  card.known.vacuum_Pa = vacuum_Pa(known_engine_at(card, none), knowledge.mean) - 8e3;
  const TakenReading taken = inform_by_reading(card, complete(card), knowledge, kGaugeAlone);
  REQUIRE(taken.informed);
  CHECK(taken.informed->belief.car_mean_Pa() > 0.5 * 8e3);
  CHECK(taken.informed->belief.car_mean_Pa() < kCarShare * 8e3);
  CHECK(taken.surprise_chance < 0.2);
}

TEST_CASE("the reading leaves less unknown than it found", "[consistency]") {
  for (const CoefficientKnowledge& knowledge : {prior_knowledge(), without_discrepancy()}) {
    const InformedEngine informed = informed_by(expected_vacuum_Pa(knowledge) - 3e3, knowledge);
    const Eigen::VectorXd g = effects_Pa(informed, knowledge);
    const MapUncertainty after(g, informed.belief);
    CHECK(after.sd_Pa < 0.7 * MapUncertainty(g, EngineBelief(knowledge.discrepancy)).sd_Pa);
    if (!knowledge.discrepancy.nodes.empty()) continue;
    // Under the same conditions no more certain than the reading with the rest could make it.
    CHECK(after.sd_Pa < kVacuumReadingSd_Pa * 1.05);
    CHECK(after.sd_Pa > kVacuumReadingSd_Pa * 0.5);
  }
}

TEST_CASE("a reading where the model finds no balance is left aside", "[consistency]") {
  // In gear against a converter that takes more than the engine has at that height.
  EngineCard card = card_with(2e4);
  card.known.gear = EngineCard::Gear::drive;
  card.known.altitude_m = 4000;
  card.stall_speed_rpm = 1000;
  card.stall_torque_Nm = 700;
  const Eigen::VectorXd none =
      Eigen::VectorXd::Zero(static_cast<Eigen::Index>(complete(card).latent_keys.size()));
  REQUIRE_FALSE(solve_idle(known_engine_at(card, none), {}).balanced);
  const TakenReading taken = inform_by_reading(card, complete(card), prior_knowledge());
  CHECK(taken.use == TakenReading::Use::no_idle);
  CHECK_FALSE(taken.informed);
}

TEST_CASE("speed and barometer of a reading make it worth less", "[closed-form]") {
  // Three independent deviations add by their squares: slopes of vacuum by differences of solves.
  const CoefficientKnowledge knowledge = without_discrepancy();
  const EngineCard card = card_with(expected_vacuum_Pa(knowledge));
  const Eigen::VectorXd none =
      Eigen::VectorXd::Zero(static_cast<Eigen::Index>(complete(card).latent_keys.size()));
  const Engine engine = known_engine_at(card, none);
  const auto slope = [&](double Inputs<double>::*input, double step) {
    Engine above = engine, below = engine;
    above.inputs.*input += step;
    below.inputs.*input -= step;
    return (vacuum_Pa(above, knowledge.mean) - vacuum_Pa(below, knowledge.mean)) / (2 * step);
  };
  const ReadingTrust trust;
  const double sd_Pa =
      std::hypot(kVacuumReadingSd_Pa, slope(&Inputs<double>::speed_rpm, 5) * trust.speed_rpm,
                 slope(&Inputs<double>::barometer_Pa, 200) * trust.weather_Pa);
  CHECK(sd_Pa > 1.02 * kVacuumReadingSd_Pa);
  // The chance of a reading one kilopascal off, worked out with that deviation.
  ReadingTrust in_order = trust;
  in_order.fault_chance = 0;
  EngineCard off = card;
  off.known.vacuum_Pa = *card.known.vacuum_Pa - 4000;
  const TakenReading taken = inform_by_reading(off, complete(off), knowledge, in_order);
  REQUIRE(taken.informed);
  const SolveResult at = solve_idle(engine, knowledge.mean, {.gradient = true});
  PointGradient less_vacuum = *at.gradient;
  less_vacuum.map_Pa[static_cast<Eigen::Index>(Input::barometer_Pa)] -= 1.0;
  const Eigen::VectorXd j = unknown_effects_Pa(less_vacuum, complete(off).known->input_per_latent,
                                               CoefficientUnknowns(knowledge));
  const double spread_Pa = std::hypot(j.norm(), sd_Pa);
  CHECK(taken.surprise_chance ==
        Approx(std::erfc(4000 / spread_Pa / std::sqrt(2.0))).epsilon(0.005));  // of differences
}

TEST_CASE("a reading far off is put down to a fault, and farther off left aside", "[consistency]") {
  // A card that says all but little, and cars that stray little from the model: what is left is a
  // fault, whose 4 inHg make 7 to 8 inHg improbable enough to be left aside.
  CoefficientKnowledge knowledge = prior_knowledge();
  knowledge.covariance *= 0.01;
  for (Discrepancy::Node& node : knowledge.discrepancy.nodes) node.scale_Pa *= 0.2;
  EngineCard card = known_cam_card();
  const Eigen::VectorXd none =
      Eigen::VectorXd::Zero(static_cast<Eigen::Index>(complete(card).latent_keys.size()));
  const double expected_Pa = vacuum_Pa(known_engine_at(card, none), knowledge.mean);
  const ReadingTrust trust;
  double last = 0;
  bool aside = false;
  for (const double inches : {0.0, 1.0, 2.5, 4.0, 5.5, 9.0, 11.0}) {
    card.known.vacuum_Pa = expected_Pa - inches * kInchMercury_Pa;
    const TakenReading taken = inform_by_reading(card, complete(card), knowledge, trust);
    INFO(inches << " inHg: chance " << taken.surprise_chance << ", fault "
                << taken.fault_probability);
    if (inches == 0.0) CHECK(taken.fault_probability < trust.fault_chance);
    if (taken.surprise_chance < trust.least_chance) {
      aside = true;
      CHECK(taken.use == TakenReading::Use::too_far);
      CHECK_FALSE(taken.informed);
      // How far outside is said, from engines drawn: their median is not the one in the middle.
      CHECK(taken.surprise_Pa == Approx(inches * kInchMercury_Pa).epsilon(0.05));
    } else {
      CHECK_FALSE(aside);
      REQUIRE(taken.informed);
      CHECK(taken.fault_probability > last);
      last = taken.fault_probability;
    }
  }
  CHECK(aside);
  CHECK(last > 0.8);
}

TEST_CASE("a reading on a cam that the middle engine would not idle with", "[consistency]") {
  // So long a cam at so low a speed that the engine in the middle has no idle; some around it have,
  // and a reading says that this one does.
  const CoefficientKnowledge knowledge = prior_knowledge();
  EngineCard card = card_with(2.6e4);
  card.described_as = EngineCard::Words::race;
  card.speed_rpm = card.known.speed_rpm = 900;
  const Eigen::VectorXd none =
      Eigen::VectorXd::Zero(static_cast<Eigen::Index>(complete(card).latent_keys.size()));
  REQUIRE(solve_idle(known_engine_at(card, none), knowledge.mean).status == Status::no_idle);
  const TakenReading taken = inform_by_reading(card, complete(card), knowledge);
  REQUIRE(taken.informed);
  const SolveResult idle = solve_idle(taken.informed->engine, taken.informed->coefficients);
  CHECK(idle.status == Status::ok);
}

}  // namespace
}  // namespace idlefit
