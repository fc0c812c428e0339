#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "cli/terminal.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using nlohmann::json;

std::vector<std::string> example_files() { return repository_files("docs/examples", ".yaml"); }

json estimate_of(const std::string& file, const std::vector<std::string>& more = {},
                 int exit_code = 0) {
  std::vector<std::string> arguments{"estimate", file, "--json"};
  arguments.insert(arguments.end(), more.begin(), more.end());
  const ProgramRun run = run_idlefit(arguments);
  INFO(run.err);
  REQUIRE(run.exit_code == exit_code);
  CHECK(run.err.empty());
  return json::parse(run.out);
}

std::set<std::string> keys_of(const json& object) {
  std::set<std::string> keys;
  for (const auto& [key, value] : object.items()) keys.insert(key);
  return keys;
}

const std::set<std::string> kIdleKeys{
    "rpm",           "map_kPa",      "map_sea_level_kPa", "vacuum_inHg",
    "barometer_kPa", "ve_manifold",  "ve_ambient",        "charge_K",
    "air_g_per_s",   "fuel_g_per_s", "residual_fraction", "burned_fuel_fraction",
    "imep_kPa",      "pmep_kPa",     "fmep_kPa",          "accessory_mep_kPa"};

TEST_CASE("the examples are all there", "[consistency]") { CHECK(example_files().size() >= 8); }

TEST_CASE("every example gives a whole document", "[consistency]") {
  for (const std::string& file : example_files()) {
    INFO(file);
    const json e = estimate_of(file);
    std::set<std::string> keys{"schema",   "engine",  "status",   "idle",  "interval", "cam",
                               "baseline", "assumed", "ask_next", "start", "warnings"};
    if (e.contains("known")) {
      keys.insert("known");
      CHECK(keys_of(e["known"]) ==
            std::set<std::string>{"used", "off_inHg", "chance", "fault_probability"});
      CHECK(e["known"]["used"] == true);
    }
    CHECK(keys_of(e) == keys);
    CHECK(e["schema"] == "idlefit.estimate/1");
    CHECK(e["status"] == "ok");
    CHECK(keys_of(e["idle"]) == kIdleKeys);
    for (const auto& [key, value] : e["idle"].items()) {
      INFO(key);
      CHECK(value.is_number());
    }
    const json& interval = e["interval"];
    std::set<std::string> interval_keys{"level", "map_kPa", "vacuum_inHg", "by", "samples"};
    if (interval["by"] == "samples") {
      interval_keys.insert({"effective", "no_idle", "reason"});
      CHECK(interval["effective"] > 0);
      CHECK(interval["effective"] <= interval["samples"]);
      CHECK(interval["samples"] == 512);
      CHECK(interval["no_idle"].get<double>() >= 0);
      CHECK(interval["no_idle"].get<double>() < 1);
    } else {
      CHECK(interval["by"] == "gradient");
      CHECK(interval["samples"] == 0);
    }
    CHECK(keys_of(interval) == interval_keys);
    CHECK(e["interval"]["level"] == 0.8);
    CHECK(keys_of(e["cam"]) == std::set<std::string>{"overlap_050_deg", "overlap_seat_deg",
                                                     "ivo_btdc_deg", "ivc_abdc_deg", "evo_bbdc_deg",
                                                     "evc_atdc_deg"});
    CHECK(keys_of(e["baseline"]) == std::set<std::string>{"name", "runner_up", "decided", "custom",
                                                          "nearest", "probability",
                                                          "fuelling_error", "cost", "reasons"});
    CHECK(e["baseline"]["cost"].size() == e["baseline"]["probability"].size());
    CHECK_FALSE(e["baseline"]["runner_up"].get<std::string>().empty());
    CHECK(e.contains("known") == (file.find("known") != std::string::npos));
    for (const json& a : e["assumed"]) {
      CHECK(keys_of(a) == std::set<std::string>{"key", "value", "unit", "sd", "map_sd_kPa"});
      // Some keys are words ("hydraulic flat"), known without a spread or not at all.
      CHECK((a["value"].is_number() || (a["value"].is_string() && a["sd"] == 0)));
      CHECK(a["sd"].get<double>() >= 0);
    }
    CHECK(e["ask_next"].size() <= 3);
    double previous = 1e9;
    for (const json& a : e["ask_next"]) {
      CHECK(keys_of(a) ==
            std::set<std::string>{"key", "question", "map_sd_removed_kPa", "chance_of_change"});
      CHECK(a["chance_of_change"] >= 0);
      CHECK(a["chance_of_change"] <= 1);
      CHECK(a["map_sd_removed_kPa"] > 0);
      CHECK(a["map_sd_removed_kPa"] <= previous);
      previous = a["map_sd_removed_kPa"];
      // A question of its own, not one made of the key.
      CHECK(a["question"].get<std::string>().find(a["key"].get<std::string>()) ==
            std::string::npos);
    }
  }
}

TEST_CASE("the numbers of a document agree with one another", "[consistency]") {
  // 1 inHg = 3.38639 kPa by convention. The tolerance is the rounding of a few operations.
  constexpr double kRounding = 1e-9;
  for (const std::string& file : example_files()) {
    INFO(file);
    const json e = estimate_of(file);
    const json& idle = e["idle"];
    const auto number = [&idle](const char* key) { return idle[key].get<double>(); };
    CHECK(number("vacuum_inHg") ==
          Approx((number("barometer_kPa") - number("map_kPa")) / 3.38639).epsilon(kRounding));
    const auto map = e["interval"]["map_kPa"].get<std::vector<double>>();
    const auto vacuum = e["interval"]["vacuum_inHg"].get<std::vector<double>>();
    REQUIRE(map.size() == 2);
    REQUIRE(vacuum.size() == 2);
    CHECK(map[0] < number("map_kPa"));
    CHECK(map[1] > number("map_kPa"));
    CHECK(vacuum[0] == Approx((number("barometer_kPa") - map[1]) / 3.38639).epsilon(kRounding));
    CHECK(vacuum[1] == Approx((number("barometer_kPa") - map[0]) / 3.38639).epsilon(kRounding));
    // The solver closes the torque balance to 1e-6 relative.
    CHECK(number("imep_kPa") ==
          Approx(number("pmep_kPa") + number("fmep_kPa") + number("accessory_mep_kPa"))
              .epsilon(1e-6));
    const json& baseline = e["baseline"];
    double sum = 0;
    for (const auto& [name, p] : baseline["probability"].items()) sum += p.get<double>();
    CHECK(sum == Approx(1).epsilon(kRounding));
    CHECK(baseline["probability"].contains("custom"));
    CHECK(baseline["name"].is_null() == baseline["custom"].get<bool>());
    CHECK(baseline["probability"].contains(baseline["nearest"].get<std::string>()));
  }
}

TEST_CASE("events of a cam card", "[closed-form]") {
  // IVO = Di/2 - ICL, IVC = Di/2 + ICL - 180, EVO = De/2 + ECL - 180, EVC = De/2 - ECL with
  // ECL = 2 LSA - ICL: 219/226 at 0.050 and 272/279 at the seat on 111 + 4 degrees advance.
  const json cam =
      estimate_of(std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/street_v8_coupe.yaml")["cam"];
  CHECK(cam["ivo_btdc_deg"].get<double>() == Approx(2.5));
  CHECK(cam["ivc_abdc_deg"].get<double>() == Approx(36.5));
  CHECK(cam["evo_bbdc_deg"].get<double>() == Approx(48));
  CHECK(cam["evc_atdc_deg"].get<double>() == Approx(-2));
  CHECK(cam["overlap_050_deg"].get<double>() == Approx(0.5));
  CHECK(cam["overlap_seat_deg"].get<double>() == Approx(53.5));
}

TEST_CASE("a reading that this engine cannot show is left aside, with how far", "[consistency]") {
  // A stock cam that is said to pull 3 inHg, and one that is said to pull 25.
  const std::string file = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/stock_v8_sedan.yaml";
  const json plain = estimate_of(file);
  for (const char* vacuum : {"3 inHg", "25 inHg"}) {
    INFO(vacuum);
    const json e = estimate_of(file, {"--set", std::string("known.vacuum=") + vacuum});
    CHECK(e["known"]["used"] == false);
    CHECK(e["known"]["chance"] < 0.01);
    const double expected = plain["idle"]["vacuum_inHg"].get<double>();
    const double off = vacuum[0] == '3' ? 3 - expected : 25 - expected;
    CHECK(e["known"]["off_inHg"].get<double>() == Approx(off).margin(1.0));  // median, not middle
    CHECK(e["idle"]["map_kPa"].get<double>() ==
          Approx(plain["idle"]["map_kPa"].get<double>()).margin(1e-6));
    const std::string warnings = e["warnings"].dump();
    CHECK(warnings.find("left aside") != std::string::npos);
    CHECK(warnings.find(vacuum[0] == '3' ? " inHg less" : " inHg more") != std::string::npos);
    // It is the first thing said below the answer, and the answer hints at it.
    CHECK(e["warnings"][0].get<std::string>().find("left aside") != std::string::npos);
    const std::string text =
        run_idlefit({"estimate", file, "--set", std::string("known.vacuum=") + vacuum}).out;
    CHECK(text.find("\n(known vacuum left aside)") != std::string::npos);
    CHECK(text.find("\nReading    The known vacuum was left aside") < text.find("\nBaseline "));
    CHECK(text.find("before the reading was weighed") == std::string::npos);
  }
}

TEST_CASE("altitude moves the vacuum and not the sea-level pressure", "[consistency]") {
  const std::string file = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/street_v8_coupe.yaml";
  const json low = estimate_of(file, {"--set", "idle.altitude=0 ft"});
  const json high = estimate_of(file, {"--set", "idle.altitude=6000 ft"});
  CHECK(high["idle"]["vacuum_inHg"] < low["idle"]["vacuum_inHg"]);
  // The same solve to the same tolerance from the same start.
  CHECK(high["idle"]["map_sea_level_kPa"].get<double>() ==
        Approx(low["idle"]["map_sea_level_kPa"].get<double>()).epsilon(1e-9));
  CHECK(low["idle"]["map_kPa"].get<double>() ==
        Approx(low["idle"]["map_sea_level_kPa"].get<double>()).epsilon(1e-9));
  CHECK(high["baseline"]["name"] == low["baseline"]["name"]);
  // The same engines are drawn at any altitude; only their solves begin elsewhere, and an engine on
  // the verge of having no idle may tip: one of 512.
  for (const auto& [name, probability] : low["baseline"]["probability"].items()) {
    CHECK(high["baseline"]["probability"][name].get<double>() ==
          Approx(probability.get<double>()).margin(0.003));
  }
}

TEST_CASE("less known is a wider interval", "[consistency]") {
  const std::string file =
      std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/mild_v8_phone_call.yaml";
  const auto width = [](const json& e) {
    const auto map = e["interval"]["map_kPa"].get<std::vector<double>>();
    return map[1] - map[0];
  };
  const double word = width(estimate_of(file));
  const double card = width(estimate_of(
      file, {"--set", "cam.duration_050={intake: 214, exhaust: 220}", "--set",
             "cam.duration_seat={intake: 266, exhaust: 272}", "--set", "cam.lobe_separation=111"}));
  CHECK(card < word);
}

TEST_CASE("an interval by samples says so", "[consistency]") {
  const std::string file = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/stock_four_wagon.yaml";
  const json e = estimate_of(file, {"--sample", "100"});
  CHECK(e["interval"]["by"] == "samples");
  CHECK(e["interval"]["samples"] == 100);
  CHECK(e["interval"]["reason"] == "as asked");
  CHECK(estimate_of(file, {"--sample", "100"}) == e);  // the same engines each time
  std::string text = run_idlefit({"estimate", file, "--sample", "100"}).out;
  std::replace(text.begin(), text.end(), '\n', ' ');  // lines break where they must
  CHECK(text.find("interval from 100 sampled engines: as asked.") != std::string::npos);
  CHECK(run_idlefit({"estimate", file}).out.find("sampled engines") == std::string::npos);
}

TEST_CASE("only a sensible number of engines can be sampled", "[consistency]") {
  const std::string file = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/stock_four_wagon.yaml";
  for (const char* number : {"0", "-5", "15", "16.5", "many", "nan", "100001", "1e9"}) {
    INFO(number);
    const ProgramRun run = run_idlefit({"estimate", file, "--sample", number});
    CHECK(run.exit_code == 2);
    CHECK(run.out.empty());
    CHECK(run.err.find("--sample") != std::string::npos);
  }
}

TEST_CASE("a custom calibration is an answer", "[trade]") {
  // Boost, nitrous, individual runners, methanol, very large or small engines: common practice.
  const std::string file = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/street_v8_coupe.yaml";
  const std::string flag = GENERATE("engine.induction=boosted", "engine.nitrous=on",
                                    "engine.manifold=individual-runner", "engine.fuel=methanol");
  INFO(flag);
  const json e = estimate_of(file, {"--set", flag});
  CHECK(e["baseline"]["custom"] == true);
  CHECK(e["baseline"]["name"].is_null());
  CHECK_FALSE(e["baseline"]["reasons"].empty());
  CHECK(e["baseline"]["probability"].contains(e["baseline"]["nearest"].get<std::string>()));
}

std::vector<std::string> huge_cam(const std::string& speed) {
  return {"--set", "cam.duration_050={intake: 255, exhaust: 261}",
          "--set", "cam.duration_seat={intake: 296, exhaust: 302}",
          "--set", "cam.lobe_separation=106",
          "--set", "cam.intake_centerline=103",
          "--set", "idle.spark=8",
          "--set", "idle.speed=" + speed};
}

TEST_CASE("no idle is exit 1 with a document all the same", "[consistency]") {
  const json e = estimate_of(std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/wild_v8_racer.yaml",
                             huge_cam("500 rpm"), 1);
  CHECK(e["status"] == "no-idle");
  CHECK_FALSE(e["idle"]["reason"].get<std::string>().empty());
  for (const std::string& key : kIdleKeys) {
    INFO(key);
    CHECK((e["idle"][key].is_number() || e["idle"][key].is_null()));
  }
  CHECK(e["baseline"]["custom"] == true);
  std::vector<std::string> arguments = huge_cam("500 rpm");
  arguments.insert(arguments.begin(), {"estimate", std::string(IDLEFIT_SOURCE_DIR) +
                                                       "/docs/examples/wild_v8_racer.yaml"});
  const ProgramRun text = run_idlefit(arguments);
  CHECK(text.exit_code == 1);
  CHECK(text.out.rfind("No idle at 500 rpm", 0) == 0);
  CHECK(text.out.find(e["idle"]["reason"].get<std::string>().substr(0, 30)) != std::string::npos);
  CHECK(text.out.find("custom calibration") != std::string::npos);
}

TEST_CASE("no idle in the middle is weighed by engines drawn around it", "[consistency]") {
  // Far beyond the limit: hardly any of them idles.
  const json far =
      estimate_of(std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/wild_v8_racer.yaml",
                  huge_cam("500 rpm"), 1);
  CHECK(far["interval"]["by"] == "samples");
  CHECK(far["interval"]["no_idle"] > 0.8);
  CHECK(far["baseline"]["probability"]["custom"] > 0.99);
  CHECK(far["interval"]["map_kPa"].is_null());
  CHECK(far["warnings"].dump().find("may not idle") == std::string::npos);
  // A balance that no start leads to is found beyond the limit all the same, and shown.
  const ProgramRun beyond =
      run_idlefit({"estimate", "--set", "engine.cylinders=8", "--set", "engine.displacement=350in3",
                   "--set", "cam.duration_050=275", "--set", "cam.lobe_separation=106", "--set",
                   "idle.speed=600 rpm", "--json"});
  CHECK(json::parse(beyond.out)["idle"]["map_kPa"].is_number());
  // On either side of the limit, a degree apart: the answer says "no idle" on one, and its chances
  // are much the same.
  const auto longer = [](int duration_deg, int exit_code) {
    const ProgramRun run = run_idlefit(
        {"estimate", "--set", "engine.cylinders=8", "--set", "engine.displacement=302in3", "--set",
         "cam.duration_050=" + std::to_string(duration_deg), "--json"});
    REQUIRE(run.exit_code == exit_code);
    return json::parse(run.out);
  };
  const json idles = longer(239, 0), none = longer(240, 1);
  CHECK(none["status"] == "no-idle");
  CHECK(none["baseline"]["custom"] == true);
  CHECK(none["baseline"]["reasons"].dump().find("rpm, the speed assumed") != std::string::npos);
  for (const auto& [name, chance] : idles["baseline"]["probability"].items()) {
    INFO(name);
    CHECK(none["baseline"]["probability"][name].get<double>() ==
          Approx(chance.get<double>()).margin(0.1));
  }
}

TEST_CASE("an engine whose vacuum was read at an idle is one that idles", "[trade]") {
  const ProgramRun run =
      run_idlefit({"estimate", "--set", "engine.cylinders=8", "--set", "engine.displacement=350in3",
                   "--set", "cam.described_as=race", "--set", "known.vacuum=7 inHg", "--set",
                   "known.speed=950 rpm", "--set", "idle.speed=950 rpm", "--json"});
  REQUIRE(run.exit_code == 0);
  const json e = json::parse(run.out);
  CHECK(e["known"]["used"] == true);
  CHECK(e["idle"]["burned_fuel_fraction"].get<double>() >= 0.8);
  CHECK(e["idle"]["vacuum_inHg"].get<double>() == Approx(7).margin(0.5));
  CHECK(e["interval"]["vacuum_inHg"][0] < 7);
  CHECK(e["interval"]["vacuum_inHg"][1] > 7);
}

TEST_CASE("no idle says what to change, and the change helps", "[consistency]") {
  const std::string file = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/wild_v8_racer.yaml";
  const std::string remedy = estimate_of(file, huge_cam("500 rpm"), 1)["idle"]["remedy"];
  INFO(remedy);
  CHECK(remedy.find("less cam") != std::string::npos);
  const std::string before = "found from ";
  const std::size_t at = remedy.find(before);
  REQUIRE(at != std::string::npos);
  const int speed_rpm = std::stoi(remedy.substr(at + before.size()));
  CHECK(estimate_of(file, huge_cam(std::to_string(speed_rpm) + " rpm"))["status"] == "ok");
  CHECK(estimate_of(file, huge_cam(std::to_string(speed_rpm - 50) + " rpm"), 1)["status"] ==
        "no-idle");
  std::vector<std::string> arguments = huge_cam("500 rpm");
  arguments.insert(arguments.begin(), {"estimate", file});
  const std::string text = run_idlefit(arguments).out;
  CHECK(text.find("Change ") < text.find("Baseline "));
}

TEST_CASE("an undecided baseline leads with the question that decides it", "[trade]") {
  // A salesperson who gets no answer stops asking: common practice, no source.
  int undecided = 0;
  for (const std::string& file : example_files()) {
    INFO(file);
    const json e = estimate_of(file);
    const std::string text = run_idlefit({"estimate", file}).out;
    const bool leads = text.find("Ask first") != std::string::npos;
    CHECK(leads == !e["baseline"]["decided"].get<bool>());
    if (!leads) continue;
    ++undecided;
    CHECK(text.find("Ask first") < text.find("Baseline "));
    std::istringstream words(e["ask_next"][0]["question"].get<std::string>());
    std::string first_word;
    words >> first_word;
    CHECK(text.find("Ask first  " + first_word) != std::string::npos);
    const std::string first_line = text.substr(0, text.find('\n'));
    CHECK(first_line.find("start from ") != std::string::npos);
  }
  CHECK(undecided >= 1);
}

TEST_CASE("the text fits one screen and leads with the answer", "[consistency]") {
  for (const std::string& file : example_files()) {
    INFO(file);
    const std::string text = run_idlefit({"estimate", file}).out;
    INFO(text);
    std::istringstream lines(text);
    std::string line;
    std::size_t count = 0;
    while (std::getline(lines, line)) {
      CHECK(display_width(line) <= 80);
      ++count;
    }
    CHECK(count <= 24);
    const json e = estimate_of(file);
    std::ostringstream map;
    map.precision(1);
    map << std::fixed << e["idle"]["map_kPa"].get<double>() << " kPa (";
    CHECK(text.rfind(map.str(), 0) == 0);
    const std::string first = text.substr(0, text.find('\n'));
    CHECK(first.find("inHg vacuum") != std::string::npos);
    CHECK(first.find(e["baseline"]["custom"] == true
                         ? "custom calibration"
                         : e["baseline"]["name"].get<std::string>()) != std::string::npos);
    CHECK(text.find("service manual") != std::string::npos);
    CHECK(text.find("Assumed") != std::string::npos);
  }
}

TEST_CASE("explain says where the pressure comes from", "[consistency]") {
  const json e = estimate_of(
      std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/mountain_v8_in_drive.yaml", {"--explain"});
  REQUIRE(e["explain"].size() >= 5);
  for (const json& part : e["explain"]) {
    CHECK_FALSE(part["what"].get<std::string>().empty());
    CHECK(part["map_kPa"].is_number());
  }
}

TEST_CASE("no torque is printed", "[trade]") {
  // The model's is below what two-valve engines are commonly said to make (test_ve_surface.cpp), so
  // nobody is to read one.
  const std::string file = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/street_v8_coupe.yaml";
  for (const std::vector<std::string>& arguments :
       {std::vector<std::string>{"estimate", file, "--start", "--explain"},
        {"estimate", file, "--json"},
        {"table", file, "--start"},
        {"table", file, "--start", "--json"},
        {"profiles", "show", "firm"}}) {
    std::string text = run_idlefit(arguments).out;
    REQUIRE_FALSE(text.empty());
    // Said to be why power goes by air.
    const std::string why = "the model's torque is too low at speed to be trusted";
    if (const std::size_t at = text.find(why); at != std::string::npos) text.erase(at, why.size());
    for (const char* word : {"torque", "Nm", "N m", "lbf"}) {
      INFO(arguments[0] << " " << arguments.back() << ": " << word);
      CHECK(text.find(word) == std::string::npos);
    }
  }
}

TEST_CASE("an estimate takes less than 0.3 s of two cores", "[consistency][long]") {
  // Processor time, the least of five: 0.6 s, which two cores share. Most of it is the sample of
  // engines, where slopes will not do.
  for (const std::string& file : example_files()) {
    double least_s = 1e9;
    for (int i = 0; i < 5; ++i)
      least_s = std::min(least_s, run_idlefit({"estimate", file, "--json"}).cpu_s);
    INFO(file << ": " << least_s << " s");
    CHECK(least_s < 0.6);
  }
}

TEST_CASE("what reading a file found odd reaches the person", "[consistency]") {
  // 0.30 in is a lobe lift; times 1.5 it is the valve lift of such a cam.
  const ProgramRun run = run_idlefit(
      {"estimate", "--set", "engine.cylinders=8", "--set", "engine.displacement=350 in3", "--set",
       "cam.duration_050=224", "--set", "cam.valve_lift=0.30 in", "--json"});
  REQUIRE(run.exit_code == 0);
  const json e = json::parse(run.out);
  bool seen = false;
  for (const json& warning : e["warnings"])
    seen = seen || warning.get<std::string>().find("is it the lobe lift?") != std::string::npos;
  CHECK(seen);
}

}  // namespace
}  // namespace idlefit
