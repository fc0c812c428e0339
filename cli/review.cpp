#include "cli/review.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <optional>
#include <string_view>
#include <vector>

#include "cli/transients.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

constexpr std::size_t kLabelWidth = 11;
constexpr std::int64_t kShownFrom = 10;  // readings of a cell that the text shows

bool has(const RunningMean& mean) { return std::isfinite(mean.mean()) && mean.count() > 0; }

std::string percent(double share) { return fmt::format("{:+.1f}%", 100 * share); }

double beyond_share(const DriveReview& drive) {
  return static_cast<double>(drive.beyond_authority) / static_cast<double>(drive.rows);
}

std::string_view judgement(const DriveReview& drive) {
  const double size = std::fabs(drive.weighted.mean());
  return size <= kFineCorrection  ? "within 5%: fine"
         : size <= kActCorrection ? "between 5% and 10%: watch it"
                                  : "beyond 10%: act on it";
}

std::string_view side_of(const DriveReview& drive) {
  const double mean = drive.weighted.mean();
  return std::fabs(mean) < 5e-4 ? "even" : mean > 0 ? "lean" : "rich";
}

// Cells of the map put together so that they fit the screen: how many of the fine ones each way.
struct Coarse {
  std::size_t speeds = 1, pressures = 1;
  std::vector<std::size_t> rows, columns;  // in coarse cells, those that hold readings
};

RunningMean coarse_cell(const CorrectionMap& map, const Coarse& by, std::size_t i, std::size_t j) {
  RunningMean all;
  for (std::size_t a = i * by.speeds; a < std::min((i + 1) * by.speeds, map.kSpeeds); ++a) {
    for (std::size_t b = j * by.pressures; b < std::min((j + 1) * by.pressures, map.kPressures);
         ++b) {
      all.add(map.cell(a, b));
    }
  }
  return all;
}

Coarse coarse_for(const CorrectionMap& map, std::size_t rows) {
  constexpr std::size_t kColumns = 8;
  Coarse by;
  for (;;) {
    by.rows.clear();
    by.columns.clear();
    for (std::size_t i = 0; i * by.speeds < map.kSpeeds; ++i) {
      for (std::size_t j = 0; j * by.pressures < map.kPressures; ++j) {
        if (coarse_cell(map, by, i, j).count() < kShownFrom) continue;
        if (by.rows.empty() || by.rows.back() != i) by.rows.push_back(i);
        if (std::find(by.columns.begin(), by.columns.end(), j) == by.columns.end()) {
          by.columns.push_back(j);
        }
      }
    }
    if (by.rows.size() > rows) {
      by.speeds *= 2;
    } else if (by.columns.size() > kColumns) {
      by.pressures *= 2;
    } else {
      std::sort(by.columns.begin(), by.columns.end());
      return by;
    }
  }
}

// On `lines` lines; none where that is too few to show a map.
std::string map_text(const CorrectionMap& map, std::size_t lines) {
  constexpr std::size_t kHeadings = 2, kFewestRows = 2, kMostRows = 7;
  if (lines < kHeadings + kFewestRows) return {};
  const Coarse by = coarse_for(map, std::min(lines - kHeadings, kMostRows));
  if (by.rows.empty()) return fmt::format("No cell of the map holds {} readings.\n", kShownFrom);
  const double speed_step = CorrectionMap::kSpeedStep_rpm * static_cast<double>(by.speeds);
  const double map_step = CorrectionMap::kMapStep_kPa * static_cast<double>(by.pressures);
  std::string text = fmt::format(
      "Correction in %, mean ± sd, by rpm and kPa from each edge ({:.0f} rpm by "
      "{:.0f} kPa)\nrpm \\ kPa",
      speed_step, map_step);
  for (const std::size_t j : by.columns) {
    text += fmt::format("{:>8.0f}", map_step * static_cast<double>(j));
  }
  text += "\n";
  for (const std::size_t i : by.rows) {
    std::string line = fmt::format("{:>9.0f}", speed_step * static_cast<double>(i));
    for (const std::size_t j : by.columns) {
      const RunningMean cell = coarse_cell(map, by, i, j);
      const std::string shown =
          cell.count() < kShownFrom
              ? "-"
              : fmt::format("{:+.0f} ± {:.0f}", 100 * cell.mean(), 100 * cell.sd());
      line += std::string(8 - std::min<std::size_t>(8, display_width(shown)), ' ') + shown;
    }
    text += line + "\n";
  }
  return text;
}

std::string windows_words(const SteadyWindows& windows) {
  if (windows.count == 0) return fmt::format("no steady window of {:.0f} s or more.", kWindow_s);
  const auto mean = [&](LogRole role) -> const RunningMean& {
    return windows.of[static_cast<std::size_t>(role)];
  };
  std::string text =
      fmt::format("{:.0f} rpm, {:.1f} kPa, correction {}", mean(LogRole::speed).mean(),
                  mean(LogRole::map).mean(), percent(mean(LogRole::correction).mean()));
  if (has(mean(LogRole::throttle))) {
    text += fmt::format(", throttle {:.1f}%", mean(LogRole::throttle).mean());
  }
  return text + fmt::format(": {} window{}, {:.0f} s, the longest on lines {} to {}.",
                            windows.count, windows.count == 1 ? "" : "s", windows.time_s,
                            windows.longest_from_line, windows.longest_to_line);
}

LogFault fault_of(std::size_t i) { return static_cast<LogFault>(i); }

// What was read, where that gives reason to doubt the column map, and what was wrong with it; on so
// many lines.
std::string log_row(const Review& review, std::size_t lines) {
  const LogReader& log = review.log;
  std::vector<std::string> items{
      fmt::format("{} row{}, {} used", log.rows(), log.rows() == 1 ? "" : "s", log.used())};
  if (log.step_s() > 0) items.back() += ", every " + number_text(log.step_s(), 2) + " s";
  if (log.used() > 1 && log.faults(LogFault::gap).count > log.used() / 2)
    items.emplace_back("most steps in time are gaps (is the unit of time right?)");
  if (log.faults(LogFault::impossible).count > log.rows() / 2)
    items.emplace_back("most rows are impossible (are the units in the column map right?)");
  if (review.drive.still > 0)
    items.push_back(fmt::format("{} without running", review.drive.still));
  if (review.drive.cold > 0) items.push_back(fmt::format("{} below 160 degF", review.drive.cold));
  if (log.lines_before_headings() > 0)
    items.push_back(fmt::format("{} line{} above the headings", log.lines_before_headings(),
                                log.lines_before_headings() == 1 ? "" : "s"));
  for (std::size_t i = 0; i < kLogFaults; ++i) {
    const LogFaults& f = log.faults(fault_of(i));
    if (f.count == 0) continue;
    items.push_back(fmt::format("{}: {} (first on line {}, {})", log_fault_name(fault_of(i)),
                                f.count, f.first[0].line, f.first[0].what));
  }
  return listed("Log", kLabelWidth, items, "; ", lines);
}

bool warmth_known(const Review& review) {
  // Every row of the map has a coolant temperature, or none has.
  return review.drive.coolant.count() > 0 && std::isfinite(review.drive.coolant.mean());
}

nlohmann::ordered_json steady_json(const SteadySum& windows) {
  const auto mean = [&](LogRole role) -> nlohmann::ordered_json {
    const RunningMean& of = windows.of[static_cast<std::size_t>(role)];
    if (!has(of)) return nullptr;
    return of.mean();
  };
  return {{"windows", windows.count},
          {"time_s", windows.time_s},
          {"longest_s", windows.longest_s},
          {"longest_lines", {windows.longest_from_line, windows.longest_to_line}},
          {"speed_rpm", mean(LogRole::speed)},
          {"map_kPa", mean(LogRole::map)},
          {"correction_share", mean(LogRole::correction)},
          {"coolant_K", mean(LogRole::coolant)},
          {"throttle_percent", mean(LogRole::throttle)},
          {"lambda", mean(LogRole::lambda)}};
}

nlohmann::ordered_json windows_json(const SteadyWindows& windows) {
  nlohmann::ordered_json document = steady_json(windows);
  document["cells"] = nlohmann::ordered_json::array();
  for (const SteadySum& cell : windows.cells) document["cells"].push_back(steady_json(cell));
  return document;
}

// Calls `use(i, j, cell)` for each cell that holds readings.
template <class Use>
void for_cells(const CorrectionMap& map, const Use& use) {
  for (std::size_t i = 0; i < map.kSpeeds; ++i) {
    for (std::size_t j = 0; j < map.kPressures; ++j) {
      if (map.cell(i, j).count() > 0) {
        use(static_cast<double>(i) * map.kSpeedStep_rpm, static_cast<double>(j) * map.kMapStep_kPa,
            map.cell(i, j));
      }
    }
  }
}

}  // namespace

std::string review_line(const Review& review) {
  if (!review.judged()) {
    return fmt::format("Cannot judge: no row of a warm, running engine among {} read",
                       review.log.rows());
  }
  if (review.loaded.comparison) return loaded_line(review.loaded);
  return fmt::format("{} correction by load: the fuel table is {}; {}",
                     percent(review.drive.weighted.mean()), side_of(review.drive),
                     judgement(review.drive));
}

std::string review_text(const Review& review, const Style& style) {
  const DriveReview& drive = review.drive;
  const std::string head = labelled("", 0, review_line(review));
  std::string size, below;
  const auto row = [&below](std::string_view label, const std::string& words) {
    below += labelled(label, kLabelWidth, words);
  };
  if (review.judged()) {
    // Beside a line on baselines, what would be the first line is here.
    size = labelled(
        review.loaded.comparison ? "Correction" : "Size", kLabelWidth,
        fmt::format("{}{:.1f}% either way on average; {:.1f}% of rows beyond ±{:.0f}%.{}",
                    review.loaded.comparison
                        ? fmt::format("{} by load: {}, {}; ", percent(drive.weighted.mean()),
                                      side_of(drive), judgement(drive))
                        : "",
                    100 * drive.weighted_size.mean(), 100 * beyond_share(drive), 100 * drive.limit,
                    warmth_known(review) ? "" : " No coolant column: warmth is not known."));
    const std::string change = change_words(review.loaded);
    row("Baselines", loaded_words(review.loaded));
    if (!change.empty()) row("Change", change);
    row("Idle", windows_words(drive.idle));
    if (review.idle_check.idle != nullptr) row("Idle check", idle_check_words(review.idle_check));
    row("Cruise", windows_words(drive.cruise));
    const std::string tips = transients_words(drive.transients);
    if (!tips.empty()) row("Tip-in/out", tips);
  }
  if (!review.idle_check.judged() && !review.loaded.comparison)
    row("Estimate", estimate_line(review.estimate) + ".");
  // A comparison takes the lines of others.
  below += log_row(review, review.loaded.comparison ? 2 : 3);
  row("Caution",
      "log with a helper driving, where that is lawful; nobody watches the screen while driving. "
      "The service manual and local codes come first.");
  const std::size_t taken = line_count(head) + line_count(size) + line_count(below);
  const std::string map =
      review.judged() ? map_text(drive.map, kScreenLines - std::min(kScreenLines, taken)) : "";
  return style.bold(head) + size + map + below;
}

std::string review_csv(const Review& review) {
  std::string text =
      "speed_from_rpm,speed_to_rpm,map_from_kPa,map_to_kPa,readings,mean_percent,sd_percent\n";
  for_cells(review.drive.map, [&](double rpm, double kPa, const RunningMean& cell) {
    text += fmt::format("{:.0f},{:.0f},{:.0f},{:.0f},{},{:.4f},{:.4f}\n", rpm,
                        rpm + CorrectionMap::kSpeedStep_rpm, kPa, kPa + CorrectionMap::kMapStep_kPa,
                        cell.count(), 100 * cell.mean(), 100 * cell.sd());
  });
  return text;
}

nlohmann::ordered_json review_json(const Review& review) {
  using Json = nlohmann::ordered_json;
  const DriveReview& drive = review.drive;
  const LogReader& log = review.log;
  Json faults = Json::array();
  for (std::size_t i = 0; i < kLogFaults; ++i) {
    const LogFaults& f = log.faults(fault_of(i));
    if (f.count == 0) continue;
    Json first = Json::array();
    for (const LogFaults::Place& place : f.first) {
      first.push_back({{"line", place.line}, {"what", place.what}});
    }
    faults.push_back(
        {{"fault", log_fault_name(fault_of(i))}, {"count", f.count}, {"first", first}});
  }
  Json cells = Json::array();
  for_cells(drive.map, [&](double rpm, double kPa, const RunningMean& cell) {
    cells.push_back({{"speed_rpm", {rpm, rpm + CorrectionMap::kSpeedStep_rpm}},
                     {"map_kPa", {kPa, kPa + CorrectionMap::kMapStep_kPa}},
                     {"readings", cell.count()},
                     {"mean_share", cell.mean()},
                     {"sd_share", cell.sd()}});
  });
  const auto if_judged = [&](double value) {
    return review.judged() ? Json(value) : Json(nullptr);
  };
  return {{"schema", "idlefit.review/1"},
          {"log", review.log_name},
          {"status", review.judged() ? "ok" : "not-judged"},
          {"correction",
           {{"mean_share", if_judged(drive.weighted.mean())},
            {"size_share", if_judged(drive.weighted_size.mean())},
            {"beyond_authority_share", review.judged() ? Json(beyond_share(drive)) : Json(nullptr)},
            {"judgement", review.judged() ? Json(judgement(drive)) : Json(nullptr)}}},
          {"rows",
           {{"read", log.rows()},
            {"used", log.used()},
            {"without_running", drive.still},
            {"cold", drive.cold},
            {"in_map", drive.rows},
            {"step_s", log.step_s()},
            {"lines_above_headings", log.lines_before_headings()}}},
          {"warmth_known", warmth_known(review)},
          {"faults", faults},
          {"idle", windows_json(drive.idle)},
          {"cruise", windows_json(drive.cruise)},
          {"map", cells},
          {"estimate_idle", estimate_json(review.estimate)["idle"]},
          {"idle_check", idle_check_json(review.idle_check)},
          {"transients", transients_json(drive.transients)},
          {"baselines", loaded_json(review.loaded)}};
}

}  // namespace idlefit
