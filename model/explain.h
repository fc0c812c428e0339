#pragma once

#include <string>
#include <vector>

#include "model/coefficients.h"
#include "model/engine.h"

namespace idlefit {

/// What one thing costs in idle manifold pressure.
struct Contribution {
  enum class Part {
    overlap_backflow,  ///< exhaust running back through both open valves
    late_closing,      ///< charge pushed back after bottom dead centre
    friction,          ///< rubbing and engine auxiliaries
    accessories,       ///< alternator, fan, steering pump, compressor
    gear,              ///< converter held in gear
    altitude,          ///< the barometer below sea level's
    spark,             ///< spark away from the best for vacuum
  };
  Part part;
  std::string what;   ///< in plain words
  double map_Pa = 0;  ///< idle MAP less the MAP without it; negative where it lowers MAP
  bool known = true;  ///< false where the engine without it has no idle, or its solve failed
};

/// Where the kilopascals come from: each part taken away alone, the rest as it is. Parts do not add
/// up, for they act on one another; altitude may be negative (thinner air lowers MAP). Empty where
/// the engine itself has no balance.
std::vector<Contribution> explain_idle(const Engine& engine,
                                       const Coefficients<double>& coefficients);

/// Spark (crank degrees before top dead centre, 0 to 60) with the lowest idle MAP, to a quarter of
/// a degree, other things as given. Where none
/// is an idle, the best of the balances that burn too little for one; infinite without any.
struct BestSpark {
  double spark_btdc_deg = 0;
  double map_Pa = 0;
};
BestSpark best_idle_spark(const Engine& engine, const Coefficients<double>& coefficients);

}  // namespace idlefit
