#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "model/starting.h"
#include "profiles/engine_file.h"
#include "profiles/practice.h"

namespace idlefit {

/// An idle speed to start with.
struct IdleSpeed {
  double usual_rpm = 0;               ///< by common practice for the cam
  std::optional<SteadySpeed> steady;  ///< the lowest with enough of the fuel burning, if any has it
  /// The higher of the two, in steps of kIdleSpeedStep_rpm; none where no speed is steady.
  std::optional<double> advised_rpm() const;
};

/// What to start one engine with, and what its installation must bear.
struct StartingValues {
  IdleSpeed neutral, in_gear, air_conditioning;
  double usual_speed_sd_rpm = 0;

  std::optional<IdleSpark> spark;
  SparkReach spark_reach{};
  bool spark_controlled = false;
  bool ignition_given = false;

  /// The engine held in gear at the local barometer; empty where it has no idle there.
  std::optional<OperatingPoint> held_in_gear;
  double in_gear_speed_rpm = 0;     ///< the speed advised, or the one given in gear
  std::optional<double> given_rpm;  ///< the idle speed that the card gives

  std::optional<PeakFlow> peak;
  double peak_fuel_kg_s = 0, peak_power_W = 0;
  std::optional<double> injector_flow_kg_s;  ///< each, at the system's pressure, where given
  std::optional<double> injector_wanted_kg_s;
  double pump_wanted_m3_s = 0;

  double intake_closing_abdc_deg = 0, effective_compression = 0;
  double cranking_Pa = 0, cranking_low_Pa = 0, cranking_high_Pa = 0;  ///< gauge

  EngineCard::Install install;
  double compression_ratio = 0;
  bool boosted = false;  ///< or nitrous: the peak is that of the engine without
};

/// Works them out for an engine as completed and, where a vacuum was read, as the reading moved it.
StartingValues starting_values(const EngineCard& card, const Engine& engine,
                               const Coefficients<double>& coefficients);

/// Lines for a person, each labelled over `label_width` columns.
std::string starting_text(const StartingValues& start, std::size_t label_width);
/// The value of the key "start" of an estimate.
nlohmann::ordered_json starting_json(const StartingValues& start);

/// What a vacuum means for a brake booster, as the end of "12.3 inHg ...".
std::string_view booster_words(Booster booster);

}  // namespace idlefit
