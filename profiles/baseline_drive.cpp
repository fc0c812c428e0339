#include "profiles/baseline_drive.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <stdexcept>

#include "profiles/known_reading.h"
#include "profiles/predicted_table.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

// How far the idle of a log can be trusted: a sensor's pressure, and a recorded speed to 10 rpm,
// chosen.
constexpr ReadingTrust kLogTrust{.gauge_Pa = kMapReadingSd_Pa, .speed_rpm = 10.0};

// The share of a drive that must have run with its correction free for the level found there to be
// taken half over to where it stood at its limit. Chosen: of 0.1, 0.25 and 0.5 the best over 400
// simulated drives.
constexpr double kLevelDoubt = 0.1;

// A fuel table that can be read anywhere.
struct Table {
  VeGrid grid;
  Eigen::ArrayXXd ve;

  explicit Table(const VeTable& table) : grid(grid_of(table)), ve(table.ve) {}
  // On the density that another table refers to.
  Table(const VeSurface& surface, const VeTable& as)
      : grid(surface.grid),
        ve(as.density_at == DensityAt::charge
               ? surface.ve
               : Eigen::ArrayXXd(surface.ve * as.temperature_K / surface.charge_K)) {}
  double at(double speed_rpm, double map_kPa) const { return read(ve, speed_rpm, map_kPa); }
  double read(const Eigen::ArrayXXd& values, double speed_rpm, double map_kPa) const {
    return interpolate(grid, values, speed_rpm,
                       to_program_unit(map_kPa, "kPa", Dimension::pressure));
  }
};

// A place that was driven at, and the volumetric efficiency that the engine has there.
struct Driven {
  double weight, speed_rpm, map_kPa, ve;
};

// How far a table is off by the same factor everywhere.
double level_of(const Table& table, const std::vector<Driven>& drive) {
  double weight = 0, log_level = 0;
  for (const Driven& d : drive) {
    weight += d.weight;
    log_level += d.weight * std::log(d.ve / table.at(d.speed_rpm, d.map_kPa));
  }
  return std::exp(log_level / weight);
}

// All that was driven under load; `at_limit` gets its share at the limit of correction.
std::vector<Driven> driven(const LoadMap& map, const Table& loaded, const VeSurface& surface,
                           const Table& own, double& at_limit) {
  const Eigen::ArrayXXd cannot_run = surface.below_no_load.cast<double>();
  std::vector<Driven> all;
  const auto take = [&](LoadMap::Part part) {
    double weight = 0;
    for (const LoadMap::Cell& cell : map.cells(part)) {
      // Where the engine slows its car, correction rests and says nothing of the table. An idle has
      // one of the four nodes that it is read between above the no-load line.
      if (cell.weight == 0 || own.read(cannot_run, cell.speed_rpm, cell.map_kPa) > 1 - 1e-9)
        continue;
      const double ve = (1 + cell.correction) * loaded.at(cell.speed_rpm, cell.map_kPa);
      all.push_back({cell.weight, cell.speed_rpm, cell.map_kPa, ve});
      weight += cell.weight;
    }
    return weight;
  };
  const double free_weight = take(LoadMap::free);
  const std::size_t free_end = all.size();
  const double high_weight = take(LoadMap::at_least);
  const std::size_t high_end = all.size();
  const double weight = free_weight + high_weight + take(LoadMap::at_most);
  if (all.empty()) return all;
  // What is wrong by the same factor everywhere, such as the flow of the injectors, shows where the
  // correction was free; as far as that is a fair part of the drive.
  const std::vector<Driven> free(all.begin(), all.begin() + static_cast<std::ptrdiff_t>(free_end));
  const double level = free.empty() ? 1.0
                                    : std::pow(level_of(own, free),
                                               free_weight / (free_weight + kLevelDoubt * weight));
  for (std::size_t i = free_end; i < all.size(); ++i) {
    const double predicted = level * own.at(all[i].speed_rpm, all[i].map_kPa);
    all[i].ve = i < high_end ? std::max(all[i].ve, predicted) : std::min(all[i].ve, predicted);
  }
  at_limit = 1 - free_weight / weight;
  return all;
}

CorrectionLeft left_on(const Table& table, const std::vector<Driven>& drive, double limit,
                       double level = 1.0) {
  CorrectionLeft left;
  left.limit = limit;
  double weight = 0;
  for (const Driven& d : drive) {
    const double correction = d.ve / (level * table.at(d.speed_rpm, d.map_kPa)) - 1;
    weight += d.weight;
    left.mean += d.weight * correction;
    left.size += d.weight * std::fabs(correction);
    if (std::fabs(correction) > limit + kLimitRounding) left.beyond += d.weight;
  }
  left.mean /= weight;
  left.size /= weight;
  left.beyond /= weight;
  return left;
}

// Steady running, and the volumetric efficiency that the engine has there.
struct SteadyNeed {
  double speed_rpm, map_kPa, ve;
  double correction;  // as the log has it
};

std::optional<SteadyNeed> need_at(const SteadySum* steady, const std::vector<Driven>& drive,
                                  const Table& loaded, double limit) {
  if (steady == nullptr) return std::nullopt;
  SteadyNeed need{steady->mean(LogRole::speed), steady->mean(LogRole::map), 0,
                  steady->mean(LogRole::correction)};
  const double loaded_ve = loaded.at(need.speed_rpm, need.map_kPa);
  need.ve = (1 + need.correction) * loaded_ve;
  if (std::fabs(std::fabs(need.correction) - limit) > kLimitRounding) return need;
  // At the limit: as the drive near it was taken, in the cells that it can have fallen into.
  double weight = 0, ratio = 0;
  for (const Driven& d : drive) {
    if (std::fabs(d.speed_rpm - need.speed_rpm) > LoadMap::kSpeedStep_rpm ||
        std::fabs(d.map_kPa - need.map_kPa) > LoadMap::kMapStep_kPa)
      continue;
    ratio += d.weight * d.ve / loaded.at(d.speed_rpm, d.map_kPa);
    weight += d.weight;
  }
  if (weight > 0) need.ve = ratio / weight * loaded_ve;
  return need;
}

std::optional<double> correction_at(const std::optional<SteadyNeed>& need, const Table& table) {
  if (!need) return std::nullopt;
  return need->ve / table.at(need->speed_rpm, need->map_kPa) - 1;
}

std::optional<StepOnChange> step_at(const std::optional<SteadyNeed>& need, const Table& to) {
  if (!need) return std::nullopt;
  const double cleared = to.at(need->speed_rpm, need->map_kPa) / need->ve;
  return StepOnChange{(1 + need->correction) * cleared - 1, cleared - 1};
}

}  // namespace

const CorrectionLeft& BaselineComparison::of(const std::string& name) const {
  const auto found = std::find_if(left.begin(), left.end(),
                                  [&](const CorrectionLeft& l) { return l.name == name; });
  if (found == left.end()) throw std::logic_error("no comparison of baseline " + name);
  return *found;
}

VeSurface driven_surface(const EngineCard& card, const Visit* idle,
                         const CoefficientKnowledge& knowledge, unsigned threads) {
  EngineCard seen = card;
  if (idle != nullptr && idle->manifold.map_Pa && !card.known.vacuum_Pa) {
    const double barometer_Pa =
        idle->station_Pa().value_or(complete(card).engine.inputs.barometer_Pa);
    if (const double vacuum_Pa = barometer_Pa - *idle->manifold.map_Pa; vacuum_Pa > 0) {
      seen.known.vacuum_Pa = vacuum_Pa;
      seen.known.barometer_Pa = barometer_Pa;
      seen.known.speed_rpm = idle->idle.speed_rpm;
    }
  }
  const Completion completion = complete(seen);
  if (completion.known) {
    const TakenReading reading = inform_by_reading(seen, completion, knowledge, kLogTrust);
    if (reading.informed) {
      return ve_surface(reading.informed->engine, reading.informed->coefficients,
                        standard_ve_grid(), threads);
    }
  }
  return ve_surface(completion.engine, knowledge.mean, standard_ve_grid(), threads);
}

BaselineAdvice advice_of(const BaselineComparison& comparison, bool custom_wanted) {
  const CorrectionLeft &least = comparison.of(comparison.least),
                       &loaded = comparison.of(comparison.loaded);
  if (custom_wanted || least.too_far_at_idle()) return BaselineAdvice::custom;
  if (!comparison.settled() && comparison.least != comparison.loaded)
    return BaselineAdvice::drive_again;
  if (least.size > kActCorrection) return BaselineAdvice::custom;
  return !loaded.too_far_at_idle() && loaded.size - least.size < kWorthChanging
             ? BaselineAdvice::keep
             : BaselineAdvice::change;
}

double correction_limit(const BaselineProfile& profile) {
  return profile.limits.fuel_correction_max ? profile.limits.fuel_correction_max->value
                                            : kCorrectionAuthority;
}

std::optional<BaselineComparison> compare_baselines(const DriveReview& drive,
                                                    const BaselineSet& set,
                                                    const BaselineProfile& loaded,
                                                    const VeSurface& own) {
  assert(loaded.ve && drive.limit >= 2 * kLimitRounding);
  BaselineComparison comparison;
  comparison.loaded = loaded.name;
  const Table from(*loaded.ve), predicted(own, *loaded.ve);
  const std::vector<Driven> places = driven(drive.load, from, own, predicted, comparison.at_limit);
  if (places.empty()) return std::nullopt;
  const std::optional<SteadyNeed> idle = need_at(drive.idle.main_cell(), places, from, drive.limit);
  comparison.idle_alone = std::all_of(places.begin(), places.end(),
                                      [](const Driven& d) { return d.speed_rpm < kIdleBelow_rpm; });
  for (const BaselineProfile& profile : set.profiles) {
    const bool comparable = profile.ve && profile.ve->density_at == loaded.ve->density_at &&
                            (profile.ve->density_at != DensityAt::fixed ||
                             profile.ve->temperature_K == loaded.ve->temperature_K);
    if (!comparable) {
      comparison.not_compared.push_back(profile.name);
      continue;
    }
    const Table table(*profile.ve);
    comparison.left.push_back(left_on(table, places, correction_limit(profile)));
    comparison.left.back().name = profile.name;
    comparison.left.back().idle = correction_at(idle, table);
  }
  const double level = level_of(predicted, places);
  comparison.own = left_on(predicted, places, drive.limit, level);
  comparison.level = level - 1;
  if (idle) comparison.own.idle = (1 + *correction_at(idle, predicted)) / level - 1;
  const auto least =
      std::min_element(comparison.left.begin(), comparison.left.end(),
                       [](const CorrectionLeft& one, const CorrectionLeft& other) {
                         const bool far = one.too_far_at_idle();
                         return far != other.too_far_at_idle() ? !far : one.size < other.size;
                       });
  comparison.least = least->name;
  const auto chosen =
      std::find_if(set.profiles.begin(), set.profiles.end(),
                   [&](const BaselineProfile& p) { return p.name == comparison.least; });
  const Table to(*chosen->ve);
  comparison.idle = step_at(idle, to);
  comparison.cruise = step_at(need_at(drive.cruise.main_cell(), places, from, drive.limit), to);
  return comparison;
}

}  // namespace idlefit
