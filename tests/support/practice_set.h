#pragma once

#include "profiles/baselines.h"

namespace idlefit {

/// Four profiles with round edges, 42, 52, 64 and 80 kPa, for tests that reckon with them.
inline BaselineSet practice_set() {
  BaselineSet set;
  set.provisional = true;
  double from_kPa = 25;
  for (const auto& [name, to_kPa] :
       {std::pair{"deep", 42.0}, {"firm", 52.0}, {"soft", 64.0}, {"thin", 80.0}}) {
    set.profiles.push_back({.name = name, .map_from_kPa = from_kPa, .map_to_kPa = to_kPa});
    from_kPa = to_kPa;
  }
  return set;
}

}  // namespace idlefit
