#pragma once

#include <Eigen/Core>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "model/engine.h"
#include "profiles/input_error.h"

namespace idlefit {

/// What a customer, a cam card and an engine file say; an empty field is unknown. SI but for crank
/// degrees, rpm and counts. Every field holds what was said and nothing assumed.
struct EngineCard {
  template <class T>
  using Maybe = std::optional<T>;
  struct Pair {
    Maybe<double> intake, exhaust;
  };
  enum class Words { stock, towing, mild, street, lopey, race };
  enum class Manifold { dual_plane, single_plane, individual_runner };
  enum class Induction { natural, boosted };
  enum class Gear { neutral, drive };
  enum class Fan { none, belt, electric };
  enum class Ignition { fixed, controlled };
  enum class Lifter { hydraulic_flat, hydraulic_roller, solid_flat, solid_roller };

  std::string name;
  int cylinders = 0;
  Maybe<Layout> layout;
  Maybe<double> bore_m, stroke_m, displacement_m3, rod_length_m, compression_ratio;
  Maybe<int> valves_per_cylinder;
  Maybe<double> intake_valve_diameter_m, exhaust_valve_diameter_m;
  Maybe<Valvetrain> valvetrain;
  Maybe<Fuel> fuel;
  Maybe<Induction> induction;
  Maybe<bool> nitrous;
  Maybe<Manifold> manifold;
  Maybe<Exhaust> exhaust;

  Pair duration_050_deg, duration_seat_deg, valve_lift_m, rocker_ratio, lash_m;
  Maybe<double> seat_height_m, lobe_separation_deg, intake_centerline_deg;
  Maybe<Lifter> lifter;
  Maybe<Words> described_as;

  Maybe<double> speed_rpm, spark_btdc_deg, lambda, altitude_m, barometer_Pa, intake_air_K;
  Maybe<Gear> gear;
  Maybe<double> stall_speed_rpm, stall_torque_Nm;
  Maybe<double> alternator_A;
  Maybe<Fan> fan;
  Maybe<bool> air_conditioning, power_steering;

  struct Install {
    Maybe<Ignition> ignition;
    Maybe<int> injectors;
    Maybe<double> injector_flow_kg_s, fuel_pressure_Pa, pump_flow_m3_s;
  } install;

  struct Known {
    Maybe<double> vacuum_Pa, speed_rpm, spark_btdc_deg, altitude_m, barometer_Pa;
    Maybe<Gear> gear;
  } known;

  /// Where each key that was given stood, for messages that come later.
  std::map<std::string, InputError::Where> where;
  /// Warnings from reading (catalogue numbers that hardly agree, and the like).
  std::vector<std::string> warnings;
};

/// Reads an engine file (path "" for none) and then the `--set key=value` overrides in order.
/// Throws InputError; on return the card is complete enough to estimate from, and every given value
/// has been checked for range and against the others.
EngineCard read_engine_card(const std::string& path, const std::vector<std::string>& sets);

/// Reads the text of an engine file of this name; every value is checked for range, but whether
/// they agree and are enough is left to check_card. Throws InputError.
EngineCard parse_engine_card(std::string_view text, const std::string& name);

/// The card as an engine file again: what was said, nothing assumed, in the trade's units.
std::string write_engine_card(const EngineCard& card);

/// One value that the card did not give.
struct Assumption {
  std::string key;   ///< as in the engine file, e.g. "cam.duration_seat.intake"
  double value = 0;  ///< in `unit`
  std::string unit;  ///< a trade unit: deg, in, rpm, lambda, ft, degF, A, W, lbf.ft, "" for a ratio
  double sd = 0;     ///< standard deviation of the value, all that it depends on included
  std::string basis;  ///< plain words: from what it was assumed
  std::string word;   ///< for a key that is a word (engine.layout): the word; value and sd are 0
};

/// The same engine as the reading in the section `known` found it.
struct KnownPoint {
  Engine engine;                     ///< at latent values 0
  double map_Pa = 0;                 ///< barometer less the vacuum read
  Eigen::MatrixXd input_per_latent;  ///< as Completion::input_per_latent, same latent variables
};

/// The engine the physics gets, with what was assumed to get there.
///
/// Unknowns are independent standard-normal numbers, one per thing not known (the latent
/// variables): completion is a plain function of card and latent values, so assumptions that hang
/// together (duration, then lobe separation, idle speed and spark given it) move together.
struct Completion {
  Engine engine;
  std::vector<std::string> latent_keys;  ///< which key each latent variable stands for
  /// Every key not given, at latent values 0; and the shaft power of the accessories in W, under
  /// their keys, for those that run: that one is fitted may be given, what it takes is not.
  std::vector<Assumption> assumed;
  /// d inputs / d latent, kInputCount x latent count, by central differences over completion.
  Eigen::MatrixXd input_per_latent;
  std::optional<KnownPoint> known;    ///< where the card has known.vacuum
  std::vector<std::string> warnings;  ///< beyond those of the card
};

/// Completes a card. Throws InputError where what was given cannot be met by any engine (no lobe
/// meets the durations and lift).
Completion complete(const EngineCard& card);

/// The engine at given latent values (standard-normal deviates, in the order of latent_keys).
/// Values are clamped to what an engine can be.
Engine complete_at(const EngineCard& card, const Eigen::VectorXd& latent);

/// The same engine under the conditions of the reading in `known`: its speed, spark, gear and
/// barometer, as far as they are given, else those of the idle (speed corrected for the gear).
Engine known_engine_at(const EngineCard& card, const Eigen::VectorXd& latent);

}  // namespace idlefit
