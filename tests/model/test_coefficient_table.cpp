#include <catch2/catch.hpp>
#include <fstream>
#include <map>
#include <string>
#include <vector>

#include "model/coefficients.h"

namespace idlefit {
namespace {

std::string trimmed(const std::string& text) {
  const std::size_t first = text.find_first_not_of(' ');
  if (first == std::string::npos) return "";
  return text.substr(first, text.find_last_not_of(' ') - first + 1);
}

// The cells of a line "| a | b |" of a table; none where the line is no such line.
std::vector<std::string> cells_of(const std::string& line) {
  std::vector<std::string> cells;
  if (line.empty() || line.front() != '|') return cells;
  std::size_t from = 1;
  for (std::size_t bar = line.find('|', from); bar != std::string::npos;
       bar = line.find('|', from)) {
    cells.push_back(trimmed(line.substr(from, bar - from)));
    from = bar + 1;
  }
  return cells;
}

struct Row {
  std::string unit, mean, deviation;
};

// Rows of the table headed "coefficient" by the name in their first cell, between backticks.
std::multimap<std::string, Row> coefficient_rows() {
  std::ifstream page(std::string(IDLEFIT_SOURCE_DIR) + "/docs/physics.md");
  std::multimap<std::string, Row> rows;
  bool inside = false;
  for (std::string line; std::getline(page, line);) {
    const std::vector<std::string> cells = cells_of(line);
    if (cells.empty()) {
      inside = false;
    } else if (cells[0] == "coefficient") {
      inside = true;
    } else if (inside && cells.size() >= 4 && cells[0].rfind('`', 0) == 0) {
      rows.emplace(cells[0].substr(1, cells[0].size() - 2), Row{cells[1], cells[2], cells[3]});
    }
  }
  return rows;
}

double number(const std::string& cell) {
  std::size_t used = 0;
  double parsed = 0.0;
  try {
    parsed = std::stod(cell, &used);
  } catch (const std::exception&) {
    used = 0;
  }
  INFO("cell '" << cell << "'");
  REQUIRE(used == cell.size());
  REQUIRE(used > 0);
  return parsed;
}

}  // namespace

TEST_CASE("docs/physics.md states the coefficients that the model uses", "[consistency]") {
  const std::multimap<std::string, Row> rows = coefficient_rows();
  for (const CoefficientInfo& info : kCoefficientInfo) {
    const std::string name(info.name);
    INFO(name);
    REQUIRE(rows.count(name) == 1);
    const Row& row = rows.find(name)->second;
    CHECK(row.unit == std::string(info.unit));
    // Exact: both come from the same decimal numeral, read to the nearest double.
    CHECK(number(row.mean) == info.prior_mean);
    CHECK(number(row.deviation) == info.prior_sd);
  }
  // No row left over from a coefficient that is gone.
  CHECK(rows.size() == kCoefficientCount);
}

}  // namespace idlefit
