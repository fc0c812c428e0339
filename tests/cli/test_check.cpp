#include "cli/check.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <sstream>
#include <string>
#include <vector>

#include "model/constants.h"
#include "model/units.h"
#include "profiles/baselines.h"
#include "profiles/coefficients_file.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;
using nlohmann::json;

const std::string kExamples = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/";
const std::string kStreet = kExamples + "street_v8_coupe.yaml";
const std::string kVisit = kExamples + "visits/street_v8_coupe.yaml";

json check_of(const std::string& engine, const std::string& visit) {
  const TemporaryFolder folder;
  const ProgramRun run = run_idlefit({"check", engine, folder.write("v.yaml", visit), "--json"});
  INFO(run.err);
  return json::parse(run.out);
}

// The middle of the range of manifold readings of a healthy engine.
double expected_kPa(const std::string& visit) {
  return check_of(kStreet, visit)["manifold"]["expected_map_kPa"].get<double>();
}

TEST_CASE("the chance of a reading is that of engines drawn one by one", "[consistency]") {
  // Independent of the quasi-random draws, of the gradient and of the normal laws that the command
  // takes: plain random engines, Student's t by its definition, and the gauge's error.
  EngineCard card;
  card.cylinders = 8;
  card.bore_m = 0.102;
  card.stroke_m = 0.090;
  card.described_as = EngineCard::Words::towing;
  card.altitude_m = 250;
  card.speed_rpm = 700;
  const CoefficientKnowledge knowledge = built_in_coefficients().posterior;
  Visit visit;
  visit.idle.speed_rpm = 700;
  std::vector<double> chances, counted;
  std::vector<double> read_Pa;
  for (const double vacuum_inHg : {18.5, 15.0, 12.0}) {
    visit.manifold.vacuum_Pa = vacuum_inHg * kInchMercury_Pa;
    const Check c = check(card, visit, built_in_baselines(), knowledge);
    REQUIRE(c.map_Pa);
    if (read_Pa.empty()) {
      constexpr std::size_t kDraws = 2500;
      std::mt19937_64 random(5);
      std::normal_distribution<double> normal;
      std::student_t_distribution<double> student(kStudentDegrees);
      std::vector<double> weights;
      for (const auto& node : knowledge.discrepancy.nodes) weights.push_back(node.weight);
      std::discrete_distribution<std::size_t> scale(weights.begin(), weights.end());
      const CoefficientUnknowns coefficients(knowledge);
      const auto latents = static_cast<Eigen::Index>(complete(card).latent_keys.size());
      const auto numbers = [&](Eigen::Index count) {
        return Eigen::VectorXd(Eigen::VectorXd::NullaryExpr(count, [&] { return normal(random); }));
      };
      while (read_Pa.size() < kDraws) {
        const Engine engine = complete_at(card, numbers(latents));
        const SolveResult idle = solve_idle(
            engine, coefficients.at(numbers(static_cast<Eigen::Index>(kCoefficientCount))),
            {.mesh = 0.5, .one_of_many = true});
        const double beyond_Pa =
            knowledge.discrepancy.nodes[scale(random)].scale_Pa * student(random);
        const double gauge_Pa = c.reading_sd_Pa * normal(random);
        // A reading is of an engine that idles.
        if (idle.status == Status::ok) read_Pa.push_back(idle.point.map_Pa + beyond_Pa + gauge_Pa);
      }
    }
    const auto below = std::count_if(read_Pa.begin(), read_Pa.end(),
                                     [&](double map) { return map < c.map_Pa->measured; });
    const double share = static_cast<double>(below) / static_cast<double>(read_Pa.size());
    chances.push_back(c.map_Pa->chance);
    counted.push_back(2 * std::min(share, 1 - share));
  }
  for (std::size_t i = 0; i < chances.size(); ++i) {
    INFO("reading " << i);
    // Twice a share counted on 2500: 0.02 is one deviation at most; three of them.
    CHECK(chances[i] == Approx(counted[i]).margin(0.06));
  }
  // The three readings are not all of one kind: one in the middle, and one on either side.
  CHECK(*std::max_element(chances.begin(), chances.end()) > 0.3);
  CHECK(*std::min_element(chances.begin(), chances.end()) < 0.2);
}

TEST_CASE("conditions are those of the visit", "[consistency]") {
  // What each does to MAP: later spark, thinner air by its own, a load and more speed.
  const std::string read = "manifold: {vacuum: 14 inHg, barometer: 98 kPa}\n";
  const double plain = expected_kPa(read);
  CHECK(expected_kPa(read + "spark: {idle: 5}\n") > plain + 0.5);
  CHECK(expected_kPa(read + "idle: {air_conditioning: on}\n") > plain + 0.5);
  CHECK(expected_kPa("manifold: {vacuum: 10 inHg, barometer: 84 kPa}\n") != Approx(plain));
  const json visit = check_of(kStreet, read +
                                           "idle: {speed: 850 rpm, speed_asked: 800 rpm}\n"
                                           "mixture: {reading: 0.92 lambda}\n");
  CHECK(visit["conditions"]["rpm"] == 850);
  CHECK(visit["conditions"]["lambda"] == 0.92);
  CHECK(visit["conditions"]["barometer_kPa"].get<double>() == Approx(98));
  // An exhaust leak reads false lean: the file's mixture stands.
  const json leak = check_of(kStreet, read +
                                          "inspection: {exhaust_leaks: found}\n"
                                          "mixture: {reading: 1.10 lambda}\n");
  CHECK(leak["conditions"]["lambda"] == 0.95);
}

TEST_CASE("a vacuum known from before keeps the conditions it had", "[consistency]") {
  EngineCard card;
  card.speed_rpm = 750;
  card.altitude_m = 300;
  card.known.vacuum_Pa = 5e4;
  Visit visit;
  visit.idle.speed_rpm = 900;
  visit.manifold.barometer_Pa = 85e3;
  const EngineCard at = card_at_visit(card, visit);
  CHECK(at.speed_rpm == 900.0);
  CHECK(at.known.speed_rpm == 750.0);
  CHECK(at.barometer_Pa == 85e3);
  CHECK_FALSE(at.altitude_m);
  CHECK(at.known.altitude_m == 300.0);
  CHECK(at.known.gear == EngineCard::Gear::neutral);
}

TEST_CASE("a vacuum and the pressure it leaves are the same reading", "[consistency]") {
  const auto vacuum =
      check_of(kStreet, "manifold: {vacuum: 12 inHg, barometer: 98 kPa}")["manifold"];
  const double map_kPa = 98 - to_kPa(12 * kInchMercury_Pa);
  CHECK(vacuum["measured_map_kPa"].get<double>() == Approx(map_kPa));
  const auto map = check_of(kStreet, "manifold: {map: " + std::to_string(map_kPa) +
                                         " kPa, barometer: 98 kPa}")["manifold"];
  CHECK(map["measured_vacuum_inHg"].get<double>() == Approx(12.0).epsilon(1e-4));
  CHECK(map["expected_map_kPa"].get<double>() ==
        Approx(vacuum["expected_map_kPa"].get<double>()).margin(0.2));
  // A logged pressure is better than a needle: the same reading is further out.
  CHECK(map["sd_kPa"].get<double>() < vacuum["sd_kPa"].get<double>());
  CHECK(map["chance"].get<double>() < vacuum["chance"].get<double>());
  CHECK(map["map_deviations"].get<double>() > 0);
}

TEST_CASE("air and fuel flow are compared too", "[consistency]") {
  const auto visit = check_of(kStreet,
                              "manifold: {vacuum: 14 inHg}\n"
                              "air: {flow: 14 g/s}\nfuel: {flow: 0.52 g/s}\n");
  const auto& air = visit["air"];
  CHECK(air["measured_g_per_s"].get<double>() == Approx(14));
  CHECK(air["interval_g_per_s"][0].get<double>() < air["expected_g_per_s"].get<double>());
  CHECK(air["interval_g_per_s"][1].get<double>() > air["expected_g_per_s"].get<double>());
  CHECK(air["chance"].get<double>() < 0.01);
  CHECK(visit["fuel"]["chance"].get<double>() > 0.3);
  CHECK(visit["far_out"] == true);  // though the vacuum is as expected
  CHECK(visit["manifold"]["chance"].get<double>() > 0.3);
  // Air over fuel is the mixture's, gasoline's stoichiometric ratio of about 14.6.
  CHECK(air["expected_g_per_s"].get<double>() / visit["fuel"]["expected_g_per_s"].get<double>() ==
        Approx(0.95 * 14.6).epsilon(0.02));
}

TEST_CASE("a cause is named where the readings tell it, with size, evidence and test",
          "[consistency]") {
  const ProgramRun run = run_idlefit({"check", kStreet, kVisit});
  INFO(run.out);
  CHECK(run.exit_code == 0);  // a fault found is an answer
  CHECK_THAT(run.out, Contains("Late spark, 7 degrees less than set"));
  CHECK_THAT(run.out, Contains("For it:"));
  CHECK_THAT(run.out, Contains("verify the timing mark"));
  CHECK_THAT(run.out, Contains("carbon monoxide"));
  CHECK_THAT(run.out, Contains("service manual"));
  const json causes = json::parse(run_idlefit({"check", kStreet, kVisit, "--json"}).out)["causes"];
  CHECK(causes["decided"] == true);
  CHECK(causes["ranked"].size() == 13);
  CHECK(causes["ranked"][0]["cause"] == "spark");
  CHECK(causes["ranked"][0]["size"].get<double>() == Approx(-7).margin(1.5));
  CHECK(causes["ranked"][0]["size_unit"] == "deg");
}

TEST_CASE("MAP alone is said not to tell why, and what to read next is asked for",
          "[consistency]") {
  const TemporaryFolder folder;
  const auto text_of = [&](const std::string& visit) {
    return run_idlefit({"check", kStreet, folder.write("v.yaml", visit)}).out;
  };
  const std::string far_out = text_of("manifold: {vacuum: 9.5 inHg, barometer: 29 inHg}\n");
  INFO(far_out);
  CHECK_THAT(far_out, Contains("MAP alone does not tell why"));
  CHECK_THAT(far_out, Contains("Read next"));
  const std::string good = text_of("manifold: {vacuum: 13.5 inHg}\n");
  CHECK(good.find("Why") == std::string::npos);
  CHECK(good.find("Read next") == std::string::npos);
}

TEST_CASE("a check fits a screen of 24 by 80, its verdict first", "[consistency]") {
  const TemporaryFolder folder;
  const std::vector<std::string> visits{
      read_file(kVisit), "manifold: {vacuum: 14 inHg}\n", "manifold: {vacuum: 8 inHg}\n",
      "idle: {coolant: 50 degC}\nmanifold: {vacuum: 8 inHg}\n",
      // Much to attend to.
      "inspection: {fuel_leaks: found, wiring: found, injectors: some, exhaust_leaks: found}\n"
      "idle: {coolant: 115 degC, battery: 12 V, fans: on}\n"
      "manifold: {vacuum: 8 inHg, barometer: 98 kPa, key_on_map: 95 kPa}\n"
      "spark: {mark_verified: no}\nair: {flow: 14 g/s}\nfuel: {flow: 1 g/s}\n"};
  for (const std::string& visit : visits) {
    const std::string file = folder.write("v.yaml", visit);
    const ProgramRun run = run_idlefit({"check", kStreet, file});
    INFO(run.out << run.err);
    std::istringstream lines(run.out);
    std::size_t count = 0;
    for (std::string line; std::getline(lines, line); ++count) CHECK(display_width(line) <= 80);
    CHECK(count <= 24);
    const std::string first = run_idlefit({"check", kStreet, file, "--quiet"}).out;
    CHECK(std::count(first.begin(), first.end(), '\n') == 1);
    CHECK(run.out.substr(0, 20) == first.substr(0, 20));
  }
}

TEST_CASE("what cannot be judged says so and exits 1, and the walk is still walked",
          "[consistency]") {
  struct Case {
    std::string visit, engine_set, says;
  };
  const auto [visit, engine_set, says] = GENERATE(values<Case>({
      {"idle: {coolant: 92 degC}\n", "idle.spark=15", "no manifold vacuum or pressure"},
      {"manifold: {vacuum: 14 inHg, tap: ported}\n", "idle.spark=15", "not on the plenum"},
      {"idle: {coolant: 40 degC}\nmanifold: {vacuum: 14 inHg}\n", "idle.spark=15", "not warm"},
      {"manifold: {vacuum: 5 inHg}\n", "cam.duration_050=290", "finds no idle"},
  }));
  const TemporaryFolder folder;
  std::vector<std::string> arguments{"check", kStreet, folder.write("v.yaml", visit), "--set",
                                     engine_set};
  if (engine_set.rfind("cam.", 0) == 0) {
    arguments[1] = kExamples + "mild_v8_phone_call.yaml";
    arguments.insert(arguments.end(), {"--set", "cam.lobe_separation=104"});
  }
  const ProgramRun run = run_idlefit(arguments);
  INFO(run.out << run.err);
  CHECK(run.exit_code == 1);
  CHECK_THAT(run.out, Contains("Not judged: ") && Contains(says));
  arguments.push_back("--json");
  const json document = json::parse(run_idlefit(arguments).out);
  CHECK(document["schema"] == "idlefit.check/1");
  CHECK(document["status"] == "not-judged");
  CHECK(document["manifold"].is_null());
  CHECK(document["walk"].size() == walk_rows().size());
}

TEST_CASE("bad visits are refused, with what to do", "[consistency]") {
  const TemporaryFolder folder;
  struct Wrong {
    std::string visit, says;
  };
  const auto [visit, says] = GENERATE(values<Wrong>({
      {"manifold:\n  vacum: 14 inHg\n", "Did you mean vacuum?"},
      {"manifold: {vacuum: 14}\n", "14 inHg"},
      // No barometer read: the engine file's altitude speaks.
      {"manifold: {vacuum: 27.5 inHg}\n", "manifold.barometer"},
      {"manifold: {map: 105 kPa}\n", "manifold.barometer"},
      {"- 1\n", "a map"},
  }));
  const ProgramRun run = run_idlefit({"check", kStreet, folder.write("v.yaml", visit)});
  INFO(run.out << run.err);
  CHECK(run.exit_code == 3);
  CHECK(run.out.empty());
  CHECK_THAT(run.err, Contains("v.yaml") && Contains("expected") && Contains(says));
}

TEST_CASE("check asks for its two files", "[consistency]") {
  CHECK(run_idlefit({"check"}).exit_code == 2);
  CHECK(run_idlefit({"check", kStreet}).exit_code == 2);
  CHECK(run_idlefit({"check", "-", "-"}).exit_code == 2);
  CHECK(run_idlefit({"check", kStreet, "--template"}).exit_code == 2);
  CHECK(run_idlefit({"check", kStreet, "no_such_visit.yaml"}).exit_code == 3);
  const ProgramRun blank = run_idlefit({"check", "--template"});
  CHECK(blank.exit_code == 0);
  CHECK_THAT(blank.out, Contains("#   vacuum: "));
}

#ifdef NDEBUG
TEST_CASE("a check takes less than 2 s of two cores", "[consistency]") {
  // Processor time: two cores give 4 s of it in that time.
  for (const std::string& engine : repository_files("docs/examples", ".yaml")) {
    INFO(engine);
    CHECK(run_idlefit({"check", engine, kVisit, "--json"}).cpu_s < 2.0);
  }
}
#endif

}  // namespace
}  // namespace idlefit
