#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "profiles/log_file.h"

namespace idlefit {

// Lean or rich for a moment after the throttle moved fast, by a lambda sensor in the exhaust. All
// limits are chosen.

/// A throttle that moves at this rate or faster, percent of travel a second; where the log has no
/// throttle, MAP, kPa a second.
inline constexpr double kTipThrottle_percent_s = 40, kTipMap_kPa_s = 60;
/// The movement is taken over this time, or from row to row where rows lie further apart.
inline constexpr double kTipSpan_s = 0.3;
/// Lambda before: its mean over this time, of which the log must have half, in three rows or more.
inline constexpr double kTipBefore_s = 1;
/// A mean beyond it is no burning mixture but fuel cut off: nothing is judged by it.
inline constexpr double kTipLeanest = 1.25;
/// Lambda after: the furthest that its mean over the smoothing time goes within the time after the
/// movement was seen, or until the throttle moves fast again, if that is not sooner than this.
inline constexpr double kTipAfter_s = 2, kTipSoonest_s = 1, kTipSmoothing_s = 0.25;
/// A longer step in time is a gap here: what lambda did in it is not known.
inline constexpr double kTipGap_s = 0.5;
/// Smaller excursions are none.
inline constexpr double kTipExcursion = 0.05;
/// Of fewer movements one way nothing is said.
inline constexpr std::int64_t kTipFewest = 3;

/// What lambda did after movements one way.
struct TipEvents {
  static constexpr std::size_t kFirst = 3;
  std::int64_t judged = 0;                ///< movements
  std::int64_t excursions = 0;            ///< of those, with more than kTipExcursion
  std::int64_t not_judged = 0;            ///< a gap, no lambda before, or moved again too soon
  std::vector<std::int64_t> first_lines;  ///< of excursions: where the movement was seen

  void add(double excursion, std::int64_t line);
  /// Median size of the excursions, lambda, to half of kBin, larger ones counted as 1; empty where
  /// there are none.
  std::optional<double> median() const;

 private:
  static constexpr double kBin = 0.001;
  std::array<std::int64_t, 1001> sizes_{};  // by kBin
};

/// Tip-ins, lean after them, and tip-outs, rich after them.
struct Transients {
  bool by_throttle = false;  ///< else by MAP
  TipEvents in, out;
};

/// Finds them in rows as they come, in memory that does not grow with the log.
class TransientFinder {
 public:
  void add(const LogRow& row);
  void finish();  ///< behind the last row
  /// Empty where no row had a lambda.
  const std::optional<Transients>& transients() const { return transients_; }

 private:
  struct Sample {
    double time_s, signal, lambda;
  };
  struct Watch {
    bool in;
    double from_s, before, furthest;
    std::int64_t line;
  };
  // At most so many rows are looked back on: a second at 4 kHz.
  static constexpr std::uint64_t kSamples = 4096;

  const Sample& at(std::uint64_t i) const { return samples_[i % kSamples]; }
  void remember(const Sample& sample);
  void forget();
  double lambda_before(double time_s) const;
  void watch(const Sample& now, bool in, std::int64_t line);
  void end_watch(bool whole);

  std::optional<Transients> transients_;
  std::vector<Sample> samples_;
  // Rows count from the log's beginning: [first_, next_) are remembered, the movement is taken from
  // since_, and [smooth_, next_) are smoothed over.
  std::uint64_t first_ = 0, next_ = 0, since_ = 0, smooth_ = 0;
  double smooth_sum_ = 0;
  int moving_ = 0;  // 1 opening, -1 closing
  std::optional<Watch> watch_;
};

}  // namespace idlefit
