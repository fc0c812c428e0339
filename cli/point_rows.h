#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/engine_file.h"

namespace idlefit {

/// A row of a points file (docs/points-file.md) to be written: an idle of a warm, healthy engine.
struct PointRow {
  std::string car;
  EngineCard card;  ///< under the conditions of the readings
  double map_Pa = 0, map_sd_Pa = 0;
  std::optional<double> air_kg_s, fuel_kg_s;
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
