#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstddef>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <random>
#include <sstream>
#include <string>
#include <vector>

#include "profiles/engine_file.h"
#include "profiles/engine_keys.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using Catch::Contains;

// An engine file of its own, removed again.
class EngineFile {
 public:
  explicit EngineFile(const std::string& content) {
    static int count = 0;
    path_ = (std::filesystem::temp_directory_path() /
             ("idlefit_" + std::to_string(::getpid()) + "_" + std::to_string(count++) + ".yaml"))
                .string();
    std::ofstream(path_, std::ios::binary) << content;
  }
  ~EngineFile() { std::filesystem::remove(path_); }
  EngineFile(const EngineFile&) = delete;
  EngineFile& operator=(const EngineFile&) = delete;
  const std::string& path() const { return path_; }

 private:
  std::string path_;
};

EngineCard read(const std::string& content, const std::vector<std::string>& sets = {}) {
  return read_engine_card(EngineFile(content).path(), sets);
}

// An invented engine, every key given.
const std::string kFull = R"(name: Ridge pickup
engine:
  cylinders: 8
  layout: V
  bore: 3.95 in
  stroke: 3.1 in
  rod_length: 5.75 in
  compression_ratio: 9
  valves: {per_cylinder: 2, intake_diameter: 1.8 in, exhaust_diameter: 1.5 in}
  valvetrain: pushrod
  fuel: gasoline
  induction: natural
  nitrous: off
  manifold: dual-plane
  exhaust: manifolds
cam:
  duration_050: {intake: 213, exhaust: 221}
  duration_seat: {intake: 266, exhaust: 276}
  seat_height: 0.006 in
  valve_lift: {intake: 0.441 in, exhaust: 0.458 in}
  rocker_ratio: {intake: 1.6, exhaust: 1.6}
  lobe_separation: 111
  intake_centerline: 107
  lifter: solid flat
  lash: {intake: 0.022 in, exhaust: 0.024 in}
  described_as: mild
idle:
  speed: 750 rpm
  spark: 14
  mixture: 0.97 lambda
  altitude: 1200 ft
  intake_air: 95 degF
  gear: drive
  converter: {stall_speed: 2000 rpm, stall_torque: 300 lbf.ft}
  accessories: {alternator: 30 A, fan: belt, air_conditioning: off, power_steering: on}
install:
  ignition: fixed
  injectors: 4
  injector_flow: 80 lb/hr
  fuel_pressure: 43 psi
  pump_flow: 190 L/hr
known:
  vacuum: 15 inHg
  speed: 750 rpm
  gear: neutral
  spark: 12
  altitude: 0 ft
)";

// A smaller one to put mistakes into, one key a line.
const std::string kPlain =
    "engine:\n"
    "  cylinders: 8\n"
    "  bore: 4.0 in\n"
    "  stroke: 3.48 in\n"
    "cam:\n"
    "  duration_050: 214\n";

TEST_CASE("a full file is read in SI", "[consistency]") {
  const EngineCard card = read(kFull);
  CHECK(card.name == "Ridge pickup");
  CHECK(card.cylinders == 8);
  CHECK(card.layout == Layout::vee);
  CHECK(*card.bore_m == Approx(3.95 * 0.0254));
  CHECK(*card.rod_length_m == Approx(5.75 * 0.0254));
  CHECK(card.compression_ratio == 9.0);
  CHECK(card.valves_per_cylinder == 2);
  CHECK(card.nitrous == false);
  CHECK(card.manifold == EngineCard::Manifold::dual_plane);
  CHECK(card.duration_050_deg.exhaust == 221.0);
  CHECK(card.lifter == EngineCard::Lifter::solid_flat);
  CHECK(*card.lash_m.intake == Approx(0.022 * 0.0254));
  CHECK(card.described_as == EngineCard::Words::mild);
  CHECK(card.speed_rpm == 750.0);
  CHECK(card.lambda == 0.97);
  CHECK(*card.altitude_m == Approx(1200 * 0.3048));
  CHECK(*card.intake_air_K == Approx(273.15 + 35));
  CHECK(*card.stall_torque_Nm == Approx(300 * 1.3558179483314));
  CHECK(card.fan == EngineCard::Fan::belt);
  CHECK(card.air_conditioning == false);
  CHECK(card.power_steering == true);
  CHECK(*card.install.injector_flow_kg_s == Approx(80 * 0.45359237 / 3600));
  CHECK(*card.known.vacuum_Pa == Approx(15 * 3386.39));
  CHECK(card.known.spark_btdc_deg == 12.0);
  CHECK(card.warnings.empty());
  CHECK(card.where.at("idle.speed").line == 28);
  CHECK(card.where.at("idle.speed").column == 10);
}

TEST_CASE("what was said is written and reads back the same", "[consistency]") {
  // Every key given: the file itself comes back, letter for letter.
  CHECK(write_engine_card(read(kFull)) == kFull);
  for (const auto& entry : std::filesystem::directory_iterator(
           std::filesystem::path(IDLEFIT_SOURCE_DIR) / "docs" / "examples")) {
    if (entry.path().extension() != ".yaml") continue;
    INFO(entry.path());
    const EngineCard card = read_engine_card(entry.path().string(), {});
    const std::string text = write_engine_card(card);
    const EngineCard again = read(text);
    CHECK(write_engine_card(again) == text);
    for (const EngineKey& key : engine_keys()) {
      INFO(key.path);
      CHECK(key.write(again) == key.write(card));
      CHECK(again.where.count(std::string(key.path)) == card.where.count(std::string(key.path)));
    }
    CHECK(card.bore_m == again.bore_m);
    CHECK(card.displacement_m3 == again.displacement_m3);
    CHECK(card.valve_lift_m.intake == again.valve_lift_m.intake);
    CHECK(card.barometer_Pa == again.barometer_Pa);
    CHECK(card.intake_air_K == again.intake_air_K);
    CHECK(card.lambda == again.lambda);
  }
}

TEST_CASE("cards not typed by hand read back the same, to the last bit", "[consistency]") {
  std::mt19937_64 random(11);
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  for (int i = 0; i < 200; ++i) {
    EngineCard card;
    card.name = "No. \"" + std::to_string(i) + "\" \\ \xC3\xA9: - #";
    card.cylinders = 6;
    card.displacement_m3 = between(2e-3, 5e-3);
    card.duration_050_deg.exhaust = between(190, 240);
    card.barometer_Pa = between(80e3, 103e3);
    card.intake_air_K = between(270, 330);
    card.lambda = between(0.85, 1.02);
    card.stall_torque_Nm = between(200, 600);
    card.speed_rpm = between(600, 900);
    const EngineCard again = read(write_engine_card(card));
    CHECK(again.name == card.name);
    CHECK(again.duration_050_deg.exhaust == card.duration_050_deg.exhaust);
    CHECK(!again.duration_050_deg.intake);
    CHECK(again.speed_rpm == card.speed_rpm);
    CHECK(again.displacement_m3 == card.displacement_m3);
    CHECK(again.barometer_Pa == card.barometer_Pa);
    CHECK(again.intake_air_K == card.intake_air_K);
    CHECK(again.lambda == card.lambda);
    CHECK(again.stall_torque_Nm == card.stall_torque_Nm);
  }
}

TEST_CASE("a bare number is the intake's", "[consistency]") {
  const EngineCard card = read(kPlain);
  CHECK(card.duration_050_deg.intake == 214.0);
  CHECK(!card.duration_050_deg.exhaust);
  CHECK(card.where.at("cam.duration_050.intake").line == 6);
}

TEST_CASE("a pair is read as a cam card writes it", "[trade]") {
  const EngineCard card = read(
      kPlain,
      {"cam.duration_050=230/236", "cam.valve_lift=.488 / 0.510 in", "cam.rocker_ratio=1.5/1.6"});
  CHECK(card.duration_050_deg.intake == 230.0);
  CHECK(card.duration_050_deg.exhaust == 236.0);
  CHECK(card.valve_lift_m.intake == Approx(0.488 * 0.0254));
  CHECK(card.valve_lift_m.exhaust == Approx(0.510 * 0.0254));
  CHECK(card.rocker_ratio.exhaust == 1.6);
}

TEST_CASE("overrides are applied in order, the last wins", "[consistency]") {
  CHECK(read(kPlain, {"idle.speed=700 rpm", "idle.speed=820 rpm"}).speed_rpm == 820.0);
  CHECK(read(kPlain, {"idle.speed=820 rpm", "idle.speed=700 rpm"}).speed_rpm == 700.0);
  // A bare value in the file becomes a pair when one of the two is set.
  const EngineCard pair = read(kPlain, {"cam.duration_050.exhaust=224"});
  CHECK(pair.duration_050_deg.intake == 214.0);
  CHECK(pair.duration_050_deg.exhaust == 224.0);
  const EngineCard intake = read(kFull, {"cam.duration_050.intake=216"});
  CHECK(intake.duration_050_deg.intake == 216.0);
  CHECK(intake.duration_050_deg.exhaust == 221.0);
  // A bare value, or a map, replaces what stood there as a whole.
  CHECK(!read(kFull, {"cam.duration_050=216"}).duration_050_deg.exhaust);
  CHECK(!read(kFull, {"cam={described_as: street}"}).duration_050_deg.intake);
  CHECK(read(kFull, {"idle.accessories={fan: none}"}).fan == EngineCard::Fan::none);
  // A wrong value in the file does not matter once it is overridden.
  CHECK(read("engine: {cylinders: 80, displacement: 5 L}\ncam: {described_as: mild}\n",
             {"engine.cylinders=8"})
            .cylinders == 8);
  // Without a file.
  const EngineCard alone = read_engine_card(
      "", {"engine.cylinders=8", "engine.displacement=5.7 L", "cam.described_as=mild"});
  CHECK(alone.cylinders == 8);
  CHECK(alone.where.at("engine.displacement").source == "--set:2");
}

TEST_CASE("a wrong override is named by its number", "[consistency]") {
  struct Row {
    const char* set;
    const char* words;
  };
  const Row row = GENERATE(values<Row>({
      {"idle.speed=0 rpm", "350 to 2500 rpm"},
      {"idle.sped=700 rpm", "idle.speed"},
      {"known.map=50 kPa", "Give known.vacuum: the barometer less the manifold pressure."},
      {"bore=4 in", "engine.bore"},
      {"idle.speed", "key=value"},
      {"=", "key=value"},
      {"", "key=value"},
      {"idle.speed=", "nothing"},
      {"idle.speed=[", "every [ with ]"},
      {"idle=5", "map"},
      {"a.b.c=1", "key of the engine file"},
      {"idle.speed=700", "unit"},
      {"idle.speed.slow=700 rpm", "idle.speed"},
      {"cam.lash={in: 0.02 in}", "intake"},
      {"idle.speed=&a 700 rpm", "anchors"},
      {"idle.speed=\x01", "binary"},
      {"idle.speed=700 rpm\n---\n800 rpm", "one YAML document"},
  }));
  INFO(printable(row.set));
  try {
    read(kPlain, {"idle.spark=14", row.set});
    FAIL("accepted");
  } catch (const InputError& error) {
    CHECK(error.where().source == "--set:2");
    CHECK_THAT(error.what(), Contains("--set:2: ") && Contains(row.words) && Contains("expected"));
  }
}

// Replaces a piece of kPlain.
std::string with(const std::string& from, const std::string& to) {
  std::string text = kPlain;
  const std::size_t at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

TEST_CASE("every wrong value is refused with place, value and what was expected", "[consistency]") {
  struct Row {
    std::string from, to;
    int line, column;
    std::string value;
    const char* words;  // of what was expected, or of the next step
  };
  const std::string d = "  duration_050: 214\n";
  const Row row = GENERATE_COPY(values<Row>({
      // Units and numbers
      {"4.0 in", "4.0", 3, 9, "4.0", "4 in"},
      {"4.0 in", "4.0 kPa", 3, 9, "4.0 kPa", "unit of length"},
      {"4.0 in", "4.0 inchworms", 3, 9, "4.0 inchworms", "unit of length"},
      {"4.0 in", "-4.0 in", 3, 9, "-4.0 in", "Did you mean 4 in?"},
      {"4.0 in", "4.0 mm", 3, 9, "4.0 mm", "Did you mean 4 in?"},
      {"4.0 in", "101.6 in", 3, 9, "101.6 in", "Did you mean 101.6 mm?"},
      {"4.0 in", "nan in", 3, 9, "nan in", "decimal number"},
      {"4.0 in", "inf in", 3, 9, "inf in", "decimal number"},
      {"4.0 in", "04.0 in", 3, 9, "04.0 in", "leading zero"},
      {"4.0 in", "4,0 in", 3, 9, "4,0 in", "point"},
      {"4.0 in", "3-7/8 in", 3, 9, "3-7/8 in", "decimals"},
      {"4.0 in", "4.0-4.1 in", 3, 9, "4.0-4.1 in", "middle of a range, such as 4.05."},
      {"214", "3/8", 6, 17, "3/8", "decimals"},
      {"214", "15/32", 6, 17, "15/32", "decimals"},
      {"4.0 in", "[4.0 in]", 3, 9, "a list", "cylinder bore"},
      {"4.0 in", "{a: 1}", 3, 9, "a map", "cylinder bore"},
      {"4.0 in", "", 3, 3, "nothing", "remove the key"},
      {"4.0 in", "~", 3, 3, "nothing", "remove the key"},
      {"cylinders: 8", "cylinders: 7.5", 2, 14, "7.5", "whole number"},
      {"cylinders: 8", "cylinders: 0", 2, 14, "0", "1 to 16"},
      {"cylinders: 8", "cylinders: 010", 2, 14, "010", "leading zero"},
      {"cylinders: 8", "cylinders: .inf", 2, 14, ".inf", "whole number"},
      {"cylinders: 8", "cylinders: V8", 2, 14, "V8", "such as 8."},
      {"4.0 in", "95", 3, 9, "95", "such as \"95 mm\""},
      {"4.0 in", "big", 3, 9, "big", "such as 3.9 in."},
      {"4.0 in", "\u201C4 in\u201D", 3, 9, "\u201C4 in\u201D", "plain quotes"},
      {"214", "0.224", 6, 17, "0.224", "Did you mean 224?"},
      {"214", "214 deg", 6, 17, "214 deg", "without"},
      {"214", "2140", 6, 17, "2140", "Did you mean 214?"},
      {"214", "{intake: 214, exhaust: .nan}", 6, 40, ".nan", "decimal number"},
      {d, d + "  lobe_separation: 0\n", 7, 20, "0", "90 to 130"},
      {d, d + "  lobe_separation: 11.1\n", 7, 20, "11.1", "Did you mean 111?"},
      {d, d + "  lifter: hydrolic flat\n", 7, 11, "hydrolic flat", "Did you mean hydraulic flat?"},
      {d, d + "  described_as: wild\n", 7, 17, "wild", "stock, towing"},
      {d, d + "idle:\n  speed: 0 rpm\n", 8, 10, "0 rpm", "350 to 2500 rpm"},
      {d, d + "idle:\n  speed: 9000 rpm\n", 8, 10, "9000 rpm", "350 to 2500 rpm"},
      {d, d + "idle:\n  barometer: 3 inHg\n", 8, 14, "3 inHg", "16 to 32 inHg"},
      {d, d + "idle:\n  barometer: 0 psi\n", 8, 14, "0 psi", "absolute"},
      {d, d + "idle:\n  barometer: 101.3 inHg\n", 8, 14, "101.3 inHg", "Did you mean 101.3 kPa?"},
      {d, d + "idle:\n  mixture: 0.97\n", 8, 12, "0.97", "0.97 lambda"},
      {d, d + "idle:\n  mixture: 14.7\n", 8, 12, "14.7", "14.7 AFR"},
      {d, d + "idle:\n  barometer: 101.3\n", 8, 14, "101.3", "101.3 kPa"},
      {d, d + "idle:\n  altitude: 21000 m\n", 8, 13, "21000 m", "Did you mean 2100 m?"},
      {d, d + "idle:\n  altitude: 90000\n", 8, 13, "90000", "Write the unit as well: ft or m."},
      {d, d + "install:\n  fuel_pressure: 300 psi\n", 8, 18, "300 psi", "Did you mean 300 kPa?"},
      {d, d + "  seat_height: 0.050 in\n", 7, 16, "0.050 in", "cam.duration_050"},
      {d, d + "  seat_height: 1.27 mm\n", 7, 16, "1.27 mm", "cam.duration_050"},
      {d, d + "  described_as: RV\n", 7, 17, "RV", "Did you mean towing?"},
      {d, d + "known:\n  vacuum: 15 in\n", 8, 11, "15 in", "Did you mean 15 inHg?"},
      {"stroke: 3.48 in\n", "stroke: 3.48 in\n  induction: turbocharged\n", 5, 14, "turbocharged",
       "Did you mean boosted?"},
      {"stroke: 3.48 in\n", "stroke: 3.48 in\n  valvetrain: flathead\n", 5, 15, "flathead",
       "not modelled"},
      {d, d + "idle:\n  mixture: 14.2 lambda\n", 8, 12, "14.2 lambda", "Did you mean 14.2 AFR?"},
      {d, d + "idle:\n  intake_air: 95 F\n", 8, 15, "95 F", "degF"},
      {d, d + "idle:\n  intake_air: 35 C\n", 8, 15, "35 C", "degC"},
      {d, d + "idle:\n  spark: 140\n", 8, 10, "140", "Did you mean 14?"},
      {d, d + "idle:\n  gear: reverse\n", 8, 9, "reverse", "neutral or drive"},
      {d, d + "idle:\n  accessories: {fan: off}\n", 8, 22, "off", "none, belt or electric"},
      {"stroke: 3.48 in\n", "stroke: 3.48 in\n  compression_ratio: 95\n", 5, 22, "95",
       "Did you mean 9.5?"},
      {"stroke: 3.48 in\n", "stroke: 3.48 in\n  nitrous: maybe\n", 5, 12, "maybe", "on, off"},
      // Keys
      {"bore:", "boer:", 3, 3, "boer", "Did you mean bore?"},
      {"cam:", "cma:", 5, 1, "cma", "Did you mean cam?"},
      {"cam:", "camshaft:", 5, 1, "camshaft", "Did you mean cam?"},
      {"cam:", "\u201Ccam\u201D:", 5, 1, "\u201Ccam\u201D", "plain quotes"},
      {d, d + "install: {boost: yes}\n", 7, 11, "boost", "engine.induction: boosted"},
      {d, d + "install:\n  injectors 8\n", 8, 3, "injectors 8", "colon missing behind injectors"},
      {d, d + "  bore: 4 in\n", 7, 3, "bore", "Did you mean engine.bore?"},
      {d, d + "  duration_050: 215\n", 7, 3, "", "line 6"},
      {"engine:\n", "install: 5\nengine:\n", 1, 10, "5", "map"},
      // Contradictions
      {"stroke: 3.48 in\n", "stroke: 3.48 in\n  displacement: 400 in3\n", 5, 17, "400 in3",
       "349.8 in3"},
      {"stroke: 3.48 in\n", "stroke: 3.48 in\n  rod_length: 3 in\n", 5, 15, "3 in", "stroke"},
      {"stroke: 3.48 in\n", "stroke: 3.48 in\n  valves: {intake_diameter: 2.9 in}\n", 5, 29,
       "2.9 in", "bore of 4 in"},
      {"stroke: 3.48 in\n",
       "stroke: 3.48 in\n  valves: {intake_diameter: 2.4 in, exhaust_diameter: 2.2 in}\n", 5, 55,
       "2.2 in", "bore of 4 in"},
      {"stroke: 3.48 in\n",
       "stroke: 3.48 in\n  valves: {per_cylinder: 4, intake_diameter: 2.02 in}\n", 5, 46, "2.02 in",
       "4 valves"},
      {d, d + "  duration_seat: 210\n", 7, 18, "210", "214 degrees"},
      {"214\n", "274\n  duration_seat: 220\n", 7, 18, "220", "swapped"},
      {d, d + "  duration_seat: 232\n", 7, 18, "232", "214 degrees at 0.050 in ("},
      {d, d + "  duration_seat: 330\n  valve_lift: 0.44 in\n  rocker_ratio: 1.5\n", 7, 18, "330",
       "lobe lift of 0.293 in"},
      {d, d + "  valve_lift: 0.18 in\n  rocker_ratio: 1.6\n", 7, 15, "0.18 in", "lobe lift"},
      {d, d + "  lobe_separation: 110\n  intake_centerline: 88\n", 8, 22, "88", "90 to 130"},
      {d, d + "  lifter: hydraulic roller\n  lash: 0.02 in\n", 8, 9, "0.02 in", "hydraulic roller"},
      {d, d + "  lifter: hydraulic flat\n  lash: {exhaust: 0.02 in}\n", 8, 19, "0.02 in",
       "hydraulic flat"},
      {d, d + "idle:\n  altitude: 900 ft\n  barometer: 29 inHg\n", 9, 14, "29 inHg", "not both"},
      {d, d + "known:\n  vacuum: 9 inHg\n  altitude: 900 ft\n  barometer: 29 inHg\n", 10, 14,
       "29 inHg", "not both"},
      {d, d + "known:\n  vacuum: 27 inHg\n  altitude: 9000 ft\n", 8, 11, "27 inHg", "barometer"},
      {d, d + "idle:\n  speed: 1200 rpm\n  gear: drive\n  converter: {stall_speed: 1100 rpm}\n", 10,
       28, "1100 rpm", "idle speed"},
      // Nonsense
      {d, d + "  lobe_separation: " + std::string(400, 'q') + "\n", 7, 20,
       std::string(57, 'q') + "...", "90 to 130"},
      {d, d + "  lifter: \"" + std::string(400, '%') + "\"\n", 7, 11, std::string(57, '%') + "...",
       "hydraulic flat"},
      {d, d + "  " + std::string(400, 'k') + ": 1\n", 7, 3, std::string(57, 'k') + "...",
       "one of the keys"},
      {"engine:\n", "name: \"a\\u001b[31mred\"\nengine:\n", 1, 7, "a\\x1b[31mred", "printable"},
      {"engine:\n", "name: " + std::string(400, 'n') + "\nengine:\n", 1, 7,
       std::string(57, 'n') + "...", "at most 100"},
  }));
  const std::string text = with(row.from, row.to);
  INFO(text);
  const EngineFile file(text);
  try {
    read_engine_card(file.path(), {});
    FAIL("accepted");
  } catch (const InputError& error) {
    INFO(error.what());
    CHECK(error.where().source == file.path());
    CHECK(error.where().line == row.line);
    CHECK(error.where().column == row.column);
    CHECK(error.value() == row.value);
    CHECK_THAT(error.what(), Contains("expected") && Contains(row.words));
    CHECK_FALSE(error.next_step().empty());
    CHECK(std::string(error.what()).size() < 1200);
    CHECK_THAT(error.what(), Contains("\n"));  // the line itself, with its mark
  }
}

TEST_CASE("the seat durations that a message offers are those that are accepted", "[consistency]") {
  for (const std::string more :
       {"", "  valve_lift: 0.48 in\n", "  valve_lift: 0.48 in\n  rocker_ratio: 1.5\n"}) {
    const auto engine = [&](int seat) {
      return "engine: {cylinders: 8, displacement: 350 in3}\ncam:\n  duration_050: 224\n"
             "  duration_seat: " +
             std::to_string(seat) + "\n" + more;
    };
    INFO(more);
    int low = 0, high = 0;
    try {
      read(engine(230));
      FAIL("accepted");
    } catch (const InputError& error) {
      INFO(error.what());
      const std::size_t at = error.expected().rfind('(');
      REQUIRE(at != std::string::npos);
      REQUIRE(std::sscanf(error.expected().c_str() + at, "(%d to %d)", &low, &high) == 2);
    }
    CHECK_NOTHROW(read(engine(low)));
    CHECK_NOTHROW(read(engine(high)));
    CHECK_THROWS_AS(read(engine(low - 1)), InputError);
    CHECK_THROWS_AS(read(engine(high + 1)), InputError);
  }
}

TEST_CASE("too little is refused with what is missing", "[consistency]") {
  struct Row {
    const char* text;
    const char* field;
    int line;
  };
  const Row row = GENERATE(values<Row>({
      {"engine: {displacement: 5 L}\ncam: {described_as: mild}\n", "engine.cylinders", 1},
      {"cam: {described_as: mild}\n", "engine.cylinders", 0},
      {"engine: {cylinders: 8}\ncam: {described_as: mild}\n", "engine.displacement", 1},
      {"engine: {cylinders: 8, bore: 4 in}\ncam: {described_as: mild}\n", "engine.stroke", 1},
      {"engine: {cylinders: 8, stroke: 3 in}\ncam: {described_as: mild}\n", "engine.bore", 1},
      {"engine: {cylinders: 8, displacement: 5 L}\n", "cam.described_as", 0},
      {"engine: {cylinders: 8, displacement: 5 L}\ncam: {lobe_separation: 110}\n",
       "cam.described_as", 2},
  }));
  INFO(row.text);
  try {
    read(row.text);
    FAIL("accepted");
  } catch (const InputError& error) {
    CHECK(error.field() == row.field);
    CHECK(error.where().line == row.line);
    CHECK_FALSE(error.next_step().empty());
  }
  CHECK_THROWS_AS(read_engine_card("", {}), InputError);
}

TEST_CASE("either of the four ways to know a cam is enough", "[consistency]") {
  const std::string engine = "engine: {cylinders: 4, displacement: 1.8 L}\n";
  CHECK_NOTHROW(read(engine + "cam: {duration_050: 214}\n"));
  CHECK_NOTHROW(read(engine + "cam: {duration_050: {exhaust: 214}}\n"));
  CHECK_NOTHROW(read(engine + "cam: {duration_seat: 260}\n"));
  CHECK_NOTHROW(read(engine + "cam: {described_as: race}\n"));
  CHECK_NOTHROW(read(engine + "known: {vacuum: 50 kPa}\n"));
}

TEST_CASE("odd but possible values give a warning", "[trade]") {
  struct Row {
    const char* more;
    const char* words;
  };
  const Row row = GENERATE(values<Row>({
      {"  valve_lift: 0.29 in\n  rocker_ratio: 1.5\n", "lobe lift"},
      {"  described_as: stock\n  duration_seat: 262\nidle: {converter: {stall_speed: 2000 rpm}}\n",
       "only in drive"},
      {"  lobe_separation: 112\n  intake_centerline: 98\n", "centreline"},
      {"known: {speed: 700 rpm}\n", "no vacuum"},
      // 33 degrees more at the seat, with a lobe lift of 0.30 in, is all but a lobe without ramps.
      {"  duration_seat: 247\n  valve_lift: 0.45 in\n  rocker_ratio: 1.5\n", "hardly agree"},
  }));
  INFO(row.more);
  const EngineCard card = read(kPlain + row.more);
  REQUIRE(card.warnings.size() == 1);
  CHECK_THAT(card.warnings[0], Contains(row.words));
  // Seat for 0.050 in duration: a word or a length beyond any road cam.
  CHECK_THAT(read(with("214", "274")).warnings.at(0), Contains("seat duration"));
  CHECK_THAT(read(with("214", "266\n  described_as: mild")).warnings.at(0),
             Contains("seat duration"));
  CHECK_THAT(read(with("duration_050: 214", "duration_seat: 216")).warnings.at(0),
             Contains("at 0.050 in"));
}

TEST_CASE("cam cards and head sizes that exist are accepted without a word", "[trade]") {
  // Durations, lifts and valves of the kinds that are on the road; common practice, no source.
  struct Row {
    const char* text;
  };
  const Row row = GENERATE(values<Row>({
      {"engine: {cylinders: 8, displacement: 350 in3, valves: {intake_diameter: 1.94 in, "
       "exhaust_diameter: 1.5 in}}\n"
       "cam: {duration_050: {intake: 214, exhaust: 224}, duration_seat: {intake: 268, exhaust: "
       "280}, "
       "valve_lift: {intake: 0.443 in, exhaust: 0.465 in}, rocker_ratio: 1.5}\n"},
      {"engine: {cylinders: 8, displacement: 305 in3}\n"
       "cam: {described_as: stock, duration_050: 194, duration_seat: 272, valve_lift: 0.39 in, "
       "rocker_ratio: 1.5}\n"},
      {"engine: {cylinders: 4, bore: 79 mm, stroke: 91.4 mm, valves: {per_cylinder: 4, "
       "intake_diameter: 31 mm, exhaust_diameter: 27 mm}}\n"
       "cam: {duration_050: 200, duration_seat: 244, valve_lift: 9.5 mm, rocker_ratio: 1.0}\n"},
      {"engine: {cylinders: 8, bore: 4.25 in, stroke: 3.75 in, valves: {intake_diameter: 2.25 in, "
       "exhaust_diameter: 1.94 in}}\n"
       "cam: {duration_050: 248, duration_seat: 290, valve_lift: 0.6 in, rocker_ratio: 1.6, "
       "lifter: solid roller}\n"},
      {"engine: {cylinders: 5, bore: 81 mm, stroke: 77.4 mm}\ncam: {described_as: stock}\n"},
  }));
  INFO(row.text);
  CHECK(read(row.text).warnings.empty());
}

TEST_CASE("random damage to a file never gives anything but a clean refusal", "[consistency]") {
  std::mt19937 random(5);
  const auto below = [&](std::size_t n) {
    return std::uniform_int_distribution<std::size_t>(0, n - 1)(random);
  };
  const std::string pieces[] = {"\n",
                                ": ",
                                "{",
                                "}",
                                "[",
                                "- ",
                                "\"",
                                "\t",
                                "0",
                                "-",
                                "1e9",
                                "#",
                                "&a ",
                                "*a",
                                "---\n",
                                " in",
                                "~",
                                "\xFF",
                                std::string(1, '\0')};
  int accepted = 0;
  for (int i = 0; i < 3000; ++i) {
    std::string text = kFull;
    for (std::size_t k = 0; k <= below(3); ++k) {
      const std::size_t at = below(text.size());
      switch (below(3)) {
        case 0:
          text.erase(at, 1 + below(12));
          break;
        case 1:
          text.insert(at, pieces[below(std::size(pieces))]);
          break;
        default:
          text[at] = static_cast<char>(below(256));
      }
    }
    try {
      // Through the same functions as a file, without the disk.
      parse_yaml(text, "x.yaml");
      if (i % 10 == 0) read(text);
      ++accepted;
    } catch (const InputError& error) {
      const std::string message = error.what();
      CHECK(message.size() < 1500);
      for (const char c : message) CHECK((c == '\n' || static_cast<unsigned char>(c) >= 0x20));
    }
  }
  CHECK(accepted > 0);  // not every damage matters, or nothing was tested
  CHECK(accepted < 3000);
}

TEST_CASE("the documentation names every key", "[consistency]") {
  std::ifstream stream(std::filesystem::path(IDLEFIT_SOURCE_DIR) / "docs" / "engine-file.md");
  REQUIRE(stream);
  std::stringstream text;
  text << stream.rdbuf();
  for (const EngineKey& key : engine_keys()) {
    std::string path(key.path);
    // The two sides of a pair are documented together.
    if (path.starts_with("cam.") && (path.ends_with(".intake") || path.ends_with(".exhaust"))) {
      path.resize(path.rfind('.'));
    }
    INFO(path);
    CHECK_THAT(text.str(), Contains("`" + path + "`"));
  }
}

}  // namespace
}  // namespace idlefit
