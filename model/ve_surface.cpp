#include "model/ve_surface.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <stdexcept>

#include "model/idle.h"
#include "model/solve.h"
#include "model/starting.h"

namespace idlefit {
namespace {

using Index = Eigen::Index;

double smooth_step(double x) {
  const double t = std::clamp(x, 0.0, 1.0);
  return t * t * (3.0 - 2.0 * t);
}

bool rises(const std::vector<double>& axis) {
  return axis.size() >= 2 && axis.front() > 0.0 &&
         std::adjacent_find(axis.begin(), axis.end(), [](double a, double b) {
           return !(a < b);  // NaN too
         }) == axis.end();
}

// One speed, nodes by rising pressure.
struct SpeedRow {
  Eigen::ArrayXd ve;
  std::size_t lowest_solved;   // as many nodes below it have no value yet; the size: all of them
  std::size_t lowest_running;  // likewise, those at which the engine cannot run
  std::optional<double> no_load_map_Pa;
  double charge_K = 0;
};

SpeedRow solve_row(const Engine& engine, const Coefficients<double>& coefficients, double speed_rpm,
                   const std::vector<double>& map_Pa) {
  const std::size_t size = map_Pa.size();
  SpeedRow row{Eigen::ArrayXd::Zero(static_cast<Index>(size)), size, size, std::nullopt, 0};
  SolveOptions options;
  // Of the node above: what is left of work (Pa), and of the share that burns.
  double work_above = 0, burns_above = 0;
  for (std::size_t j = size; j-- > 0;) {
    const SolveResult r =
        solve_at_map(running_at(engine, speed_rpm, map_Pa[j]), coefficients, map_Pa[j], options);
    if (r.status != Status::ok) break;
    const OperatingPoint& p = r.point;
    const double work = p.imep_gross_Pa - p.pmep_Pa - p.fmep_Pa - p.accessory_mep_Pa;
    const double burns = p.burned_fuel_fraction - kIdleBurnedShare;
    const bool runs = work >= 0.0 && burns >= 0.0;
    // A charge that hardly burns leaves the exhaust cold: no measure of the branch above it.
    if (!runs && burns < -kIdleBurnedShare / 2.0) break;
    options.start = r.state;
    row.charge_K = p.charge_K;
    row.ve[static_cast<Index>(j)] = p.ve_manifold;
    row.lowest_solved = j;
    if (!runs) {
      if (j + 1 < size) {
        const double by_work = work < 0.0 ? work_above / (work_above - work) : 1.0;
        const double by_burning = burns < 0.0 ? burns_above / (burns_above - burns) : 1.0;
        const double down = std::min(by_work, by_burning);
        row.no_load_map_Pa = map_Pa[j + 1] - down * (map_Pa[j + 1] - map_Pa[j]);
      }
      break;
    }
    row.lowest_running = j;
    work_above = work;
    burns_above = burns;
  }
  if (row.lowest_running == size) row.lowest_solved = size;
  // The cycle did not repeat at the node below: the line lies somewhere between.
  if (!row.no_load_map_Pa && row.lowest_running > 0 && row.lowest_running < size)
    row.no_load_map_Pa = map_Pa[row.lowest_running];
  return row;
}

}  // namespace

const VeGrid& standard_ve_grid() {
  static const VeGrid grid{
      {500, 650, 800, 1000, 1200, 1500, 1800, 2200, 2600, 3000, 3600, 4200, 4800, 5400, 6200, 7000},
      {20e3, 25e3, 30e3, 35e3, 40e3, 45e3, 50e3, 56e3, 62e3, 68e3, 74e3, 80e3, 86e3, 93e3, 100e3,
       105e3}};
  return grid;
}

Engine running_at(const Engine& engine, double speed_rpm, double map_Pa) {
  Engine at = engine;
  Inputs<double>& in = at.inputs;
  const double idle_rpm = in.speed_rpm;
  const double off_idle =
      smooth_step((speed_rpm - idle_rpm) / std::max(500.0, kFullAdvance_rpm - idle_rpm));
  const double load = map_Pa / in.barometer_Pa;
  const double vacuum =
      1.0 - smooth_step((load - kVacuumAdvanceFrom) / (kVacuumAdvanceTo - kVacuumAdvanceFrom));
  const double enriched = smooth_step((load - kEnrichmentFrom) / (kEnrichmentTo - kEnrichmentFrom));
  in.speed_rpm = speed_rpm;
  in.spark_btdc_deg +=
      off_idle * (kFullLoadSpark_deg - in.spark_btdc_deg + kVacuumAdvance_deg * vacuum);
  in.lambda += off_idle * (kCruiseLambda - in.lambda);
  in.lambda += enriched * (kFullLoadLambda - in.lambda);
  in.converter_torque_Nm = 0.0;
  return at;
}

VeSurface ve_surface(const Engine& engine, const Coefficients<double>& coefficients,
                     const VeGrid& grid, unsigned threads) {
  if (!rises(grid.speed_rpm) || !rises(grid.map_Pa))
    throw std::invalid_argument("the axes of a VE table must rise, two or more values each");
  const std::size_t speeds = grid.speed_rpm.size(), maps = grid.map_Pa.size();
  std::vector<SpeedRow> rows(speeds);
  for_each_index(speeds, threads, [&](std::size_t i) {
    rows[i] = solve_row(engine, coefficients, grid.speed_rpm[i], grid.map_Pa);
  });

  VeSurface s;
  s.grid = grid;
  s.barometer_Pa = engine.inputs.barometer_Pa;
  s.ve.resize(static_cast<Index>(speeds), static_cast<Index>(maps));
  s.below_no_load.setConstant(static_cast<Index>(speeds), static_cast<Index>(maps), false);
  s.no_load_map_Pa.resize(speeds);
  double by_inverse_Pa = 0;
  std::size_t solved = 0;
  for (std::size_t i = speeds; i-- > 0;) {
    const SpeedRow& row = rows[i];
    const auto at = static_cast<Index>(i);
    s.no_load_map_Pa[i] = row.no_load_map_Pa;
    s.charge_K = std::max(s.charge_K, row.charge_K);
    s.ve.row(at) = row.ve.transpose();
    s.below_no_load.row(at).head(static_cast<Index>(row.lowest_running)) = true;
    solved += maps - row.lowest_solved;
    if (row.lowest_solved == maps) {
      if (i + 1 < speeds) s.ve.row(at) = s.ve.row(at + 1);
      continue;
    }
    const auto lowest = static_cast<Index>(row.lowest_solved);
    const double ve0 = row.ve[lowest], map0_Pa = grid.map_Pa[row.lowest_solved];
    if (row.lowest_solved + 1 < maps) {
      by_inverse_Pa =
          (row.ve[lowest + 1] - ve0) / (1.0 / grid.map_Pa[row.lowest_solved + 1] - 1.0 / map0_Pa);
    }
    for (Index j = 0; j < lowest; ++j) {
      const double map_Pa = grid.map_Pa[static_cast<std::size_t>(j)];
      s.ve(at, j) = std::clamp(ve0 + by_inverse_Pa * (1.0 / map_Pa - 1.0 / map0_Pa),
                               kVeFloorShare * ve0, ve0);
    }
  }
  // Speeds above any at which the engine runs have the table's fastest that it does run at.
  for (std::size_t i = 1; i < speeds; ++i) {
    const auto at = static_cast<Index>(i);
    if (rows[i].lowest_solved == maps && !(s.ve.row(at) > 0.0).all())
      s.ve.row(at) = s.ve.row(at - 1);
  }
  s.solved_share = static_cast<double>(solved) / static_cast<double>(speeds * maps);
  return s;
}

double interpolate(const VeGrid& grid, const Eigen::ArrayXXd& values, double speed_rpm,
                   double map_Pa) {
  assert(values.rows() == static_cast<Index>(grid.speed_rpm.size()) &&
         values.cols() == static_cast<Index>(grid.map_Pa.size()));
  // The node below, and how far on the way to the next.
  const auto place = [](const std::vector<double>& axis, double at) {
    const auto above = std::upper_bound(axis.begin() + 1, axis.end() - 1, at);
    const auto below = above - 1;
    return std::pair{static_cast<Index>(below - axis.begin()),
                     std::clamp((at - *below) / (*above - *below), 0.0, 1.0)};
  };
  const auto [i, u] = place(grid.speed_rpm, speed_rpm);
  const auto [j, v] = place(grid.map_Pa, map_Pa);
  return (1.0 - u) * ((1.0 - v) * values(i, j) + v * values(i, j + 1)) +
         u * ((1.0 - v) * values(i + 1, j) + v * values(i + 1, j + 1));
}

PeakVe peak_ve(const VeSurface& surface) {
  const std::vector<double>& maps = surface.grid.map_Pa;
  const auto above = std::upper_bound(maps.begin() + 1, maps.end(), surface.barometer_Pa);
  const auto column = static_cast<Index>(above - maps.begin() - 1);
  Index row = 0;
  const double ve = surface.ve.col(column).maxCoeff(&row);
  return {ve, surface.grid.speed_rpm[static_cast<std::size_t>(row)],
          maps[static_cast<std::size_t>(column)]};
}

}  // namespace idlefit
