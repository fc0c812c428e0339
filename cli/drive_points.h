#pragma once

#include <string>
#include <vector>

#include "cli/point_rows.h"
#include "profiles/baseline_profile.h"
#include "profiles/drive.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// Steady running in a log as rows of a points file, a row a cell.
struct DrivePoints {
  std::vector<PointRow> rows;
  std::vector<std::string> left_out;  ///< cells that are nothing to fit, and why: plain words
};

/// The warm ones, by a coolant temperature in the log: idles by their pressure, and, where the
/// baseline that was driven on is known and has a table, cruise by its volumetric efficiency, the
/// table's times what the correction adds. Gear, loads and health are as the card has them: a log
/// does not tell. `engine_name` names the car where the card does not; `loaded` may be null.
DrivePoints drive_points(const DriveReview& drive, const EngineCard& card,
                         const std::string& engine_name, const std::string& log_name,
                         const BaselineProfile* loaded);

/// What stands above them in the file, and what whoever fits them vouches for.
std::string drive_points_remark(const EngineCard& card, const std::string& log_name);

}  // namespace idlefit
