#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "fit/points.h"
#include "profiles/points_file.h"

namespace idlefit {

/// Rows of points files as the fit takes them, and which row and reading each point came from.
struct FitPoints {
  PointSet set;
  struct Origin {
    std::size_t row = 0, reading = 0;
  };
  std::vector<Origin> origins;            ///< one a point
  std::vector<std::string> offset_names;  ///< one an offset of the set
  std::vector<std::string> car_names;     ///< one a car
};

/// Completes the rows' engines. What is assumed of engine and cam is one unknown for all rows of a
/// car; what is assumed of the idle (speed, spark, mixture, air) is each row's own. Throws
/// InputError naming the row whose engine no engine can be.
FitPoints fit_points(const std::vector<MeasuredRow>& rows);

}  // namespace idlefit
