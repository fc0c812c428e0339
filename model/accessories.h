#pragma once

#include "model/constants.h"

namespace idlefit {

// Shaft power of what hangs on the engine. These matter at idle: 1 kW on 5.7 L at 700 rpm is
// 30 kPa of mean effective pressure.

// --- From memory of common practice --------------------------------------------------------------

inline constexpr double kAlternatorVoltage_V = 14.3;
inline constexpr double kAlternatorEfficiency = 0.55;      // at idle speed, belt included
inline constexpr double kPowerSteeringStraight_W = 350.0;  // of 0.3 to 0.5 kW
inline constexpr double kAirConditioningIdle_W = 1500.0;   // of 1 to 3 kW

// --- Chosen --------------------------------------------------------------------------------------

// The belt-driven fan, from memory 0.2 to 0.8 kW and at idle the lower end of that.
inline constexpr double kBeltFanReference_W = 200.0;
inline constexpr double kBeltFanReference_rpm = 750.0;
inline constexpr double kBeltFanReference_m3 = 5.7e-3;

/// Shaft power (W) of an alternator at an output current (A, 0 to about 100 at idle):
/// current * 14.3 V / 0.55, so 20/40/60 A take 0.52/1.04/1.56 kW.
/// Source: the usual efficiency of a claw-pole alternator with its belt, from memory.
inline double alternator_power_W(double current_A) {
  return current_A * kAlternatorVoltage_V / kAlternatorEfficiency;
}

/// Shaft power (W) of a belt-driven cooling fan without a slipping clutch, at engine speed (rpm,
/// 400 to 1600) on an engine of this displacement (m^3): 0.2 kW (N / 750 rpm)^3 (V / 5.7 L).
/// The cube is the affinity law of fans; the rest is chosen: 0.2 kW at 750 rpm on 5.7 L lies at the
/// lower end of 0.2 to 0.8 kW (from memory), and the fan grows with the heat it must carry, thus
/// with displacement. A clutch fan takes less above idle.
inline double belt_fan_power_W(double speed_rpm, double displacement_m3) {
  const double speed_ratio = speed_rpm / kBeltFanReference_rpm;
  return kBeltFanReference_W * speed_ratio * speed_ratio * speed_ratio * displacement_m3 /
         kBeltFanReference_m3;
}

/// Shaft power (W) of a hydraulic steering pump at idle, wheels straight ahead: 350 W, of
/// 0.3 to 0.5 kW (from memory).
inline double power_steering_power_W() { return kPowerSteeringStraight_W; }

/// Shaft power (W) of an air-conditioning compressor, engaged at idle: 1500 W, of 1 to 3 kW (from
/// memory).
inline double air_conditioning_power_W() { return kAirConditioningIdle_W; }

/// Torque (N m) that a torque converter takes from an engine turning at speed_rpm with the car held
/// in gear: stall_torque (N / stall_speed)^2, the converter's capacity at zero speed ratio. The
/// stall speed (rpm) counts only with the torque (N m) at which it was rated.
/// Source: similarity of hydrodynamic couplings, torque ~ speed^2.
template <class T>
T converter_torque_Nm(const T& speed_rpm, double stall_speed_rpm, double stall_torque_Nm) {
  const T ratio = speed_rpm / stall_speed_rpm;
  return stall_torque_Nm * ratio * ratio;
}

/// Mean effective pressure (Pa) of a four-stroke engine for a shaft power (W) at a speed (rpm > 0),
/// displacement (m^3) of all cylinders: 120 P / (N V).
template <class T>
T mep_from_power_Pa(const T& power_W, const T& speed_rpm, const T& displacement_m3) {
  return 120.0 * power_W / (speed_rpm * displacement_m3);
}

/// Mean effective pressure (Pa) of a four-stroke engine for a shaft torque (N m), displacement
/// (m^3) of all cylinders: 4 pi M / V.
template <class T>
T mep_from_torque_Pa(const T& torque_Nm, const T& displacement_m3) {
  return 4.0 * kPi * torque_Nm / displacement_m3;
}

}  // namespace idlefit
