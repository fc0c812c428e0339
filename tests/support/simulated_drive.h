#pragma once

#include <cstdint>
#include <string>

#include "profiles/baselines.h"
#include "profiles/log_file.h"
#include "profiles/shop_population.h"

namespace idlefit::test {

/// A drive of about ten minutes as a logger would have written it: idle, pulling away, cruise, full
/// load and overrun, in another order of speeds and pressures for each seed. The engine takes what
/// its own table says times one factor for the whole drive (injectors, fuel pressure: 3 % either
/// way); the controller follows what is missing within about a second, with a noise of 2 %, up to
/// 25 %, and rests on overrun; the pressure sensor is off by half a kPa either way.
struct SimulatedDrive {
  std::string csv;
  LogColumns columns;
  /// Baseline with the least load-weighted correction over what was driven, with no lag, noise or
  /// limit, of those that leave no more at idle than the controller can take; of all where none is.
  std::string right;
};

/// `loaded`: a profile of the set. All profiles must have tables.
SimulatedDrive simulate_drive(const ShopEngine& engine, const BaselineSet& set,
                              const BaselineProfile& loaded, std::uint32_t seed);

}  // namespace idlefit::test
