#include "profiles/start_error.h"

#include <cmath>
#include <cstddef>

#include "profiles/banding.h"
#include "profiles/predicted_table.h"

namespace idlefit {

std::optional<double> start_apart(const VeSurface& own, const OperatingPoint& idle,
                                  const BaselineProfile& baseline) {
  if (!baseline.ve || baseline.ve->density_at != DensityAt::charge) return std::nullopt;
  const VeGrid axes = grid_of(*baseline.ve);
  const auto columns = static_cast<Eigen::Index>(own.grid.map_Pa.size());
  Eigen::ArrayXd log_ve(own.ve.size());
  for (Eigen::Index cell = 0; cell < log_ve.size(); ++cell) {
    const double rpm = own.grid.speed_rpm[static_cast<std::size_t>(cell / columns)];
    const double map_Pa = own.grid.map_Pa[static_cast<std::size_t>(cell % columns)];
    log_ve[cell] = std::log(interpolate(axes, baseline.ve->ve, rpm, map_Pa));
  }
  return fuelling_error(band_engine(own, idle), log_ve).rms;
}

}  // namespace idlefit
