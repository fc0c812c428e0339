#include <unistd.h>

#include <catch2/catch.hpp>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

#include "profiles/baselines.h"

namespace idlefit {
namespace {

using Catch::Contains;

// A folder with a baselines.yaml of its own, removed again.
class Folder {
 public:
  explicit Folder(const std::string& content) {
    static int count = 0;
    path_ = std::filesystem::temp_directory_path() /
            ("idlefit_baselines_" + std::to_string(::getpid()) + "_" + std::to_string(count++));
    std::filesystem::create_directories(path_);
    std::ofstream(path_ / "baselines.yaml") << content;
  }
  ~Folder() { std::filesystem::remove_all(path_); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  std::string path() const { return path_.string(); }

 private:
  std::filesystem::path path_;
};

BaselineSet read(const std::string& content) { return read_baselines(Folder(content).path()); }

std::string profile(const std::string& name, const std::string& from, const std::string& to) {
  return "  - {name: " + name + ", map_sea_level: {from: " + from + ", to: " + to + "}}\n";
}

const std::string kHead = "schema: idlefit.profiles/1\nprofiles:\n";

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

TEST_CASE("the set that ships is part of the program", "[consistency]") {
  std::ifstream file(std::string(IDLEFIT_SOURCE_DIR) + "/profiles/shipped/baselines.yaml");
  std::ostringstream text;
  text << file.rdbuf();
  REQUIRE(file);
  CHECK(shipped_baselines_yaml() == text.str());
}

TEST_CASE("the set that ships is read and marked provisional", "[trade]") {
  const BaselineSet set = built_in_baselines();
  CHECK(set.provisional);
  REQUIRE(set.profiles.size() == 4);
  CHECK(set.profiles[0].name == "deep");
  CHECK(set.profiles[1].name == "firm");
  CHECK(set.profiles[2].name == "soft");
  CHECK(set.profiles[3].name == "thin");
  for (const BaselineProfile& p : set.profiles) {
    // Roughly 10 kPa between classes: common practice, no source.
    CHECK(p.map_to_kPa - p.map_from_kPa == Approx(13).margin(5));
    CHECK_THAT(p.basis, Contains("no source"));
  }
  // Above about 80 kPa an engine wants a custom calibration: common practice, no source.
  CHECK(set.profiles[3].map_to_kPa == 80.0);
}

TEST_CASE("a shop's own set may use any names and units", "[consistency]") {
  const BaselineSet set =
      read(kHead + profile("A", "8 inHg", "15 inHg") + profile("B 2", "50.79585 kPa", "70 kPa"));
  REQUIRE(set.profiles.size() == 2);
  CHECK(set.profiles[1].name == "B 2");
  CHECK(set.profiles[0].map_to_kPa == Approx(15 * 3.38639));
  CHECK_FALSE(set.provisional);
}

TEST_CASE("a set that cannot be chosen from is refused", "[consistency]") {
  struct Row {
    std::string content;
    const char* words;
    int line;
  };
  const Row row = GENERATE(values<Row>({
      {kHead + profile("a", "25 kPa", "42 kPa") + profile("b", "45 kPa", "52 kPa"), "gap", 4},
      {kHead + profile("a", "25 kPa", "42 kPa") + profile("b", "40 kPa", "52 kPa"), "overlap", 4},
      {kHead + profile("b", "42 kPa", "52 kPa") + profile("a", "25 kPa", "42 kPa"), "order", 4},
      {kHead + profile("a", "42 kPa", "25 kPa"), "swapped", 3},
      {kHead + profile("a", "42 kPa", "42 kPa"), "more than", 3},
      {kHead + profile("a", "25 kPa", "42 kPa") + profile("a", "42 kPa", "52 kPa"), "no other", 4},
      {kHead + profile("custom", "25 kPa", "42 kPa"), "custom", 3},
      {kHead + profile("a", "25", "42 kPa"), "unit", 3},
      {kHead + profile("a", "25 ft", "42 kPa"), "length", 3},
      {kHead + profile("a", "-25 kPa", "42 kPa"), "absolute", 3},
      {kHead + "  - {name: a}\n", "map_sea_level", 3},
      {kHead + "  - {name: a, map_sea_level: {from: 25 kPa}}\n", "to", 3},
      {kHead + "  - {nam: a, map_sea_level: {from: 25 kPa, to: 30 kPa}}\n", "Did you mean name", 3},
      {kHead + "  []\n", "at least one", 3},
      {"schema: idlefit.profiles/1\n", "profiles", 1},
      {"schema: idlefit.profiles/2\nprofiles: []\n", "idlefit.profiles/1", 1},
      {"profiles: []\n", "schema", 1},
      {"schema: idlefit.profiles/1\nprofiles: {a: 1}\n", "a list", 2},
      {"schema: idlefit.profiles/1\nprovisional: maybe\nprofiles: []\n", "on, off", 2},
  }));
  INFO(row.content);
  try {
    read(row.content);
    FAIL("accepted");
  } catch (const InputError& error) {
    CHECK_THAT(error.what(), Contains(row.words));
    CHECK(error.where().line == row.line);
    CHECK_THAT(error.where().source, Contains("baselines.yaml"));
  }
  CHECK_THROWS_AS(read_baselines("/nowhere"), InputError);
}

TEST_CASE("probabilities are the normal distribution's shares", "[closed-form]") {
  const BaselineSet set = built_in_baselines();
  // At a bound, half lies to each side but for what reaches over the neighbours: with a deviation
  // of 1 kPa that is beyond 10 deviations.
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
  const BaselineSet set = built_in_baselines();
  // 0.45 of the law lies at 46 kPa, 0.25 at 58 and the rest has none.
  const BaselineChoice choice =
      choose_baseline(set, 46.0, Predictive({{0.45, 46e3, 500}, {0.25, 58e3, 500}}, 0.3), {});
  CHECK(choice.name == "firm");
  CHECK_FALSE(choice.decided);
  CHECK(choice.runner_up == "custom");
  CHECK(probability(choice, "firm") == Approx(0.45));
  CHECK(probability(choice, "soft") == Approx(0.25));
  CHECK(probability(choice, "custom") == Approx(0.3));
  CHECK(sum(choice) == Approx(1));
}

TEST_CASE("a known idle chooses the profile that holds it", "[consistency]") {
  const BaselineSet set = built_in_baselines();
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

TEST_CASE("a flag makes the answer custom and keeps the nearest profile", "[consistency]") {
  const BaselineSet set = built_in_baselines();
  const BaselineChoice choice =
      choose_normal(set, 46.0, 3.0, {{CustomFlag::Kind::boost, "Boosted."}});
  CHECK(choice.custom);
  CHECK(choice.name.empty());
  CHECK(choice.nearest == "firm");
  CHECK(choice.runner_up == "deep");
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
  const BaselineSet set = built_in_baselines();
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
  CHECK(kinds({}, usual, false) == std::vector{Kind::no_idle});
  CHECK(kinds({}, usual, true, 80.5) == std::vector{Kind::map_too_high});
}

}  // namespace
}  // namespace idlefit
