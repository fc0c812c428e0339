#include <Eigen/Dense>
#include <catch2/catch.hpp>
#include <cmath>
#include <fstream>
#include <iomanip>
#include <map>
#include <optional>
#include <sstream>
#include <string>
#include <vector>

#include "model/constants.h"
#include "model/idle.h"
#include "profiles/engine_file.h"

// Round vacuum figures of tests/reference/idle_common_practice.csv: memory of common experience, no
// source, each worth 1 to 2 inHg. Agreement with them is consistency with what people remember,
// never accuracy: a straight line in four variables agrees with them better than any physics could.

namespace idlefit::test {
namespace {

using Row = std::map<std::string, std::string>;

std::vector<std::string> fields_of(const std::string& line) {
  std::vector<std::string> fields;
  std::istringstream rest(line);
  for (std::string field; std::getline(rest, field, ',');) fields.push_back(field);
  return fields;
}

std::vector<Row> rows() {
  std::ifstream file(std::string(IDLEFIT_SOURCE_DIR) + "/tests/reference/idle_common_practice.csv");
  REQUIRE(file);
  std::vector<Row> found;
  std::vector<std::string> names;
  for (std::string line; std::getline(file, line);) {
    if (line.empty() || line[0] == '#') continue;
    const std::vector<std::string> fields = fields_of(line);
    if (names.empty()) {
      names = fields;
      continue;
    }
    REQUIRE(fields.size() == names.size());
    Row row;
    for (std::size_t i = 0; i < names.size(); ++i) row[names[i]] = fields[i];
    found.push_back(std::move(row));
  }
  return found;
}

std::optional<double> number(const Row& row, const std::string& name, double unit = 1.0) {
  const std::string& text = row.at(name);
  if (text.empty()) return std::nullopt;
  return std::stod(text) * unit;
}

EngineCard card_of(const Row& row) {
  EngineCard card;
  card.name = row.at("id");
  card.cylinders = static_cast<int>(*number(row, "cylinders"));
  card.displacement_m3 = number(row, "displacement_in3", kInch_m * kInch_m * kInch_m);
  card.compression_ratio = number(row, "compression_ratio");
  card.duration_050_deg = {number(row, "duration_050_intake"), number(row, "duration_050_exhaust")};
  card.duration_seat_deg = {number(row, "duration_seat_intake"),
                            number(row, "duration_seat_exhaust")};
  card.lobe_separation_deg = number(row, "lobe_separation");
  card.valve_lift_m = {number(row, "valve_lift_intake_in", kInch_m),
                       number(row, "valve_lift_exhaust_in", kInch_m)};
  card.lifter = row.at("lifter") == "solid" ? EngineCard::Lifter::solid_flat
                                            : EngineCard::Lifter::hydraulic_flat;
  card.speed_rpm = number(row, "idle_rpm");
  // A factory's cam has a factory's ramps; its numbers stand beside the word.
  if (row.at("kind") == "factory") card.described_as = EngineCard::Words::stock;
  return card;
}

double rms(const Eigen::VectorXd& differences) {
  return std::sqrt(differences.squaredNorm() / static_cast<double>(differences.size()));
}

}  // namespace

TEST_CASE("idle vacuum beside common experience", "[consistency]") {
  const std::vector<Row> table = rows();
  const auto count = static_cast<Eigen::Index>(table.size());
  REQUIRE(count == 19);
  Eigen::VectorXd remembered_inHg(count), predicted_inHg(count);
  Eigen::MatrixXd line(count, 5);
  std::ostringstream report;
  report << std::fixed << std::setprecision(1);
  for (Eigen::Index i = 0; i < count; ++i) {
    const Row& row = table[static_cast<std::size_t>(i)];
    INFO(row.at("id"));
    const Engine engine = complete(card_of(row)).engine;
    const Inputs<double>& in = engine.inputs;
    const SolveResult r = solve_idle(engine, Coefficients<double>{});
    REQUIRE(r.status == Status::ok);
    remembered_inHg[i] = *number(row, "idle_vacuum_inHg");
    predicted_inHg[i] = (r.point.barometer_Pa - r.point.map_Pa) / kInchMercury_Pa;
    line.row(i) << 1.0, in.intake_duration_050_deg, in.lobe_separation_deg,
        std::log(*number(row, "displacement_in3")), in.speed_rpm;
    report << "\n  " << row.at("id") << ": " << remembered_inHg[i] << " remembered, "
           << predicted_inHg[i] << " predicted (duration " << in.intake_duration_050_deg << "/"
           << in.intake_duration_seat_deg << ", spark " << in.spark_btdc_deg << ", lambda "
           << std::setprecision(3) << in.lambda << std::setprecision(1) << ")";
  }
  const Eigen::VectorXd fitted_inHg = line * line.colPivHouseholderQr().solve(remembered_inHg);
  const double model_inHg = rms(predicted_inHg - remembered_inHg);
  WARN("idle vacuum against common experience, a consistency figure and no accuracy: rms "
       << model_inHg << " inHg, mean " << (predicted_inHg - remembered_inHg).mean()
       << "; a straight line in duration, lobe separation, log displacement and rpm, fitted to the "
          "same figures: "
       << rms(fitted_inHg - remembered_inHg) << report.str());
  CHECK(model_inHg < 2.0);
}

}  // namespace idlefit::test
