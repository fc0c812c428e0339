#include "cli/ve_table.h"

#include <fmt/format.h>

#include <algorithm>
#include <stdexcept>

#include "cli/json_number.h"
#include "cli/terminal.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

// A percentage and a mark: sixteen pressures fit the screen.
constexpr std::size_t kCellWidth = 4;

std::string density_words(const VeTable& t) {
  const double celsius = from_program_unit(t.temperature_K, "degC", Dimension::temperature);
  const std::string at = fmt::format("{:.0f} K ({:.0f} degC)", t.temperature_K, celsius);
  switch (t.density_at) {
    case DensityAt::charge:
      return "the fresh charge in the plenum, " + at + " where the table was made";
    case DensityAt::outside_air:
      return "the outside air, " + at + " where the table was made";
    case DensityAt::fixed:
      return at + ", whatever the weather";
  }
  throw std::logic_error("unknown density");
}

}  // namespace

nlohmann::ordered_json text_or_null(const std::string& text) {
  return text.empty() ? nlohmann::ordered_json() : nlohmann::ordered_json(text);
}

std::string origin_words(Basis basis, const std::string& source) {
  std::string text = "(" + std::string(basis_name(basis));
  return text + (source.empty() ? ")" : ": " + source + ")");
}

void put_origin(nlohmann::ordered_json& json, Basis basis, const std::string& source) {
  json["basis"] = basis_name(basis);
  json["source"] = text_or_null(source);
}

std::string ve_table_text(const VeTable& t, std::size_t label_width) {
  std::string text = labelled(
      "VE", label_width,
      fmt::format("percent, on the density at manifold pressure and the temperature of {}. {}",
                  density_words(t), origin_words(t.basis, t.source)));
  // As many pressures side by side as a screen holds.
  const std::size_t across = (kTextWidth - 9) / kCellWidth;
  const std::size_t columns = t.map_kPa.size();
  for (std::size_t from = 0; from < columns; from += across) {
    const std::size_t to = std::min(columns, from + across);
    text += "rpm \\ kPa";
    for (std::size_t j = from; j < to; ++j) {
      text += fmt::format("{:>{}}", number_text(t.map_kPa[j], 3), kCellWidth);
    }
    text += "\n";
    for (std::size_t i = 0; i < t.speed_rpm.size(); ++i) {
      text += fmt::format("{:>9}", number_text(t.speed_rpm[i], 4));
      for (std::size_t j = from; j < to; ++j) {
        const auto row = static_cast<Eigen::Index>(i), column = static_cast<Eigen::Index>(j);
        const std::string cell = fmt::format("{:.0f}{}", 100 * t.ve(row, column),
                                             t.below_no_load(row, column) ? "*" : " ");
        text += fmt::format("{:>{}}", cell, kCellWidth);
      }
      while (text.back() == ' ') text.pop_back();
      text += "\n";
    }
  }
  if (t.below_no_load.any()) {
    text += labelled("*", 2,
                     "below the no-load line: the engine cannot run there; bounded, not computed.");
  }
  return text;
}

nlohmann::ordered_json ve_table_json(const VeTable& t) {
  nlohmann::ordered_json json{{"density_at", density_name(t.density_at)},
                              {"temperature_K", finite(t.temperature_K)},
                              {"speed_rpm", t.speed_rpm},
                              {"map_kPa", t.map_kPa},
                              {"ve", nlohmann::ordered_json::array()},
                              {"below_no_load", nlohmann::ordered_json::array()}};
  for (Eigen::Index i = 0; i < t.ve.rows(); ++i) {
    nlohmann::ordered_json row = nlohmann::ordered_json::array();
    nlohmann::ordered_json marks = nlohmann::ordered_json::array();
    for (Eigen::Index j = 0; j < t.ve.cols(); ++j) {
      row.push_back(finite(t.ve(i, j)));
      marks.push_back(static_cast<bool>(t.below_no_load(i, j)));
    }
    json["ve"].push_back(std::move(row));
    json["below_no_load"].push_back(std::move(marks));
  }
  put_origin(json, t.basis, t.source);
  return json;
}

}  // namespace idlefit
