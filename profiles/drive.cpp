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
  ++windows_.count;
  windows_.time_s += time_s;
  for (std::size_t i = 0; i < kLogRoles; ++i) windows_.of[i].add(now_[i]);
  if (time_s > windows_.longest_s) {
    windows_.longest_s = time_s;
    windows_.longest_from_line = from_line_;
    windows_.longest_to_line = to_line_;
  }
}

void CorrectionMap::add(const LogRow& row) {
  const auto i = static_cast<std::size_t>(row[LogRole::speed] / kSpeedStep_rpm);
  const auto j = static_cast<std::size_t>(row[LogRole::map] / kMapStep_kPa);
  cells_[i * kPressures + j].add(row[LogRole::correction]);
}

DriveReview review_drive(LogReader& log) {
  DriveReview review;
  SteadyFinder idle(kIdleLimits), cruise(kCruiseLimits);
  bool left_out = false;
  LogRow row;
  while (log.next(row)) {
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
    review.map.add(row);
    review.coolant.add(row[LogRole::coolant]);
    const double correction = row[LogRole::correction];
    const double weight =
        row[LogRole::map] * (row[LogRole::speed] < kIdleBelow_rpm ? kIdleWeight : 1.0);
    review.weighted.add(correction, weight);
    review.weighted_size.add(std::fabs(correction), weight);
    if (std::fabs(correction) > kCorrectionAuthority) ++review.beyond_authority;
  }
  idle.finish();
  cruise.finish();
  review.idle = idle.windows();
  review.cruise = cruise.windows();
  return review;
}

}  // namespace idlefit
