#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <span>
#include <vector>

#include "model/idle.h"
#include "model/ve_surface.h"

namespace idlefit {

// Bands of idle MAP, each with one VE table for all engines in it, chosen so that an engine started
// on its band's table is fuelled as nearly right as can be.

/// How much each cell of a table counts for an engine. Chosen, no source, but for what it follows:
/// fuel burnt, and that an engine idles and creeps more than its fuel says.
inline constexpr double kLowSpeed_rpm = 1500.0;    ///< idling and creeping: to this speed
inline constexpr double kLowSpeedShare = 0.25;     ///< counts for at least so much in all
inline constexpr double kIdleShare = 0.10;         ///< the idle itself, beside that
inline constexpr double kWeightedTo_rpm = 5500.0;  ///< a street engine is seldom above it

/// One engine as the banding sees it: cells in the order of a table, row by row.
struct BandEngine {
  double idle_map_Pa = 0;  ///< at sea level
  Eigen::ArrayXd log_ve;
  Eigen::ArrayXd weight;  ///< of each cell, adding up to 1; 0 where the engine cannot run
  Eigen::Index row = 1;   ///< cells in a row, along which MAP rises
};
/// Cells that run count by their share of the table's area times MAP, to the barometer and to
/// kWeightedTo_rpm, those to kLowSpeed_rpm for kLowSpeedShare of all at least; kIdleShare lies on
/// the four cells that the idle is read from.
BandEngine band_engine(const VeSurface& surface, const OperatingPoint& idle);

/// How wrong an engine is fuelled by a table: what it gets over what it needs, less 1, of each
/// cell.
struct FuellingError {
  double rms = 0;     ///< weighted, over the cells of the engine
  double beyond = 0;  ///< weight of cells off by more than kAuthority
};
/// What a closed-loop fuel control can take off, either way.
inline constexpr double kAuthority = 0.25;
FuellingError fuelling_error(const BandEngine& engine, const Eigen::ArrayXd& log_ve);

/// How a number of engines are fuelled: each engine's root-mean-square error, over engines.
struct FuellingFigures {
  double p95 = 0, rms = 0, worst = 0;
  double beyond = 0;  ///< weight of what is off by more than kAuthority, mean over engines
};
/// Of one engine or more.
FuellingFigures fuelling_figures(std::span<const FuellingError> errors);

/// The one table for a group of engines: least sum of their errors (logarithms) to the power
/// kErrorPower, which leans toward the worst: with 2 the 95th percentile is a tenth higher, with 8
/// the root mean square is. Of all tables in which VE nowhere falls as MAP rises at one speed, as
/// no engine's does where it runs: without that the few engines that run near the no-load line,
/// those of the shortest cams, would leave dips behind them where an idle is left.
inline constexpr double kErrorPower = 4.0;
struct BandTable {
  Eigen::ArrayXd log_ve;
  double cost = 0;  ///< that sum
};
BandTable fit_band(std::span<const BandEngine> engines, int rounds);

/// Edges between `bands` bands over engines in the order of idle MAP, as indices of the first
/// engine of each band but the first; `allowed` are the places where a band may begin, rising.
/// Dynamic programming: the least sum of the bands' costs over all ways to place the edges.
class Banding {
 public:
  /// Works out the cost of every band of `fewest` engines or more.
  Banding(std::span<const BandEngine> engines, std::vector<std::size_t> allowed, std::size_t fewest,
          unsigned threads);
  std::vector<std::size_t> edges(std::size_t bands) const;
  double cost(std::size_t first, std::size_t end) const;  ///< of places, in `allowed` and the ends

 private:
  std::vector<std::size_t> places_;  // 0, allowed, count of engines
  Eigen::MatrixXd cost_;
};

}  // namespace idlefit
