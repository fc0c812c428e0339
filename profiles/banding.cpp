#include "profiles/banding.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>

namespace idlefit {
namespace {

using Index = Eigen::Index;

// The width of an axis that a node stands for, within `from` to `to`.
double width_at(const std::vector<double>& axis, std::size_t i, double from, double to) {
  const double low = i == 0 ? axis[0] : 0.5 * (axis[i - 1] + axis[i]);
  const double high = i + 1 == axis.size() ? axis[i] : 0.5 * (axis[i] + axis[i + 1]);
  return std::max(0.0, std::min(high, to) - std::max(low, from));
}

// How a table of logarithms errs for an engine: the weighted mean square.
double mean_square(const BandEngine& engine, const Eigen::ArrayXd& log_ve) {
  return (engine.weight * (log_ve - engine.log_ve).square()).sum();
}

// The values nearest to `best`, by weighted squares, that nowhere fall along a row: whatever falls
// is pooled with what stands before it.
void keep_rising(Eigen::ArrayXd& best, const Eigen::ArrayXd& weight, Index row) {
  struct Pool {
    double value, weight;
    Index cells;
  };
  std::vector<Pool> pools;
  for (Index first = 0; first < best.size(); first += row) {
    pools.clear();
    for (Index cell = first; cell < first + row; ++cell) {
      Pool next{best[cell], weight[cell], 1};
      while (!pools.empty() && pools.back().value > next.value) {
        const Pool& before = pools.back();
        const double both = before.weight + next.weight;
        next = {(before.weight * before.value + next.weight * next.value) / both, both,
                before.cells + next.cells};
        pools.pop_back();
      }
      pools.push_back(next);
    }
    Index cell = first;
    for (const Pool& pool : pools) {
      best.segment(cell, pool.cells) = pool.value;
      cell += pool.cells;
    }
  }
}

}  // namespace

BandEngine band_engine(const VeSurface& surface, const OperatingPoint& idle) {
  const std::vector<double>&speeds = surface.grid.speed_rpm, &maps = surface.grid.map_Pa;
  const auto columns = static_cast<Index>(maps.size());
  const Index cells = static_cast<Index>(speeds.size()) * columns;
  BandEngine e{idle.map_Pa, Eigen::ArrayXd(cells), Eigen::ArrayXd::Zero(cells)};
  double low = 0, high = 0;
  for (std::size_t i = 0; i < speeds.size(); ++i) {
    for (std::size_t j = 0; j < maps.size(); ++j) {
      const auto row = static_cast<Index>(i), column = static_cast<Index>(j);
      const Index cell = row * columns + column;
      e.log_ve[cell] = std::log(surface.ve(row, column));
      if (surface.below_no_load(row, column)) continue;
      const double weight = width_at(speeds, i, 0.0, kWeightedTo_rpm) *
                            width_at(maps, j, 0.0, surface.barometer_Pa) * maps[j];
      e.weight[cell] = weight;
      (speeds[i] <= kLowSpeed_rpm ? low : high) += weight;
    }
  }
  // Low speeds for their share at least, the idle for its own beside.
  const double low_share = std::max(kLowSpeedShare, low / (low + high));
  for (std::size_t i = 0; i < speeds.size(); ++i) {
    const bool is_low = speeds[i] <= kLowSpeed_rpm;
    const double of_all = is_low ? (low > 0.0 ? low_share / low : 0.0) : (1.0 - low_share) / high;
    e.weight.segment(static_cast<Index>(i) * columns, columns) *= (1.0 - kIdleShare) * of_all;
  }
  // What the idle is read by, cell by cell: the reading of a table that is 1 there and 0 elsewhere.
  Eigen::ArrayXXd one = Eigen::ArrayXXd::Zero(surface.ve.rows(), columns);
  for (Index cell = 0; cell < cells; ++cell) {
    one(cell / columns, cell % columns) = 1.0;
    e.weight[cell] += kIdleShare * interpolate(surface.grid, one, idle.speed_rpm, idle.map_Pa);
    one(cell / columns, cell % columns) = 0.0;
  }
  e.weight /= e.weight.sum();
  e.row = columns;
  return e;
}

FuellingError fuelling_error(const BandEngine& engine, const Eigen::ArrayXd& log_ve) {
  const Eigen::ArrayXd off = (log_ve - engine.log_ve).exp() - 1.0;
  return {std::sqrt((engine.weight * off.square()).sum()),
          (off.abs() > kAuthority).select(engine.weight, 0.0).sum()};
}

FuellingFigures fuelling_figures(std::span<const FuellingError> errors) {
  assert(!errors.empty());
  FuellingFigures f;
  std::vector<double> sorted;
  for (const FuellingError& off : errors) {
    sorted.push_back(off.rms);
    f.rms += off.rms * off.rms;
    f.beyond += off.beyond;
  }
  std::sort(sorted.begin(), sorted.end());
  const auto count = static_cast<double>(sorted.size());
  f.p95 = sorted[static_cast<std::size_t>(std::ceil(0.95 * count)) - 1];
  f.worst = sorted.back();
  f.rms = std::sqrt(f.rms / count);
  f.beyond /= count;
  return f;
}

BandTable fit_band(std::span<const BandEngine> engines, int rounds) {
  assert(!engines.empty());
  // Cells that none of them uses get the mean of what all have there.
  constexpr double kUnused = 1e-7;
  const auto count = static_cast<Index>(engines.size());
  Eigen::ArrayXd importance = Eigen::ArrayXd::Ones(count), squares(count);
  BandTable band;
  // Reweighted least squares for a power above 2, damped so that it converges (Kahng, Math.
  // Comput. 26, 1972, from memory: by 1/(power - 1)).
  for (int round = 0; round < rounds; ++round) {
    Eigen::ArrayXd sum = Eigen::ArrayXd::Zero(engines.front().log_ve.size()), weight = sum;
    for (Index k = 0; k < count; ++k) {
      const BandEngine& e = engines[static_cast<std::size_t>(k)];
      const Eigen::ArrayXd w = importance[k] * (e.weight + kUnused);
      sum += w * e.log_ve;
      weight += w;
    }
    Eigen::ArrayXd best = sum / weight;
    keep_rising(best, weight, engines.front().row);
    band.log_ve = round == 0
                      ? best
                      : Eigen::ArrayXd(band.log_ve + (best - band.log_ve) / (kErrorPower - 1.0));
    for (Index k = 0; k < count; ++k)
      squares[k] = mean_square(engines[static_cast<std::size_t>(k)], band.log_ve);
    const double worst = std::max(squares.maxCoeff(), 1e-12);
    importance = (squares / worst).pow(kErrorPower / 2.0 - 1.0) + 1e-12;
  }
  band.cost = squares.pow(kErrorPower / 2.0).sum();
  return band;
}

Banding::Banding(std::span<const BandEngine> engines, std::vector<std::size_t> allowed,
                 std::size_t fewest, unsigned threads)
    : places_(std::move(allowed)) {
  places_.insert(places_.begin(), 0);
  places_.push_back(engines.size());
  const std::size_t size = places_.size();
  cost_.setConstant(static_cast<Index>(size), static_cast<Index>(size),
                    std::numeric_limits<double>::infinity());
  constexpr int kRounds = 20;  // the order of costs has settled
  for_each_index(size - 1, threads, [&](std::size_t i) {
    for (std::size_t j = i + 1; j < size; ++j) {
      if (places_[j] < places_[i] + std::max<std::size_t>(fewest, 1)) continue;
      cost_(static_cast<Index>(i), static_cast<Index>(j)) =
          fit_band(engines.subspan(places_[i], places_[j] - places_[i]), kRounds).cost;
    }
  });
}

double Banding::cost(std::size_t first, std::size_t end) const {
  return cost_(static_cast<Index>(first), static_cast<Index>(end));
}

std::vector<std::size_t> Banding::edges(std::size_t bands) const {
  const std::size_t size = places_.size();
  assert(bands >= 1 && bands < size);
  // best[b][j]: least cost of b + 1 bands that end at place j; from[b][j]: where the last begins.
  std::vector<std::vector<double>> best(bands, std::vector<double>(size));
  std::vector<std::vector<std::size_t>> from(bands, std::vector<std::size_t>(size, 0));
  for (std::size_t b = 0; b < bands; ++b) {
    for (std::size_t j = 0; j < size; ++j) {
      best[b][j] = std::numeric_limits<double>::infinity();
      if (b == 0) {
        if (j > 0) best[b][j] = cost(0, j);
        continue;
      }
      for (std::size_t i = 1; i < j; ++i) {
        const double total = best[b - 1][i] + cost(i, j);
        if (total < best[b][j]) {
          best[b][j] = total;
          from[b][j] = i;
        }
      }
    }
  }
  std::vector<std::size_t> edges;
  std::size_t at = size - 1;
  for (std::size_t b = bands; b-- > 1;) {
    at = from[b][at];
    edges.push_back(places_[at]);
  }
  std::reverse(edges.begin(), edges.end());
  return edges;
}

}  // namespace idlefit
