#include "cli/point_rows.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstddef>
#include <utility>

#include "profiles/engine_keys.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

// What a points file does not take, or the readings do not depend on.
bool is_column(std::string_view path) {
  return path != "name" && !path.starts_with("known.") && !path.starts_with("install.");
}

std::string number_in(const std::optional<double>& value, Dimension dimension,
                      std::string_view unit) {
  return value ? number_text(from_program_unit(*value, unit, dimension)) : std::string();
}

// A value of a key without its unit, in the heading's.
std::string cell_of(const EngineKey& key, const EngineCard& card) {
  const std::string text = key.write(card);
  if (text.empty() || !key.range) return text;
  const NumberWithUnit written = split_quantity(text);
  if (written.unit == key.range->unit) return exact_number_text(written.number);
  return exact_number_text(
      from_program_unit(to_program_unit(written.number, written.unit, key.range->dimension),
                        key.range->unit, key.range->dimension));
}

std::string csv_line(const std::vector<std::string>& cells) {
  std::string line;
  for (const std::string& cell : cells) {
    if (&cell != &cells.front()) line += ',';
    if (cell.find_first_of(",\"#") == std::string::npos) {
      line += cell;
      continue;
    }
    line += '"';
    for (const char c : cell) line += c == '"' ? std::string("\"\"") : std::string(1, c);
    line += '"';
  }
  return line + "\n";
}

}  // namespace

PointsTable points_table(const std::vector<PointRow>& rows) {
  PointsTable table;
  const auto column = [&](std::string heading, auto&& cell) {
    std::vector<std::string> cells;
    for (const PointRow& row : rows) cells.push_back(cell(row));
    const auto filled = [](const std::string& text) { return !text.empty(); };
    if (std::none_of(cells.begin(), cells.end(), filled)) return;
    table.headings.push_back(std::move(heading));
    table.rows.resize(cells.size());
    for (std::size_t i = 0; i < cells.size(); ++i) table.rows[i].push_back(std::move(cells[i]));
  };
  column("car", [](const PointRow& row) { return row.car; });
  for (const EngineKey& key : engine_keys()) {
    if (!is_column(key.path)) continue;
    column(key.range ? fmt::format("{} [{}]", key.path, key.range->unit) : std::string(key.path),
           [&](const PointRow& row) { return cell_of(key, row.card); });
  }
  const auto kPa = [](const std::optional<double>& value) {
    return number_in(value, Dimension::pressure, "kPa");
  };
  const auto flow = [](const std::optional<double>& value) {
    return number_in(value, Dimension::mass_flow, "g/s");
  };
  column("map [kPa]", [&](const PointRow& row) { return kPa(row.map_Pa); });
  column("map_sd [kPa]", [&](const PointRow& row) { return kPa(row.map_sd_Pa); });
  column("air [g/s]", [&](const PointRow& row) { return flow(row.air_kg_s); });
  column("fuel [g/s]", [&](const PointRow& row) { return flow(row.fuel_kg_s); });
  const auto held = [&](std::string heading, auto&& cell) {
    column(std::move(heading),
           [&](const PointRow& row) { return row.held ? cell(*row.held) : std::string(); });
  };
  held("ve", [](const HeldVe& held_ve) { return number_text(held_ve.ve); });
  held("ve_sd", [](const HeldVe& held_ve) { return number_text(held_ve.sd); });
  held("at_map [kPa]", [&](const HeldVe& held_ve) { return kPa(held_ve.at_map_Pa); });
  held("offset", [](const HeldVe& held_ve) { return held_ve.offset; });
  held("offset_sd", [](const HeldVe& held_ve) { return number_text(held_ve.offset_sd); });
  column("source", [](const PointRow& row) { return row.source; });
  return table;
}

std::string points_csv(const PointsTable& table, std::string_view remark) {
  std::string text = "# ";
  for (const char c : remark) text += c == '\n' ? std::string("\n# ") : std::string(1, c);
  text += "\n" + csv_line(table.headings);
  for (const auto& row : table.rows) text += csv_line(row);
  return text;
}

}  // namespace idlefit
