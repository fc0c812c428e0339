#include "cli/drive_points.h"

#include <fmt/format.h>

#include <cmath>

#include "cli/check.h"
#include "cli/idle_check.h"
#include "model/ve_surface.h"
#include "profiles/input_error.h"
#include "profiles/predicted_table.h"
#include "profiles/units.h"
#include "profiles/visit_file.h"

namespace idlefit {

namespace {

// What is in common to all volumetric efficiencies of a log: flow of the injectors and pressure of
// the fuel, 5 % of 0.6. And what is not: a table that is read between its cells, a cruise that is
// not quite steady. Chosen, no source.
constexpr double kFuelOffset = 0.03, kCruiseVeSd = 0.02;

double sd_of(const SteadySum& cell, LogRole role) {
  return cell.of[static_cast<std::size_t>(role)].sd();
}

double pascal(double kPa) { return to_program_unit(kPa, "kPa", Dimension::pressure); }

void take_idle(PointRow& row, const SteadySum& cell, const DriveReview& drive,
               const EngineCard& card, const std::string& log_name) {
  const Visit visit = logged_visit(cell, drive, card, log_name).visit;
  row.card = card_at_visit(card, visit);
  row.map_Pa = visit.manifold.map_Pa;
  // The sensor's error, and how far the pressure wandered while the idle was called steady.
  row.map_sd_Pa = std::hypot(kMapReadingSd_Pa, pascal(sd_of(cell, LogRole::map)));
}

// Spark and mixture stay those of the card's idle: volumetric efficiency hardly hangs on them.
void take_cruise(PointRow& row, const SteadySum& cell, const EngineCard& card,
                 const std::string& log_name, const VeTable& table) {
  const double speed_rpm = cell.mean(LogRole::speed), map_Pa = pascal(cell.mean(LogRole::map));
  const double ve = (1 + cell.mean(LogRole::correction)) *
                    interpolate(grid_of(table), table.ve, speed_rpm, map_Pa);
  row.card = card;
  row.card.speed_rpm = speed_rpm;
  row.held = HeldVe{ve, std::hypot(kCruiseVeSd, ve * sd_of(cell, LogRole::correction)), map_Pa,
                    printable("fuel of log " + log_name, 100), kFuelOffset};
}

}  // namespace

DrivePoints drive_points(const DriveReview& drive, const EngineCard& card,
                         const std::string& engine_name, const std::string& log_name,
                         const BaselineProfile* loaded) {
  DrivePoints points;
  // `take` fills the row, or says why it cannot be one.
  const auto take_cells = [&](const SteadyWindows& windows, auto&& take) {
    for (const SteadySum& cell : windows.cells) {
      const std::string where =
          fmt::format("{:.0f} rpm and {:.1f} kPa, lines {} to {}", cell.mean(LogRole::speed),
                      cell.mean(LogRole::map), cell.longest_from_line, cell.longest_to_line);
      if (!std::isfinite(cell.mean(LogRole::coolant))) {
        points.left_out.push_back(where +
                                  ": without a coolant column nobody knows that it was warm");
        continue;
      }
      PointRow row;
      row.car = printable(card.name.empty() ? engine_name : card.name, 100);
      row.source = fmt::format("log {}, {:.0f} s, lines {} to {}", printable(log_name), cell.time_s,
                               cell.longest_from_line, cell.longest_to_line);
      const std::string why_not = take(row, cell);
      if (why_not.empty()) {
        points.rows.push_back(row);
      } else {
        points.left_out.push_back(where + ": " + why_not);
      }
    }
  };
  take_cells(drive.idle, [&](PointRow& row, const SteadySum& cell) -> std::string {
    try {
      take_idle(row, cell, drive, card, log_name);
    } catch (const InputError& error) {
      return fmt::format("{}, expected {}", error.field(), error.expected());
    }
    return {};
  });
  if (loaded == nullptr || drive.cruise.cells.empty()) return points;
  EngineCard station = card;  // where the idles show another barometer, under that
  if (!points.rows.empty()) {
    station.barometer_Pa = points.rows.front().card.barometer_Pa;
    station.altitude_m = points.rows.front().card.altitude_m;
  }
  if (!loaded->ve || loaded->ve->density_at != DensityAt::charge) {
    points.left_out.push_back("cruise: baseline " + loaded->name +
                              " has no fuel table by the density of the charge");
    return points;
  }
  take_cells(drive.cruise, [&](PointRow& row, const SteadySum& cell) -> std::string {
    // Clipped at the limit a mean is too small, and so is its spread.
    if (std::fabs(cell.mean(LogRole::correction)) + sd_of(cell, LogRole::correction) >
        drive.limit - kLimitRounding)
      return "correction at its limit: the engine wants more";
    take_cruise(row, cell, station, log_name, *loaded->ve);
    return {};
  });
  return points;
}

std::string drive_points_remark(const EngineCard& card, const std::string& log_name) {
  return fmt::format(
      "Steady, warm running of the log {}, one cell a row.\n"
      "The log does not tell gear, loads or health. Whoever fits these rows vouches that the\n"
      "engine was in order and idled in {}, with fans and air conditioning as its file has them;\n"
      "delete rows of other idles.",
      printable(log_name), card.gear == EngineCard::Gear::drive ? "drive" : "neutral");
}

}  // namespace idlefit
