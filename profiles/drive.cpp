#include "profiles/drive.h"

#include <algorithm>
#include <cmath>

namespace idlefit {

double RunningMean::sd() const {
  return count_ > 1 ? std::sqrt(squares_ / static_cast<double>(count_ - 1)) : 0;
}

// A reading that the log does not have is not a number and keeps no window from going on.
bool SteadyFinder::Range::takes(double value, double widest) const {
  return !(std::max(high, value) - std::min(low, value) > widest);
}

void SteadyFinder::Range::add(double value) {
  low = std::min(low, value);
  high = std::max(high, value);
}

bool SteadyFinder::belongs(const LogRow& row) const {
  const double speed_rpm = row[LogRole::speed], map_kPa = row[LogRole::map];
  return speed_rpm >= limits_.speed_low_rpm && speed_rpm < limits_.speed_high_rpm &&
         map_kPa >= limits_.map_low_kPa && map_kPa < limits_.map_high_kPa;
}

void SteadyFinder::add(const LogRow& row) {
  const double speed_rpm = row[LogRole::speed], map_kPa = row[LogRole::map];
  const double throttle_percent = row[LogRole::throttle];
  const bool goes_on = open_ && row.joined && belongs(row) &&
                       speed_.takes(speed_rpm, limits_.speed_range_rpm) &&
                       map_.takes(map_kPa, limits_.map_range_kPa) &&
                       throttle_.takes(throttle_percent, limits_.throttle_range_percent);
  if (!goes_on) {
    finish();
    if (!belongs(row)) return;
    open_ = true;
    now_ = {};
    speed_ = {speed_rpm, speed_rpm};
    map_ = {map_kPa, map_kPa};
    throttle_ = {throttle_percent, throttle_percent};
    from_s_ = row[LogRole::time];
    from_line_ = row.line;
  }
  speed_.add(speed_rpm);
  map_.add(map_kPa);
  throttle_.add(throttle_percent);
  to_s_ = row[LogRole::time];
  to_line_ = row.line;
  for (std::size_t i = 0; i < kLogRoles; ++i) now_[i].add(row.value[i]);
}

void SteadyFinder::finish() {
  if (!open_) return;
  open_ = false;
  const double time_s = to_s_ - from_s_;
  if (time_s < kWindow_s) return;
  for (SteadySum* const sum : {static_cast<SteadySum*>(&windows_), &cell_of_now()}) {
    ++sum->count;
    sum->time_s += time_s;
    for (std::size_t i = 0; i < kLogRoles; ++i) sum->of[i].add(now_[i]);
    if (time_s > sum->longest_s) {
      sum->longest_s = time_s;
      sum->longest_from_line = from_line_;
      sum->longest_to_line = to_line_;
    }
  }
}

// The nearest cell's first window within reach, else a new cell with this window as its first.
SteadySum& SteadyFinder::cell_of_now() {
  const double speed_rpm = now_[static_cast<std::size_t>(LogRole::speed)].mean();
  const double map_kPa = now_[static_cast<std::size_t>(LogRole::map)].mean();
  std::size_t nearest = firsts_.size();
  double least = 1;
  for (std::size_t i = 0; i < firsts_.size(); ++i) {
    const double off = std::max(std::fabs(speed_rpm - firsts_[i].speed_rpm) / kCellSpeed_rpm,
                                std::fabs(map_kPa - firsts_[i].map_kPa) / kCellMap_kPa);
    if (off > least) continue;
    least = off;
    nearest = i;
  }
  if (nearest == firsts_.size()) {
    firsts_.push_back({speed_rpm, map_kPa});
    windows_.cells.emplace_back();
  }
  return windows_.cells[nearest];
}

const SteadySum* SteadyWindows::main_cell() const {
  const auto most =
      std::max_element(cells.begin(), cells.end(),
                       [](const SteadySum& a, const SteadySum& b) { return a.time_s < b.time_s; });
  return most == cells.end() ? nullptr : &*most;
}

void CorrectionMap::add(const LogRow& row) {
  const auto i = static_cast<std::size_t>(row[LogRole::speed] / kSpeedStep_rpm);
  const auto j = static_cast<std::size_t>(row[LogRole::map] / kMapStep_kPa);
  cells_[i * kPressures + j].add(row[LogRole::correction]);
}

void LoadMap::Cell::add(const LogRow& row, double row_weight) {
  weight += row_weight;
  const double share = row_weight / weight;
  speed_rpm += share * (row[LogRole::speed] - speed_rpm);
  map_kPa += share * (row[LogRole::map] - map_kPa);
  correction += share * (row[LogRole::correction] - correction);
}

void LoadMap::add(const LogRow& row, double row_weight, double limit) {
  const double correction = row[LogRole::correction];
  // Beyond the limit it was written by a controller that reaches further: a correction like any.
  const bool stands_there = std::fabs(std::fabs(correction) - limit) <= kLimitRounding;
  const Part part = !stands_there ? free : correction > 0 ? at_least : at_most;
  const auto i = static_cast<std::size_t>(row[LogRole::speed] / kSpeedStep_rpm);
  const auto j = static_cast<std::size_t>(row[LogRole::map] / kMapStep_kPa);
  cells_[part][i * kPressures + j].add(row, row_weight);
}

DriveReview review_drive(LogReader& log, double limit) {
  DriveReview review;
  review.limit = limit;
  SteadyFinder idle(kIdleLimits), cruise(kCruiseLimits);
  TransientFinder transients;
  bool left_out = false, turned = false;
  LogRow row;
  while (log.next(row)) {
    // Afterwards a manifold takes its time to fill, and the place may be another.
    turned = turned || row[LogRole::speed] > 0;
    if (!turned) review.key_on_map.add(row[LogRole::map]);
    const bool still = row[LogRole::speed] < kRunning_rpm;
    const bool cold = row[LogRole::coolant] < kWarmCoolant_K;  // false where it is not known
    if (still || cold) {
      ++(still ? review.still : review.cold);
      left_out = true;
      continue;
    }
    if (left_out) row.joined = false;
    left_out = false;
    ++review.rows;
    idle.add(row);
    cruise.add(row);
    transients.add(row);
    review.map.add(row);
    review.coolant.add(row[LogRole::coolant]);
    const double correction = row[LogRole::correction];
    const double weight =
        row[LogRole::map] * (row[LogRole::speed] < kIdleBelow_rpm ? kIdleWeight : 1.0);
    review.load.add(row, weight, limit);
    review.weighted.add(correction, weight);
    review.weighted_size.add(std::fabs(correction), weight);
    if (std::fabs(correction) > limit) ++review.beyond_authority;
  }
  idle.finish();
  cruise.finish();
  transients.finish();
  review.transients = transients.transients();
  review.idle = idle.windows();
  review.cruise = cruise.windows();
  return review;
}

}  // namespace idlefit
