#include "profiles/selection.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "tests/support/practice_set.h"

namespace idlefit {
namespace {

double sum(const BaselineChoice& choice) {
  double total = 0;
  for (const auto& [name, probability] : choice.probability) total += probability;
  return total;
}

double probability(const BaselineChoice& choice, const std::string& name) {
  for (const auto& [key, value] : choice.probability) {
    if (key == name) return value;
  }
  return -1;
}

// The choice for a MAP that is normally distributed.
BaselineChoice choose_normal(const BaselineSet& set, double map_kPa, double sd_kPa,
                             const std::vector<CustomFlag>& flags) {
  return choose_baseline(set, map_kPa, Predictive({{1.0, 1000 * map_kPa, 1000 * sd_kPa}}), flags);
}

Engine engine_of(double bore_m, double stroke_m) {
  Engine engine;
  engine.inputs.bore_m = bore_m;
  engine.inputs.stroke_m = stroke_m;
  return engine;
}

TEST_CASE("probabilities are the normal distribution's shares", "[closed-form]") {
  const BaselineSet set = practice_set();
  // At a bound, half lies to each side but for what reaches over the neighbours: with a deviation
  // of 1 kPa that is ten deviations away.
  const BaselineChoice edge = choose_normal(set, 52.0, 1.0, {});
  CHECK(probability(edge, "firm") == Approx(0.5).margin(1e-12));
  CHECK(probability(edge, "soft") == Approx(0.5).margin(1e-12));
  // One deviation to either side of the middle of "firm" (47 +- 5): 0.682689 by any table.
  const BaselineChoice middle = choose_normal(set, 47.0, 5.0, {});
  CHECK(probability(middle, "firm") == Approx(0.6826894921).epsilon(1e-9));
  CHECK(probability(middle, "deep") == Approx(0.1586552539).epsilon(1e-9));
  for (double map_kPa = 10; map_kPa < 110; map_kPa += 3.7) {
    for (const double sd_kPa : {0.0, 0.3, 4.0, 40.0}) {
      const BaselineChoice choice = choose_normal(set, map_kPa, sd_kPa, {});
      INFO(map_kPa << " +- " << sd_kPa);
      CHECK(sum(choice) == Approx(1.0).epsilon(1e-12));
      CHECK(choice.probability.size() == 5);
      CHECK_FALSE(choice.nearest.empty());
      CHECK_FALSE(choice.runner_up.empty());
      CHECK_FALSE(choice.reasons.empty());
      CHECK(choice.custom == choice.name.empty());
      CHECK(choice.runner_up != choice.name);
    }
  }
}

TEST_CASE("engines without an idle count as custom", "[closed-form]") {
  const BaselineSet set = practice_set();
  // 0.45 of the law lies at 46 kPa, 0.25 at 58 and the rest has none.
  const BaselineChoice choice =
      choose_baseline(set, 46.0, Predictive({{0.45, 46e3, 500}, {0.25, 58e3, 500}}, 0.3), {});
  CHECK(choice.name == "firm");
  CHECK_FALSE(choice.decided);
  // Custom is likelier than "soft", but costs more: 0.7 x 0.5 against 0.45 x 0.3 + 0.3 x 0.5.
  CHECK(choice.runner_up == "soft");
  CHECK(probability(choice, "firm") == Approx(0.45));
  CHECK(probability(choice, "soft") == Approx(0.25));
  CHECK(probability(choice, "custom") == Approx(0.3));
  CHECK(sum(choice) == Approx(1));
}

TEST_CASE("a known idle chooses the profile that holds it", "[consistency]") {
  const BaselineSet set = practice_set();
  CHECK(choose_normal(set, 20.0, 0.0, {}).name == "deep");  // below the set: the first serves
  CHECK(choose_normal(set, 41.99, 0.0, {}).name == "deep");
  CHECK(choose_normal(set, 42.0, 0.0, {}).name == "firm");
  CHECK(choose_normal(set, 60.0, 0.0, {}).name == "soft");
  CHECK(choose_normal(set, 79.0, 0.0, {}).name == "thin");
  const BaselineChoice beyond = choose_normal(set, 83.0, 0.0, {});
  CHECK(beyond.custom);
  CHECK(beyond.name.empty());
  CHECK(beyond.nearest == "thin");
  CHECK(beyond.decided);
  const BaselineChoice sure = choose_normal(set, 58.0, 2.0, {});
  CHECK(sure.decided);
  CHECK(sure.name == "soft");
  const BaselineChoice unsure = choose_normal(set, 53.0, 12.0, {});
  CHECK_FALSE(unsure.decided);
  CHECK(unsure.runner_up != unsure.name);
  const BaselineChoice near_the_end = choose_normal(set, 78.0, 5.0, {});
  CHECK(near_the_end.name == "thin");
  CHECK(near_the_end.runner_up == "custom");
}

TEST_CASE("the error is none in the middle, lean below and rich above", "[closed-form]") {
  const BaselineSet set = practice_set();
  for (std::size_t i = 0; i < set.profiles.size(); ++i) {
    const BaselineProfile& p = set.profiles[i];
    CHECK(expected_fuelling_error(set, i, std::sqrt(p.map_from_kPa * p.map_to_kPa)) ==
          Approx(0).margin(1e-12));
    // As far off at both ends, as a ratio.
    const double low = 1 + expected_fuelling_error(set, i, p.map_from_kPa);
    const double high = 1 + expected_fuelling_error(set, i, p.map_to_kPa);
    CHECK(low * high == Approx(1));
    CHECK(low < 1);  // VE of the profile's middle is less than this engine's: lean
  }
}

// What each choice costs, by the definition: integral of density times cost, midpoint rule over
// steps of 0.01 kPa; profiles in order, then custom.
std::vector<double> costs_by_integration(const BaselineSet& set, double mean_kPa, double sd_kPa,
                                         double no_idle) {
  std::vector<double> cost(set.profiles.size() + 1, 0.0);
  const double end_kPa = set.profiles.back().map_to_kPa;
  for (double map_kPa = 2.005; map_kPa < 200; map_kPa += 0.01) {
    const double z = (map_kPa - mean_kPa) / sd_kPa;
    const double mass =
        (1 - no_idle) * 0.01 * std::exp(-0.5 * z * z) / (sd_kPa * std::sqrt(2 * std::acos(-1.0)));
    for (std::size_t i = 0; i < set.profiles.size(); ++i) {
      const BaselineProfile& p = set.profiles[i];
      const bool holds =
          map_kPa < p.map_to_kPa && (i == 0 || map_kPa >= set.profiles[i - 1].map_to_kPa);
      const double off = map_kPa / std::sqrt(p.map_from_kPa * p.map_to_kPa) - 1;
      cost[i] += mass * (map_kPa >= end_kPa ? 0.5 : holds ? 0.0 : off > 0 ? off : -1.5 * off);
    }
    cost.back() += map_kPa < end_kPa ? 0.5 * mass : 0.0;
  }
  for (std::size_t i = 0; i < set.profiles.size(); ++i) cost[i] += 0.5 * no_idle;
  return cost;
}

TEST_CASE("costs are what the table says over the whole law", "[closed-form]") {
  // The table of docs/profiles.md, written out again above: 1 rich, 1.5 lean, 0.5 and 0.5.
  const BaselineSet set = practice_set();
  for (const double no_idle : {0.0, 0.3}) {
    for (const double mean_kPa : {35.0, 47.0, 51.5, 63.0, 76.0, 83.0}) {
      for (const double sd_kPa : {1.5, 6.0}) {
        INFO(mean_kPa << " +- " << sd_kPa << ", no idle " << no_idle);
        const BaselineChoice choice = choose_baseline(
            set, mean_kPa, Predictive({{1 - no_idle, 1000 * mean_kPa, 1000 * sd_kPa}}, no_idle),
            {});
        const std::vector<double> expected = costs_by_integration(set, mean_kPa, sd_kPa, no_idle);
        REQUIRE(choice.cost.size() == expected.size());
        std::size_t least = 0;
        for (std::size_t i = 0; i < expected.size(); ++i) {
          // A comb of 0.25 kPa shifts what lies within one tooth of a bound: 0.25 / 2 kPa of
          // density 0.4 / sd times a jump of 0.5 at most.
          CHECK(choice.cost[i].second ==
                Approx(expected[i]).margin(0.125 * 0.4 / sd_kPa * 0.5 + 1e-4));
          if (expected[i] < expected[least]) least = i;
        }
        const std::string name = choice.cost[least].first;
        CHECK((choice.custom ? "custom" : choice.name) == name);
        CHECK(choice.runner_up != name);
      }
    }
  }
}

TEST_CASE("at even odds the profile that errs rich is chosen", "[trade]") {
  // Running lean costs more than rich: common practice, no source.
  const BaselineSet set = practice_set();
  const BaselineChoice even = choose_normal(set, 52.0, 3.0, {});
  CHECK(even.name == "firm");  // on the engines above 52 kPa it is rich
  CHECK(even.runner_up == "soft");
  const BaselineChoice clear = choose_normal(set, 54.0, 3.0, {});
  CHECK(clear.name == "soft");
}

TEST_CASE("probabilities, errors and costs against Monte Carlo", "[closed-form]") {
  // A law with heavy tails, two humps and engines without an idle. 400,000 draws: four deviations
  // of the binomial law are 0.0032, and of a mean of numbers up to 2 no more than 0.006.
  const BaselineSet set = practice_set();
  const Predictive law({{0.4, 46e3, 2e3}, {0.2, 50e3, 9e3}, {0.3, 60e3, 4e3}}, 0.1);
  const BaselineChoice choice = choose_baseline(set, 50.0, law, {});
  std::mt19937_64 generator(2718);
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> uniform;
  constexpr int kDraws = 400'000;
  std::vector<double> in(5), error(4), cost(5);
  int idles = 0;
  for (int i = 0; i < kDraws; ++i) {
    const double u = uniform(generator);
    const double z = normal(generator);
    if (u >= 0.9) {
      ++in[4];
      for (int b = 0; b < 4; ++b) cost[static_cast<std::size_t>(b)] += 0.5;
      continue;
    }
    ++idles;
    const double map_kPa = u < 0.4 ? 46 + 2 * z : u < 0.6 ? 50 + 9 * z : 60 + 4 * z;
    std::size_t band = 0;
    while (band < 4 && map_kPa >= set.profiles[band].map_to_kPa) ++band;
    ++in[band];
    for (std::size_t b = 0; b < 4; ++b) {
      const double off = expected_fuelling_error(set, b, map_kPa);
      error[b] += std::fabs(off);
      cost[b] += band == 4 ? 0.5 : b == band ? 0.0 : off > 0 ? off : -1.5 * off;
    }
    if (band < 4) cost[4] += 0.5;
  }
  for (std::size_t b = 0; b < 5; ++b) {
    CHECK(choice.probability[b].second == Approx(in[b] / kDraws).margin(0.0032));
    CHECK(choice.cost[b].second == Approx(cost[b] / kDraws).margin(0.006));
    if (b < 4) CHECK(choice.fuelling_error[b].second == Approx(error[b] / idles).margin(0.006));
  }
}

TEST_CASE("knowing all changes the choice as often as it is wrong", "[closed-form]") {
  // What moves the mean by the whole deviation leaves nothing unknown: the choice changes wherever
  // the pressure lies in another profile. 64 points give a share to 1/64.
  const BaselineSet set = practice_set();
  for (const double mean_kPa : {38.0, 47.0, 51.0, 66.0}) {
    const double sd_kPa = 5.0;
    const Predictive law({{1.0, 1000 * mean_kPa, 1000 * sd_kPa}});
    const BaselineChoice choice = choose_baseline(set, mean_kPa, law, {});
    const auto chances = chances_of_change(
        set, law, {{1000 * sd_kPa, 0.0}, {-1000 * sd_kPa, 0.0}, {0.0, 0.0}, {1.0, 0.0}});
    CHECK(chances[0] == Approx(1 - probability(choice, choice.name)).margin(1.5 / 64));
    CHECK(chances[1] == Approx(chances[0]).margin(1.5 / 64));  // either way round
    CHECK(chances[2] == 0);
    CHECK(chances[3] == 0);  // a pascal
  }
}

TEST_CASE("chance of a change against choosing again and again", "[closed-form]") {
  // A normal law of which knowing something leaves a normal law: nested choices by the definition.
  const BaselineSet set = practice_set();
  const double mean_kPa = 51.0, sd_kPa = 6.0;
  const Predictive law({{1.0, 1000 * mean_kPa, 1000 * sd_kPa}});
  const std::string now = choose_baseline(set, mean_kPa, law, {}).name;
  std::mt19937_64 generator(99);
  std::normal_distribution<double> normal;
  double last = 0;
  for (const double moves_kPa : {1.5, 3.0, 4.5, 5.5}) {
    int changed = 0;
    constexpr int kDraws = 2000;  // four deviations: 0.045
    for (int i = 0; i < kDraws; ++i) {
      const double there_kPa = mean_kPa + moves_kPa * normal(generator);
      const double left_kPa = std::sqrt(sd_kPa * sd_kPa - moves_kPa * moves_kPa);
      const BaselineChoice then = choose_baseline(
          set, there_kPa, Predictive({{1.0, 1000 * there_kPa, 1000 * left_kPa}}), {});
      changed += then.custom || then.name != now;
    }
    const double chance = chances_of_change(set, law, {{1000 * moves_kPa, 0.0}})[0];
    CHECK(chance == Approx(changed / double{kDraws}).margin(0.045 + 0.5 / 64));
    CHECK(chance >= last);  // who learns more changes more
    last = chance;
  }
}

TEST_CASE("what tells whether it idles changes the choice", "[consistency]") {
  // 0.35 has no idle: knowing something that settles it makes some of them custom, and something
  // that has no bearing on it none.
  const BaselineSet set = practice_set();
  const Predictive law({{0.65, 58e3, 1e3}}, 0.35);
  const auto chances = chances_of_change(set, law, {{0, 0.0}, {0, 0.95}, {0, -0.95}});
  CHECK(chances[0] == 0);
  CHECK(chances[1] == Approx(0.35).margin(0.06));
  CHECK(chances[2] == Approx(chances[1]).margin(1.5 / 64));
}

TEST_CASE("sets of one and of forty profiles are chosen from", "[consistency]") {
  BaselineSet one;
  one.profiles = {{"only", 25, 80, "", ""}};
  const BaselineChoice choice = choose_normal(one, 50, 5, {});
  CHECK(choice.name == "only");
  CHECK(choice.runner_up == "custom");
  CHECK(choice.decided);
  CHECK(choose_normal(one, 95, 5, {}).custom);
  BaselineSet forty;
  for (int i = 0; i < 40; ++i)
    forty.profiles.push_back({"p" + std::to_string(i), 20.0 + i * 1.5, 21.5 + i * 1.5, "", ""});
  const BaselineChoice narrow = choose_normal(forty, 50.75, 4, {});
  CHECK_FALSE(narrow.decided);
  CHECK(sum(narrow) == Approx(1));
  CHECK(narrow.runner_up != narrow.name);
  CHECK(chances_of_change(forty, Predictive({{1.0, 50e3, 4e3}}), {{3e3, 0}})[0] > 0.5);
}

TEST_CASE("a flag makes the answer custom and keeps the nearest profile", "[consistency]") {
  const BaselineSet set = practice_set();
  const BaselineChoice choice =
      choose_normal(set, 46.0, 3.0, {{CustomFlag::Kind::boost, "Boosted."}});
  CHECK(choice.custom);
  CHECK(choice.name.empty());
  CHECK(choice.nearest == "firm");
  CHECK(choice.runner_up == "soft");  // a fifth lean where "deep" is two fifths rich
  CHECK(choice.decided);
  CHECK(probability(choice, "custom") == 1.0);
  CHECK(sum(choice) == Approx(1.0));
  CHECK(choice.reasons.front() == "Boosted.");
  // A MAP that is too high is what the distribution itself says.
  const BaselineChoice high =
      choose_normal(set, 81.0, 4.0, {{CustomFlag::Kind::map_too_high, "High."}});
  CHECK(high.custom);
  CHECK(high.nearest == "thin");
  CHECK(probability(high, "custom") == Approx(0.5987063257).epsilon(1e-9));  // Phi(1/4)
}

TEST_CASE("every condition of the trade raises its flag", "[trade]") {
  const BaselineSet set = practice_set();
  const Engine usual = engine_of(0.10, 0.09);  // 5.65 L
  using Kind = CustomFlag::Kind;
  const auto kinds = [&](const EngineCard& card, const Engine& engine, bool idle = true,
                         double map_kPa = 50) {
    std::vector<Kind> found;
    for (const CustomFlag& flag : custom_flags(card, engine, idle, map_kPa, set)) {
      found.push_back(flag.kind);
      CHECK_FALSE(flag.reason.empty());
    }
    return found;
  };
  EngineCard card;
  CHECK(kinds(card, usual).empty());
  card.induction = EngineCard::Induction::boosted;
  CHECK(kinds(card, usual) == std::vector{Kind::boost});
  card = {};
  card.nitrous = true;
  CHECK(kinds(card, usual) == std::vector{Kind::nitrous});
  card.nitrous = false;
  CHECK(kinds(card, usual).empty());
  card.manifold = EngineCard::Manifold::individual_runner;
  CHECK(kinds(card, usual) == std::vector{Kind::individual_runners});
  card.manifold = EngineCard::Manifold::single_plane;
  CHECK(kinds(card, usual).empty());
  Engine methanol = usual;
  methanol.build.fuel = Fuel::methanol;
  CHECK(kinds({}, methanol) == std::vector{Kind::methanol});
  CHECK(kinds({}, engine_of(0.13, 0.12)) == std::vector{Kind::displacement});  // 12.7 L
  CHECK(kinds({}, engine_of(0.05, 0.05)) == std::vector{Kind::displacement});  // 0.79 L
  // A litre and nine by bores worked out from them, to the last bit or beside it.
  for (const double litres : {1.0, 9.0}) {
    const double bore_m = std::cbrt(1e-3 * litres / 8 / std::atan(1.0));
    for (const double off : {-1e-12, 0.0, 1e-12})
      CHECK(kinds({}, engine_of(bore_m * (1 + off), bore_m)).empty());
  }
  CHECK(kinds({}, usual, false) == std::vector{Kind::no_idle});
  CHECK(kinds({}, usual, true, 80.5) == std::vector{Kind::map_too_high});
}

}  // namespace
}  // namespace idlefit
