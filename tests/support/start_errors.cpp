#include "tests/support/start_errors.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "profiles/units.h"

namespace idlefit::test {
namespace {

Eigen::ArrayXd flat_log(const Eigen::ArrayXXd& ve) {
  // Row by row, as BandEngine has it.
  return ve.transpose().reshaped().log();
}

std::vector<Eigen::ArrayXd> tables_of(const BaselineSet& set) {
  std::vector<Eigen::ArrayXd> tables;
  const auto cells = static_cast<Eigen::Index>(standard_ve_grid().speed_rpm.size() *
                                               standard_ve_grid().map_Pa.size());
  for (const BaselineProfile& p : set.profiles) {
    if (!p.ve || p.ve->ve.size() != cells)
      throw std::invalid_argument("a baseline has no table on the grid of predicted ones");
    tables.push_back(flat_log(p.ve->ve));
  }
  return tables;
}

double middle_kPa(const BaselineProfile& p) { return 0.5 * (p.map_from_kPa + p.map_to_kPa); }

Eigen::ArrayXd blend(const BaselineSet& set, const std::vector<Eigen::ArrayXd>& tables,
                     double map_kPa) {
  std::size_t above = 0;
  while (above < tables.size() && middle_kPa(set.profiles[above]) < map_kPa) ++above;
  if (above == 0) return tables.front();
  if (above == tables.size()) return tables.back();
  const double low = middle_kPa(set.profiles[above - 1]), high = middle_kPa(set.profiles[above]);
  const double share = (map_kPa - low) / (high - low);
  return (1.0 - share) * tables[above - 1] + share * tables[above];
}

// What a table of logarithms has at an operating point.
double ve_at(const Eigen::ArrayXd& log_ve, const OperatingPoint& point) {
  const VeGrid& grid = standard_ve_grid();
  const auto rows = static_cast<Eigen::Index>(grid.speed_rpm.size());
  const Eigen::ArrayXXd ve = log_ve.exp().reshaped(log_ve.size() / rows, rows).transpose();
  return interpolate(grid, ve, point.speed_rpm, point.map_Pa);
}

struct Errors {
  FuellingError own, blended, band;
  double idle_off_Pa = 0;
};

Errors errors_of(const ShopEngine& truth, Told told, const BaselineSet& set,
                 const std::vector<Eigen::ArrayXd>& tables, const Coefficients<double>& mean) {
  const BandEngine needs = band_engine(truth.ve, truth.idle);
  const Engine engine = told == Told::all ? truth.engine : complete(truth.card).engine;
  const VeSurface own = ve_surface(engine, mean, standard_ve_grid(), 1);
  Errors errors{fuelling_error(needs, flat_log(own.ve)), {}, {}};
  const SolveResult idle = solve_idle(engine, mean);
  if (idle.status != Status::ok) {
    errors.blended = errors.band = fuelling_error(needs, tables.back());
    return errors;
  }
  errors.idle_off_Pa = idle.point.map_Pa - truth.idle.map_Pa;
  const double map_kPa = from_program_unit(idle.point.map_Pa, "kPa", Dimension::pressure);
  std::size_t band = 0;
  while (band + 1 < tables.size() && map_kPa >= set.profiles[band].map_to_kPa) ++band;
  const Eigen::ArrayXd blended = blend(set, tables, map_kPa);
  const double scale = std::log(idle.point.ve_manifold / ve_at(blended, idle.point));
  errors.blended = fuelling_error(needs, blended + scale);
  errors.band = fuelling_error(needs, tables[band]);
  return errors;
}

}  // namespace

StartErrors start_errors(std::span<const ShopEngine> engines, Told told, const BaselineSet& set,
                         const Coefficients<double>& mean, unsigned threads) {
  const std::vector<Eigen::ArrayXd> tables = tables_of(set);
  std::vector<Errors> all(engines.size());
  for_each_index(engines.size(), threads,
                 [&](std::size_t i) { all[i] = errors_of(engines[i], told, set, tables, mean); });
  const auto figures = [&](FuellingError Errors::*which) {
    std::vector<FuellingError> of;
    for (const Errors& e : all) of.push_back(e.*which);
    return fuelling_figures(of);
  };
  double off = 0;
  for (const Errors& e : all) off += e.idle_off_Pa * e.idle_off_Pa;
  return {figures(&Errors::own), figures(&Errors::blended), figures(&Errors::band),
          std::sqrt(off / static_cast<double>(all.size()))};
}

}  // namespace idlefit::test
