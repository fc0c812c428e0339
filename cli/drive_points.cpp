#include "cli/drive_points.h"

#include <fmt/format.h>

#include <cmath>

#include "cli/check.h"
#include "cli/idle_check.h"
#include "profiles/input_error.h"
#include "profiles/units.h"
#include "profiles/visit_file.h"

namespace idlefit {

DrivePoints drive_points(const DriveReview& drive, const EngineCard& card,
                         const std::string& engine_name, const std::string& log_name) {
  DrivePoints points;
  for (const SteadySum& cell : drive.idle.cells) {
    const std::string where =
        fmt::format("{:.0f} rpm and {:.1f} kPa, lines {} to {}", cell.mean(LogRole::speed),
                    cell.mean(LogRole::map), cell.longest_from_line, cell.longest_to_line);
    if (!std::isfinite(cell.mean(LogRole::coolant))) {
      points.left_out.push_back(where + ": without a coolant column nobody knows that it was warm");
      continue;
    }
    try {
      const Visit visit = logged_visit(cell, drive, card, log_name).visit;
      PointRow row;
      row.car = printable(card.name.empty() ? engine_name : card.name, 100);
      row.card = card_at_visit(card, visit);
      row.map_Pa = *visit.manifold.map_Pa;
      // The sensor's error, and how far the pressure wandered while the idle was called steady.
      row.map_sd_Pa = std::hypot(
          kMapReadingSd_Pa, to_program_unit(cell.of[static_cast<std::size_t>(LogRole::map)].sd(),
                                            "kPa", Dimension::pressure));
      row.source = fmt::format("log {}, {:.0f} s, lines {} to {}", printable(log_name), cell.time_s,
                               cell.longest_from_line, cell.longest_to_line);
      points.rows.push_back(row);
    } catch (const InputError& error) {
      points.left_out.push_back(
          fmt::format("{}: {}, expected {}", where, error.field(), error.expected()));
    }
  }
  return points;
}

std::string drive_points_remark(const EngineCard& card, const std::string& log_name) {
  return fmt::format(
      "Steady, warm idles of the log {}, one a row.\n"
      "The log does not tell gear, loads or health. Whoever fits these rows vouches that the\n"
      "engine was in order and idled in {}, with fans and air conditioning as its file has them;\n"
      "delete rows of other idles.",
      printable(log_name), card.gear == EngineCard::Gear::drive ? "drive" : "neutral");
}

}  // namespace idlefit
