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

// How far the idle of a log can be trusted: a manifold pressure sensor to 0.7 kPa, from memory, no
// source; a recorded speed to 10 rpm, chosen.
constexpr ReadingTrust kLogTrust{.gauge_Pa = 700.0, .speed_rpm = 10.0};

// The share of a drive that must have run with its correction free for the level found there to be
// taken half over to where it stood at its limit. Chosen: of 0.1, 0.25 and 0.5 the best over 400
// simulated drives.
constexpr double kLevelDoubt = 0.1;

// A fuel table that can be read anywhere.
struct Table {
  VeGrid grid;
  Eigen::ArrayXXd ve;

  explicit Table(const VeTable& table) : grid(grid_of(table)), ve(table.ve) {}
  explicit Table(const VeSurface& surface) : grid(surface.grid), ve(surface.ve) {}
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
                           double& at_limit) {
  const Table own(surface);
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
  double weight = 0;
  for (const Driven& d : drive) {
    const double correction = d.ve / (level * table.at(d.speed_rpm, d.map_kPa)) - 1;
    weight += d.weight;
    left.mean += d.weight * correction;
    left.size += d.weight * std::fabs(correction);
    if (std::fabs(correction) > limit) left.beyond += d.weight;
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

std::optional<SteadyNeed> need_at(const SteadySum* steady, const std::vector<Driven>& drive) {
  if (steady == nullptr) return std::nullopt;
  SteadyNeed need{steady->mean(LogRole::speed), steady->mean(LogRole::map), 0,
                  steady->mean(LogRole::correction)};
  double weight = 0;
  for (const Driven& d : drive) {
    // The cells that it can have fallen into.
    if (std::fabs(d.speed_rpm - need.speed_rpm) > LoadMap::kSpeedStep_rpm ||
        std::fabs(d.map_kPa - need.map_kPa) > LoadMap::kMapStep_kPa)
      continue;
    need.ve += d.weight * d.ve;
    weight += d.weight;
  }
  if (weight == 0) return std::nullopt;
  need.ve /= weight;
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

VeSurface driven_surface(const EngineCard& card, const DriveReview& drive,
                         const CoefficientKnowledge& knowledge, unsigned threads) {
  EngineCard seen = card;
  if (const SteadySum* const idle = drive.idle.main_cell(); idle && !card.known.vacuum_Pa) {
    const auto pascal = [](double kPa) { return to_program_unit(kPa, "kPa", Dimension::pressure); };
    const double barometer_Pa = drive.key_on_map.count() > 0
                                    ? pascal(drive.key_on_map.mean())
                                    : complete(card).engine.inputs.barometer_Pa;
    const double vacuum_Pa = barometer_Pa - pascal(idle->mean(LogRole::map));
    if (vacuum_Pa > 0) {
      seen.known.vacuum_Pa = vacuum_Pa;
      seen.known.barometer_Pa = barometer_Pa;
      seen.known.speed_rpm = idle->mean(LogRole::speed);
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

bool BaselineComparison::too_far_at_idle(const CorrectionLeft& of) const {
  return of.idle && std::fabs(*of.idle) > limit;
}

BaselineAdvice advice_of(const BaselineComparison& comparison, bool custom_wanted) {
  const CorrectionLeft& least = comparison.of(comparison.least);
  if (custom_wanted) return BaselineAdvice::custom;
  if (!comparison.settled() && comparison.least != comparison.loaded)
    return BaselineAdvice::drive_again;
  if (least.size > kActCorrection) return BaselineAdvice::custom;
  return comparison.of(comparison.loaded).size - least.size < kWorthChanging
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
  assert(loaded.ve);
  BaselineComparison comparison;
  comparison.loaded = loaded.name;
  comparison.limit = drive.limit;
  const Table from(*loaded.ve), predicted(own);
  const std::vector<Driven> places = driven(drive.load, from, own, comparison.at_limit);
  if (places.empty()) return std::nullopt;
  const std::optional<SteadyNeed> idle = need_at(drive.idle.main_cell(), places);
  for (const BaselineProfile& profile : set.profiles) {
    const bool comparable = profile.ve && profile.ve->density_at == loaded.ve->density_at &&
                            (profile.ve->density_at != DensityAt::fixed ||
                             profile.ve->temperature_K == loaded.ve->temperature_K);
    if (!comparable) {
      comparison.not_compared.push_back(profile.name);
      continue;
    }
    const Table table(*profile.ve);
    comparison.left.push_back(left_on(table, places, drive.limit));
    comparison.left.back().name = profile.name;
    comparison.left.back().idle = correction_at(idle, table);
  }
  const double level = level_of(predicted, places);
  comparison.own = left_on(predicted, places, drive.limit, level);
  comparison.level = level - 1;
  if (idle) comparison.own.idle = (1 + *correction_at(idle, predicted)) / level - 1;
  const auto least = std::min_element(comparison.left.begin(), comparison.left.end(),
                                      [&](const CorrectionLeft& a, const CorrectionLeft& b) {
                                        const bool a_far = comparison.too_far_at_idle(a),
                                                   b_far = comparison.too_far_at_idle(b);
                                        return a_far != b_far ? b_far : a.size < b.size;
                                      });
  comparison.least = least->name;
  const auto chosen =
      std::find_if(set.profiles.begin(), set.profiles.end(),
                   [&](const BaselineProfile& p) { return p.name == comparison.least; });
  const Table to(*chosen->ve);
  comparison.idle = step_at(idle, to);
  comparison.cruise = step_at(need_at(drive.cruise.main_cell(), places), to);
  return comparison;
}

}  // namespace idlefit
