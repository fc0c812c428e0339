#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "profiles/log_file.h"
#include "profiles/transients.h"

namespace idlefit {

/// Mean and spread of numbers as they come (Welford 1962), each with a weight.
class RunningMean {
 public:
  void add(double value, double weight = 1) {
    ++count_;
    weight_ += weight;
    const double off = value - mean_;
    mean_ += weight / weight_ * off;
    squares_ += weight * off * (value - mean_);
  }
  /// All that another has seen (Chan, Golub, LeVeque 1979).
  void add(const RunningMean& other) {
    if (other.count_ == 0) return;
    const double all = weight_ + other.weight_, off = other.mean_ - mean_;
    squares_ += other.squares_ + weight_ * other.weight_ / all * off * off;
    mean_ += other.weight_ / all * off;
    weight_ = all;
    count_ += other.count_;
  }
  std::int64_t count() const { return count_; }
  double mean() const { return mean_; }  ///< 0 where nothing was added
  /// Standard deviation of a sample; 0 below two numbers. For weights of 1.
  double sd() const;

 private:
  std::int64_t count_ = 0;
  double weight_ = 0, mean_ = 0, squares_ = 0;
};

// What a review goes by. Limits of steadiness are chosen; the rest is from memory or common
// practice, no source, as said.
inline constexpr double kWarmCoolant_K = 344.0;  ///< 71 degC, 160 degF: open thermostat; memory
inline constexpr double kRunning_rpm = 300;      ///< below it an engine is cranked or stands
inline constexpr double kIdleBelow_rpm = 1200;   ///< chosen
inline constexpr double kWindow_s = 5;           ///< shortest steady window
inline constexpr double kFineCorrection = 0.05;  ///< mean size that needs nothing; memory
inline constexpr double kActCorrection = 0.10;   ///< mean size beyond which to act; memory
inline constexpr double kCorrectionAuthority = 0.25;  ///< either way; memory
/// What a row at idle counts of a like one at cruise or load; chosen after common practice, where
/// -20 % at idle can be lived with.
inline constexpr double kIdleWeight = 0.25;

/// Limits of a kind of steady running: where it is, and how far its readings may range.
struct SteadyLimits {
  double speed_low_rpm, speed_high_rpm, map_low_kPa, map_high_kPa;
  double speed_range_rpm, map_range_kPa, throttle_range_percent;
};
inline constexpr SteadyLimits kIdleLimits{400, kIdleBelow_rpm, 5, 90, 150, 4, 2};
inline constexpr SteadyLimits kCruiseLimits{1400, 3200, 25, 75, 200, 6, 3};

/// Steady windows put together, and the longest of them.
struct SteadySum {
  std::int64_t count = 0;
  double time_s = 0;
  std::array<RunningMean, kLogRoles> of;  ///< by LogRole, over all rows of all windows
  std::int64_t longest_from_line = 0, longest_to_line = 0;
  double longest_s = 0;

  double mean(LogRole role) const { return of[static_cast<std::size_t>(role)].mean(); }
};

/// Windows whose mean speed and MAP lie this near to those of a cell's first window belong to that
/// cell: half of what one idle window may range. Chosen.
inline constexpr double kCellSpeed_rpm = 75, kCellMap_kPa = 2;

/// Steady running of one kind: all windows, and the same by speed and MAP.
struct SteadyWindows : SteadySum {
  /// In the order in which they were found: first windows lie apart, so that there are only so many
  /// between the limits of a kind, however long the log.
  std::vector<SteadySum> cells;

  /// The cell with the most time; null where there is none.
  const SteadySum* main_cell() const;
};

/// Finds steady windows in rows as they come: as long as speed, MAP and throttle range no further
/// than the limits, without a gap, for kWindow_s or more. A row that would take them further begins
/// the next.
class SteadyFinder {
 public:
  explicit SteadyFinder(const SteadyLimits& limits) : limits_(limits) {}
  void add(const LogRow& row);
  void finish();  ///< behind the last row
  const SteadyWindows& windows() const { return windows_; }

 private:
  struct Range {
    double low = 0, high = 0;
    bool takes(double value, double widest) const;
    void add(double value);
  };
  bool belongs(const LogRow& row) const;
  SteadySum& cell_of_now();

  SteadyLimits limits_;
  SteadyWindows windows_;
  bool open_ = false;
  std::array<RunningMean, kLogRoles> now_;
  Range speed_, map_, throttle_;
  struct First {
    double speed_rpm, map_kPa;
  };
  std::vector<First> firsts_;  // windows of the cells
  double from_s_ = 0, to_s_ = 0;
  std::int64_t from_line_ = 0, to_line_ = 0;
};

/// Closed-loop correction over speed and MAP.
class CorrectionMap {
 public:
  static constexpr double kSpeedStep_rpm = 500, kMapStep_kPa = 10;
  static constexpr std::size_t kSpeeds = 41, kPressures = 51;  ///< reach past what a log may hold

  void add(const LogRow& row);
  /// Cell from i * kSpeedStep_rpm and j * kMapStep_kPa up to the next.
  const RunningMean& cell(std::size_t i, std::size_t j) const { return cells_[i * kPressures + j]; }

 private:
  std::vector<RunningMean> cells_ = std::vector<RunningMean>(kSpeeds * kPressures);
};

/// How near to its limit a correction is taken to stand at it: loggers round. Chosen.
inline constexpr double kLimitRounding = 0.005;

/// What was driven, by cells so small that a fuel table is nearly straight in them, and the
/// correction there; all weighted by load.
class LoadMap {
 public:
  static constexpr double kSpeedStep_rpm = 250, kMapStep_kPa = 5;
  static constexpr std::size_t kSpeeds = 82, kPressures = 102;  ///< reach past what a log may hold

  /// Weight and weighted means of rows.
  struct Cell {
    double weight = 0, speed_rpm = 0, map_kPa = 0, correction = 0;
    void add(const LogRow& row, double row_weight);
  };
  /// Rows whose correction stood at its limit (a share, twice kLimitRounding or more) are kept
  /// apart, each way: there more would have been wanted.
  void add(const LogRow& row, double row_weight, double limit);

  enum Part { free, at_least, at_most };
  static constexpr std::size_t kParts = 3;
  const std::vector<Cell>& cells(Part part) const { return cells_[part]; }

 private:
  std::array<std::vector<Cell>, kParts> cells_{std::vector<Cell>(kSpeeds * kPressures),
                                               std::vector<Cell>(kSpeeds* kPressures),
                                               std::vector<Cell>(kSpeeds* kPressures)};
};

/// What a drive shows.
struct DriveReview {
  std::int64_t rows = 0;             ///< in the map: warm, engine running
  std::int64_t cold = 0, still = 0;  ///< left out of map and windows
  CorrectionMap map;
  LoadMap load;
  RunningMean weighted;       ///< correction, weighted by MAP, and kIdleWeight at idle
  RunningMean weighted_size;  ///< its size, likewise
  RunningMean coolant;        ///< K; not a number where the log has none
  RunningMean key_on_map;     ///< kPa, of rows before the engine first turned: the barometer
  double limit = kCorrectionAuthority;  ///< of correction, a share
  std::int64_t beyond_authority = 0;    ///< rows beyond it
  SteadyWindows idle, cruise;
  std::optional<Transients> transients;  ///< empty where the log has no lambda
};

/// Reads a log to its end. `limit`: how far the controller corrects either way, a share.
DriveReview review_drive(LogReader& log, double limit = kCorrectionAuthority);

}  // namespace idlefit
