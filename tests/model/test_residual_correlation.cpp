#include <catch2/catch.hpp>
#include <cmath>

#include "tests/reference/residual_correlation.h"

namespace idlefit {
namespace {

TEST_CASE("Overlap factor of the residual correlation", "[reference][closed-form]") {
  // The published equation worked by hand for B 86, L 9, D_v 32 mm; half of the last digit.
  const auto factor = [](double overlap_deg) {
    return reference::overlap_factor_deg_m(0.086, 0.009, 0.032, overlap_deg);
  };
  CHECK(std::abs(factor(0.0) - 0.0703) <= 5.1e-5);
  CHECK(std::abs(factor(10.0) - 0.1871) <= 5.1e-5);
  CHECK(std::abs(factor(20.0) - 0.4353) <= 5.1e-5);
  CHECK(std::abs(factor(30.0) - 0.8148) <= 5.1e-5);
  CHECK(std::abs(factor(40.0) - 1.3256) <= 5.1e-5);
  CHECK(factor(-15.0) == factor(0.0));
}

TEST_CASE("Residual fraction of the correlation", "[reference][closed-form]") {
  // The published equation worked by hand; half of the last digit given.
  CHECK(std::abs(reference::residual_fraction(0.5, 13.333 * 60.0, 0.35e5, 1e5, 1.0, 9.5) -
                 0.2401) <= 5.1e-5);
  CHECK(std::abs(reference::residual_fraction(1.0, 16.667 * 60.0, 0.40e5, 1e5, 1.0, 9.5) -
                 0.2616) <= 5.1e-5);
  // Without pressure difference and overlap only the clearance volume's share is left.
  CHECK(reference::residual_fraction(0.5, 800.0, 1e5, 1e5, 1.0, 10.0) ==
        Approx(0.0632).epsilon(1e-12));
}

TEST_CASE("Overlap between 0.15 mm valve lifts is the valve's own, play and lash taken off",
          "[reference][closed-form]") {
  Inputs<double> in;
  in.bore_m = 0.1016;
  in.intake_valve_diameter_m = 0.049;
  in.exhaust_valve_diameter_m = 0.038;
  in.intake_duration_050_deg = in.exhaust_duration_050_deg = 214.0;
  in.intake_duration_seat_deg = in.exhaust_duration_seat_deg = 268.0;
  in.intake_rocker_ratio = in.exhaust_rocker_ratio = 1.5;
  in.intake_valve_lift_m = in.exhaust_valve_lift_m = 0.277 * 1.5 * kInch_m;
  in.seat_height_m = 0.006 * kInch_m;
  in.lobe_separation_deg = in.intake_centerline_deg = 112.0;

  // The valve stands at 0.15 mm where x^2/(x + p) = 0.15 mm/1.5 for the tappet's lift x beyond the
  // play p. At a seat height of exactly that tappet lift the overlap is the seat durations' own,
  // 268 - 224 = 44 degrees.
  const double valve_over_ratio_m = 0.15e-3 / 1.5;
  const double beyond_m =
      0.5 * (valve_over_ratio_m + std::sqrt(valve_over_ratio_m * valve_over_ratio_m +
                                            4.0 * valve_over_ratio_m * kTakeUp_m));
  in.seat_height_m = beyond_m + kTakeUp_m;
  const double without_lash_deg = reference::overlap_deg(in);
  CHECK(without_lash_deg == Approx(44.0).epsilon(1e-9));
  // Lash of 0.15 mm at the valve is 0.1 mm more of tappet lift to the same valve lift.
  in.intake_lash_m = in.exhaust_lash_m = 0.15e-3;
  CHECK(reference::overlap_deg(in) < without_lash_deg);
  in.seat_height_m += 0.1e-3;
  CHECK(reference::overlap_deg(in) == Approx(44.0).epsilon(1e-9));
  in.intake_lash_m = in.exhaust_lash_m = 0.0;
  in.seat_height_m -= 0.1e-3;

  // By hand, 1.45/101.6 (107 + 7.8*44 + 44^2) 10.5537 mm * (49 + 38)/2 mm / 101.6^2 = 1.51456
  // deg/m.
  CHECK(reference::overlap_factor_deg_m(in) == Approx(1.51456).epsilon(1e-5));
}

}  // namespace
}  // namespace idlefit
