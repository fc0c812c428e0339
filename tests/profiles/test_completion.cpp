#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstddef>
#include <random>
#include <string>
#include <vector>

#include "model/accessories.h"
#include "model/atmosphere.h"
#include "model/cam.h"
#include "profiles/engine_file.h"
#include "profiles/practice.h"

namespace idlefit {
namespace {

using Catch::Contains;

EngineCard card_of(std::vector<std::string> more) {
  std::vector<std::string> sets{"engine.cylinders=8", "engine.displacement=350 in3"};
  sets.insert(sets.end(), more.begin(), more.end());
  return read_engine_card("", sets);
}

const Assumption* find(const Completion& completion, const std::string& key) {
  for (const Assumption& a : completion.assumed) {
    if (a.key == key) return &a;
  }
  return nullptr;
}

Assumption assumed(const Completion& completion, const std::string& key) {
  INFO(key);
  const Assumption* const found = find(completion, key);
  REQUIRE(found != nullptr);
  return *found;
}

// Standard deviation of an input over all latent variables.
double input_sd(const Completion& completion, Input input) {
  return completion.input_per_latent.row(static_cast<Eigen::Index>(input)).norm();
}

// Cards of all kinds: what is known of cam, valve train and idle in many combinations.
std::vector<EngineCard> many_cards() {
  const std::vector<std::vector<std::string>> cams{
      {"cam.described_as=stock"},
      {"cam.described_as=mild"},
      {"cam.described_as=race"},
      {"known.vacuum=14 inHg", "known.speed=750 rpm"},
      {"cam.duration_050=188"},
      {"cam.duration_050=228", "cam.lobe_separation=108"},
      {"cam.duration_050={intake: 214, exhaust: 224}",
       "cam.duration_seat={intake: 268, exhaust: 280}",
       "cam.valve_lift={intake: 0.443 in, exhaust: 0.465 in}"},
      {"cam.duration_seat=256", "cam.described_as=stock"},
      {"cam.duration_seat={intake: 290, exhaust: 296}", "cam.lifter=solid roller"},
      {"cam.duration_050={exhaust: 224}", "cam.duration_seat={exhaust: 276}"},
      {"cam.duration_seat={exhaust: 270}"},
      {"cam.duration_050=276", "cam.lifter=solid flat", "cam.valve_lift=0.68 in"},
      {"cam.duration_050=240", "cam.duration_seat=274"},
      {"cam.duration_050=222", "cam.valve_lift={exhaust: 0.47 in}", "cam.intake_centerline=104"},
      {"cam.duration_050={intake: 210, exhaust: 216}", "cam.duration_seat={exhaust: 268}",
       "cam.rocker_ratio={exhaust: 1.6}"},
  };
  const std::vector<std::vector<std::string>> engines{
      {},
      {"engine.cylinders=4", "engine.displacement=1.8 L", "engine.valves.per_cylinder=4"},
      {"engine.cylinders=6", "engine.displacement=258 in3", "engine.bore=3.75 in",
       "idle.gear=drive"},
      {"engine.cylinders=5", "engine.displacement=2.3 L", "engine.valvetrain=overhead"},
      {"engine.cylinders=8", "engine.displacement=8.2 L", "idle.accessories.air_conditioning=on",
       "idle.accessories.fan=electric", "known.gear=drive", "known.altitude=4000 ft"},
  };
  std::vector<EngineCard> cards;
  for (const auto& engine : engines) {
    for (const auto& cam : cams) {
      std::vector<std::string> sets = engine;
      sets.insert(sets.end(), cam.begin(), cam.end());
      cards.push_back(card_of(sets));
    }
  }
  return cards;
}

TEST_CASE("completion keeps what was given", "[consistency]") {
  const EngineCard card = card_of(
      {"engine.compression_ratio=9.7", "cam.duration_050={intake: 219, exhaust: 226}",
       "cam.duration_seat={intake: 272, exhaust: 279}", "cam.seat_height=0.006 in",
       "cam.lobe_separation=111", "idle.speed=780 rpm", "idle.spark=16", "idle.altitude=900 ft"});
  const Completion completion = complete(card);
  const Inputs<double>& in = completion.engine.inputs;
  CHECK(in.compression_ratio == 9.7);
  CHECK(in.intake_duration_050_deg == 219.0);
  CHECK(in.exhaust_duration_050_deg == 226.0);
  CHECK(in.intake_duration_seat_deg == 272.0);
  CHECK(in.exhaust_duration_seat_deg == 279.0);
  CHECK(in.lobe_separation_deg == 111.0);
  CHECK(in.speed_rpm == 780.0);
  CHECK(in.spark_btdc_deg == 16.0);
  CHECK(in.barometer_Pa == Approx(pressure_at_altitude_Pa(900 * 0.3048)));
  for (const char* const key : {"engine.compression_ratio", "cam.duration_050.intake",
                                "cam.duration_seat.exhaust", "idle.speed", "idle.altitude"}) {
    CHECK(find(completion, key) == nullptr);
  }
}

TEST_CASE("every input that was not given is assumed and shown", "[consistency]") {
  const Completion completion = complete(card_of({"cam.described_as=mild"}));
  const char* const keys[] = {"engine.layout",
                              "engine.bore",
                              "engine.stroke",
                              "engine.rod_length",
                              "engine.compression_ratio",
                              "engine.valves.per_cylinder",
                              "engine.valves.intake_diameter",
                              "engine.valves.exhaust_diameter",
                              "engine.valvetrain",
                              "engine.fuel",
                              "engine.exhaust",
                              "cam.duration_050.intake",
                              "cam.duration_050.exhaust",
                              "cam.duration_seat.intake",
                              "cam.duration_seat.exhaust",
                              "cam.seat_height",
                              "cam.valve_lift.intake",
                              "cam.valve_lift.exhaust",
                              "cam.rocker_ratio.intake",
                              "cam.rocker_ratio.exhaust",
                              "cam.lobe_separation",
                              "cam.intake_centerline",
                              "cam.lifter",
                              "idle.speed",
                              "idle.spark",
                              "idle.mixture",
                              "idle.altitude",
                              "idle.intake_air",
                              "idle.gear",
                              "idle.accessories.alternator",
                              "idle.accessories.fan",
                              "idle.accessories.air_conditioning",
                              "idle.accessories.power_steering"};
  for (const char* const key : keys) {
    const Assumption a = assumed(completion, key);
    CHECK_FALSE(a.basis.empty());
    CHECK(std::isfinite(a.value));
    CHECK(a.sd >= 0.0);
  }
  CHECK(completion.assumed.size() == std::size(keys));
  for (const char* const key : {"cam.lash.intake", "cam.lash.exhaust"}) {
    CHECK(find(complete(card_of({"cam.described_as=mild", "cam.lifter=solid flat"})), key) !=
          nullptr);
  }
  const Completion drive = complete(card_of({"cam.described_as=mild", "idle.gear=drive"}));
  // Stall 1800 +- 250 rpm at 300 +- 60 lbf.ft for 5.7 L: common practice, no source.
  CHECK(assumed(drive, "idle.converter.stall_speed").value == Approx(1800));
  CHECK(assumed(drive, "idle.converter.stall_speed").sd == Approx(250));
  const double share = displacement_m3(drive.engine) / 5.7e-3;
  CHECK(assumed(drive, "idle.converter.stall_torque").value == Approx(300 * share));
  CHECK(assumed(drive, "idle.converter.stall_torque").sd == Approx(60 * share));
  CHECK(drive.engine.inputs.converter_torque_Nm > 10.0);
  CHECK(completion.engine.inputs.converter_torque_Nm == 0.0);
}

TEST_CASE("assumptions are those of the trade", "[trade]") {
  // Common practice, no source: intake duration and lobe separation by word.
  struct Row {
    const char* word;
    double duration_deg, sd_deg, separation_deg, gap_deg;
  };
  const Row row = GENERATE(values<Row>({
      {"stock", 195, 8, 112, 70},
      {"towing", 206, 6, 111, 52},
      {"mild", 214, 7, 111, 52},
      {"street", 220, 6, 110, 52},
      {"lopey", 232, 8, 110, 52},
      {"race", 248, 12, 108, 52},
  }));
  INFO(row.word);
  const Completion c = complete(card_of({std::string("cam.described_as=") + row.word}));
  CHECK(assumed(c, "cam.duration_050.intake").value == Approx(row.duration_deg));
  CHECK(assumed(c, "cam.duration_050.intake").sd == Approx(row.sd_deg));
  // Read off a smooth curve through whole numbers: within the half degree they are rounded to.
  CHECK(std::abs(assumed(c, "cam.lobe_separation").value - row.separation_deg) <= 0.6);
  CHECK(assumed(c, "cam.duration_seat.intake").value - row.duration_deg == Approx(row.gap_deg));
  CHECK(assumed(c, "cam.duration_050.exhaust").value - row.duration_deg == Approx(6));
  CHECK(assumed(c, "cam.intake_centerline").value ==
        Approx(assumed(c, "cam.lobe_separation").value - 4));
  CHECK(assumed(c, "engine.compression_ratio").value == 9.2);
  CHECK(assumed(c, "engine.compression_ratio").sd == Approx(0.6));
  // Bore over stroke 1.13 +- 0.08 for eight cylinders.
  CHECK(c.engine.inputs.bore_m / c.engine.inputs.stroke_m == Approx(1.13));
  CHECK(displacement_m3(c.engine) == Approx(350 * 0.0254 * 0.0254 * 0.0254));
}

TEST_CASE("idle speed follows the duration as the trade has it", "[trade]") {
  // V8, common practice, no source: under 205 600-700, 205-220 700-800, 220-230 800-900,
  // 230-242 850-950, above 950-1200; each tried at the middle of its range.
  struct Row {
    double duration_deg, low_rpm, high_rpm;
  };
  for (const Row row : {Row{195, 600, 700}, Row{212, 700, 800}, Row{225, 800, 900},
                        Row{236, 850, 950}, Row{250, 950, 1200}}) {
    INFO(row.duration_deg);
    CHECK(idle_speed_at(row.duration_deg, 8).mean >= row.low_rpm);
    CHECK(idle_speed_at(row.duration_deg, 8).mean <= row.high_rpm);
    for (const int cylinders : {3, 4, 5, 6}) {  // 50 to 100 more
      const double more =
          idle_speed_at(row.duration_deg, cylinders).mean - idle_speed_at(row.duration_deg, 8).mean;
      CHECK(more >= 50 - 1e-9);
      CHECK(more <= 100 + 1e-9);
    }
  }
  // Stock 0.97-1.0, mild 0.94-0.97, warm 0.90-0.94, race 0.87-0.90.
  CHECK(std::abs(idle_lambda_at(195).mean - 0.985) <= 0.015);
  CHECK(std::abs(idle_lambda_at(214).mean - 0.955) <= 0.015);
  CHECK(std::abs(idle_lambda_at(228).mean - 0.92) <= 0.02);
  CHECK(std::abs(idle_lambda_at(250).mean - 0.885) <= 0.015);
  const auto rpm = [](std::vector<std::string> more) {
    more.push_back("cam.duration_050=214");
    return complete(card_of(more)).engine.inputs.speed_rpm;
  };
  const double neutral_rpm = rpm({});
  CHECK(neutral_rpm - rpm({"idle.gear=drive"}) >= 75);
  CHECK(neutral_rpm - rpm({"idle.gear=drive"}) <= 150);
  CHECK(rpm({"idle.accessories.air_conditioning=on"}) - neutral_rpm >= 50);
  CHECK(rpm({"idle.accessories.air_conditioning=on"}) - neutral_rpm <= 150);
}

TEST_CASE("curves over duration have no steps", "[consistency]") {
  double largest_bend = 0;
  const auto curves = [](double d) {
    return std::array{idle_speed_at(d, 8).mean / 10, lobe_separation_at(d).mean,
                      idle_spark_at(d).mean, 100 * idle_lambda_at(d).mean,
                      1000 * valve_lift_at(d, 0.1016, Valvetrain::pushrod, 1).mean};
  };
  constexpr double kStep = 0.01;
  for (double d = 160; d < 300; d += kStep) {
    const auto a = curves(d), b = curves(d + kStep), c = curves(d + 2 * kStep);
    for (std::size_t i = 0; i < a.size(); ++i) {
      largest_bend = std::max(largest_bend, std::abs((c[i] - b[i]) - (b[i] - a[i])) / kStep);
    }
  }
  // Slopes are about 1 per degree at most; a kink would change one by about 0.3 between two steps,
  // a smooth bend changes it by its curvature times the step.
  CHECK(largest_bend < 0.01);
}

TEST_CASE("knowing the duration narrows what depends on it", "[consistency]") {
  const Completion word = complete(card_of({"cam.described_as=race"}));
  const Completion number = complete(card_of({"cam.described_as=race", "cam.duration_050=248"}));
  for (const char* const key : {"idle.speed", "idle.spark", "cam.lobe_separation",
                                "cam.duration_seat.intake", "cam.valve_lift.intake"}) {
    INFO(key);
    CHECK(assumed(number, key).sd < 0.99 * assumed(word, key).sd);
    CHECK(assumed(number, key).value == Approx(assumed(word, key).value));
  }
  CHECK(assumed(number, "idle.speed").sd == Approx(60));
  CHECK(assumed(number, "cam.duration_seat.intake").sd == Approx(8));
  CHECK(assumed(word, "cam.duration_seat.intake").sd == Approx(std::hypot(8, 12)));
  // Only a vacuum known: wider than any word.
  const Completion vacuum = complete(card_of({"known.vacuum=14 inHg"}));
  CHECK(assumed(vacuum, "cam.duration_050.intake").sd == Approx(15));
}

TEST_CASE("assumptions hang together through the latent variables", "[consistency]") {
  const EngineCard card = card_of({"cam.described_as=mild"});
  const Completion completion = complete(card);
  const auto& keys = completion.latent_keys;
  const auto index = [&](const char* key) {
    return std::find(keys.begin(), keys.end(), key) - keys.begin();
  };
  Eigen::VectorXd latent = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(keys.size()));
  latent[index("cam.duration_050.intake")] = 1.0;
  const Engine longer = complete_at(card, latent);
  const Inputs<double>&a = completion.engine.inputs, &b = longer.inputs;
  CHECK(b.intake_duration_050_deg == Approx(a.intake_duration_050_deg + 7));
  CHECK(b.exhaust_duration_050_deg == Approx(a.exhaust_duration_050_deg + 7));
  CHECK(b.intake_duration_seat_deg == Approx(a.intake_duration_seat_deg + 7));
  CHECK(b.lobe_separation_deg < a.lobe_separation_deg);
  CHECK(b.speed_rpm > a.speed_rpm + 20);
  CHECK(b.spark_btdc_deg > a.spark_btdc_deg);
  CHECK(b.lambda < a.lambda);
  CHECK(b.intake_valve_lift_m > a.intake_valve_lift_m);
}

TEST_CASE("what is known besides informs what is not", "[consistency]") {
  // Ramps assumed near the shortest that a lobe can have are bent away from it, by a tenth of a
  // degree here; the figures of practice are whole degrees.
  constexpr double kBent_deg = 0.2;
  // The other lobe's ramps.
  const Completion ramps = complete(card_of(
      {"cam.duration_050={intake: 214, exhaust: 224}", "cam.duration_seat={exhaust: 270}"}));
  CHECK(ramps.engine.inputs.intake_duration_seat_deg == Approx(214 + 46).margin(kBent_deg));
  CHECK(assumed(ramps, "cam.duration_seat.intake").sd == Approx(3).margin(kBent_deg));
  // A seat duration alone.
  const Completion seat = complete(card_of({"cam.duration_seat=268"}));
  CHECK(seat.engine.inputs.intake_duration_050_deg == Approx(268 - 52).margin(kBent_deg));
  CHECK(assumed(seat, "cam.duration_050.intake").sd == Approx(8).margin(kBent_deg));
  const Completion solid = complete(card_of({"cam.duration_seat=280", "cam.lifter=solid roller"}));
  CHECK(solid.engine.inputs.intake_duration_050_deg == Approx(280 - 40).margin(kBent_deg));
  CHECK(solid.engine.build.tappet == Tappet::roller);
  // Solid lifters: ramps of 40 degrees, counted at 0.020 in, clear of the lash, whatever the word;
  // common practice, no source. At 0.006 in the same lobe shows longer ones.
  const Completion factory = complete(
      card_of({"cam.duration_050=242", "cam.lifter=solid flat", "cam.described_as=stock"}));
  CHECK(factory.engine.inputs.seat_height_m == Approx(0.020 * 0.0254));
  CHECK_THAT(assumed(factory, "cam.seat_height").basis, Contains("solid"));
  CHECK(factory.engine.inputs.intake_duration_seat_deg == Approx(242 + 40).margin(kBent_deg));
  const Completion low = complete(
      card_of({"cam.duration_050=242", "cam.lifter=solid flat", "cam.seat_height=0.006 in"}));
  const Inputs<double>&at_020 = factory.engine.inputs, &at_006 = low.engine.inputs;
  const auto power = [](const Inputs<double>& in) {
    return lobe_power(in.intake_duration_050_deg, in.intake_duration_seat_deg,
                      in.intake_valve_lift_m / in.intake_rocker_ratio, in.seat_height_m)
        .power;
  };
  CHECK(at_006.intake_duration_seat_deg > at_020.intake_duration_seat_deg + 20);
  // One lobe but for the soft bounds.
  CHECK(power(at_006) == Approx(power(at_020)).epsilon(0.03));
  CHECK(assumed(complete(card_of({"cam.duration_seat=280", "cam.lifter=solid flat"})),
                "cam.seat_height")
            .sd == Approx(0.002));
  // A word beside a number: the number wins, the word tells the ramps.
  const Completion stock = complete(card_of({"cam.duration_050=200", "cam.described_as=stock"}));
  CHECK(stock.engine.inputs.intake_duration_050_deg == 200.0);
  CHECK(stock.engine.inputs.intake_duration_seat_deg == Approx(270));
  // The reading on the carburettor.
  const Completion known =
      complete(card_of({"known.vacuum=15 inHg", "known.speed=700 rpm", "known.gear=drive",
                        "known.spark=12", "known.altitude=5000 ft"}));
  CHECK(assumed(known, "idle.speed").value == Approx(700 + 110));
  CHECK(assumed(known, "idle.spark").value == 12.0);
  CHECK(assumed(known, "idle.altitude").value == Approx(5000));
  // Lash given, lifter not.
  const Completion lash = complete(card_of({"cam.described_as=mild", "cam.lash=0.018 in"}));
  CHECK(assumed(lash, "cam.lifter").word == "solid flat");
  CHECK(lash.engine.inputs.exhaust_lash_m == Approx(0.020 * 0.0254));
  // An intake centreline says where the lobe separation lies.
  const Completion centreline =
      complete(card_of({"cam.duration_050=214", "cam.intake_centerline=112"}));
  CHECK(assumed(centreline, "cam.lobe_separation").value == Approx((111 + 116) / 2.0));
  CHECK(assumed(centreline, "cam.lobe_separation").sd == Approx(std::sqrt(2.0)));
}

TEST_CASE("accessories take what is given, or likely", "[consistency]") {
  const auto power_W = [](std::vector<std::string> more) {
    more.push_back("cam.duration_050=214");
    more.push_back("idle.speed=750 rpm");
    return complete(card_of(more)).engine.inputs.accessory_power_W;
  };
  const std::string off =
      "idle.accessories={alternator: 0 A, fan: none, air_conditioning: off, "
      "power_steering: off}";
  CHECK(power_W({off}) == 0.0);
  CHECK(power_W({off, "idle.accessories.alternator=30 A"}) == Approx(alternator_power_W(30)));
  CHECK(power_W({off, "idle.accessories.power_steering=on"}) == Approx(power_steering_power_W()));
  CHECK(power_W({off, "idle.accessories.air_conditioning=on"}) ==
        Approx(air_conditioning_power_W()));
  const double swept_m3 = 350 * 0.0254 * 0.0254 * 0.0254;
  CHECK(power_W({off, "idle.accessories.fan=belt"}) == Approx(belt_fan_power_W(750, swept_m3)));
  CHECK(power_W({off, "idle.accessories.fan=electric"}) == 0.0);
  // Not known to be fitted: less than with it, more than without, and a wide spread.
  const Completion unknown = complete(card_of({"cam.duration_050=214"}));
  const Assumption steering = assumed(unknown, "idle.accessories.power_steering");
  CHECK(steering.unit == "W");
  CHECK(steering.value < power_steering_power_W());
  CHECK(steering.value > 0.0);
  CHECK(steering.sd > 0.3 * power_steering_power_W());
}

TEST_CASE("the slopes are those of the completion", "[consistency]") {
  for (const EngineCard& card : many_cards()) {
    const Completion completion = complete(card);
    const auto count = static_cast<Eigen::Index>(completion.latent_keys.size());
    REQUIRE(completion.input_per_latent.cols() == count);
    REQUIRE(completion.input_per_latent.rows() == static_cast<Eigen::Index>(kInputCount));
    CHECK(completion.input_per_latent.allFinite());
    const Engine middle = complete_at(card, Eigen::VectorXd::Zero(count));
    for (std::size_t i = 0; i < kInputCount; ++i) {
      CHECK(input_value(middle.inputs, i) == input_value(completion.engine.inputs, i));
    }
    for (Eigen::Index j = 0; j < count; ++j) {
      Eigen::VectorXd latent = Eigen::VectorXd::Zero(count);
      constexpr double kStep = 3e-3;
      latent[j] = kStep;
      const Engine up = complete_at(card, latent);
      latent[j] = -kStep;
      const Engine down = complete_at(card, latent);
      double moved = 0;
      for (std::size_t i = 0; i < kInputCount; ++i) {
        const double slope =
            (input_value(up.inputs, i) - input_value(down.inputs, i)) / (2 * kStep);
        const double size = std::abs(input_value(middle.inputs, i)) + 1e-3;
        // Another step than the completion's own: at a joint of two curve pieces a central
        // difference is off by a quarter of step times jump in curvature, 1e-3 at most here.
        CHECK(completion.input_per_latent(static_cast<Eigen::Index>(i), j) ==
              Approx(slope).epsilon(1e-3).margin(1e-5 * size));
        moved += std::abs(slope) / size;
      }
      if (completion.known) moved += completion.known->input_per_latent.col(j).norm();
      INFO(completion.latent_keys[static_cast<std::size_t>(j)]);
      CHECK(moved > 0);  // every latent variable does something
    }
  }
}

TEST_CASE("spreads are those of random draws", "[consistency]") {
  const EngineCard card = card_of({"cam.described_as=street"});
  const Completion completion = complete(card);
  std::mt19937_64 random(3);
  std::normal_distribution<double> normal;
  const int draws = 4000;
  const std::array inputs{Input::speed_rpm,           Input::intake_duration_seat_deg,
                          Input::lobe_separation_deg, Input::bore_m,
                          Input::accessory_power_W,   Input::compression_ratio};
  std::array<double, inputs.size()> sum{}, square{};
  Eigen::VectorXd latent(static_cast<Eigen::Index>(completion.latent_keys.size()));
  for (int k = 0; k < draws; ++k) {
    for (double& z : latent) z = normal(random);
    const Engine engine = complete_at(card, latent);
    for (std::size_t i = 0; i < inputs.size(); ++i) {
      const double x = input_value(engine.inputs, static_cast<std::size_t>(inputs[i]));
      sum[i] += x;
      square[i] += x * x;
    }
  }
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    const double mean = sum[i] / draws;
    const double sd = std::sqrt(square[i] / draws - mean * mean);
    // A deviation from 4000 draws is known to 1.1 %, and clamping and curvature take some; a wrong
    // factor or a lost latent variable would show as 10 % or more.
    CHECK(input_sd(completion, inputs[i]) == Approx(sd).epsilon(0.08));
  }
}

TEST_CASE("every draw is an engine that can exist", "[consistency]") {
  std::mt19937_64 random(17);
  std::normal_distribution<double> normal(0.0, 1.6);  // wider than the unknowns really are
  int lobes = 0, met = 0;
  for (const EngineCard& card : many_cards()) {
    const Completion completion = complete(card);
    Eigen::VectorXd latent(static_cast<Eigen::Index>(completion.latent_keys.size()));
    for (int k = 0; k < 60; ++k) {
      for (double& z : latent) z = k == 0 ? 0.0 : normal(random);
      const Inputs<double> in = complete_at(card, latent).inputs;
      for (std::size_t i = 0; i < kInputCount; ++i) {
        INFO(kInputInfo[i].name);
        CHECK(std::isfinite(input_value(in, i)));
      }
      CHECK(in.bore_m > 0.04);
      CHECK(in.rod_m > 1.2 * in.stroke_m);
      CHECK(in.intake_valve_diameter_m + in.exhaust_valve_diameter_m < in.bore_m);
      CHECK(in.speed_rpm >= 400);
      CHECK(in.lambda >= 0.8);
      CHECK(in.accessory_power_W >= 0);
      CHECK(in.intake_lash_m >= 0);
      CHECK(in.barometer_Pa > 55e3);
      for (const bool intake : {true, false}) {
        const double d050 = intake ? in.intake_duration_050_deg : in.exhaust_duration_050_deg;
        const double seat = intake ? in.intake_duration_seat_deg : in.exhaust_duration_seat_deg;
        const double lift = intake ? in.intake_valve_lift_m / in.intake_rocker_ratio
                                   : in.exhaust_valve_lift_m / in.exhaust_rocker_ratio;
        ++lobes;
        if (lobe_power(d050, seat, lift, in.seat_height_m).met) ++met;
      }
    }
  }
  CHECK(met == lobes);
}

TEST_CASE("the known reading is the same engine under its own conditions", "[consistency]") {
  const EngineCard card =
      card_of({"known.vacuum=12 inHg", "known.speed=650 rpm", "known.gear=drive", "known.spark=10",
               "known.altitude=2000 ft", "idle.altitude=500 ft", "idle.speed=800 rpm"});
  const Completion completion = complete(card);
  REQUIRE(completion.known);
  const Inputs<double>&idle = completion.engine.inputs, &known = completion.known->engine.inputs;
  CHECK(known.bore_m == idle.bore_m);
  CHECK(known.intake_duration_seat_deg == idle.intake_duration_seat_deg);
  CHECK(known.speed_rpm == 650.0);
  CHECK(known.spark_btdc_deg == 10.0);
  CHECK(known.barometer_Pa == Approx(pressure_at_altitude_Pa(2000 * 0.3048)));
  CHECK(idle.barometer_Pa == Approx(pressure_at_altitude_Pa(500 * 0.3048)));
  CHECK(idle.converter_torque_Nm == 0.0);
  CHECK(known.converter_torque_Nm > 10.0);
  CHECK(completion.known->map_Pa == Approx(known.barometer_Pa - 12 * 3386.39));
  CHECK(completion.known->input_per_latent.cols() == completion.input_per_latent.cols());
  CHECK(!complete(card_of({"cam.described_as=mild"})).known);
}

TEST_CASE("an engine of which all is known has nothing uncertain", "[consistency]") {
  const Completion completion = complete(
      read_engine_card("", {"engine.cylinders=8",
                            "engine.layout=V",
                            "engine.bore=4.00 in",
                            "engine.stroke=3.48 in",
                            "engine.rod_length=5.70 in",
                            "engine.compression_ratio=8.7",
                            "engine.valves={intake_diameter: 1.94 in, exhaust_diameter: 1.50 in}",
                            "engine.valvetrain=pushrod",
                            "engine.exhaust=manifolds",
                            "cam.duration_050={intake: 204, exhaust: 210}",
                            "cam.duration_seat={intake: 264, exhaust: 270}",
                            "cam.seat_height=0.006 in",
                            "cam.valve_lift={intake: 0.42 in, exhaust: 0.42 in}",
                            "cam.rocker_ratio={intake: 1.5, exhaust: 1.5}",
                            "cam.lobe_separation=112",
                            "cam.intake_centerline=108",
                            "cam.lifter=hydraulic flat",
                            "idle.speed=700 rpm",
                            "idle.spark=14",
                            "idle.mixture=1.0 lambda",
                            "idle.barometer=101.325 kPa",
                            "idle.intake_air=25 degC",
                            "idle.accessories={alternator: 0 A, fan: none, air_conditioning: off, "
                            "power_steering: off}"}));
  CHECK(completion.latent_keys.empty());
  CHECK(completion.input_per_latent.cols() == 0);
  for (const Assumption& a : completion.assumed) {
    INFO(a.key);
    CHECK(a.sd == 0.0);
  }
}

TEST_CASE("a card that no engine can meet is refused", "[consistency]") {
  EngineCard card;
  card.cylinders = 8;
  card.displacement_m3 = 5.7e-3;
  CHECK_THROWS_AS(complete(card), InputError);  // nothing of the cam
  card.duration_050_deg.intake = 230;
  CHECK_NOTHROW(complete(card));
  card.duration_seat_deg.intake = 245;
  CHECK_THROWS_WITH(complete(card), Contains("230") && Contains("245"));
  card.duration_seat_deg.intake = 275;
  const Completion completion = complete(card);
  CHECK_THAT(completion.warnings.at(0), Contains("lifter"));
}

}  // namespace
}  // namespace idlefit
