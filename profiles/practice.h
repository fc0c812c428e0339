#pragma once

#include <optional>

#include "model/constants.h"
#include "profiles/engine_file.h"

namespace idlefit {

// What the trade assumes where a number is missing. Common practice, no source, throughout: means
// and standard deviations in crank degrees, rpm and ratios, conditional on one another. Every curve
// over duration is smooth, so that small differences between engines mean something.

/// A mean with its standard deviation.
struct Spread {
  double mean = 0, sd = 0;
};

/// Intake duration at 0.050 in (crank degrees) of a cam known only by a word.
Spread duration_of_word(EngineCard::Words word);
/// The same of a cam of which only an idle vacuum is known: between mild and street, wide.
Spread duration_of_unknown_cam();
/// Whether lifters of a kind run with lash.
bool is_solid(EngineCard::Lifter lifter);
/// Tappet lift (m) at which seat durations are counted. Solid lifters: 0.020 in, since what lies
/// below the lash never reaches the valve.
Spread seat_height_of(EngineCard::Lifter lifter);
/// Seat duration at that height less duration at 0.050 in (crank degrees).
Spread seat_gap_of(EngineCard::Lifter lifter, std::optional<EngineCard::Words> word);

/// Lobe separation (camshaft degrees) usual at an intake duration at 0.050 in (crank degrees).
Spread lobe_separation_at(double duration_050_deg);
/// Warm idle speed (rpm) usual in neutral at that duration and number of cylinders.
Spread idle_speed_at(double duration_050_deg, int cylinders);
/// The least warm idle speed (rpm) in neutral that is usual for that many cylinders, whatever the
/// cam: below it oil pressure, alternator and belt drives come to their ends. In gear and
/// with air conditioning it differs as below.
double least_idle_speed_rpm(int cylinders);
inline constexpr double kDriveSpeedDrop_rpm = 110.0;        ///< in gear; 75 to 150 rpm
inline constexpr double kAirConditioningRaise_rpm = 100.0;  ///< 50 to 150 rpm
/// Where idle spark may be put (crank degrees before top dead centre): of fixed ignition the
/// initial timing; of controlled ignition what leaves 8 deg of the usual 35 to the idle control.
struct SparkReach {
  double low_deg, high_deg;
};
SparkReach idle_spark_reach(EngineCard::Ignition ignition);
/// Spark at idle, all advance included (crank degrees before top dead centre).
Spread idle_spark_at(double duration_050_deg);
/// Mixture at idle (lambda).
Spread idle_lambda_at(double duration_050_deg);
/// Intake valve lift (m) usual at that duration, bore (m) and kind of valve train.
Spread valve_lift_at(double duration_050_deg, double bore_m, Valvetrain valvetrain,
                     int intake_valves);

/// Bore over stroke of an engine known only by its displacement.
Spread bore_over_stroke(int cylinders);

/// Valves of each kind in a cylinder with 2 to 5 of them.
struct ValveCount {
  int intake, exhaust;
};
ValveCount valve_count(int per_cylinder);
/// Valve head diameters as shares of the bore.
Spread intake_valve_share(int intake_valves);
Spread exhaust_valve_share(int exhaust_valves);

/// The lift that a lobe may have, m of tappet lift, and the rocker ratios behind it.
inline constexpr double kLobeLiftMin_m = 0.12 * kInch_m;
inline constexpr double kLobeLiftMax_m = 0.70 * kInch_m;

}  // namespace idlefit
