#pragma once

// Physical constants and unit conversions, grouped by how they are known. The one place where a
// unit factor may stand.

namespace idlefit {

// --- Defined exactly -----------------------------------------------------------------------------

inline constexpr double kPi = 3.14159265358979323846;
inline constexpr double kDegree = kPi / 180.0;                 // rad per degree
inline constexpr double kInch_m = 0.0254;                      // international inch
inline constexpr double kPoundForceFoot_Nm = 1.3558179483314;  // lbf.ft
inline constexpr double kPound_kg = 0.45359237;                // avoirdupois
inline constexpr double kHorsepower_W = 745.69987158227;       // 550 ft lbf/s
inline constexpr double kPsi_Pa = 6894.757293168;              // pound-force per square inch
inline constexpr double kHour_s = 3600.0;
inline constexpr double kStandardAtmosphere_Pa = 101325.0;  // ISO 2533
inline constexpr double kStandardTemperature_K = 288.15;    // ISO 2533, sea level
inline constexpr double kZeroCelsius_K = 273.15;

// --- By convention -------------------------------------------------------------------------------

inline constexpr double kInchMercury_Pa = 3386.39;  // 1 inHg at 0 degC, as gauges are marked
inline constexpr double kGaugeAfr = 14.7;           // an "AFR" display is lambda times this

// --- Measured, with source -----------------------------------------------------------------------

inline constexpr double kAirGasConstant_J_kgK = 287.05;  // ISO 2533

}  // namespace idlefit
