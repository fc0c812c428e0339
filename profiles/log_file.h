#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <fstream>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/input_error.h"

namespace idlefit {

/// What a log is read for. The first four must be in it.
enum class LogRole { time, speed, map, correction, coolant, throttle, lambda };
inline constexpr std::size_t kLogRoles = 7;
std::string_view log_role_name(LogRole role);

/// Where a role stands in a log: heading, and value of the program = offset + factor * cell.
struct LogColumn {
  std::string heading;
  double factor = 1, offset = 0;
};

/// The columns of one logger's files.
struct LogColumns {
  std::array<std::optional<LogColumn>, kLogRoles> of;
  char separator = 0;  ///< ',' ';' or tab; 0: as the headings have it
};

/// Reads a column map (schema idlefit.columns/1; docs/review.md). Throws InputError.
LogColumns read_log_columns(const std::string& path);
LogColumns parse_log_columns(std::string_view text, const std::string& name);
/// A column map to copy; it reads back.
std::string_view log_columns_template();

/// One row: s, rpm, kPa absolute, share of fuel added (0.05: 5 % more), K, percent of travel,
/// lambda; by LogRole. What the column map does not name is not a number.
struct LogRow {
  std::int64_t line = 0;  ///< from 1
  std::array<double, kLogRoles> value{};
  bool joined = false;  ///< goes on from the row before: no gap, and time did not run backwards

  double operator[](LogRole role) const { return value[static_cast<std::size_t>(role)]; }
};

/// Steps in time longer than this are gaps; a window of steady running does not reach over one.
inline constexpr double kLogGap_s = 2.0;

/// What is wrong with lines of a log.
enum class LogFault {
  not_a_number,  ///< text in a column of numbers; the row is left out
  no_value,      ///< an empty cell, NaN or infinity; the row is left out
  impossible,    ///< a value outside what the role may be; the row is left out
  too_few,       ///< fewer cells than the columns need, or a quote not closed; left out
  heading,       ///< the headings again; left out
  backwards,     ///< time before the row above; the row is used
  gap,           ///< a step in time of more than kLogGap_s; the row is used
};
inline constexpr std::size_t kLogFaults = 7;
std::string_view log_fault_name(LogFault fault);

/// How often a fault occurred, and where first.
struct LogFaults {
  static constexpr std::size_t kShown = 3;
  std::int64_t count = 0;
  struct Place {
    std::int64_t line = 0;
    std::string what;  ///< "speed: \"abc\""; printable
  };
  std::vector<Place> first;  ///< at most kShown
};

/// Reads a log row by row, in memory that does not grow with it. Separators, byte order mark, line
/// ends, quotes and decimal commas are found out; headings may stand below other text. Numbers with
/// a decimal comma need another separator than the comma; the first decimal sign of a file holds
/// for all of it.
class LogReader {
 public:
  /// Opens a log and finds its headings; "-" is standard input. Throws InputError for a file that
  /// cannot be read, is no text, or lacks a column.
  LogReader(const std::string& path, const LogColumns& columns);

  /// Goes to the next row that can be used; false behind the last. Throws InputError for a line of
  /// more than 64 kB.
  bool next(LogRow& row);

  std::int64_t lines_before_headings() const { return heading_line_ - 1; }
  std::int64_t rows() const { return rows_; }  ///< lines below the headings but blank ones
  std::int64_t used() const { return used_; }
  double step_s() const { return steps_ > 0 ? step_sum_s_ / static_cast<double>(steps_) : 0; }
  const LogFaults& faults(LogFault fault) const { return faults_[static_cast<std::size_t>(fault)]; }

 private:
  struct Wanted {
    std::size_t cell;
    std::size_t role;
    double factor, offset;
  };
  bool next_line();
  void find_headings(const LogColumns& columns);
  bool find_columns(const std::vector<std::string_view>& cells, const LogColumns& columns);
  void split();
  bool read_row(LogRow& row);
  bool number(std::string_view cell, double& value);
  void note(LogFault fault, std::size_t role, std::string_view text);

  std::string name_;
  std::ifstream file_;
  std::vector<char> buffer_;
  std::size_t begin_ = 0, end_ = 0;
  std::string_view line_;
  std::int64_t line_number_ = 0, heading_line_ = 0, rows_ = 0, used_ = 0, steps_ = 0;
  double step_sum_s_ = 0;
  std::string heading_;
  char separator_ = ',';
  char decimal_ = 0;            // 0: not seen yet
  std::vector<Wanted> wanted_;  // by rising cell
  std::vector<std::string_view> cells_;
  std::size_t cells_needed_ = 0;
  std::string unquoted_;
  std::optional<double> time_before_s_;
  std::array<LogFaults, kLogFaults> faults_;
};

}  // namespace idlefit
