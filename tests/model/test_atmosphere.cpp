#include "model/atmosphere.h"

#include <catch2/catch.hpp>
#include <utility>

namespace idlefit {
namespace {

// ISO 2533:1975 / US Standard Atmosphere 1976, geopotential altitudes. The last two rows are from
// memory of the same table.
constexpr std::pair<double, double> kTable[] = {{0.0, 101325.0},   {1000.0, 89874.6},
                                                {2000.0, 79495.2}, {3000.0, 70108.5},
                                                {5000.0, 54019.9}, {11000.0, 22632.06}};

TEST_CASE("Standard atmosphere meets its table in both directions", "[atmosphere][published]") {
  for (const auto& [altitude_m, pressure_Pa] : kTable) {
    CAPTURE(altitude_m);
    // Half of the table's last digit, 0.05 Pa, plus what the exponent's rounding to 5.25588 makes:
    // the pressure changes by 2.6e-8 relative for each 1e-7 of the exponent at 11 km.
    CHECK(std::abs(pressure_at_altitude_Pa(altitude_m) - pressure_Pa) <= 0.1);
    // 0.1 Pa is at most 0.03 m there.
    CHECK(std::abs(altitude_at_pressure_m(pressure_Pa) - altitude_m) <= 0.03);
  }
}

TEST_CASE("Altitude and pressure are inverse to rounding", "[atmosphere][closed-form]") {
  for (double altitude_m = -500.0; altitude_m <= 5000.0; altitude_m += 137.0)
    CHECK(altitude_at_pressure_m(pressure_at_altitude_Pa(altitude_m)) ==
          Approx(altitude_m).margin(1e-7).epsilon(0));  // micrometres: rounding only
}

TEST_CASE("The barometer falls about an inch of mercury per thousand feet", "[atmosphere][trade]") {
  // Common practice, no source, a rule for the first few thousand feet: within a tenth or two.
  for (int thousand_feet = 1; thousand_feet <= 5; ++thousand_feet) {
    const double altitude_m = thousand_feet * 1000.0 * 12.0 * kInch_m;
    const double fall_inHg =
        (kStandardAtmosphere_Pa - pressure_at_altitude_Pa(altitude_m)) / kInchMercury_Pa;
    CHECK(fall_inHg / thousand_feet == Approx(1.0).margin(0.15));
  }
}

}  // namespace
}  // namespace idlefit
