#include "model/friction.h"

#include <catch2/catch.hpp>

#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

// V8, 101.6 x 88.4 mm, mains 62 x 22 (5), crankpins 53 x 24 (8), lift 10.4, pushrods, flat tappets.
FrictionGeometry<double> v8() {
  FrictionGeometry<double> g;
  g.bore_m = 0.1016;
  g.stroke_m = 0.0884;
  g.compression_ratio = 9.5;
  g.main_diameter_m = 0.062;
  g.main_length_m = 0.022;
  g.rod_diameter_m = 0.053;
  g.rod_length_m = 0.024;
  g.valve_lift_m = 0.0104;
  g.cylinders = 8;
  g.main_bearings = 5;
  g.rod_bearings = 8;
  g.cam_bearings = 5;
  g.valves = 16;
  g.valvetrain = Valvetrain::pushrod;
  g.tappet = Tappet::flat;
  return g;
}

// 2.0 L four, 86 x 86 mm, mains 56 x 21 (5), crankpins 48 x 21 (4), lift 9, two camshafts acting
// directly on flat tappets, 16 valves.
FrictionGeometry<double> four() {
  FrictionGeometry<double> g;
  g.bore_m = 0.086;
  g.stroke_m = 0.086;
  g.compression_ratio = 10.0;
  g.main_diameter_m = 0.056;
  g.main_length_m = 0.021;
  g.rod_diameter_m = 0.048;
  g.rod_length_m = 0.021;
  g.valve_lift_m = 0.009;
  g.cylinders = 4;
  g.main_bearings = 5;
  g.rod_bearings = 4;
  g.cam_bearings = 10;
  g.valves = 16;
  g.valvetrain = Valvetrain::overhead;
  g.tappet = Tappet::flat;
  return g;
}

void check_parts(const FrictionParts<double>& parts_Pa, double crank_kPa, double reciprocating_kPa,
                 double gas_load_kPa, double valvetrain_kPa, double auxiliaries_kPa,
                 double sum_kPa) {
  // Half of the last digit given, 0.005 kPa.
  CHECK(std::abs(parts_Pa.crank / 1e3 - crank_kPa) <= 0.00501);
  CHECK(std::abs(parts_Pa.reciprocating / 1e3 - reciprocating_kPa) <= 0.00501);
  CHECK(std::abs(parts_Pa.gas_load / 1e3 - gas_load_kPa) <= 0.00501);
  CHECK(std::abs(parts_Pa.valvetrain / 1e3 - valvetrain_kPa) <= 0.00501);
  CHECK(std::abs(parts_Pa.auxiliaries / 1e3 - auxiliaries_kPa) <= 0.00501);
  CHECK(std::abs(parts_Pa.total() / 1e3 - sum_kPa) <= 0.00501);
}

TEST_CASE("Friction components of two engines", "[friction][closed-form]") {
  // The equations of SAE 890836 worked by hand in mm, rpm and kPa, 800 rpm, p_i/p_a 0.35.
  check_parts(friction_parts_Pa(v8(), 800.0, 0.35), 2.11, 16.62, 9.74, 41.72, 10.29, 80.48);
  check_parts(friction_parts_Pa(four(), 800.0, 0.35), 4.78, 21.08, 10.40, 36.10, 10.29, 82.65);
}

TEST_CASE("Roller tappets save what flat ones rub", "[friction][closed-form]") {
  // 800 rpm, by hand. V8: flat 400 (1 + 1000/800) 16/(88.4 * 8) = 20.36 kPa, roller
  // 0.0151 * 800 * 16/(88.4 * 8) = 0.27 kPa. Four: flat 200 (1 + 1000/800) 16/(86 * 4) = 20.93 kPa,
  // roller 0.0076 * 800 * 16/(86 * 4) = 0.28 kPa. Nothing else changes.
  const auto check_saving = [](const FrictionGeometry<double>& flat, double saving_kPa) {
    FrictionGeometry<double> roller = flat;
    roller.tappet = Tappet::roller;
    const auto flat_Pa = friction_parts_Pa(flat, 800.0, 0.35);
    const auto roller_Pa = friction_parts_Pa(roller, 800.0, 0.35);
    CHECK(std::abs((flat_Pa.valvetrain - roller_Pa.valvetrain) / 1e3 - saving_kPa) <= 0.006);
    CHECK(flat_Pa.total() - roller_Pa.total() ==
          Approx(flat_Pa.valvetrain - roller_Pa.valvetrain).epsilon(1e-9));
  };
  check_saving(v8(), 20.0887);
  check_saving(four(), 20.6474);
}

TEST_CASE("Rubbing friction stays below total motoring friction", "[friction][published]") {
  // Barnes-Moss (1975), Heywood (1988) eq. 13.6: 97 + 15 n + 5 n^2 kPa with n = rpm/1000 includes
  // pumping, so it bounds rubbing friction from above, for engines of 0.85 to 2.0 L.
  for (double speed_rpm = 600.0; speed_rpm <= 3000.0; speed_rpm += 200.0) {
    const double n = speed_rpm / 1000.0;
    CHECK(friction_parts_Pa(four(), speed_rpm, 0.35).total() <
          1e3 * (97.0 + 15.0 * n + 5.0 * n * n));
  }
}

TEST_CASE("Friction geometry of an engine with unknown journals", "[friction][closed-form]") {
  Inputs<double> in;
  in.bore_m = 0.100;
  in.stroke_m = 0.080;
  in.compression_ratio = 9.0;
  in.intake_valve_lift_m = 0.0110;
  in.exhaust_valve_lift_m = 0.0120;

  Build build;  // V8, pushrods, two valves
  auto g = friction_geometry(build, in);
  // 0.61/0.22/0.52/0.24 of the bore (from memory, common practice).
  CHECK(g.main_diameter_m == Approx(0.061));
  CHECK(g.main_length_m == Approx(0.022));
  CHECK(g.rod_diameter_m == Approx(0.052));
  CHECK(g.rod_length_m == Approx(0.024));
  CHECK(g.valve_lift_m == Approx(0.0115));
  CHECK(g.main_bearings == 5);
  CHECK(g.rod_bearings == 8);
  CHECK(g.cam_bearings == 5);
  CHECK(g.valves == 16);

  SECTION("lash is lift the valve does not make") {
    in.intake_lash_m = 0.0006;
    in.exhaust_lash_m = 0.0004;
    CHECK(friction_geometry(build, in).valve_lift_m == Approx(0.0110));
  }
  SECTION("inline four with two camshafts") {
    build.cylinders = 4;
    build.layout = Layout::inline_row;
    build.valvetrain = Valvetrain::overhead;
    build.intake_valves = build.exhaust_valves = 2;
    g = friction_geometry(build, in);
    CHECK(g.main_bearings == 5);
    CHECK(g.cam_bearings == 10);
    CHECK(g.valves == 16);
  }
  SECTION("flat six with one camshaft a bank") {
    build.cylinders = 6;
    build.layout = Layout::flat;
    build.valvetrain = Valvetrain::overhead;
    g = friction_geometry(build, in);
    CHECK(g.main_bearings == 4);
    CHECK(g.cam_bearings == 8);
  }
  SECTION("inline six with pushrods") {
    build.cylinders = 6;
    build.layout = Layout::inline_row;
    g = friction_geometry(build, in);
    CHECK(g.main_bearings == 7);
    CHECK(g.cam_bearings == 7);
  }
  SECTION("three valves: lift is the mean over the valves") {
    build.intake_valves = 2;
    CHECK(friction_geometry(build, in).valve_lift_m == Approx((2 * 0.0110 + 0.0120) / 3));
  }
}

// Every part as a function of bore, stroke, compression, lift, speed and manifold pressure ratio.
template <class T>
FrictionParts<T> parts_of(const std::array<T, 6>& x, Valvetrain valvetrain, Tappet tappet) {
  Build build;
  build.valvetrain = valvetrain;
  build.tappet = tappet;
  Inputs<T> in;
  in.bore_m = x[0];
  in.stroke_m = x[1];
  in.compression_ratio = x[2];
  in.intake_valve_lift_m = x[3];
  in.exhaust_valve_lift_m = 1.1 * x[3];
  in.intake_lash_m = in.exhaust_lash_m = T(0.0005);
  return friction_parts_Pa(friction_geometry(build, in), x[4], x[5]);
}

TEST_CASE("Derivatives of friction", "[friction][closed-form]") {
  const std::array<double, 6> x{0.1016, 0.0884, 9.5, 0.0104, 800.0, 0.45};
  for (const Valvetrain valvetrain : {Valvetrain::pushrod, Valvetrain::overhead})
    for (const Tappet tappet : {Tappet::flat, Tappet::roller}) {
      const auto part = [&](auto member) {
        test::expect_derivatives_match(
            [&](const auto& y) { return member(parts_of(y, valvetrain, tappet)); }, x);
      };
      part([](const auto& p) { return p.crank; });
      part([](const auto& p) { return p.reciprocating; });
      part([](const auto& p) { return p.gas_load; });
      part([](const auto& p) { return p.valvetrain; });
      part([](const auto& p) { return p.auxiliaries; });
      part([](const auto& p) { return p.total(); });
    }
}

TEST_CASE("A dual manifold pressure over a plain geometry", "[friction][closed-form]") {
  using Dual = ceres::Jet<double, 1>;
  const auto plain_Pa = friction_parts_Pa(v8(), 800.0, 0.35);
  const auto dual_Pa = friction_parts_Pa(v8(), 800.0, Dual(0.35, 0));
  CHECK(dual_Pa.total().a == Approx(plain_Pa.total()).epsilon(1e-14));
  // The gas load is proportional to the ratio and nothing else knows it.
  CHECK(dual_Pa.total().v[0] == Approx(plain_Pa.gas_load / 0.35).epsilon(1e-13));
}

}  // namespace
}  // namespace idlefit
