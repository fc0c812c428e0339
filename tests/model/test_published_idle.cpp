#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "model/explain.h"
#include "model/idle.h"
#include "tests/reference/residual_correlation.h"
#include "tests/support/engines.h"

namespace idlefit::test {
namespace {

SolveResult idle(const Engine& e) { return solve_idle(e, Coefficients<double>{}); }

double vacuum_inHg(const SolveResult& r) {
  return (r.point.barometer_Pa - r.point.map_Pa) / kInchMercury_Pa;
}

// A late four-valve four or two-valve V8 of a sedan; all but size, speed and cylinders assumed.
// "Later engines rub about 25 % less" than SAE 890836 (abstract of SAE 2004-01-1456).
Engine late_sedan(double litres, int cylinders, double speed_rpm) {
  Engine e;
  Inputs<double>& in = e.inputs;
  const bool four_valve = cylinders == 4;
  e.build.cylinders = cylinders;
  e.build.layout = four_valve ? Layout::inline_row : Layout::vee;
  e.build.valvetrain = Valvetrain::overhead;
  e.build.tappet = four_valve ? Tappet::flat : Tappet::roller;
  e.build.intake_valves = e.build.exhaust_valves = four_valve ? 2 : 1;
  const double cylinder_m3 = litres * 1e-3 / cylinders;
  in.bore_m = in.stroke_m = std::cbrt(4.0 / kPi * cylinder_m3);
  in.rod_m = 1.65 * in.stroke_m;
  in.compression_ratio = four_valve ? 10.0 : 9.4;
  in.intake_valve_diameter_m = (four_valve ? 0.38 : 0.47) * in.bore_m;
  in.exhaust_valve_diameter_m = (four_valve ? 0.33 : 0.385) * in.bore_m;
  in.intake_duration_050_deg = in.exhaust_duration_050_deg = 194;
  in.intake_duration_seat_deg = in.exhaust_duration_seat_deg = four_valve ? 244 : 256;
  in.seat_height_m = 0.006 * kInch_m;
  in.intake_valve_lift_m = in.exhaust_valve_lift_m = four_valve ? 8.5e-3 : 11e-3;
  in.intake_rocker_ratio = in.exhaust_rocker_ratio = four_valve ? 1.0 : 1.6;
  in.lobe_separation_deg = 113;
  in.intake_centerline_deg = 111;
  in.speed_rpm = speed_rpm;
  in.spark_btdc_deg = 12;
  in.lambda = 1.0;
  in.barometer_Pa = kStandardAtmosphere_Pa;
  in.intake_air_K = 298.15;
  in.accessory_power_W = alternator_power_W(20.0);
  return e;
}
Coefficients<double> late_friction() {
  Coefficients<double> c;
  c.friction = 0.75;
  return c;
}

}  // namespace

TEST_CASE("residual fraction follows SAE 931025", "[published]") {
  // Fox, Cheng and Heywood 1993, over 600-1600 rpm, p_i/p_e 0.35-0.9, compression 8-11, overlap
  // factor 0.2-2 set through the overlap alone, fired at fixed MAP, cells of at most 0.35.
  // Within 0.06 in 90 % of 200 cells and a bias under 0.03: the correlation's own scatter is about
  // 0.02 to 0.03, and it knows neither valve timing apart from overlap nor exhaust temperature.
  std::mt19937 generator(931025);
  const auto uniform = [&](double low, double high) {
    return low + (high - low) * (static_cast<double>(generator()) + 0.5) / 4294967296.0;
  };
  int cells = 0, within = 0;
  double sum = 0.0, worst = 0.0;
  while (cells < 200) {
    Engine e = table_v8(204, 264, 112, 0.420, uniform(600, 1600), 20);
    Inputs<double>& in = e.inputs;
    const double ratio = uniform(0.35, 0.9);
    in.compression_ratio = uniform(8.0, 11.0);
    const double wanted = uniform(0.2, 2.0);
    double wide = 140.0, narrow = 60.0;
    for (int i = 0; i < 50; ++i) {
      in.lobe_separation_deg = 0.5 * (wide + narrow);
      in.intake_centerline_deg = in.lobe_separation_deg - 4.0;
      (reference::overlap_factor_deg_m(in) > wanted ? narrow : wide) = in.lobe_separation_deg;
    }
    const double map = ratio * in.barometer_Pa;
    const double correlation =
        reference::residual_fraction(reference::overlap_factor_deg_m(in), in.speed_rpm, map,
                                     in.barometer_Pa, 1.0, in.compression_ratio);
    if (correlation > 0.35) continue;
    ++cells;
    const SolveResult r = solve_at_map(e, Coefficients<double>{}, map);
    const double error = r.status == Status::ok ? r.point.residual_fraction - correlation : 1.0;
    within += std::fabs(error) <= 0.06;
    sum += error;
    worst = std::max(worst, std::fabs(error));
  }
  WARN("residual against SAE 931025: " << within << " of 200 within 0.06, bias " << sum / cells
                                       << ", worst " << worst
                                       << "; overlap counted at the valve, play taken off");
  CHECK(within >= 180);
  CHECK(std::fabs(sum / cells) < 0.03);
}

TEST_CASE("idle fuel of two sedans", "[published]") {
  // US Department of Energy, Fact of the Week 861 (2015): no-load idle 0.16 gal/h for a 2.0 L and
  // 0.39 gal/h for a 4.6 L gasoline sedan, speeds not given; taken as 700 and 600 rpm. Within 20 %:
  // valvetrain, accessories and speed are assumed.
  const auto gal_h = [](const SolveResult& r) {
    constexpr double kGasoline_kg_per_L = 0.745, kLitre_per_gallon = 3.785412;
    return r.point.fuel_kg_s * 3600.0 / kGasoline_kg_per_L / kLitre_per_gallon;
  };
  const SolveResult small = solve_idle(late_sedan(2.0, 4, 700), late_friction());
  const SolveResult large = solve_idle(late_sedan(4.6, 8, 600), late_friction());
  REQUIRE(small.status == Status::ok);
  REQUIRE(large.status == Status::ok);
  WARN("idle fuel " << gal_h(small) << " and " << gal_h(large) << " gal/h against 0.16 and 0.39");
  CHECK(gal_h(small) == Approx(0.16).epsilon(0.20));
  CHECK(gal_h(large) == Approx(0.39).epsilon(0.20));
}

TEST_CASE("idle air of a 1.8 L sedan, neutral and in gear", "[published]") {
  // Open on-board-diagnostic logs (small n): 2.24 g/s at 776 rpm in neutral, a charge of 0.163 of
  // displacement at 1.184 kg/m3; in gear at 647 rpm 2.44 g/s, 0.212. Within 20 %: as above; the
  // converter is an 1800 rpm stall of 300 lbf.ft scaled by displacement over 5.7 L.
  Engine e = late_sedan(1.8, 4, 776);
  const SolveResult neutral = solve_idle(e, late_friction());
  e.inputs.speed_rpm = 647;
  e.inputs.converter_torque_Nm =
      converter_torque_Nm(647.0, 1800.0, 300.0 * kPoundForceFoot_Nm * 1.8 / 5.7);
  const SolveResult gear = solve_idle(e, late_friction());
  REQUIRE(neutral.status == Status::ok);
  REQUIRE(gear.status == Status::ok);
  WARN("idle air " << 1e3 * neutral.point.air_kg_s << " and " << 1e3 * gear.point.air_kg_s
                   << " g/s against 2.24 and 2.44");
  CHECK(1e3 * neutral.point.air_kg_s == Approx(2.24).epsilon(0.20));
  CHECK(1e3 * gear.point.air_kg_s == Approx(2.44).epsilon(0.20));
  CHECK(neutral.point.ve_ambient == Approx(0.163).epsilon(0.20));
  CHECK(gear.point.ve_ambient == Approx(0.212).epsilon(0.20));
}

TEST_CASE("stock engines idle where service manuals say", "[published]") {
  // Hot, no load, sea level: 15 to 22 inHg; MAP 29 to 48 kPa (service manuals).
  for (const Engine& e : {stock_v8(), late_sedan(2.0, 4, 700), late_sedan(4.6, 8, 600)}) {
    const SolveResult r = idle(e);
    REQUIRE(r.status == Status::ok);
    CHECK(vacuum_inHg(r) > 15.0);
    CHECK(vacuum_inHg(r) < 22.0);
    CHECK(r.point.map_Pa > 29e3);
    CHECK(r.point.map_Pa < 48e3);
  }
}

TEST_CASE("a mild street V8 idles near 50 kPa", "[trade]") {
  // Common practice, no source: 355 in3, 214/224 at 0.050, 268/280 seat, LSA 112, 720 rpm: 42 to
  // 55 kPa, about 50 usual.
  Engine e = table_v8(214, 268, 112, 0.450, 720, 14);
  e.inputs.bore_m = 4.03 * kInch_m;
  e.inputs.exhaust_duration_050_deg = 224;
  e.inputs.exhaust_duration_seat_deg = 280;
  e.inputs.lambda = 0.97;
  const SolveResult r = idle(e);
  REQUIRE(r.status == Status::ok);
  CHECK(r.point.map_Pa > 42e3);
  CHECK(r.point.map_Pa < 55e3);
}

TEST_CASE("best idle mixture lies rich of stoichiometric", "[trade]") {
  // Common practice, no source: best vacuum between lambda 0.88 and 0.96.
  for (const Engine& base : {stock_v8(), mild_v8(), street_v8()}) {
    double best_lambda = 0.0, best_map = 1e9;
    for (double lambda = 0.80; lambda < 1.105; lambda += 0.01) {
      Engine e = base;
      e.inputs.lambda = lambda;
      const SolveResult r = idle(e);
      if (r.status == Status::ok && r.point.map_Pa < best_map) {
        best_map = r.point.map_Pa;
        best_lambda = lambda;
      }
    }
    CHECK(best_lambda >= 0.88);
    CHECK(best_lambda <= 0.96);
  }
}

TEST_CASE("best idle spark of street cams", "[trade]") {
  // Common practice, no source: it exists and lies at 25 to 50 degrees.
  for (const Engine& e : {stock_v8(), mild_v8(), street_v8()}) {
    const BestSpark best = best_idle_spark(e, Coefficients<double>{});
    CHECK(best.spark_btdc_deg > 25.0);
    CHECK(best.spark_btdc_deg < 50.0);
  }
}

TEST_CASE("idle spark from 16 to 33 degrees raises vacuum", "[published]") {
  // One engine, magazine-grade: 15 to 17.5 inHg, whether at fixed speed not stated and 1 inHg or
  // more of it perhaps speed: 0.7 to 2.5 inHg accepted. The engine here is the one of the table
  // that idles nearest to 15 inHg at 16 degrees.
  Engine e = street_v8();
  e.inputs.spark_btdc_deg = 16;
  const double at_16 = vacuum_inHg(idle(e));
  e.inputs.spark_btdc_deg = 33;
  const double gain = vacuum_inHg(idle(e)) - at_16;
  WARN("street V8: " << at_16 << " inHg at 16 degrees, " << gain << " inHg more at 33");
  CHECK(gain > 0.7);
  CHECK(gain < 2.5);
}

TEST_CASE("burn at idle takes as long as it should", "[trade]") {
  // From memory, no source: 10 to 90 % in 25 to 45 degrees at a stock idle.
  const SolveResult r = idle(stock_v8());
  WARN("10-90 % burn: stock " << r.point.burn_10_90_deg << " degrees, mild "
                              << idle(mild_v8()).point.burn_10_90_deg);
  CHECK(r.point.burn_10_90_deg > 25.0);
  CHECK(r.point.burn_10_90_deg < 45.0);
}

TEST_CASE("walls take their share of the fuel's energy at idle", "[trade]") {
  // From memory, no source: 30 to 45 % at 800 rpm.
  Engine e = stock_v8();
  e.inputs.speed_rpm = 800;
  const SolveResult r = idle(e);
  const double of_fuel = r.point.wall_heat_share * r.point.burned_fuel_fraction;
  CHECK(of_fuel > 0.30);
  CHECK(of_fuel < 0.45);
}

}  // namespace idlefit::test
