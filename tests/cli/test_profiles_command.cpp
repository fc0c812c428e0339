#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "profiles/baselines.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;

// A folder with a set of the shop that examples are of.
class ShopFolder {
 public:
  explicit ShopFolder(const std::string& text) { folder_.write("baselines.yaml", text); }
  const std::string& path() const { return folder_.path(); }

 private:
  TemporaryFolder folder_;
};

// A set with every value that a whole one needs, all of them invented.
BaselineSet whole_set() {
  BaselineSet set;
  set.name = "Quarry Lane Garage";
  double edge_kPa = 25;
  for (const char* const name : {"quiet", "lively"}) {
    BaselineProfile p{.name = name, .map_from_kPa = edge_kPa, .map_to_kPa = edge_kPa + 25};
    edge_kPa += 25;
    p.engine = RepresentativeEngine{.description = "an engine", .basis = Basis::memory};
    p.engine->displacement_m3 = 5.7e-3;
    for (const StartKey& key : start_keys()) {
      const double middle = 0.5 * (key.low + key.high);
      key.of(p) =
          StartValue{key.dimension ? to_program_unit(middle, key.unit, *key.dimension) : middle,
                     Basis::memory};
    }
    p.idle_speed_rpm->value = 800;
    p.limits.idle_speed_min_rpm->value = 600;
    p.limits.idle_speed_max_rpm->value = 1200;
    p.warm_up = {{260.0, 1.5, 300.0, Basis::memory}, {350.0, 1.0, {}, Basis::memory}};
    VeTable table;
    table.speed_rpm = {600, 3000};
    table.map_kPa = {30, 60, 100};
    table.ve = Eigen::ArrayXXd::Constant(2, 3, 0.7);
    table.below_no_load.setConstant(2, 3, false);
    table.below_no_load(1, 0) = true;
    table.temperature_K = 315;
    p.ve = table;
    set.profiles.push_back(p);
  }
  return set;
}

nlohmann::json document(const ProgramRun& run) { return nlohmann::json::parse(run.out); }

TEST_CASE("profiles lists, shows and verifies the set in use", "[consistency]") {
  const ShopFolder shop(write_baselines(whole_set()));
  const auto own = [&](std::vector<std::string> arguments) {
    arguments.insert(arguments.begin(), "profiles");
    arguments.insert(arguments.end(), {"--profiles", shop.path()});
    return run_idlefit(arguments);
  };
  CHECK_THAT(own({"list"}).out, Contains("Quarry Lane Garage: 2 profiles, 25 to 75 kPa"));
  const auto list = document(own({"list", "--json"}));
  CHECK(list["schema"] == "idlefit.profile-list/1");
  CHECK(list["profiles"][1]["map_sea_level_kPa"] == nlohmann::json{50.0, 75.0});

  const auto shown = own({"show", "lively"});
  CHECK(shown.exit_code == 0);
  CHECK_THAT(shown.out, Contains("800 rpm (memory)"));
  CHECK_THAT(shown.out, Contains("70*"));  // the marked cell
  CHECK_THAT(shown.out, !Contains("Not given"));
  const auto json = document(own({"show", "lively", "--json"}));
  CHECK(json["schema"] == "idlefit.profile/1");
  CHECK(json["idle_speed_rpm"]["value"] == 800.0);
  CHECK(json["idle_speed_rpm"]["basis"] == "memory");
  CHECK(json["engine"]["displacement_L"].get<double>() == Approx(5.7));
  CHECK(json["ve"]["ve"][1][2] == 0.7);
  CHECK(json["ve"]["below_no_load"][1][0] == true);
  CHECK(json["missing"].empty());

  const auto verified = run_idlefit({"profiles", "verify", shop.path()});
  CHECK(verified.exit_code == 0);
  CHECK_THAT(verified.out, Catch::StartsWith("Whole: Quarry Lane Garage, 2 profiles\n"));
  CHECK(document(own({"verify", "--json"}))["whole"] == true);
  CHECK(own({"verify", "--quiet"}).out == "Whole: Quarry Lane Garage, 2 profiles\n");
}

TEST_CASE("profiles verify says first what a set lacks", "[consistency]") {
  BaselineSet set = whole_set();
  set.profiles[1].mixture.cruise_lambda.reset();
  const ShopFolder shop(write_baselines(set));
  const auto run = run_idlefit({"profiles", "verify", shop.path()});
  CHECK(run.exit_code == 1);
  CHECK_THAT(run.out, Catch::StartsWith("Not whole: Quarry Lane Garage, 1 of 2 profiles lacks "
                                        "values\n"));
  CHECK_THAT(run.out, Contains("\nquiet   whole\nlively  lacks mixture.cruise\n"));
  const auto json = document(run_idlefit({"profiles", "verify", shop.path(), "--json"}));
  CHECK(json["whole"] == false);
  CHECK(json["profiles"][1]["missing"] == nlohmann::json{"mixture.cruise"});
}

TEST_CASE("profiles verify says once what many profiles lack", "[consistency]") {
  BaselineSet set;
  for (int i = 0; i < 40; ++i) {
    set.profiles.push_back(
        {.name = "p" + std::to_string(i), .map_from_kPa = 20.0 + i, .map_to_kPa = 21.0 + i});
  }
  const ShopFolder bare(write_baselines(set));
  const std::string all = run_idlefit({"profiles", "verify", bare.path()}).out;
  CHECK_THAT(all, Contains("Each lacks engine, ve,") && !Contains("p7"));
  CHECK(std::count(all.begin(), all.end(), '\n') < 10);
  set.profiles[3].warm_up = whole_set().profiles[0].warm_up;
  const ShopFolder other(write_baselines(set));
  const std::string most = run_idlefit({"profiles", "verify", other.path()}).out;
  CHECK_THAT(most, Contains("p39  lacks the same as p0\n"));
  CHECK(most.find("limits.idle_speed_min") != most.rfind("limits.idle_speed_min"));  // p0 and p3
}

TEST_CASE("help of each part ends with an example of it", "[consistency]") {
  for (const std::string part : {"list", "show", "verify", "build"}) {
    const std::string help = run_idlefit({"profiles", part, "--help"}).out;
    CHECK_THAT(help, Contains("\n  idlefit profiles " + part));
    CHECK((help.find("--profiles") == std::string::npos) == (part == "build"));
  }
  CHECK_THAT(run_idlefit({"record", "points", "--help"}).out,
             Contains("\n  idlefit record points"));
}

TEST_CASE("a set that is refused names file, line and column, and exits with 3", "[consistency]") {
  std::string text = write_baselines(whole_set());
  const std::string was = "    map_sea_level: {from: 50 kPa, to: 75 kPa}";
  text.replace(text.find(was), was.size(), "    map_sea_level: {from: 51 kPa, to: 75 kPa}");
  const ShopFolder shop(text);
  for (const auto& arguments : std::vector<std::vector<std::string>>{
           {"profiles", "verify", shop.path()},
           {"profiles", "list", "--profiles", shop.path()},
           {"estimate", "docs/examples/street_v8_coupe.yaml", "--profiles", shop.path()}}) {
    const auto run = run_idlefit(arguments, {.folder = IDLEFIT_SOURCE_DIR});
    CHECK(run.exit_code == 3);
    CHECK(run.out.empty());
    CHECK_THAT(run.err, Contains("baselines.yaml:") && Contains(":27: ") && Contains("gap"));
  }
}

TEST_CASE("profiles wants to be told what to do, and with which", "[consistency]") {
  const auto refused = [](const std::vector<std::string>& arguments, const std::string& words) {
    const auto run = run_idlefit(arguments);
    CHECK(run.exit_code == 2);
    CHECK(run.out.empty());
    CHECK_THAT(run.err, Contains(words));
  };
  refused({"profiles"}, "list, show, verify or build");
  refused({"profiles", "lst"}, "did you mean list?");
  refused({"profiles", "show"}, "name of a profile");
  refused({"profiles", "show", "frm"}, "did you mean firm?");
  refused({"profiles", "show", "zzzzzz"}, "the profiles of the set: deep, firm, soft, thin.");
  refused({"profiles", "list", "--jsn"}, "did you mean --json?");
  refused({"profiles", "list", "x"}, "unexpected argument");
  refused({"profiles", "verify", "a", "--profiles", "b"}, "once");
  CHECK(run_idlefit({"profiles", "verify", "/nowhere"}).exit_code == 3);
}

}  // namespace
}  // namespace idlefit
