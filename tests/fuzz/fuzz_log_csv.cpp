#include <cmath>

#include "profiles/drive.h"
#include "profiles/log_file.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

// Between a column map and its log stands this line; without it all is log, and the map is the
// template's.
constexpr std::string_view kLogBegins = "\n=====\n";

void read(std::string_view text) {
  const std::size_t split = text.find(kLogBegins);
  const bool whole = split == std::string_view::npos;
  const LogColumns columns =
      whole ? parse_log_columns(log_columns_template(), "template")
            : read_log_columns(file_of(text.substr(0, split + 1), "columns.yaml"));
  const std::string file = file_of(whole ? text : text.substr(split + kLogBegins.size()));
  LogReader log(file, columns);
  LogRow row;
  while (log.next(row)) {
    for (const LogRole role : {LogRole::time, LogRole::speed, LogRole::map, LogRole::correction}) {
      require(std::isfinite(row[role]), "a row of a log with a value that is not finite");
    }
  }
  require(log.used() <= log.rows(), "more rows of a log used than it has");
  for (std::size_t i = 0; i < kLogFaults; ++i) {
    for (const LogFaults::Place& place : log.faults(static_cast<LogFault>(i)).first) {
      check_message(place.what);
    }
  }
  LogReader again(file, columns);
  const DriveReview drive = review_drive(again);
  require(drive.rows + drive.cold + drive.still == log.used(), "rows of a log lost in its review");
  require(std::isfinite(drive.weighted.mean()), "a mean correction that is not finite");
  std::int64_t windows = 0;
  for (const SteadySum& cell : drive.idle.cells) windows += cell.count;
  require(windows == drive.idle.count, "windows that belong to no cell, or to two");
  if (!drive.transients) return;
  for (const TipEvents* const tips : {&drive.transients->in, &drive.transients->out}) {
    require(tips->excursions <= tips->judged, "more excursions than movements");
    require(!tips->median() || std::isfinite(*tips->median()), "a size that is not finite");
  }
}

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
