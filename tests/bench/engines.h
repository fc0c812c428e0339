#pragma once

#include <algorithm>
#include <cstddef>
#include <utility>
#include <vector>

#include "model/engine.h"

namespace idlefit::bench {

/// Those of docs/examples, in the order of their names.
std::vector<Engine> example_engines();

/// Drawn independently over wide ranges, so that many of them would never be built and some have no
/// idle: 3 to 8 cylinders, 1 to 9 L, compression 7.5 to 13, intake duration at 0.050 in 180 to 280
/// degrees, lobe separation 102 to 120, 500 to 1400 rpm, 0 to 3500 m. The same each time, and not
/// those that the steps of the solve were set on.
std::vector<Engine> random_engines(int count);

/// The value that this share of the values lies below.
inline double quantile(std::vector<double> values, double share) {
  const auto at = static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1) + 0.5);
  std::nth_element(values.begin(), values.begin() + at, values.end());
  return values[static_cast<std::size_t>(at)];
}
inline double median(std::vector<double> values) { return quantile(std::move(values), 0.5); }

}  // namespace idlefit::bench
