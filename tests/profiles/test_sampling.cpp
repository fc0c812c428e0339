#include "profiles/sampling.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <string>
#include <vector>

#include "model/constants.h"
#include "model/knowledge.h"
#include "profiles/known_reading.h"

namespace idlefit {
namespace {

EngineCard example(const std::string& name, const std::vector<std::string>& sets = {}) {
  return read_engine_card(std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/" + name + ".yaml",
                          sets);
}

// Where samples are taken about an engine, solved.
SampleCenter center_at(const Engine& engine, const Coefficients<double>& c,
                       const Eigen::MatrixXd& input_per_latent, const Eigen::VectorXd& unknowns,
                       const CoefficientUnknowns& coefficients) {
  SampleCenter center;
  center.unknowns = unknowns;
  center.idle = solve_idle(engine, c, {.gradient = true});
  Engine at_sea = engine;
  at_sea.inputs.barometer_Pa = kStandardAtmosphere_Pa;
  center.sea_level = solve_idle(at_sea, c, {.gradient = true});
  REQUIRE(center.idle.gradient);
  REQUIRE(center.sea_level.gradient);
  center.effects_Pa = unknown_effects_Pa(*center.idle.gradient, input_per_latent, coefficients);
  center.sea_level_effects_Pa =
      unknown_effects_Pa(*center.sea_level.gradient, input_per_latent, coefficients);
  center.burning_effects = unknown_effects(center.sea_level.gradient->burned_fuel_fraction,
                                           input_per_latent, coefficients);
  return center;
}

// A card with what is known of it before any reading, solved.
struct Case {
  EngineCard card;
  CoefficientKnowledge knowledge;
  Completion completion;
  CoefficientUnknowns coefficients;
  EngineBelief belief;
  SampleCenter center;

  Case(EngineCard c, CoefficientKnowledge k)
      : card(std::move(c)),
        knowledge(std::move(k)),
        completion(complete(card)),
        coefficients(knowledge),
        belief(knowledge.discrepancy) {
    const auto unknowns =
        completion.input_per_latent.cols() + static_cast<Eigen::Index>(kCoefficientCount);
    center = center_at(completion.engine, knowledge.mean, completion.input_per_latent,
                       Eigen::VectorXd::Zero(unknowns), coefficients);
  }
  IdleSampler sampler(unsigned threads = 2) const {
    return {card, coefficients, belief, center, threads};
  }
  PressureInterval by_gradient() const {
    return interval_80(belief.predict(center.idle.point.map_Pa, center.effects_Pa), barometer_Pa());
  }
  double barometer_Pa() const { return center.idle.point.barometer_Pa; }
};

CoefficientKnowledge narrow(double factor) {
  CoefficientKnowledge knowledge = prior_knowledge();
  knowledge.covariance *= factor * factor;
  for (Discrepancy::Node& node : knowledge.discrepancy.nodes) node.scale_Pa *= factor;
  return knowledge;
}

TEST_CASE("a sample is the same on any number of threads and each time", "[consistency]") {
  const Case c(example("street_v8_coupe"), prior_knowledge());
  const SampledIdles one = c.sampler(1).sample(64);
  for (const unsigned threads : {1U, 3U}) {
    const SampledIdles other = c.sampler(threads).sample(64);
    for (const double share : {0.1, 0.5, 0.9}) {
      CHECK(other.map.quantile_Pa(share) == one.map.quantile_Pa(share));
      CHECK(other.sea_level.quantile_Pa(share) == one.sea_level.quantile_Pa(share));
    }
    CHECK(other.map.no_idle() == one.map.no_idle());
  }
  CHECK(c.sampler(1).check(64).interval_off_Pa == c.sampler(3).check(64).interval_off_Pa);
}

TEST_CASE("a narrow sample is what the gradient says", "[consistency]") {
  // All spreads ten times narrower than the prior's, and a card that says nearly all: what bends
  // over such a way is a tenth of what bends over the whole, itself some per cent of the width.
  const Case c(example("stock_four_wagon"), narrow(0.1));
  const PressureInterval linear = c.by_gradient();
  const SampledIdles sampled = c.sampler().sample(256);
  const PressureInterval i = interval_80(sampled.map, c.barometer_Pa());
  const double width_Pa = linear.high_Pa - linear.low_Pa;
  CHECK(i.low_Pa == Approx(linear.low_Pa).margin(0.02 * width_Pa));
  CHECK(i.high_Pa == Approx(linear.high_Pa).margin(0.02 * width_Pa));
  CHECK(sampled.map.no_idle() == 0);
  const GradientCheck check = c.sampler().check(64);
  CHECK(check.no_idle == 0);
  CHECK(check.interval_off_Pa < 0.02 * width_Pa);
}

TEST_CASE("the two laws of a sample are those of two barometers", "[consistency]") {
  // At 101.325 kPa they are one; elsewhere sea level lies where the model puts the center, to the
  // tenth of the spread by which a mean may differ from it.
  const CoefficientKnowledge knowledge = narrow(0.3);
  const Case low(example("stock_v8_sedan", {"idle.altitude=0 ft"}), knowledge);
  const SampledIdles at_sea = low.sampler().sample(64);
  CHECK(at_sea.map.quantile_Pa(0.3) == at_sea.sea_level.quantile_Pa(0.3));
  const Case high(example("stock_v8_sedan", {"idle.altitude=6000 ft"}), knowledge);
  const SampledIdles up = high.sampler().sample(64);
  const double tenth_Pa = 0.1 * up.map.sd_Pa();
  CHECK(up.map.mean_Pa() == Approx(high.center.idle.point.map_Pa).margin(tenth_Pa));
  CHECK(up.sea_level.mean_Pa() == Approx(low.center.idle.point.map_Pa).margin(tenth_Pa));
  CHECK(std::abs(up.map.mean_Pa() - up.sea_level.mean_Pa()) > 2 * tenth_Pa);
}

TEST_CASE("drawn engines idle where each solved by itself does", "[consistency]") {
  // Solved on fewer steps, from slopes and in short: within 0.1 kPa of the full solve from
  // nothing, with the same idles and none. A cam near the limit of dilution, and a stock one.
  for (const char* name : {"wild_v8_racer", "stock_four_wagon"}) {
    const Case c(example(name), prior_knowledge());
    const NearbySolver nearby(c.completion.engine, c.knowledge.mean, c.center.idle);
    const Eigen::Index latents = static_cast<Eigen::Index>(c.completion.latent_keys.size());
    const Eigen::MatrixXd points = quasi_normal_points(c.center.unknowns.size(), 150);
    int differ = 0;
    double worst_Pa = 0;
    for (Eigen::Index i = 0; i < points.cols(); ++i) {
      const Engine engine = complete_at(c.card, points.col(i).head(latents));
      const Coefficients<double> k = c.coefficients.at(points.col(i).tail(points.rows() - latents));
      const SolveResult full = solve_idle(engine, k);
      const NearbySolver::Idle quick = nearby.solve(engine, k);
      if ((full.status == Status::ok) != quick.map_Pa.has_value())
        ++differ;
      else if (quick.map_Pa)
        worst_Pa = std::max(worst_Pa, std::abs(*quick.map_Pa - full.point.map_Pa));
    }
    INFO(name << ": differ " << differ << ", worst " << worst_Pa << " Pa");
    CHECK(differ <= 1);  // one that burns 80.0 % on some steps and 79.9 % on others
    CHECK(worst_Pa < 100);
  }
}

TEST_CASE("engines without an idle are counted, and the check sees them", "[consistency]") {
  // A cam near the limit of dilution: the engine in the middle idles, a good share around it does
  // not. The gradient knows nothing of them.
  const Case c(example("wild_v8_racer"), prior_knowledge());
  REQUIRE(c.center.idle.status == Status::ok);
  const SampledIdles sampled = c.sampler().sample(128);
  CHECK(sampled.map.no_idle() > 0.1);
  CHECK(sampled.map.no_idle() < 0.6);
  CHECK(c.sampler().check(64).no_idle > 0.1);
  // The law of those with an idle, and the share of those without, are all there is.
  CHECK(sampled.map.below(1e9) == Approx(1 - sampled.map.no_idle()));
}

TEST_CASE("an engine that was read has an idle", "[consistency]") {
  // Of the engines that the card may stand for a third has no idle. A vacuum read under the very
  // conditions of the idle rules these out, whatever it says.
  const CoefficientKnowledge knowledge = prior_knowledge();
  EngineCard card = example("wild_v8_racer");
  const SolveResult expected = solve_idle(complete(card).engine, knowledge.mean);
  REQUIRE(expected.status == Status::ok);
  for (const double move_Pa : {0.0, -3000.0}) {
    card.known.vacuum_Pa = expected.point.barometer_Pa - expected.point.map_Pa + move_Pa;
    const auto informed = inform_by_reading(card, complete(card), knowledge).informed;
    REQUIRE(informed);
    const CoefficientUnknowns coefficients(knowledge);
    const SampleCenter center =
        center_at(informed->engine, informed->coefficients, informed->input_per_latent,
                  informed->unknowns, coefficients);
    const SampledIdles sampled =
        IdleSampler(card, coefficients, informed->belief, center).sample(128);
    CHECK(sampled.map.no_idle() == 0);
    CHECK(sampled.effective > 16);
    CHECK(sampled.effective < 128);
  }
}

TEST_CASE("a sample after a reading keeps what the reading says", "[consistency]") {
  // All spreads a third of the prior's, so that the model is nearly straight: ends as by gradient
  // within a tenth of the width.
  const CoefficientKnowledge knowledge = narrow(0.3);
  EngineCard card = example("stock_v8_sedan");
  const Completion before = complete(card);
  const SolveResult expected = solve_idle(before.engine, knowledge.mean);
  card.known.vacuum_Pa = expected.point.barometer_Pa - expected.point.map_Pa - 2000;
  card.known.speed_rpm = expected.point.speed_rpm;
  const auto informed = inform_by_reading(card, complete(card), knowledge).informed;
  REQUIRE(informed);
  const CoefficientUnknowns coefficients(knowledge);
  const SampleCenter center =
      center_at(informed->engine, informed->coefficients, informed->input_per_latent,
                informed->unknowns, coefficients);
  const Predictive linear = informed->belief.predict(
      center.idle.point.map_Pa + informed->map_beyond_Pa, center.effects_Pa);
  const IdleSampler sampler(card, coefficients, informed->belief, center);
  const SampledIdles sampled = sampler.sample(256);
  const double barometer_Pa = center.idle.point.barometer_Pa;
  const PressureInterval a = interval_80(linear, barometer_Pa);
  const PressureInterval b = interval_80(sampled.map, barometer_Pa);
  const double tenth_Pa = 0.1 * (a.high_Pa - a.low_Pa);
  CHECK(b.low_Pa == Approx(a.low_Pa).margin(tenth_Pa));
  CHECK(b.high_Pa == Approx(a.high_Pa).margin(tenth_Pa));
  CHECK(sampled.effective > 128);  // the model is nearly straight: most draws count
  CHECK(sampled.effective < 256);
  // And it has moved: without the reading the law lies lower.
  const Predictive unread =
      EngineBelief(knowledge.discrepancy).predict(expected.point.map_Pa, center.effects_Pa);
  CHECK(sampled.map.quantile_Pa(0.5) > unread.quantile_Pa(0.5) + 200);
}

}  // namespace
}  // namespace idlefit
