#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/visit_file.h"

namespace idlefit {

// The walk over an install, in the order that matters: each item with what must be right before it,
// its limit, how that limit is known, and what to do.

enum class WalkItem {
  fuel_leaks,
  wiring,
  injectors,
  exhaust_leaks,
  battery,
  coolant,
  map_sensor,
  tap,
  timing_mark,
  base_timing,
  vacuum_advance,
  total_timing,
  fuel_pressure,
  fuel_steady,
  fuel_revved,
  fuel_reference,
  loads,
  idle_air,
  throttle_closed,
  speed_asked,
  speed,
  air_conditioning_step,
  gear_step,
  needle,
  revved_vacuum,
  snap,
  correction,
  correction_fading,
  cranking
};

enum class WalkVerdict {
  pass,
  attend,
  not_measured,  ///< yet
  not_judged,    ///< an item that must pass before it did not, or was not measured
};

/// What the walk takes from the engine's estimate.
struct WalkExpectation {
  std::optional<double> speed_rpm;  ///< to start with, under the visit's loads
  double barometer_Pa = 0;          ///< of the visit, else of the engine file
  double cranking_low_Pa = 0, cranking_high_Pa = 0;
};

/// One row of the walk.
struct WalkRow {
  WalkItem item;
  std::string_view name;
  std::span<const WalkItem> needs;  ///< must pass before it
  std::string_view limit, basis;
  struct Seen {
    WalkVerdict verdict = WalkVerdict::not_measured;
    std::string reading;  ///< number and unit; empty where not measured
    std::string action;   ///< what to do where it is to be attended to; else empty
    std::string limit;    ///< where it depends on the engine
  };
  Seen (*see)(const Visit&, const WalkExpectation&);
};
std::span<const WalkRow> walk_rows();

/// A row as judged.
struct Walked {
  const WalkRow* row;
  WalkVerdict verdict;
  std::string reading, limit;
  std::string action;  ///< attend: what to do; not judged: what must come first; else empty
};

/// Judges every row in order.
std::vector<Walked> walk(const Visit& visit, const WalkExpectation& expected);

}  // namespace idlefit
