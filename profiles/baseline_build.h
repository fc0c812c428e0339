#pragma once

#include <cstddef>
#include <vector>

#include "model/batch.h"
#include "model/knowledge.h"
#include "profiles/banding.h"
#include "profiles/baselines.h"

namespace idlefit {

// The set of baselines that comes with the program, computed: docs/baselines.md.

/// Bands of one number and what they come to.
struct BandChoice {
  std::vector<double> edges_kPa;       ///< between them
  FuellingFigures own, second, drawn;  ///< the engines they were chosen on; another draw of
                                       ///< engines; one with coefficients drawn from what is
                                       ///< known of them
};

struct BaselineBuild {
  BaselineSet set;
  std::vector<BandChoice> by_bands;  ///< of 1, 2, ... bands
  std::size_t engines = 0;           ///< in each of the three draws
};

inline constexpr std::size_t kShippedEngines = 100;
inline constexpr std::size_t kMostBands = 8;

/// Draws the populations, places edges on whole kPa by dynamic programming over their engines in
/// the order of idle MAP, and fills the set of four bands, `deep` to `thin`. `engines` at least 40.
/// The same on any number of threads.
BaselineBuild build_baselines(const CoefficientKnowledge& knowledge,
                              std::size_t engines = kShippedEngines,
                              unsigned threads = default_threads());

}  // namespace idlefit
