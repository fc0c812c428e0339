#include <catch2/catch.hpp>
#include <cmath>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;

const std::string kExamples = std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/";

nlohmann::json start_of(std::vector<std::string> arguments) {
  arguments.insert(arguments.begin(), "estimate");
  arguments.emplace_back("--json");
  const ProgramRun run = run_idlefit(arguments);
  INFO(run.err);
  return nlohmann::json::parse(run.out)["start"];
}

TEST_CASE("an estimate has values to start with", "[consistency]") {
  const auto start = start_of({kExamples + "street_v8_coupe.yaml"});
  CHECK(start["idle_speed"]["neutral"]["burned_fuel_fraction"].get<double>() >= 0.90);
  // The higher of the two, by 25 rpm.
  for (const char* const when : {"neutral", "in_gear", "air_conditioning"}) {
    const auto& speed = start["idle_speed"][when];
    const double advised = speed["advised_rpm"].get<double>();
    CHECK(advised >= speed["steady_rpm"].get<double>());
    CHECK(std::abs(advised - speed["usual_rpm"].get<double>()) <=
          12.5);  // street: the trade asks more
  }
  CHECK(start["spark"]["ignition"] == "controlled");
  // 80 lb/hr at 43.5 psi (3 bar), 43 psi there: by the root of the ratio.
  CHECK(start["fuel"]["injector_at_pressure_lb_per_hr"].get<double>() ==
        Approx(80 * std::sqrt(43 / 43.5113)).epsilon(1e-5));
  // Fuel over injectors and duty.
  CHECK(start["fuel"]["injector_wanted_lb_per_hr"].get<double>() ==
        Approx(start["fuel"]["peak_fuel_lb_per_hr"].get<double>() / (4 * 0.80)));
  CHECK(start["fuel"]["pump_margin"].is_null());  // no pump was named
  CHECK(start["brakes"]["in_gear_rpm"] == start["idle_speed"]["in_gear"]["advised_rpm"]);
  for (const char* const part : {"idle_speed", "spark", "brakes", "fuel", "compression"}) {
    CHECK_FALSE(start[part]["basis"].get<std::string>().empty());
  }
}

TEST_CASE("what is loaded on the engine counts", "[consistency]") {
  const std::string street = kExamples + "street_v8_coupe.yaml";
  const auto pump = start_of({street, "--set", "install.pump_flow=190 L/hr"});
  CHECK(pump["fuel"]["pump_margin"].get<double>() ==
        Approx(190 / pump["fuel"]["pump_wanted_L_per_hr"].get<double>() - 1));
  // In gear as asked, the brakes are judged by that very idle.
  const ProgramRun run =
      run_idlefit({"estimate", kExamples + "mountain_v8_in_drive.yaml", "--json"});
  const auto in_gear = nlohmann::json::parse(run.out);
  CHECK(in_gear["start"]["brakes"]["vacuum_in_gear_inHg"].get<double>() ==
        Approx(in_gear["idle"]["vacuum_inHg"].get<double>()).margin(0.01));
  CHECK(in_gear["start"]["spark"]["ignition_assumed"] == true);
  const auto boosted = start_of({street, "--set", "engine.induction=boosted"});
  CHECK(boosted["fuel"]["without_boost_or_nitrous"] == true);
}

TEST_CASE("an engine without an idle still has a supply to be checked", "[consistency]") {
  const auto start =
      start_of({"--set", "engine.cylinders=8", "--set", "engine.displacement=5.7 L", "--set",
                "cam.duration_050=262", "--set", "cam.lobe_separation=104"});
  CHECK(start["idle_speed"]["neutral"]["advised_rpm"].is_null());
  CHECK(start["idle_speed"]["neutral"]["steady_rpm"].is_null());
  CHECK(start["fuel"]["peak_fuel_lb_per_hr"].get<double>() > 50);
}

TEST_CASE("values to start with are shown on request", "[consistency]") {
  const std::string street = kExamples + "street_v8_coupe.yaml";
  const std::string plain = run_idlefit({"estimate", street}).out;
  const std::string with = run_idlefit({"estimate", street, "--start"}).out;
  CHECK_THAT(plain, !Contains("To start with"));
  CHECK(with.substr(0, plain.size()) == plain);
  for (const char* const label :
       {"\nIdle speed ", "\nSpark ", "\nBrakes ", "\nFuel ", "\nPressure ", "\nCranking "}) {
    CHECK_THAT(with, Contains(label));
  }
}

}  // namespace
}  // namespace idlefit
