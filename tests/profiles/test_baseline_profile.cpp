#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>
#include <stdexcept>
#include <string>
#include <vector>

#include "profiles/baselines.h"
#include "profiles/selection.h"

namespace idlefit {
namespace {

using Catch::Contains;

constexpr const char* kName = "shop/baselines.yaml";

BaselineSet parse(const std::string& text) { return parse_baselines(text, kName); }

// One profile with a value of every kind; each line is one that a test below breaks. Invented.
const std::string kWhole =
    "schema: idlefit.profiles/1\n"                                                        // 1
    "name: Quarry Lane Garage\n"                                                          // 2
    "edition: third\n"                                                                    // 3
    "profiles:\n"                                                                         // 4
    "  - name: quiet\n"                                                                   // 5
    "    map_sea_level: {from: 25 kPa, to: 45 kPa}\n"                                     // 6
    "    engine:\n"                                                                       // 7
    "      description: a V8 with a mild cam\n"                                           // 8
    "      cylinders: 8\n"                                                                // 9
    "      displacement: 5.7 L\n"                                                         // 10
    "      compression_ratio: 9\n"                                                        // 11
    "      intake_duration_050: 204\n"                                                    // 12
    "      basis: computed\n"                                                             // 13
    "    idle_speed: {value: 700 rpm, basis: common practice}\n"                          // 14
    "    mixture:\n"                                                                      // 15
    "      idle: {value: 0.97 lambda, basis: memory}\n"                                   // 16
    "      cruise: {value: 14.7 AFR, basis: memory}\n"                                    // 17
    "      load: {value: 0.87 lambda, basis: memory}\n"                                   // 18
    "    spark:\n"                                                                        // 19
    "      idle: {value: 16, basis: common practice, source: \"usual: no source\"}\n"     // 20
    "    idle_air: {flow: {value: 5 g/s, basis: computed}}\n"                             // 21
    "    acceleration_fuel: {value: 1, basis: computed}\n"                                // 22
    "    limits:\n"                                                                       // 23
    "      speed_max: {value: 5500 rpm, basis: memory}\n"                                 // 24
    "      idle_speed_min: {value: 600 rpm, basis: memory}\n"                             // 25
    "      idle_speed_max: {value: 1100 rpm, basis: memory}\n"                            // 26
    "      fuel_correction_max: {value: 0.25, basis: memory}\n"                           // 27
    "    warm_up:\n"                                                                      // 28
    "      - {coolant: 0 degF, fuel_factor: 1.6, added_speed: 300 rpm, basis: memory}\n"  // 29
    "      - {coolant: 160 degF, fuel_factor: 1, basis: memory}\n"                        // 30
    "    ve:\n"                                                                           // 31
    "      density_at: charge\n"                                                          // 32
    "      temperature: 318 K\n"                                                          // 33
    "      speed: {unit: rpm, at: [600, 2000, 5000]}\n"                                   // 34
    "      map: {unit: kPa, at: [30, 100]}\n"                                             // 35
    "      rows:\n"                                                                       // 36
    "        - [0.52, 0.80]\n"                                                            // 37
    "        - [0.60, 0.86]\n"                                                            // 38
    "        - [0.50, 0.84]\n"                                                            // 39
    "      below_no_load: [0, 0, 1]\n"                                                    // 40
    "      basis: computed\n";                                                            // 41

std::string with(std::string text, const std::string& was, const std::string& is) {
  const std::size_t at = text.find(was);
  REQUIRE(at != std::string::npos);
  return text.replace(at, was.size(), is);
}

TEST_CASE("a profile holds what there is to load, with its basis", "[consistency]") {
  const BaselineSet set = parse(kWhole);
  CHECK(set.edition == "third");
  const BaselineProfile& p = set.profiles.front();
  CHECK(missing_of(p).empty());
  REQUIRE(p.engine);
  CHECK(p.engine->displacement_m3 == Approx(5.7e-3));
  CHECK(p.engine->intake_duration_050_deg == 204.0);
  CHECK_FALSE(p.engine->lobe_separation_deg);
  CHECK(p.idle_speed_rpm == StartValue{700.0, Basis::common_practice});
  CHECK(p.mixture.cruise_lambda->value == Approx(1.0));  // an AFR of 14.7 is lambda 1
  CHECK(p.spark.idle_deg == StartValue{16.0, Basis::common_practice, "usual: no source"});
  CHECK_FALSE(p.spark.load_deg);
  CHECK(p.idle_air.flow_kg_s->value == Approx(5e-3));
  REQUIRE(p.warm_up.size() == 2);
  CHECK(p.warm_up[0].coolant_K == Approx(255.372).margin(1e-3));  // 0 degF
  CHECK_FALSE(p.warm_up[1].added_speed_rpm);
  REQUIRE(p.ve);
  CHECK(p.ve->speed_rpm == std::vector<double>{600, 2000, 5000});
  CHECK(p.ve->map_kPa == std::vector<double>{30, 100});
  CHECK(p.ve->ve(2, 1) == 0.84);  // a row a speed, a column a pressure
  CHECK(p.ve->below_no_load(2, 0));
  CHECK(p.ve->below_no_load.count() == 1);
  CHECK(p.ve->density_at == DensityAt::charge);
  CHECK(p.ve->temperature_K == 318.0);
}

TEST_CASE("a set of names and ranges alone serves, and lacks the rest", "[consistency]") {
  const BaselineSet set = parse(
      "schema: idlefit.profiles/1\nprofiles:\n"
      "  - {name: only, map_sea_level: {from: 25 kPa, to: 80 kPa}}\n");
  const std::vector<std::string> missing = missing_of(set.profiles.front());
  CHECK(missing.front() == "engine");
  CHECK(missing.back() == "warm_up");
  // What is for controlled ignition alone is not asked for.
  for (const std::string& key : missing) CHECK(key.find("spark") == std::string::npos);
  CHECK(parse(write_baselines(set)) == set);
}

TEST_CASE("axes may have any unit", "[consistency]") {
  const BaselineSet set =
      parse(with(kWhole, "{unit: kPa, at: [30, 100]}", "{unit: inHg, at: [8.858995, 29.52997]}"));
  // 1 inHg is 3.38639 kPa
  CHECK(set.profiles[0].ve->map_kPa[0] == Approx(30.0).epsilon(1e-6));
  CHECK(set.profiles[0].ve->map_kPa[1] == Approx(100.0).epsilon(1e-6));
}

TEST_CASE("what is wrong with a profile's values is refused where it stands", "[consistency]") {
  struct Row {
    const char *was, *is, *words;
    int line, column;
  };
  const Row row = GENERATE(values<Row>({
      // A basis is missing, or none of the four.
      {"rpm, basis: common practice}", "rpm}", "idle_speed.basis", 14, 17},
      {"rpm, basis: common practice}", "rpm, basis: guess}", "common practice or memory", 14, 41},
      {"{value: 700 rpm, basis: common practice}", "700 rpm", "a map with the keys", 14, 17},
      {"      basis: computed\n    idle_speed", "    idle_speed", "engine.basis", 8, 7},
      {", basis: memory}\n      - {coolant: 160", "}\n      - {coolant: 160", "warm_up[1].basis",
       29, 9},
      // Keys
      {"cruise:", "cruis:", "Did you mean cruise", 17, 7},
      {"speed_max:", "speed_top:", "one of the keys", 24, 7},
      {"description: a V8 with a mild cam", "cam: mild", "one of the keys", 8, 7},
      // Values
      {"0.97 lambda", "9.7 lambda", "0.6 to 1.3 lambda", 16, 21},
      {"0.97 lambda", "0.97", "unit", 16, 21},
      {"700 rpm", ".nan rpm", "number", 14, 25},
      {"value: 16", "value: .inf", "number", 20, 21},
      {"value: 0.25", "value: 25", "0 to 0.5", 27, 36},
      // Axes
      {"[600, 2000, 5000]", "[600, 5000, 2000]", "Sort the axis", 34, 42},
      {"[600, 2000, 5000]", "[600, 600, 5000]", "twice", 34, 36},
      {"[600, 2000, 5000]", "[600, .nan, 5000]", "number", 34, 36},
      {"[30, 100]", "[30]", "2 to 64", 35, 28},
      {"unit: kPa", "unit: ft", "length", 35, 19},
      {"[30, 100]", "[3, 100]", "5 to 400 kPa", 35, 29},
      // Cells
      {"        - [0.60, 0.86]\n", "", "3 rows, one for each speed (here are 2)", 37, 9},
      {"[0.60, 0.86]", "[0.60]", "2 values, one for each pressure (here are 1)", 38, 11},
      {"[0.60, 0.86]", "[0.60, 0.86, 0.9]", "(here are 3)", 38, 11},
      {"0.86]", "8.6]", "0.01 to 1.6", 38, 18},
      {"0.86]", "-0.86]", "0.01 to 1.6", 38, 18},
      {"0.86]", ".nan]", "number", 38, 18},
      {"0.86]", ".inf]", "number", 38, 18},
      {"[0, 0, 1]", "[0, 1]", "3 counts", 40, 22},
      {"[0, 0, 1]", "[0, 0, 3]", "0 to 2 cells", 40, 29},
      {"[0, 0, 1]", "[0, 0, 0.5]", "a whole number", 40, 29},
      {"[0, 0, 1]", "[2, 2, 2]", "at least one cell", 40, 22},
      {"density_at: charge", "density_at: cold", "charge, outside air or fixed", 32, 19},
      // Steps of the warm-up, limits
      {"160 degF", "-5 degF", "rising temperature", 30, 19},
      {"160 degF", "0 degF", "each once", 30, 19},
      {"fuel_factor: 1, ", "", "fuel_factor, added_speed", 30, 9},
      {"1100 rpm", "590 rpm", "limits.idle_speed_min", 26, 31},
      {"700 rpm", "1200 rpm", "limits.idle_speed_max", 14, 25},
      {"to: 45 kPa", "to: 25 kPa", "more than 25 kPa", 6, 39},  // an empty band
  }));
  INFO(row.was << " -> " << row.is);
  try {
    parse(with(kWhole, row.was, row.is));
    FAIL("accepted");
  } catch (const InputError& error) {
    INFO(error.what());
    CHECK_THAT(error.what(), Contains(row.words));
    CHECK(error.where().source == kName);
    CHECK(error.where().line == row.line);
    CHECK(error.where().column == row.column);
  }
}

TEST_CASE("a table without a basis is refused", "[consistency]") {
  const std::string text = kWhole.substr(0, kWhole.rfind("      basis: computed\n"));
  CHECK_THROWS_WITH(parse(text), Contains("profiles[1].ve.basis"));
}

// A set whose values are drawn at random, of so many profiles: what of it a test asserts does not
// depend on the draw, which is the same each time.
BaselineSet random_set(std::size_t count, std::mt19937& random) {
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  const auto maybe = [&] { return random() % 4 != 0; };
  const auto basis = [&] { return static_cast<Basis>(random() % 4); };
  BaselineSet set;
  set.name = "a name with \"quotes\", a colon: and # a hash";
  set.edition = "2";
  set.provisional = maybe();
  double edge_kPa = 20.0 + between(0, 5);
  for (std::size_t i = 0; i < count; ++i) {
    BaselineProfile p;
    p.name = "profile " + std::to_string(i + 1);
    p.map_from_kPa = edge_kPa;
    edge_kPa += between(0.1, 80.0 / static_cast<double>(count));
    p.map_to_kPa = edge_kPa;
    if (maybe()) p.meaning = "- not a list, {not a map}, 100 % \\ backslash, degrees °";
    for (const StartKey& key : start_keys()) {
      if (key.path().find("idle_speed") != std::string::npos ||
          key.path().find("idle_spark") != std::string::npos || !maybe()) {
        continue;  // bounded by one another
      }
      const double low =
          key.dimension ? to_program_unit(key.low, key.unit, *key.dimension) : key.low;
      const double high =
          key.dimension ? to_program_unit(key.high, key.unit, *key.dimension) : key.high;
      key.of(p) = StartValue{between(low, high), basis(), maybe() ? "'tis: [so], it \"is\"" : ""};
    }
    if (maybe()) {
      p.engine = RepresentativeEngine{.description = "null", .basis = basis()};
      p.engine->displacement_m3 = between(1e-3, 9e-3);
      p.engine->lobe_separation_deg = between(104, 114);
      if (maybe()) p.engine->cylinders = 6;
    }
    double coolant_K = 240.0;
    while (coolant_K < 370.0 && maybe()) {
      p.warm_up.push_back({coolant_K, between(1, 2), {}, basis(), ""});
      coolant_K += between(1, 40);
    }
    if (maybe()) {
      VeTable t;
      const auto rows = static_cast<Eigen::Index>(2 + random() % 12);
      const auto columns = static_cast<Eigen::Index>(2 + random() % 12);
      double at = 0;
      for (Eigen::Index r = 0; r < rows; ++r) t.speed_rpm.push_back(at += between(100, 600));
      at = 5;
      for (Eigen::Index c = 0; c < columns; ++c) t.map_kPa.push_back(at += between(0.01, 9));
      t.ve = Eigen::ArrayXXd::NullaryExpr(rows, columns, [&] { return between(0.02, 1.5); });
      t.below_no_load.setConstant(rows, columns, false);
      for (Eigen::Index r = 1; r < rows; ++r) {  // the first row runs throughout
        t.below_no_load.row(r).head(
            static_cast<Eigen::Index>(random() % static_cast<unsigned>(columns + 1))) = true;
      }
      t.density_at = static_cast<DensityAt>(random() % 3);
      t.temperature_K = between(280, 340);
      t.basis = basis();
      p.ve = std::move(t);
    }
    set.profiles.push_back(std::move(p));
  }
  return set;
}

TEST_CASE("what is written reads back as the same to the last digit", "[consistency]") {
  std::mt19937 random(20);
  for (const std::size_t count : {std::size_t{1}, std::size_t{4}, std::size_t{40}}) {
    for (int draw = 0; draw < 10; ++draw) {
      const BaselineSet set = random_set(count, random);
      const std::string text = write_baselines(set);
      CHECK(parse(text) == set);
      CHECK(write_baselines(parse(text)) == text);
    }
  }
  CHECK(parse(write_baselines(built_in_baselines())) == built_in_baselines());
}

TEST_CASE("what no file may hold is not written", "[consistency]") {
  const BaselineSet good = parse(kWhole);
  const auto refused = [&](auto&& change) {
    BaselineSet set = good;
    change(set.profiles.front());
    CHECK_THROWS_AS(write_baselines(set), std::logic_error);
  };
  REQUIRE_NOTHROW(write_baselines(good));
  refused([](BaselineProfile& p) { p.ve->ve(0, 0) = std::numeric_limits<double>::quiet_NaN(); });
  refused([](BaselineProfile& p) { p.ve->ve(0, 0) = 3; });
  refused([](BaselineProfile& p) { p.ve->map_kPa.push_back(120); });
  refused([](BaselineProfile& p) { p.ve->below_no_load.row(0) << false, true; });
  refused([](BaselineProfile& p) { p.idle_speed_rpm->value = 9000; });
  refused([](BaselineProfile& p) { p.map_to_kPa = p.map_from_kPa; });
  refused([](BaselineProfile& p) { p.name = "two\nlines"; });
}

TEST_CASE("one or forty profiles choose alike", "[consistency]") {
  BaselineSet set;
  for (int i = 0; i < 40; ++i) {
    set.profiles.push_back({.name = "n" + std::to_string(i),
                            .map_from_kPa = 20.0 + 1.5 * i,
                            .map_to_kPa = 20.0 + 1.5 * (i + 1)});
  }
  const BaselineSet forty = parse(write_baselines(set));
  set.profiles.resize(1);
  const BaselineSet one = parse(write_baselines(set));
  const Predictive at({{1.0, 50.3e3, 0.0}});
  CHECK(choose_baseline(forty, 50.3, at, {}).name == "n20");  // 50 to 51.5 kPa
  CHECK(choose_baseline(one, 20.3, Predictive({{1.0, 20.3e3, 0.0}}), {}).name == "n0");
  CHECK(choose_baseline(one, 50.3, at, {}).custom);
}

}  // namespace
}  // namespace idlefit
