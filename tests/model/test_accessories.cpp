#include "model/accessories.h"

#include <catch2/catch.hpp>

#include "tests/support/derivatives.h"

namespace idlefit {
namespace {

TEST_CASE("Mean effective pressure of a power and of a torque", "[accessories][closed-form]") {
  // 1 kW on 5.7 L at 700 rpm: 120 * 1000 / (700 * 0.0057) = 30075.19 Pa, by hand.
  CHECK(mep_from_power_Pa(1000.0, 700.0, 5.7e-3) == Approx(30075.188).epsilon(1e-7));
  // Four-stroke: the work of a torque over two turns, 4 pi M, over the displacement.
  // 43 N m on 5.7 L: 4 * 3.14159265 * 43 / 0.0057 = 94798.94 Pa, by hand.
  CHECK(mep_from_torque_Pa(43.0, 5.7e-3) == Approx(94798.94).epsilon(1e-7));
  // Both say the same of one shaft: P = 2 pi (N / 60) M.
  const double torque_Nm = 37.0, speed_rpm = 830.0, displacement_m3 = 2.3e-3;
  const double power_W = 2.0 * kPi * speed_rpm / 60.0 * torque_Nm;
  CHECK(mep_from_power_Pa(power_W, speed_rpm, displacement_m3) ==
        Approx(mep_from_torque_Pa(torque_Nm, displacement_m3)).epsilon(1e-13));
}

TEST_CASE("Alternator power at the shaft", "[accessories][trade]") {
  // From memory of common practice: 20/40/60 A at 14.3 V and 55 % take 0.52/1.04/1.56 kW; the
  // tolerance is half of the last digit given.
  CHECK(std::abs(alternator_power_W(20.0) - 520.0) <= 5.0);
  CHECK(std::abs(alternator_power_W(40.0) - 1040.0) <= 5.0);
  CHECK(std::abs(alternator_power_W(60.0) - 1560.0) <= 5.0);
  CHECK(alternator_power_W(0.0) == 0.0);
}

TEST_CASE("Fan, steering pump and compressor lie in their usual ranges at idle",
          "[accessories][trade]") {
  // From memory of common practice: belt fan 0.2 to 0.8 kW, steering pump straight ahead 0.3 to
  // 0.5 kW, air-conditioning compressor 1 to 3 kW.
  CHECK(belt_fan_power_W(750.0, 5.7e-3) >= 200.0 * (1.0 - 1e-12));
  CHECK(belt_fan_power_W(1000.0, 5.7e-3) <= 800.0);
  CHECK(power_steering_power_W() >= 300.0);
  CHECK(power_steering_power_W() <= 500.0);
  CHECK(air_conditioning_power_W() >= 1000.0);
  CHECK(air_conditioning_power_W() <= 3000.0);
}

TEST_CASE("A fan follows the cube of speed", "[accessories][closed-form]") {
  // Affinity law of fans: twice the speed, eight times the power.
  CHECK(belt_fan_power_W(1400.0, 4e-3) ==
        Approx(8.0 * belt_fan_power_W(700.0, 4e-3)).epsilon(1e-13));
  // Chosen: proportional to displacement.
  CHECK(belt_fan_power_W(700.0, 6e-3) ==
        Approx(1.5 * belt_fan_power_W(700.0, 4e-3)).epsilon(1e-13));
}

TEST_CASE("Converter in gear", "[accessories][closed-form]") {
  // A 2000 rpm stall rated at 407 N m takes 407 (650/2000)^2 = 42.99 N m and 2.93 kW at 650 rpm,
  // by hand.
  const double torque_Nm = converter_torque_Nm(650.0, 2000.0, 407.0);
  CHECK(torque_Nm == Approx(42.989375).epsilon(1e-9));
  CHECK(torque_Nm * 2.0 * kPi * 650.0 / 60.0 == Approx(2926.2).epsilon(1e-4));
  CHECK(converter_torque_Nm(2000.0, 2000.0, 407.0) == Approx(407.0).epsilon(1e-13));
}

TEST_CASE("Derivatives of the accessory laws", "[accessories][closed-form]") {
  test::expect_derivatives_match<1>(
      [](const auto& x) { return converter_torque_Nm(x[0], 2000.0, 407.0); }, {650.0});
  test::expect_derivatives_match<3>(
      [](const auto& x) { return mep_from_power_Pa(x[0], x[1], x[2]); }, {1500.0, 700.0, 5.7e-3});
  test::expect_derivatives_match<2>([](const auto& x) { return mep_from_torque_Pa(x[0], x[1]); },
                                    {43.0, 5.7e-3});
}

}  // namespace
}  // namespace idlefit
