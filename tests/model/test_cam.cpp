#include "model/cam.h"

#include <catch2/catch.hpp>

#include "model/valve.h"
#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

void check_events(const CamEvents<double>& e, double ivo_btdc_deg, double ivc_abdc_deg,
                  double evo_bbdc_deg, double evc_atdc_deg, double overlap_deg) {
  // Sums and halves of whole degrees: exact in floating point.
  CHECK(e.ivo_btdc_deg == ivo_btdc_deg);
  CHECK(e.ivc_abdc_deg == ivc_abdc_deg);
  CHECK(e.evo_bbdc_deg == evo_bbdc_deg);
  CHECK(e.evc_atdc_deg == evc_atdc_deg);
  CHECK(e.overlap_deg == overlap_deg);
}

TEST_CASE("Valve events of published cam cards", "[cam][published]") {
  // Worked examples on cam makers' public cards and pages; makers' names left out.
  SECTION("268/280, lobe separation 110, centreline 106") {
    check_events(cam_events(268.0, 280.0, 110.0, 106.0), 28.0, 60.0, 74.0, 26.0, 54.0);
  }
  SECTION("294/306, lobe separation 110, centreline 106") {
    check_events(cam_events(294.0, 306.0, 110.0, 106.0), 41.0, 73.0, 87.0, 39.0, 80.0);
  }
  SECTION("events 25-55-55-25: 260/260, lobe separation 105, overlap 50") {
    check_events(cam_events(260.0, 260.0, 105.0, 105.0), 25.0, 55.0, 55.0, 25.0, 50.0);
  }
  SECTION("events 20-60-60-20: lobe separation 110, centreline 110, overlap 40") {
    check_events(cam_events(260.0, 260.0, 110.0, 110.0), 20.0, 60.0, 60.0, 20.0, 40.0);
  }
  SECTION("the same, advanced 5 degrees: 25-55-65-15") {
    check_events(cam_events(260.0, 260.0, 110.0, 105.0), 25.0, 55.0, 65.0, 15.0, 40.0);
  }
  SECTION("intake opens 6, closes 42, exhaust closes 12: 228, centreline 108, overlap 18") {
    // The card gives no exhaust duration: any exhaust lobe that closes at 12 will do.
    const auto e = cam_events(228.0, 228.0, 105.0, 108.0);
    CHECK(e.ivo_btdc_deg == 6.0);
    CHECK(e.ivc_abdc_deg == 42.0);
    CHECK(e.evc_atdc_deg == 12.0);
    CHECK(e.overlap_deg == 18.0);
  }
  SECTION("252/258, lobe separation 108, 4 degrees advanced: intake opens 22, closes 50") {
    const auto e = cam_events(252.0, 258.0, 108.0, 104.0);
    CHECK(e.ivo_btdc_deg == 22.0);
    CHECK(e.ivc_abdc_deg == 50.0);
  }
  SECTION("230/236 at lobe separation 101, 107, 113: overlap 31, 19, 7") {
    CHECK(cam_events(230.0, 236.0, 101.0, 101.0).overlap_deg == 31.0);
    CHECK(cam_events(230.0, 236.0, 107.0, 103.0).overlap_deg == 19.0);
    CHECK(cam_events(230.0, 236.0, 113.0, 109.0).overlap_deg == 7.0);
  }
}

TEST_CASE("Overlap is signed and does not move with advance", "[cam][closed-form]") {
  // (Di + De)/2 - 2 LSA: 194/204 at lobe separation 112 is 199 - 224 = -25.
  for (double centerline_deg = 100.0; centerline_deg <= 118.0; centerline_deg += 3.0)
    CHECK(cam_events(194.0, 204.0, 112.0, centerline_deg).overlap_deg == -25.0);
}

struct LobeCase {
  double duration_seat_deg, duration_050_deg, lift_in, power, half_duration_deg;
};
// The two equations of the lobe law solved by hand to the digits given.
constexpr LobeCase kLobes[] = {{268.0, 214.0, 0.277, 2.42, 150.4},
                               {272.0, 194.0, 0.260, 6.54, 205.5}};
constexpr double kSeatHeight_m = 0.006 * kInch_m;

TEST_CASE("Lobe power of a street cam and of a factory cam", "[cam][closed-form]") {
  for (const LobeCase& c : kLobes) {
    CAPTURE(c.duration_seat_deg);
    const LobePower found =
        lobe_power(c.duration_050_deg, c.duration_seat_deg, c.lift_in * kInch_m, kSeatHeight_m);
    CHECK(found.met);
    // The last digit given, cut rather than rounded in the first case.
    CHECK(std::abs(found.power - c.power) <= 0.01);
    const Lobe<double> lobe =
        make_lobe(c.duration_050_deg, c.duration_seat_deg, c.lift_in * kInch_m, kSeatHeight_m);
    CHECK(std::abs(lobe.half_duration_deg - c.half_duration_deg) <= 0.05);
  }
}

double tappet_lift_m(const Lobe<double>& lobe, double angle_deg) {
  const double x = angle_deg / lobe.half_duration_deg;
  return lobe.lift_m * std::pow(1.0 - x * x, lobe.power);
}

TEST_CASE("A lobe has the stated heights at the stated durations", "[cam][closed-form]") {
  for (const double duration_050_deg : {180.0, 214.0, 240.0, 280.0})
    for (const double gap_deg : {36.0, 45.0, 54.0, 66.0, 74.0})
      for (const double lift_in : {0.22, 0.28, 0.40})
        for (const double seat_in : {0.004, 0.006, 0.008, 0.020, 1.0 / 25.4}) {
          const double lift_m = lift_in * kInch_m, seat_m = seat_in * kInch_m;
          const LobePower found =
              lobe_power(duration_050_deg, duration_050_deg + gap_deg, lift_m, seat_m);
          if (!found.met) continue;  // counted below
          CAPTURE(duration_050_deg, gap_deg, lift_in, seat_in, found.power);
          CHECK(found.power >= kLobePowerMin);
          CHECK(found.power <= kLobePowerMax);
          const Lobe<double> lobe =
              make_lobe(duration_050_deg, duration_050_deg + gap_deg, lift_m, seat_m);
          // Rounding of the power's iteration: 1e-11 degrees of gap.
          CHECK(tappet_lift_m(lobe, 0.0) == Approx(lift_m).epsilon(1e-14));
          CHECK(tappet_lift_m(lobe, duration_050_deg / 2.0) ==
                Approx(kDurationHeight_m).epsilon(1e-9));
          CHECK(tappet_lift_m(lobe, (duration_050_deg + gap_deg) / 2.0) ==
                Approx(seat_m).epsilon(1e-9));
        }
}

TEST_CASE("The lobe law covers seat gaps of 36 to 78 degrees", "[cam][trade]") {
  // Common practice, no source: hydraulic cams show 45 to 60 degrees between the duration at 0.006
  // and at 0.050 in, factory cams 60 to 80, solid ones 35 to 45. Usual lobe lifts.
  for (const double duration_050_deg : {195.0, 214.0, 240.0})
    for (double gap_deg = 37.0; gap_deg <= 78.0; gap_deg += 1.0) {
      CAPTURE(duration_050_deg, gap_deg);
      // A gap as short as 37 belongs to a solid cam, 78 to a mild factory one.
      if (duration_050_deg == 240.0 && gap_deg < 42.0) continue;
      CHECK(lobe_power(duration_050_deg, duration_050_deg + gap_deg, 0.28 * kInch_m, kSeatHeight_m)
                .met);
    }
}

TEST_CASE("Durations that no smooth lobe meets are refused", "[cam][closed-form]") {
  const double lift_m = 0.28 * kInch_m;
  // The gaps of the two limits, from the law itself.
  const double least = seat_gap_deg(kLobePowerMin, 214.0, lift_m, kSeatHeight_m);
  const double most = seat_gap_deg(kLobePowerMax, 214.0, lift_m, kSeatHeight_m);
  CHECK(lobe_power(214.0, 214.0 + least + 0.01, lift_m, kSeatHeight_m).met);
  CHECK(lobe_power(214.0, 214.0 + most - 0.01, lift_m, kSeatHeight_m).met);
  const LobePower short_gap = lobe_power(214.0, 214.0 + least - 0.01, lift_m, kSeatHeight_m);
  CHECK_FALSE(short_gap.met);
  CHECK(short_gap.power == kLobePowerMin);
  const LobePower long_gap = lobe_power(214.0, 214.0 + most + 0.01, lift_m, kSeatHeight_m);
  CHECK_FALSE(long_gap.met);
  CHECK(long_gap.power == kLobePowerMax);
  CHECK_FALSE(lobe_power(214.0, 210.0, lift_m, kSeatHeight_m).met);
}

TEST_CASE("The seat gap rises with the power", "[cam][closed-form]") {
  double last = 0.0;
  for (double power = kLobePowerMin; power <= kLobePowerMax; power += 0.25) {
    const double gap = seat_gap_deg(power, 214.0, 0.28 * kInch_m, kSeatHeight_m);
    CHECK(gap > last);
    last = gap;
  }
}

TEST_CASE("Derivatives of the valve events", "[cam][closed-form]") {
  const auto law = [](auto member) {
    test::expect_derivatives_match<4>(
        [member](const auto& x) { return member(cam_events(x[0], x[1], x[2], x[3])); },
        {268.0, 280.0, 110.0, 106.0});
  };
  law([](const auto& e) { return e.ivo_btdc_deg; });
  law([](const auto& e) { return e.ivc_abdc_deg; });
  law([](const auto& e) { return e.evo_bbdc_deg; });
  law([](const auto& e) { return e.evc_atdc_deg; });
  law([](const auto& e) { return e.overlap_deg; });
}

TEST_CASE("Derivatives of a lobe to durations, lift and seat height", "[cam][closed-form]") {
  const auto power = [](const auto& x) { return make_lobe(x[0], x[1], x[2], x[3]).power; };
  const auto half = [](const auto& x) {
    return make_lobe(x[0], x[1], x[2], x[3]).half_duration_deg;
  };
  // The power is found by iteration to 1e-11 degrees of gap, which a finite step of a tenth of a
  // degree turns into 1e-9 or so of the derivative: hence 1e-6.
  const auto both = [&](std::array<double, 4> x) {
    test::expect_derivatives_match(power, x, 1e-6, 3e-4);
    test::expect_derivatives_match(half, x, 1e-6, 3e-4);
  };
  both({214.0, 268.0, 0.277 * kInch_m, kSeatHeight_m});
  both({194.0, 272.0, 0.260 * kInch_m, kSeatHeight_m});
  both({244.0, 282.0, 0.360 * kInch_m, 0.020 * kInch_m});
  // Where no smooth lobe meets the seat duration, the duration at 0.050 in alone is kept.
  both({214.0, 240.0, 0.277 * kInch_m, kSeatHeight_m});
  both({214.0, 320.0, 0.277 * kInch_m, kSeatHeight_m});
}

}  // namespace
}  // namespace idlefit
