#include "profiles/log_file.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstring>
#include <filesystem>
#include <limits>
#include <system_error>
#include <utility>

#include "profiles/text_file.h"
#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

constexpr std::size_t kLineBytesMax = 65'536;
constexpr std::size_t kBufferBytes = 4 * kLineBytesMax;
constexpr std::int64_t kHeadingsWithin = 100;  // lines

// A unit of a role that is none of the library's: value = offset + factor * number.
struct OwnUnit {
  std::string_view name;
  double factor, offset;
};

struct RoleInfo {
  std::string_view name;
  bool needed;
  double low, high;  // possible, in the role's unit
  std::optional<Dimension> dimension;
  double per_program_unit;  // role's unit over the program's
  std::vector<OwnUnit> own;
};

const RoleInfo& info(std::size_t role) {
  constexpr double kEver = 1e12;
  static const std::array<RoleInfo, kLogRoles> table{{
      {"time", true, -kEver, kEver, {}, 1, {{"s", 1, 0}, {"ms", 1e-3, 0}, {"min", 60, 0}}},
      {"speed", true, 0, 20'000, Dimension::speed, 1, {}},
      {"map", true, 5, 500, Dimension::pressure, 1e-3, {}},
      {"correction",
       true,
       -0.9,
       2,
       {},
       1,
       {{"percent added", 0.01, 0}, {"percent of base", 0.01, -1}, {"factor", 1, -1}}},
      {"coolant", false, 200, 450, Dimension::temperature, 1, {}},
      {"throttle", false, -10, 110, {}, 1, {{"percent", 1, 0}}},
      {"lambda", false, 0.3, 40, {}, 1, {{"lambda", 1, 0}}},  // lean end: fuel cut off
  }};
  return table[role];
}

bool is_blank(char c) { return c == ' ' || c == '\t'; }

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && is_blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_blank(text.back())) text.remove_suffix(1);
  return text;
}

bool blank(std::string_view line) { return std::all_of(line.begin(), line.end(), is_blank); }

LogColumn read_column(const YamlNode& node, const std::string& field, const RoleInfo& role) {
  constexpr std::array kKeys{"heading"sv, "unit"sv};
  node.expect_map(field, kKeys);
  LogColumn column;
  column.heading = node.require(field, "heading").as_text(field + ".heading", 200);
  const YamlNode& unit = node.require(field, "unit");
  const std::string unit_field = field + ".unit";
  if (!role.dimension) {
    std::vector<std::string_view> words;
    for (const OwnUnit& own : role.own) words.push_back(own.name);
    const OwnUnit& own = role.own[unit.as_word(unit_field, words)];
    column.factor = own.factor;
    column.offset = own.offset;
    return column;
  }
  const std::string text = unit.as_text(unit_field, 40);
  try {
    // Every unit of the library is linear: two values tell it.
    const double zero = to_program_unit(0, text, *role.dimension) * role.per_program_unit;
    const double hundred = to_program_unit(100, text, *role.dimension) * role.per_program_unit;
    column.offset = zero;
    column.factor = (hundred - zero) / 100;
  } catch (const QuantityError& problem) {
    throw unit.error(unit_field, problem.expected, problem.next_step);
  }
  return column;
}

LogColumns columns_of(const YamlNode& root) {
  constexpr std::array kKeys{"schema"sv, "separator"sv, "columns"sv};
  root.expect_map("", kKeys);
  const YamlNode& schema = root.require("", "schema");
  if (schema.as_text("schema", 60) != "idlefit.columns/1") {
    throw schema.error("schema", "idlefit.columns/1",
                       "This program reads that version alone: idlefit review --template.");
  }
  LogColumns result;
  if (const YamlNode* node = root.find("separator")) {
    constexpr std::array kWords{"comma"sv, "semicolon"sv, "tab"sv};
    result.separator = ",;\t"[node->as_word("separator", kWords)];
  }
  const YamlNode& columns = root.require("", "columns");
  std::vector<std::string_view> names;
  for (std::size_t i = 0; i < kLogRoles; ++i) names.push_back(info(i).name);
  columns.expect_map("columns", names);
  for (std::size_t i = 0; i < kLogRoles; ++i) {
    const std::string field = "columns." + std::string(info(i).name);
    const YamlNode* node =
        info(i).needed ? &columns.require("columns", info(i).name) : columns.find(info(i).name);
    if (node != nullptr) result.of[i] = read_column(*node, field, info(i));
  }
  return result;
}

}  // namespace

std::string_view log_role_name(LogRole role) { return info(static_cast<std::size_t>(role)).name; }

std::string_view log_fault_name(LogFault fault) {
  constexpr std::array kNames{"text where a number belongs"sv,
                              "no value"sv,
                              "impossible value"sv,
                              "too few cells or an open quote"sv,
                              "headings repeated"sv,
                              "time runs backwards"sv,
                              "gap in time"sv};
  return kNames[static_cast<std::size_t>(fault)];
}

LogColumns read_log_columns(const std::string& path) { return columns_of(read_yaml_file(path)); }

LogColumns parse_log_columns(std::string_view text, const std::string& name) {
  return columns_of(parse_yaml(text, name));
}

std::string_view log_columns_template() {
  return R"(schema: idlefit.columns/1
# separator: comma        # comma, semicolon or tab; left out: as the log's headings have it
columns:                  # heading: as the log spells it
  time: {heading: Time, unit: s}                  # s, ms or min
  speed: {heading: Engine speed, unit: rpm}
  map: {heading: MAP, unit: kPa}                  # absolute; any unit of pressure
  correction: {heading: Correction, unit: percent added}
                          # percent added (0: none), percent of base (100: none), factor (1: none)
  coolant: {heading: Coolant, unit: degF}         # may be left out
  throttle: {heading: Throttle, unit: percent}    # may be left out
  # lambda: {heading: Lambda, unit: lambda}       # wideband sensor; take "# " off if there is one
)"sv;
}

LogReader::LogReader(const std::string& path, const LogColumns& columns)
    : name_(text_file_name(path)), buffer_(kBufferBytes) {
  const std::string file = path == "-" ? "/dev/stdin" : path;
  std::error_code ignored;
  const auto status = std::filesystem::status(file, ignored);
  if (path != "-" && !std::filesystem::exists(status)) {
    throw InputError({name_, 0, 0}, "", "", "an existing file", "Check the name and the folder.");
  }
  if (std::filesystem::is_directory(status)) {
    throw InputError({name_, 0, 0}, "", "", "a file, but this is a directory", "Name a log in it.");
  }
  file_.open(file, std::ios::binary);
  if (!file_) {
    throw InputError({name_, 0, 0}, "", "", "a file that can be read",
                     "Check who may read it (its permissions).");
  }
  find_headings(columns);
}

bool LogReader::next_line() {
  for (;;) {
    const char* const from = buffer_.data() + begin_;
    const auto* const stop = static_cast<const char*>(std::memchr(from, '\n', end_ - begin_));
    std::size_t length = end_ - begin_;
    if (stop != nullptr) {
      length = static_cast<std::size_t>(stop - from);
    } else if (file_) {
      if (length > kLineBytesMax) {
        throw InputError({name_, static_cast<int>(line_number_ + 1), 0}, "", "",
                         "lines of at most 64 kB", "Is this the log, with lines that end?");
      }
      std::memmove(buffer_.data(), from, length);
      begin_ = 0;
      file_.read(buffer_.data() + length, static_cast<std::streamsize>(buffer_.size() - length));
      end_ = length + static_cast<std::size_t>(file_.gcount());
      if (file_.bad()) {
        throw InputError({name_, 0, 0}, "", "", "a file that can be read to its end",
                         "Copy the file and try again.");
      }
      continue;
    } else if (length == 0) {
      return false;
    }
    line_ = {from, length};
    begin_ += length + (stop != nullptr ? 1 : 0);
    if (!line_.empty() && line_.back() == '\r') line_.remove_suffix(1);
    if (line_number_++ == 0) line_ = without_byte_order_mark(line_);
    return true;
  }
}

// Cells of the line into cells_, as many as are needed, or all where that is not known yet. Stops
// short of a quote that does not close.
void LogReader::split() {
  cells_.clear();
  const char* p = line_.data();
  const char* const stop = p + line_.size();
  if (line_.empty() || std::memchr(p, '"', line_.size()) == nullptr) {
    for (;;) {
      const auto* end =
          static_cast<const char*>(std::memchr(p, separator_, static_cast<std::size_t>(stop - p)));
      if (end == nullptr) end = stop;
      cells_.emplace_back(p, static_cast<std::size_t>(end - p));
      if (end == stop || cells_.size() == cells_needed_) return;
      p = end + 1;
    }
  }
  // Quotes are resolved into a text of its own, never longer than the line.
  unquoted_.clear();
  unquoted_.reserve(line_.size());
  for (;;) {
    while (p != stop && is_blank(*p) && *p != separator_) ++p;
    const std::size_t start = unquoted_.size();
    if (p != stop && *p == '"') {
      for (++p;; ++p) {
        if (p == stop) return;
        if (*p == '"') {
          if (p + 1 == stop || p[1] != '"') break;
          ++p;
        }
        unquoted_ += *p;
      }
      ++p;
    }
    while (p != stop && *p != separator_) unquoted_ += *p++;
    cells_.emplace_back(unquoted_.data() + start, unquoted_.size() - start);
    if (p == stop) return;
    ++p;
  }
}

bool LogReader::find_columns(const std::vector<std::string_view>& cells,
                             const LogColumns& columns) {
  wanted_.clear();
  for (std::size_t role = 0; role < kLogRoles; ++role) {
    if (!columns.of[role]) continue;
    const LogColumn& column = *columns.of[role];
    const auto matches = [&](std::string_view cell) { return trimmed(cell) == column.heading; };
    const auto found = std::find_if(cells.begin(), cells.end(), matches);
    if (found == cells.end()) return false;
    if (std::any_of(found + 1, cells.end(), matches)) {
      throw InputError({name_, static_cast<int>(line_number_), 0}, "", column.heading,
                       "each heading once", "Rename one of the two in the log.");
    }
    wanted_.push_back(
        {static_cast<std::size_t>(found - cells.begin()), role, column.factor, column.offset});
  }
  return true;
}

void LogReader::find_headings(const LogColumns& columns) {
  std::string first;
  std::int64_t first_line = 0;
  std::vector<std::string> first_cells;
  while (heading_line_ == 0 && line_number_ < kHeadingsWithin && next_line()) {
    if (blank(line_)) continue;
    if (const auto no_text = find_no_text(line_)) {
      const int column = column_of(line_, no_text->byte);
      throw InputError({name_, static_cast<int>(line_number_), column}, "",
                       std::string(line_.substr(no_text->byte, no_text->length)),
                       "headings in UTF-8 text",
                       no_text_advice(line_, *no_text, "export the log as CSV in UTF-8"));
    }
    for (const char separator : ",;\t"sv) {
      if (columns.separator != 0 && separator != columns.separator) continue;
      separator_ = separator;
      split();
      if (find_columns(cells_, columns)) {
        heading_line_ = line_number_;
        heading_ = line_;
        break;
      }
      if (cells_.size() > first_cells.size()) {  // most likely the headings, one of them missing
        first = line_;
        first_line = line_number_;
        first_cells.assign(cells_.begin(), cells_.end());
      }
    }
  }
  if (heading_line_ == 0) {
    if (first_line == 0) {
      throw InputError({name_, 0, 0}, "", "", "a line of headings and rows below it",
                       "The log is empty: export it again.");
    }
    for (std::size_t role = 0; role < kLogRoles; ++role) {
      if (!columns.of[role]) continue;
      std::vector<std::string_view> headings;
      for (const std::string& cell : first_cells) headings.push_back(trimmed(cell));
      const std::string& wanted = columns.of[role]->heading;
      if (std::find(headings.begin(), headings.end(), wanted) != headings.end()) continue;
      const std::string near = nearest_name(wanted, headings);
      throw InputError(
          {name_, static_cast<int>(first_line), 0}, "", first,
          "a column \"" + printable(wanted) + "\" (" + std::string(info(role).name) + ")",
          near.empty() ? "Write the log's own headings into the column map."
                       : "Did you mean \"" + printable(near) + "\"? Correct the column map.");
    }
    throw InputError({name_, static_cast<int>(first_line), 0}, "", first,
                     "all columns of the map in one line of headings", "Export the log again.");
  }
  std::sort(wanted_.begin(), wanted_.end(),
            [](const Wanted& a, const Wanted& b) { return a.cell < b.cell; });
  cells_needed_ = wanted_.back().cell + 1;
}

void LogReader::note(LogFault fault, std::size_t role, std::string_view text) {
  LogFaults& faults = faults_[static_cast<std::size_t>(fault)];
  ++faults.count;
  if (faults.first.size() == LogFaults::kShown) return;
  std::string what;
  if (role < kLogRoles) what = std::string(info(role).name) + ": ";
  faults.first.push_back({line_number_, what + "\"" + printable(text, 30) + "\""});
}

// False where the cell is no number; infinities and NaN are numbers here.
bool LogReader::number(std::string_view cell, double& value) {
  if (!cell.empty() && cell.front() == '+') cell.remove_prefix(1);
  const char* const stop = cell.data() + cell.size();
  const auto [end, problem] = std::from_chars(cell.data(), stop, value);
  if (problem != std::errc()) return false;
  if (end == stop) {
    if (decimal_ != '.' && separator_ != ',' && cell.find('.') != std::string_view::npos) {
      if (decimal_ == ',') return false;
      decimal_ = '.';
    }
    return true;
  }
  if (*end != ',' || separator_ == ',' || decimal_ == '.' ||
      cell.find('.') != std::string_view::npos || cell.size() > 40) {
    return false;
  }
  std::array<char, 40> point{};
  std::copy(cell.begin(), cell.end(), point.begin());
  point[static_cast<std::size_t>(end - cell.data())] = '.';
  const char* const point_stop = point.data() + cell.size();
  const auto again = std::from_chars(point.data(), point_stop, value);
  if (again.ec != std::errc() || again.ptr != point_stop) return false;
  decimal_ = ',';
  return true;
}

bool LogReader::read_row(LogRow& row) {
  split();
  if (cells_.size() < cells_needed_) {
    note(LogFault::too_few, kLogRoles, line_);
    return false;
  }
  for (const Wanted& wanted : wanted_) {
    const std::string_view cell = trimmed(cells_[wanted.cell]);
    double value = 0;
    if (cell.empty()) {
      note(LogFault::no_value, wanted.role, cell);
      return false;
    }
    if (!number(cell, value)) {
      note(LogFault::not_a_number, wanted.role, cell);
      return false;
    }
    if (!std::isfinite(value)) {
      note(LogFault::no_value, wanted.role, cell);
      return false;
    }
    value = wanted.offset + wanted.factor * value;
    if (value < info(wanted.role).low || value > info(wanted.role).high) {
      note(LogFault::impossible, wanted.role, cell);
      return false;
    }
    row.value[wanted.role] = value;
  }
  return true;
}

bool LogReader::next(LogRow& row) {
  while (next_line()) {
    if (blank(line_)) continue;
    ++rows_;
    if (line_ == heading_) {
      note(LogFault::heading, kLogRoles, line_);
      continue;
    }
    row.value.fill(std::numeric_limits<double>::quiet_NaN());
    if (!read_row(row)) continue;
    row.line = line_number_;
    row.joined = false;
    const double time_s = row[LogRole::time];
    if (time_before_s_) {
      const double step_s = time_s - *time_before_s_;
      if (step_s < 0) {
        note(LogFault::backwards, 0,
             number_text(time_s) + " s after " + number_text(*time_before_s_) + " s");
      } else if (step_s > kLogGap_s) {
        note(LogFault::gap, 0, number_text(step_s) + " s");
      } else {
        row.joined = true;
      }
      if (step_s >= 0) {
        ++steps_;
        step_sum_s_ += step_s;
      }
    }
    time_before_s_ = time_s;
    ++used_;
    return true;
  }
  return false;
}

}  // namespace idlefit
