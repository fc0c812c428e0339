#pragma once

#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/engine_file.h"
#include "profiles/input_error.h"

namespace idlefit {

/// What was read on one car at one visit; an empty field was not read. SI but for crank degrees,
/// rpm, percent and counts. Manifold and barometric pressures are absolute, vacuum is below the
/// barometer, fuel and cranking pressures are gauge.
struct Visit {
  template <class T>
  using Maybe = std::optional<T>;
  enum class Look { not_done, clear, found };
  enum class Spray { not_done, all, some };
  enum class Tap { plenum, single_runner, ported };
  enum class Needle {
    steady,
    regular_drop,
    occasional_drop,
    fast_swing,
    growing_swing,
    slow_drift
  };
  enum class Advance { none, manifold, ported };

  std::string car;

  struct {
    Maybe<Look> fuel_leaks, wiring, exhaust_leaks;
    Maybe<Spray> injectors;
  } inspection;

  struct {
    Maybe<double> coolant_K, speed_rpm, speed_asked_rpm;
    Maybe<EngineCard::Gear> gear;
    Maybe<bool> fans, air_conditioning;
    Maybe<double> battery_V;
    Maybe<double> speed_air_conditioning_rpm, speed_in_gear_rpm;
  } idle;

  struct {
    Maybe<double> vacuum_Pa, map_Pa, barometer_Pa, key_on_map_Pa;
    Maybe<Tap> tap;
    Maybe<Needle> needle;
    Maybe<double> swing_Pa;  ///< from the highest to the lowest that the needle shows
    Maybe<double> vacuum_revved_Pa, snap_low_Pa, snap_high_Pa, map_at_1500_Pa;
  } manifold;

  struct {
    Maybe<bool> mark_verified;
    Maybe<double> base_deg, idle_deg, total_deg;
    Maybe<Advance> vacuum_advance;
  } spark;

  struct {
    Maybe<double> expected_Pa, reference_off_Pa, reference_on_Pa, revved_Pa;
    Maybe<bool> steady;  ///< with the reference off
    Maybe<double> flow_kg_s;
  } fuel;

  struct {
    Maybe<double> idle_air_counts, throttle_closed_V;
    Maybe<bool> throttle_recorded;  ///< again, after the stop was set
    Maybe<double> flow_kg_s;
  } air;

  struct {
    Maybe<double> lambda;
    Maybe<bool> closed_loop;
    Maybe<double> correction_percent, correction_at_1500_percent;
  } mixture;

  std::vector<double> cranking_Pa;  ///< one a cylinder

  /// Where each key that was given stood.
  std::map<std::string, InputError::Where, std::less<>> where;

  /// Station pressure: the barometer that was read, else the manifold sensor's before the start.
  Maybe<double> station_Pa() const {
    return manifold.barometer_Pa ? manifold.barometer_Pa : manifold.key_on_map_Pa;
  }
};

/// Readings of one pressure by two instruments may differ by this much (Pa) before one of them is
/// taken to be a mistake: one inch of mercury is twice what a gauge is good for. Chosen.
inline constexpr double kGaugesAgree_Pa = 3400.0;

/// Errors of readings, standard deviations, beside those of ReadingTrust.
inline constexpr double kMapReadingSd_Pa = 1000;  ///< a sensor's 1 % of its range; from memory
inline constexpr double kSparkReadingSd_deg = 1;  ///< a timing light on a moving mark; chosen
inline constexpr double kLambdaReadingSd = 0.02;  ///< a wideband sensor at idle; chosen
inline constexpr double kFlowReadingSd = 0.05;    ///< share of the flow; chosen

/// Reads a visit file. Throws InputError for what is not one, for values out of range or without
/// their unit, and for readings that contradict one another.
Visit read_visit(const std::string& path);
/// Reads the text of a visit file of this name; likewise.
Visit parse_visit(std::string_view text, const std::string& name);

/// A visit file with every key commented out, each with an invented reading and what it is. Taking
/// "# " from the front of each line that begins with it makes it one that can be read.
std::string visit_template();

/// A reading for a visit file: its dotted key, and the value as it stands in the file.
struct VisitEntry {
  std::string key, value;
};

/// The same file with some keys filled in, which are not commented out; `from` says in one line
/// where they come from.
std::string visit_template(const std::vector<VisitEntry>& filled, std::string_view from);

}  // namespace idlefit
