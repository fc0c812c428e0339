#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "model/batch.h"
#include "model/coefficients.h"
#include "model/engine.h"

namespace idlefit {

// Volumetric efficiency (VE) over speed and manifold pressure (MAP), by the cycle that predicts the
// idle: no second model.

/// Axes of a table, each rising; two or more values each.
struct VeGrid {
  std::vector<double> speed_rpm, map_Pa;
};

/// 16 speeds from 500 to 7000 rpm by 16 pressures from 20 to 105 kPa, spaced so that a value read
/// between four cells is right: docs/decisions/0009-ve-surface.md.
const VeGrid& standard_ve_grid();

/// The share of the full advance and of the cruise mixture that an engine has got at a speed: none
/// at its idle and below, all from this one on (common practice, no source, as all that follows).
inline constexpr double kFullAdvance_rpm = 3000.0;
/// Vacuum advance at light load (crank degrees), and the MAP over barometer at which it begins to
/// fade and is gone. Ported: none at idle.
inline constexpr double kVacuumAdvance_deg = 12.0;
inline constexpr double kVacuumAdvanceFrom = 0.45, kVacuumAdvanceTo = 0.85;
/// Mixture of light cruise (lambda), and the MAP over barometer between which it is enriched to
/// that of full load (model/starting.h).
inline constexpr double kCruiseLambda = 1.0;
inline constexpr double kEnrichmentFrom = 0.75, kEnrichmentTo = 0.95;

/// The engine as it runs at a speed (rpm) and MAP (Pa), in neutral: spark and mixture are those of
/// its idle at idle speed, and go over smoothly to those of cruise and full load.
Engine running_at(const Engine& engine, double speed_rpm, double map_Pa);

/// Below the no-load line VE is bounded by a law, at least this share of its value at the line.
/// Chosen: a fuel system that decelerates through there with less would put the engine out.
inline constexpr double kVeFloorShare = 0.5;

/// VE (dry air per cycle over swept volume, on the density of dry air at MAP and charge_K) at every
/// node of a grid.
struct VeSurface {
  VeGrid grid;
  Eigen::ArrayXXd ve;  ///< a row a speed, a column a pressure
  /// Nodes where the engine cannot run unloaded, the first ones of a row: its cycle makes less work
  /// than friction and accessories take, or less than kIdleBurnedShare of the fuel burns, or it
  /// does not repeat.
  Eigen::Array<bool, Eigen::Dynamic, Eigen::Dynamic> below_no_load;
  /// MAP (Pa) at the edge of what is marked, linear between nodes; none where the engine runs at
  /// every pressure of the grid, or at none.
  std::vector<std::optional<double>> no_load_map_Pa;
  double charge_K = 0;  ///< fresh charge in the plenum, before it meets backflow
  double barometer_Pa = 0;
  double solved_share = 0;  ///< of all nodes, those whose VE is the cycle's and not the law's
};

/// Solves the cycle at each node from the highest pressure down, each from the one before. The
/// first node below the no-load line is solved too where the cycle repeats there, since an idle is
/// read between it and the one above. Those further down get VE = a + b/MAP through the two lowest
/// nodes solved (air per cycle is then a straight line in MAP, as in the ideal cycle: Heywood,
/// Internal Combustion Engine Fundamentals, eq. 5.38, from memory), never more than at the lower of
/// the two, nor less than kVeFloorShare of it. Where a speed has one node solved, b is that of the
/// next faster speed; a speed with none at which the engine runs gets what the next faster has, all
/// marked. Throws std::invalid_argument for a grid whose axes do not rise.
VeSurface ve_surface(const Engine& engine, const Coefficients<double>& coefficients,
                     const VeGrid& grid, unsigned threads = default_threads());

/// Value at a speed (rpm) and MAP (Pa), bilinear between the four nodes around it, the edge's value
/// beyond the grid: as fuel systems read their tables.
double interpolate(const VeGrid& grid, const Eigen::ArrayXXd& values, double speed_rpm,
                   double map_Pa);

/// The highest VE at a pressure of the grid (Pa), over speed.
struct PeakVe {
  double ve = 0, speed_rpm = 0, map_Pa = 0;
};
/// At the highest pressure of the grid that is not above the barometer.
PeakVe peak_ve(const VeSurface& surface);

}  // namespace idlefit
