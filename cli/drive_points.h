#pragma once

#include <string>
#include <vector>

#include "cli/point_rows.h"
#include "profiles/drive.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// Idles of a log as rows of a points file, a row a steady cell.
struct DrivePoints {
  std::vector<PointRow> rows;
  std::vector<std::string> left_out;  ///< cells that are no idle to fit, and why: plain words
};

/// The warm ones, by a coolant temperature in the log. Gear, loads and health are as the card has
/// them: a log does not tell. `engine_name` names the car where the card does not.
DrivePoints drive_points(const DriveReview& drive, const EngineCard& card,
                         const std::string& engine_name, const std::string& log_name);

/// What stands above them in the file, and what whoever fits them vouches for.
std::string drive_points_remark(const EngineCard& card, const std::string& log_name);

}  // namespace idlefit
