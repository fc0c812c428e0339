#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/engine_file.h"

namespace idlefit {

/// Volumetric efficiency (a share) at a pressure that was held, in a group of readings that share
/// an error.
struct HeldVe {
  double ve = 0, sd = 0, at_map_Pa = 0;
  std::string offset;
  double offset_sd = 0;
};

/// A row of a points file (docs/points-file.md) to be written: readings of a warm, healthy engine,
/// of its idle or held at a pressure.
struct PointRow {
  std::string car;
  EngineCard card;  ///< under the conditions of the readings
  std::optional<double> map_Pa, map_sd_Pa;
  std::optional<double> air_kg_s, fuel_kg_s;
  std::optional<HeldVe> held;
  std::string source;
};

/// Cells of a points file; columns that no row fills are left out.
struct PointsTable {
  std::vector<std::string> headings;
  std::vector<std::vector<std::string>> rows;
};
PointsTable points_table(const std::vector<PointRow>& rows);

/// The text of a points file; each line of `remark` stands above the headings as a comment.
std::string points_csv(const PointsTable& table, std::string_view remark);

}  // namespace idlefit
