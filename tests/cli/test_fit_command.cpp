#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <thread>
#include <vector>

#include "model/idle.h"
#include "model/units.h"
#include "profiles/coefficients_file.h"
#include "profiles/engine_file.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

namespace fs = std::filesystem;
using Catch::Contains;
using nlohmann::json;

// Invented engines.
const std::string kHeader =
    "car,engine.cylinders,engine.displacement [in3],cam.duration_050.intake,"
    "cam.duration_seat.intake,cam.lobe_separation,idle.speed [rpm],idle.spark,vacuum [inHg]\n";
const std::string kRows =
    "Anvil,8,350,212,264,112,720,14,16.5\n"
    "Barn,8,302,218,268,111,760,15,15\n"
    "Cart,8,400,224,276,110,800,16,14.5\n";

std::string points(const TemporaryFolder& folder) {
  return folder.write("points.csv", kHeader + kRows);
}

std::size_t files_in(const std::string& folder) {
  return static_cast<std::size_t>(
      std::distance(fs::directory_iterator(folder), fs::directory_iterator()));
}

TEST_CASE("fit writes coefficients that estimate takes", "[consistency]") {
  const TemporaryFolder folder;
  const std::string csv = points(folder), out = folder.path() + "/shop.yaml";
  const ProgramRun run = run_idlefit({"fit", csv, "-o", out});
  INFO(run.err);
  REQUIRE(run.exit_code == 0);
  CHECK_THAT(run.out, Contains("3 readings on 3 cars") && Contains("not informed"));
  // With the coefficients of the file, and not those of the program: what the physics makes of
  // them.
  const std::string engine = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/stock_v8_sedan.yaml";
  const ProgramRun estimate = run_idlefit({"estimate", engine, "--coefficients", out, "--json"});
  INFO(estimate.err);
  REQUIRE(estimate.exit_code == 0);
  const auto map_kPa = [&](const Coefficients<double>& c) {
    return to_kPa(solve_idle(complete(read_engine_card(engine, {})).engine, c).point.map_Pa);
  };
  const double fitted_kPa = map_kPa(read_coefficients(out).posterior.mean);
  CHECK(json::parse(estimate.out)["idle"]["map_kPa"].get<double>() ==
        Approx(fitted_kPa).epsilon(1e-9));
  // The points did move them.
  CHECK(std::fabs(fitted_kPa - map_kPa(built_in_coefficients().posterior.mean)) > 0.01);
}

TEST_CASE("fit keeps what was there, and fits its points again", "[consistency]") {
  const TemporaryFolder folder;
  const std::string csv = points(folder), out = folder.path() + "/shop.yaml";
  REQUIRE(run_idlefit({"fit", csv, "-o", out}).exit_code == 0);
  const std::string first = read_file(out);
  const ProgramRun again = run_idlefit({"fit", out, "-o", out, "--json"});
  INFO(again.err);
  REQUIRE(again.exit_code == 0);
  CHECK(json::parse(again.out)["kept_as"] == out + ".before-1");
  CHECK(read_file(out + ".before-1") == first);
  CHECK(json::parse(again.out)["points"] == 3);

  SECTION("but not on top of themselves") {
    const ProgramRun twice =
        run_idlefit({"fit", csv, "--coefficients", out, "-o", folder.path() + "/more.yaml"});
    // The embedded copy bears another name than the file only where the file was moved.
    CHECK(twice.exit_code == 3);
    CHECK_THAT(twice.err, Contains("counted twice"));
    CHECK_FALSE(fs::exists(folder.path() + "/more.yaml"));
  }
}

TEST_CASE("one reading is a shop's first car", "[consistency]") {
  const TemporaryFolder folder;
  const std::string csv =
      folder.write("one.csv", kHeader + "Anvil,8,350,212,264,112,720,14,16.5\n");
  const ProgramRun run = run_idlefit({"fit", csv, "--json"});
  INFO(run.err);
  REQUIRE(run.exit_code == 0);
  const json report = json::parse(run.out);
  CHECK(report["schema"] == "idlefit.fit/1");
  CHECK(report["readings"].size() == 1);
  CHECK(report["coefficients"].size() == 17);
  for (const json& c : report["coefficients"]) CHECK(c["after_sd"] <= c["before_sd"]);
}

TEST_CASE("a misread number is named with its line", "[consistency]") {
  const TemporaryFolder folder;
  std::string rows = kRows;
  for (int i = 0; i < 6; ++i)
    rows += "Car " + std::to_string(i) + ",8,350,214,266,112," + std::to_string(700 + 10 * i) +
            ",14,16\n";
  rows += "Odd one,8,350,214,266,112,720,14,5\n";
  const ProgramRun run = run_idlefit({"fit", folder.write("p.csv", kHeader + rows)});
  INFO(run.out);
  REQUIRE(run.exit_code == 0);
  CHECK_THAT(run.out, Contains("Far out") && Contains("p.csv:11 Odd one"));
}

TEST_CASE("bad points are refused, and nothing is written", "[consistency]") {
  const TemporaryFolder folder;
  const std::string out = folder.path() + "/shop.yaml";
  struct Bad {
    std::string what, text, says;
  };
  const auto [what, text, says] = GENERATE(values<Bad>({
      {"an empty file", "", "empty"},
      {"a header alone", kHeader, "row"},
      {"an unknown column", "vacum [inHg],engine.cylinders\n12,8\n", "vacuum"},
      {"text in a number", kHeader + "Anvil,8,350,212,264,112,720,14,lots\n", "number"},
      {"vacuum above the barometer", kHeader + "Anvil,8,350,212,264,112,720,14,31\n", "gauge"},
      {"semicolons", "car;vacuum [inHg]\nAnvil;12\n", "comma"},
      {"an engine without an idle",
       "car,engine.cylinders,engine.displacement [in3],cam.duration_050.intake,"
       "cam.lobe_separation,idle.speed [rpm],idle.accessories.alternator [A],vacuum [inHg]\n"
       "Lump,4,60,278,102,400,200,2\n",
       "idle"},
  }));
  INFO(what);
  const ProgramRun run = run_idlefit({"fit", folder.write("bad.csv", text), "-o", out});
  INFO(run.err);
  CHECK(run.exit_code == 3);
  CHECK(run.out.empty());
  CHECK_THAT(run.err, Contains("bad.csv") && Contains(says));
  CHECK(files_in(folder.path()) == 1);
}

TEST_CASE("fit says before the work that it cannot write", "[consistency]") {
  const TemporaryFolder folder;
  const std::string csv = points(folder);
  const ProgramRun run = run_idlefit({"fit", csv, "-o", folder.path() + "/nowhere/shop.yaml"});
  CHECK(run.exit_code == 4);
  CHECK_THAT(run.err, Contains("nowhere"));
  CHECK(run.cpu_s < 0.5);  // a fit of three engines takes longer than that only if it is run
  CHECK(run_idlefit({"fit", csv, "-o", folder.path()}).exit_code == 4);
}

TEST_CASE("coefficients do not take the place of the points", "[consistency]") {
  const TemporaryFolder folder;
  const std::string csv = points(folder), text = read_file(csv);
  for (const std::string& output :
       {csv, folder.path() + "/./" + fs::path(csv).filename().string()}) {
    const ProgramRun run = run_idlefit({"fit", csv, "-o", output});
    CHECK(run.exit_code == 2);
    CHECK_THAT(run.err, Contains("in the place of the points"));
    CHECK(read_file(csv) == text);
  }
}

TEST_CASE("the command line of fit", "[consistency]") {
  const TemporaryFolder folder;
  CHECK(run_idlefit({"fit"}).exit_code == 2);
  CHECK(run_idlefit({"fit", "a.csv", "--from-table", "--coefficients", "b.yaml"}).exit_code == 2);
  CHECK(run_idlefit({"fit", folder.path() + "/missing.csv"}).exit_code == 3);
  CHECK_THAT(run_idlefit({"fit", "--help"}).out, Contains("coefficients"));
}

// Many engines, so that there is time to interfere.
std::string many_rows(int count) {
  std::string text = kHeader;
  for (int i = 0; i < count; ++i) {
    text += "Car " + std::to_string(i) + ",8,350," + std::to_string(200 + i % 25) + "," +
            std::to_string(256 + i % 25) + ",112," + std::to_string(680 + i % 90) + ",14," +
            std::to_string(15 + i % 3) + "\n";
  }
  return text;
}

TEST_CASE("an interrupt leaves no file behind", "[consistency]") {
  const TemporaryFolder folder;
  const std::string csv = folder.write("many.csv", many_rows(120));
  const std::string out = folder.path() + "/shop.yaml";
  const pid_t child = fork();
  if (child == 0) {
    std::freopen("/dev/null", "w", stderr);
    std::freopen("/dev/null", "w", stdout);
    execl(IDLEFIT_EXECUTABLE, "idlefit", "fit", csv.c_str(), "-o", out.c_str(),
          static_cast<char*>(nullptr));
    _exit(99);
  }
  REQUIRE(child > 0);
  std::this_thread::sleep_for(std::chrono::milliseconds(400));
  kill(child, SIGINT);
  int status = 0;
  REQUIRE(waitpid(child, &status, 0) == child);
  REQUIRE(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 130);
  CHECK(files_in(folder.path()) == 1);
}

TEST_CASE("points that change under way are not fitted to", "[consistency]") {
  const TemporaryFolder folder;
  const std::string csv = folder.write("many.csv", many_rows(60));
  std::jthread editor([&] {
    std::this_thread::sleep_for(std::chrono::milliseconds(400));
    folder.write("many.csv", many_rows(61));
  });
  const ProgramRun run = run_idlefit({"fit", csv, "-o", folder.path() + "/shop.yaml"});
  CHECK(run.exit_code == 3);
  CHECK_THAT(run.err, Contains("changed under way"));
  CHECK_FALSE(fs::exists(folder.path() + "/shop.yaml"));
}

}  // namespace
}  // namespace idlefit
