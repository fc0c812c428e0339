#include "profiles/baseline_profile.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <stdexcept>
#include <utility>

namespace idlefit {
namespace {

using namespace std::string_view_literals;

constexpr std::string_view kCustom = "custom";
constexpr std::size_t kLongText = 500, kNameLength = 40;
// More cells than this no hand-held tool can edit, and no engine needs.
constexpr double kAxisMax = 64, kWarmUpMax = 32;

constexpr std::array kBases{"computed"sv, "published"sv, "common practice"sv, "memory"sv};
constexpr std::array kDensities{"charge"sv, "outside air"sv, "fixed"sv};

constexpr QuantityRange kMapRange{Dimension::pressure, 5.0, 110.0, "kPa",
                                  "an absolute manifold pressure"};
constexpr QuantityRange kTableMap{Dimension::pressure, 5.0, 400.0, "kPa",
                                  "an absolute manifold pressure"};
constexpr QuantityRange kTableSpeed{Dimension::speed, 100.0, 15000.0, "rpm", "an engine speed"};
constexpr QuantityRange kTemperature{Dimension::temperature, 220.0, 420.0, "K", "a temperature"};
constexpr QuantityRange kCoolant{Dimension::temperature, -60.0, 130.0, "degC",
                                 "a coolant temperature"};
constexpr QuantityRange kAddedSpeed{Dimension::speed, 0.0, 1500.0, "rpm", "a speed to add"};
constexpr NumberRange kFuelFactor{0.5, 6.0, "times the warm engine's fuel"};
// On manifold density a street engine fills 0.3 to 1.1; bounds are for slips.
constexpr NumberRange kVe{0.01, 1.6, "volumetric efficiency, a share"};

constexpr std::string_view kEveryCell = "Axes and cells all hold a number.";

std::string kilopascals(double pressure_kPa) { return number_text(pressure_kPa, 3) + " kPa"; }

// --- The plain numbers of a representative engine ------------------------------------------------

struct EngineNumber {
  std::string_view key;
  std::optional<Dimension> dimension;
  double low, high;
  std::string_view unit, what;
  std::optional<double> RepresentativeEngine::*member;
};
constexpr std::array kEngineNumbers{
    EngineNumber{"displacement", Dimension::volume, 0.1, 20.0, "L", "displacement",
                 &RepresentativeEngine::displacement_m3},
    EngineNumber{
        "compression_ratio", {}, 5.0, 18.0, "", "to 1", &RepresentativeEngine::compression_ratio},
    EngineNumber{"intake_duration_050",
                 {},
                 130.0,
                 340.0,
                 "",
                 "crank degrees",
                 &RepresentativeEngine::intake_duration_050_deg},
    EngineNumber{"exhaust_duration_050",
                 {},
                 130.0,
                 340.0,
                 "",
                 "crank degrees",
                 &RepresentativeEngine::exhaust_duration_050_deg},
    EngineNumber{"intake_duration_seat",
                 {},
                 180.0,
                 400.0,
                 "",
                 "crank degrees",
                 &RepresentativeEngine::intake_duration_seat_deg},
    EngineNumber{"exhaust_duration_seat",
                 {},
                 180.0,
                 400.0,
                 "",
                 "crank degrees",
                 &RepresentativeEngine::exhaust_duration_seat_deg},
    EngineNumber{"lobe_separation",
                 {},
                 90.0,
                 130.0,
                 "",
                 "camshaft degrees",
                 &RepresentativeEngine::lobe_separation_deg},
};

// --- Reading -------------------------------------------------------------------------------------

// A number of one unit in another; as it stands where the two are one, so that what was written
// reads back to the last digit.
double converted(double number, std::string_view from, std::string_view to, Dimension dimension) {
  return from == to ? number
                    : from_program_unit(to_program_unit(number, from, dimension), to, dimension);
}

double pressure_kPa(const YamlNode& node, const std::string& field) {
  node.as_quantity(field, kMapRange, "Give it as absolute pressure.");
  const NumberWithUnit quantity = split_quantity(node.text);
  return converted(quantity.number, quantity.unit, "kPa", Dimension::pressure);
}

// Every value that is given says where it comes from.
Basis read_basis(const YamlNode& map, const std::string& field) {
  const YamlNode* const node = map.find("basis");
  if (node == nullptr) {
    throw InputError(map.place.where(), field + ".basis", "", word_list(kBases),
                     "Say where the value comes from: add \"basis:\" to it.", map.place.excerpt());
  }
  return static_cast<Basis>(
      node->as_word(field + ".basis", kBases, "Every value says where it comes from."));
}

std::string read_source(const YamlNode& map, const std::string& field) {
  const YamlNode* const node = map.find("source");
  return node == nullptr ? std::string() : node->as_text(field + ".source", kLongText);
}

double read_value(const YamlNode& node, const std::string& field,
                  const std::optional<Dimension>& dimension, double low, double high,
                  std::string_view unit, std::string_view what) {
  return dimension ? node.as_quantity(field, {*dimension, low, high, unit, what})
                   : node.as_number(field, {low, high, what});
}

StartValue read_start_value(const YamlNode& node, const std::string& field, const StartKey& key) {
  constexpr std::array kKeys{"value"sv, "basis"sv, "source"sv};
  node.expect_map(field, kKeys);
  StartValue start;
  start.value = read_value(node.require(field, "value"), field + ".value", key.dimension, key.low,
                           key.high, key.unit, key.what);
  start.basis = read_basis(node, field);
  start.source = read_source(node, field);
  return start;
}

RepresentativeEngine read_engine(const YamlNode& node, const std::string& field) {
  std::vector<std::string_view> keys{"description", "cylinders", "basis", "source"};
  for (const EngineNumber& number : kEngineNumbers) keys.push_back(number.key);
  node.expect_map(field, keys);
  RepresentativeEngine engine;
  engine.description =
      node.require(field, "description").as_text(field + ".description", kLongText);
  if (const YamlNode* const cylinders = node.find("cylinders")) {
    engine.cylinders = cylinders->as_integer(field + ".cylinders", {1, 16, "cylinders"});
  }
  for (const EngineNumber& number : kEngineNumbers) {
    const YamlNode* const value = node.find(number.key);
    if (value == nullptr) continue;
    engine.*number.member =
        read_value(*value, field + "." + std::string(number.key), number.dimension, number.low,
                   number.high, number.unit, number.what);
  }
  engine.basis = read_basis(node, field);
  engine.source = read_source(node, field);
  return engine;
}

// An axis: numbers of one unit, each more than the one before.
std::vector<double> read_axis(const YamlNode& node, const std::string& field,
                              const QuantityRange& range) {
  constexpr std::array kKeys{"unit"sv, "at"sv};
  node.expect_map(field, kKeys);
  const YamlNode& unit_node = node.require(field, "unit");
  const std::string unit = unit_node.as_text(field + ".unit", 20);
  NumberRange numbers{0, 0, ""};
  try {
    numbers = {converted(range.low, range.unit, unit, range.dimension),
               converted(range.high, range.unit, unit, range.dimension), unit};
  } catch (const QuantityError& problem) {
    throw unit_node.error(field + ".unit", problem.expected, problem.next_step);
  }
  const YamlNode& at = node.require(field, "at");
  at.expect_list(field + ".at");
  const std::size_t count = at.children.size();
  if (count < 2 || static_cast<double>(count) > kAxisMax) {
    throw at.error(field + ".at", "2 to " + number_text(kAxisMax) + " values, rising",
                   "A table needs at least two of each axis.");
  }
  std::vector<double> values;
  double before = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const std::string item = field + ".at[" + std::to_string(i + 1) + "]";
    const double number = at.children[i].as_number(item, numbers, kEveryCell);
    if (i > 0 && number <= before) {
      throw at.children[i].error(item, "more than " + number_text(before) + ", the value before",
                                 number == before ? "It stands there twice: remove one."
                                                  : "Sort the axis, and its cells with it.");
    }
    before = number;
    values.push_back(converted(number, unit, range.unit, range.dimension));
  }
  return values;
}

std::string counted(std::size_t count, std::string_view what) {
  return std::to_string(count) + " " + std::string(what);
}

VeTable read_ve(const YamlNode& node, const std::string& field) {
  constexpr std::array kKeys{"density_at"sv, "temperature"sv,   "speed"sv, "map"sv,
                             "rows"sv,       "below_no_load"sv, "basis"sv, "source"sv};
  node.expect_map(field, kKeys);
  VeTable table;
  table.density_at =
      static_cast<DensityAt>(node.require(field, "density_at")
                                 .as_word(field + ".density_at", kDensities,
                                          "A table must say to which density it refers."));
  table.temperature_K =
      node.require(field, "temperature").as_quantity(field + ".temperature", kTemperature);
  table.speed_rpm = read_axis(node.require(field, "speed"), field + ".speed", kTableSpeed);
  table.map_kPa = read_axis(node.require(field, "map"), field + ".map", kTableMap);
  const std::size_t speeds = table.speed_rpm.size(), maps = table.map_kPa.size();

  const YamlNode& rows = node.require(field, "rows");
  rows.expect_list(field + ".rows");
  if (rows.children.size() != speeds) {
    throw rows.error(field + ".rows",
                     counted(speeds, "rows, one for each speed (here are ") +
                         std::to_string(rows.children.size()) + ")",
                     "Add or remove rows, or speeds.");
  }
  const auto row_count = static_cast<Eigen::Index>(speeds);
  const auto column_count = static_cast<Eigen::Index>(maps);
  table.ve.resize(row_count, column_count);
  table.below_no_load.setConstant(row_count, column_count, false);
  for (std::size_t i = 0; i < speeds; ++i) {
    const YamlNode& row = rows.children[i];
    const std::string row_field = field + ".rows[" + std::to_string(i + 1) + "]";
    row.expect_list(row_field);
    if (row.children.size() != maps) {
      throw row.error(row_field,
                      counted(maps, "values, one for each pressure (here are ") +
                          std::to_string(row.children.size()) + ")",
                      "Add or remove values, or pressures.");
    }
    for (std::size_t j = 0; j < maps; ++j) {
      table.ve(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)) =
          row.children[j].as_number(row_field + "[" + std::to_string(j + 1) + "]", kVe, kEveryCell);
    }
  }

  const YamlNode& marks = node.require(field, "below_no_load");
  const std::string marks_field = field + ".below_no_load";
  marks.expect_list(marks_field);
  if (marks.children.size() != speeds) {
    throw marks.error(marks_field,
                      counted(speeds, "counts, one for each speed (here are ") +
                          std::to_string(marks.children.size()) + ")",
                      "Write 0 for a row whose cells the engine can all run at.");
  }
  bool any_runs = false;
  for (std::size_t i = 0; i < speeds; ++i) {
    const auto count = static_cast<Eigen::Index>(marks.children[i].as_integer(
        marks_field + "[" + std::to_string(i + 1) + "]",
        {0, static_cast<double>(maps), "cells of that row, from the lowest pressure"}));
    table.below_no_load.row(static_cast<Eigen::Index>(i)).head(count) = true;
    any_runs = any_runs || count < column_count;
  }
  if (!any_runs) {
    throw marks.error(marks_field, "at least one cell at which the engine runs",
                      "A table of nothing but marked cells says nothing.");
  }
  table.basis = read_basis(node, field);
  table.source = read_source(node, field);
  return table;
}

std::vector<WarmUpStep> read_warm_up(const YamlNode& node, const std::string& field) {
  constexpr std::array kKeys{"coolant"sv, "fuel_factor"sv, "added_speed"sv, "basis"sv, "source"sv};
  node.expect_list(field);
  if (node.children.empty() || static_cast<double>(node.children.size()) > kWarmUpMax) {
    throw node.error(field, "1 to " + number_text(kWarmUpMax) + " steps, by rising temperature",
                     "Leave the key out if nothing is known.");
  }
  std::vector<WarmUpStep> steps;
  for (std::size_t i = 0; i < node.children.size(); ++i) {
    const YamlNode& item = node.children[i];
    const std::string item_field = field + "[" + std::to_string(i + 1) + "]";
    item.expect_map(item_field, kKeys);
    WarmUpStep step;
    const YamlNode& coolant = item.require(item_field, "coolant");
    step.coolant_K = coolant.as_quantity(item_field + ".coolant", kCoolant);
    if (!steps.empty() && step.coolant_K <= steps.back().coolant_K) {
      throw coolant.error(item_field + ".coolant", "more than in the step before",
                          "List the steps by rising temperature, each once.");
    }
    if (const YamlNode* const fuel = item.find("fuel_factor")) {
      step.fuel_factor = fuel->as_number(item_field + ".fuel_factor", kFuelFactor);
    }
    if (const YamlNode* const speed = item.find("added_speed")) {
      step.added_speed_rpm = speed->as_quantity(item_field + ".added_speed", kAddedSpeed);
    }
    if (!step.fuel_factor && !step.added_speed_rpm) {
      throw item.error(item_field, "fuel_factor, added_speed or both beside coolant",
                       "Add one, or remove the step.");
    }
    step.basis = read_basis(item, item_field);
    step.source = read_source(item, item_field);
    steps.push_back(std::move(step));
  }
  return steps;
}

void read_start_values(const YamlNode& node, const std::string& field, BaselineProfile& profile) {
  std::string_view checked;
  for (const StartKey& key : start_keys()) {
    const YamlNode* holder = &node;
    if (!key.section.empty()) {
      holder = node.find(key.section);
      if (holder == nullptr) continue;
      if (checked != key.section) {  // a section's keys stand together in the list
        std::vector<std::string_view> allowed;
        for (const StartKey& other : start_keys()) {
          if (other.section == key.section) allowed.push_back(other.key);
        }
        holder->expect_map(field + "." + std::string(key.section), allowed);
        checked = key.section;
      }
    }
    if (const YamlNode* const value = holder->find(key.key)) {
      key.of(profile) = read_start_value(*value, field + "." + key.path(), key);
    }
  }
}

const YamlNode& node_at(const YamlNode& node, std::string_view section, std::string_view key) {
  return *(section.empty() ? node.find(key) : node.find(section)->find(key))->find("value");
}

// Two limits must not be swapped, and what is loaded must lie between them.
void check_limits(const YamlNode& node, const std::string& field, const BaselineProfile& p) {
  const auto check_order = [&](const BaselineProfile::Maybe& low,
                               const BaselineProfile::Maybe& high, std::string_view section,
                               std::string_view key, const std::string& expected) {
    if (!low || !high || low->value <= high->value) return;
    const std::string path = (section.empty() ? "" : std::string(section) + ".") + std::string(key);
    throw node_at(node, section, key)
        .error(field + "." + path + ".value", expected, "Change one of the two.");
  };
  const auto& limits = p.limits;
  check_order(limits.idle_speed_min_rpm, limits.idle_speed_max_rpm, "limits", "idle_speed_max",
              "at least limits.idle_speed_min");
  check_order(limits.idle_spark_min_deg, limits.idle_spark_max_deg, "limits", "idle_spark_max",
              "at least limits.idle_spark_min");
  check_order(limits.idle_speed_max_rpm, limits.speed_max_rpm, "limits", "speed_max",
              "at least limits.idle_speed_max");
  check_order(limits.idle_speed_min_rpm, p.idle_speed_rpm, "", "idle_speed",
              "at least limits.idle_speed_min");
  check_order(p.idle_speed_rpm, limits.idle_speed_max_rpm, "", "idle_speed",
              "at most limits.idle_speed_max");
  check_order(limits.idle_spark_min_deg, p.spark.idle_deg, "spark", "idle",
              "at least limits.idle_spark_min");
  check_order(p.spark.idle_deg, limits.idle_spark_max_deg, "spark", "idle",
              "at most limits.idle_spark_max");
}

// --- Writing -------------------------------------------------------------------------------------

std::string plain(double number, const std::optional<Dimension>& dimension, std::string_view unit) {
  if (!dimension) return exact_number_text(number);
  const std::array units{unit};
  return quantity_text(number, *dimension, units);
}

std::string with_basis(Basis basis, const std::string& source) {
  std::string text = "basis: " + std::string(basis_name(basis));
  if (!source.empty()) text += ", source: " + yaml_quoted(source);
  return text;
}

std::string list_text(const std::vector<std::string>& items) {
  std::string text = "[";
  for (std::size_t i = 0; i < items.size(); ++i) text += (i > 0 ? ", " : "") + items[i];
  return text + "]";
}

std::vector<std::string> texts_of(const std::vector<double>& numbers) {
  std::vector<std::string> texts;
  for (const double number : numbers) texts.push_back(exact_number_text(number));
  return texts;
}

std::string engine_text(const RepresentativeEngine& engine) {
  std::string out = "    engine:\n      description: " + yaml_quoted(engine.description) + "\n";
  if (engine.cylinders) out += "      cylinders: " + std::to_string(*engine.cylinders) + "\n";
  for (const EngineNumber& number : kEngineNumbers) {
    const std::optional<double>& value = engine.*number.member;
    if (!value) continue;
    out += "      " + std::string(number.key) + ": " +
           plain(*value, number.dimension, number.unit) + "\n";
  }
  out += "      basis: " + std::string(basis_name(engine.basis)) + "\n";
  if (!engine.source.empty()) out += "      source: " + yaml_quoted(engine.source) + "\n";
  return out;
}

std::string ve_text(const VeTable& table) {
  const auto rows = static_cast<Eigen::Index>(table.speed_rpm.size());
  const auto columns = static_cast<Eigen::Index>(table.map_kPa.size());
  if (table.ve.rows() != rows || table.ve.cols() != columns || table.below_no_load.rows() != rows ||
      table.below_no_load.cols() != columns) {
    throw std::logic_error("a VE table to be written has other cells than its axes say");
  }
  std::string out = "    ve:\n";
  out += "      density_at: " + std::string(density_name(table.density_at)) + "\n";
  out += "      temperature: " + plain(table.temperature_K, Dimension::temperature, "K") + "\n";
  out += "      speed: {unit: rpm, at: " + list_text(texts_of(table.speed_rpm)) + "}\n";
  out += "      map: {unit: kPa, at: " + list_text(texts_of(table.map_kPa)) + "}\n";
  out += "      rows:\n";
  std::vector<std::string> marks;
  for (Eigen::Index i = 0; i < rows; ++i) {
    std::vector<double> row;
    Eigen::Index marked = 0;
    for (Eigen::Index j = 0; j < columns; ++j) {
      row.push_back(table.ve(i, j));
      if (!table.below_no_load(i, j)) continue;
      if (marked != j) {
        throw std::logic_error("cells below the no-load line must be the first ones of their row");
      }
      ++marked;
    }
    out += "        - " + list_text(texts_of(row)) + "\n";
    marks.push_back(std::to_string(marked));
  }
  out += "      below_no_load: " + list_text(marks) + "\n";
  out += "      basis: " + std::string(basis_name(table.basis)) + "\n";
  if (!table.source.empty()) out += "      source: " + yaml_quoted(table.source) + "\n";
  return out;
}

std::string start_values_text(const BaselineProfile& profile) {
  std::string out;
  std::string_view open;
  for (const StartKey& key : start_keys()) {
    const BaselineProfile::Maybe& start = key.in(profile);
    if (!start) continue;
    if (!key.section.empty() && open != key.section) {
      out += "    " + std::string(key.section) + ":\n";
    }
    open = key.section;
    out += (key.section.empty() ? "    " : "      ") + std::string(key.key) +
           ": {value: " + plain(start->value, key.dimension, key.unit) + ", " +
           with_basis(start->basis, start->source) + "}\n";
  }
  return out;
}

std::string warm_up_text(const std::vector<WarmUpStep>& steps) {
  if (steps.empty()) return {};
  std::string out = "    warm_up:\n";
  for (const WarmUpStep& step : steps) {
    constexpr std::array kUnits{"degC"sv, "degF"sv, "K"sv};
    out += "      - {coolant: " + quantity_text(step.coolant_K, Dimension::temperature, kUnits);
    if (step.fuel_factor) out += ", fuel_factor: " + exact_number_text(*step.fuel_factor);
    if (step.added_speed_rpm) {
      out += ", added_speed: " + plain(*step.added_speed_rpm, Dimension::speed, "rpm");
    }
    out += ", " + with_basis(step.basis, step.source) + "}\n";
  }
  return out;
}

}  // namespace

std::string_view basis_name(Basis basis) { return kBases[static_cast<std::size_t>(basis)]; }
std::string_view density_name(DensityAt at) { return kDensities[static_cast<std::size_t>(at)]; }

bool operator==(const VeTable& a, const VeTable& b) {
  const auto same_size = [](const auto& x, const auto& y) {
    return x.rows() == y.rows() && x.cols() == y.cols();
  };
  return a.speed_rpm == b.speed_rpm && a.map_kPa == b.map_kPa && same_size(a.ve, b.ve) &&
         (a.ve == b.ve).all() && same_size(a.below_no_load, b.below_no_load) &&
         (a.below_no_load == b.below_no_load).all() && a.density_at == b.density_at &&
         a.temperature_K == b.temperature_K && a.basis == b.basis && a.source == b.source;
}

std::string StartKey::path() const {
  return (section.empty() ? "" : std::string(section) + ".") + std::string(key);
}

double StartKey::in_unit(double value) const {
  return dimension ? from_program_unit(value, unit, *dimension) : value;
}

// Bounds are for slips; whether a value is wise is another matter.
std::span<const StartKey> start_keys() {
  using P = BaselineProfile;
  using D = Dimension;
#define AT(member) [](P& p) -> P::Maybe& { return p.member; }
  static constexpr std::array kKeys{
      StartKey{"", "idle_speed", "idle speed", D::speed, 300, 3000, "rpm", true,
               AT(idle_speed_rpm)},
      StartKey{"mixture", "idle", "mixture at idle", D::mixture, 0.6, 1.3, "lambda", true,
               AT(mixture.idle_lambda)},
      StartKey{"mixture", "cruise", "mixture at cruise", D::mixture, 0.6, 1.3, "lambda", true,
               AT(mixture.cruise_lambda)},
      StartKey{"mixture", "load", "mixture at full load", D::mixture, 0.6, 1.3, "lambda", true,
               AT(mixture.load_lambda)},
      StartKey{"spark",
               "idle",
               "crank degrees, spark at idle",
               {},
               -10,
               60,
               "deg",
               false,
               AT(spark.idle_deg)},
      StartKey{"spark",
               "cruise",
               "crank degrees, spark at cruise",
               {},
               -10,
               60,
               "deg",
               false,
               AT(spark.cruise_deg)},
      StartKey{"spark",
               "load",
               "crank degrees, spark at full load",
               {},
               -10,
               60,
               "deg",
               false,
               AT(spark.load_deg)},
      StartKey{"idle_air", "flow", "air of the warm idle", D::mass_flow, 0.1, 60, "g/s", true,
               AT(idle_air.flow_kg_s)},
      StartKey{"idle_air",
               "opening",
               "of the idle-air valve's travel",
               {},
               0,
               1,
               "",
               false,
               AT(idle_air.opening)},
      StartKey{"",
               "acceleration_fuel",
               "times the first profile's acceleration fuel",
               {},
               0.1,
               10,
               "",
               true,
               AT(acceleration_fuel)},
      StartKey{"limits", "speed_max", "highest engine speed", D::speed, 1000, 15000, "rpm", true,
               AT(limits.speed_max_rpm)},
      StartKey{"limits", "idle_speed_min", "lowest idle speed", D::speed, 300, 3000, "rpm", true,
               AT(limits.idle_speed_min_rpm)},
      StartKey{"limits", "idle_speed_max", "highest idle speed", D::speed, 300, 3000, "rpm", true,
               AT(limits.idle_speed_max_rpm)},
      StartKey{"limits",
               "idle_spark_min",
               "crank degrees, least spark at idle",
               {},
               -10,
               60,
               "deg",
               false,
               AT(limits.idle_spark_min_deg)},
      StartKey{"limits",
               "idle_spark_max",
               "crank degrees, most spark at idle",
               {},
               -10,
               60,
               "deg",
               false,
               AT(limits.idle_spark_max_deg)},
      StartKey{"limits",
               "fuel_correction_max",
               "closed-loop correction either way",
               {},
               0,
               0.5,
               "",
               true,
               AT(limits.fuel_correction_max)},
  };
#undef AT
  return kKeys;
}

std::vector<std::string> missing_of(const BaselineProfile& profile) {
  std::vector<std::string> missing;
  if (!profile.engine) missing.emplace_back("engine");
  if (!profile.ve) missing.emplace_back("ve");
  for (const StartKey& key : start_keys()) {
    if (key.wanted && !key.in(profile)) missing.push_back(key.path());
  }
  if (profile.warm_up.empty()) missing.emplace_back("warm_up");
  return missing;
}

bool same_but_for_case(std::string_view a, std::string_view b) {
  const auto lower = [](char c) {
    return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
  };
  return std::equal(a.begin(), a.end(), b.begin(), b.end(),
                    [&](char x, char y) { return lower(x) == lower(y); });
}

BaselineProfile read_baseline_profile(const YamlNode& node, const std::string& field) {
  std::vector<std::string_view> keys{"name", "map_sea_level", "meaning", "basis", "engine",
                                     "ve",   "warm_up"};
  for (const StartKey& key : start_keys()) {
    const std::string_view top = key.section.empty() ? key.key : key.section;
    if (std::find(keys.begin(), keys.end(), top) == keys.end()) keys.push_back(top);
  }
  constexpr std::array kRangeKeys{"from"sv, "to"sv};
  node.expect_map(field, keys);
  BaselineProfile profile;
  profile.name = node.require(field, "name").as_text(field + ".name", kNameLength);
  if (same_but_for_case(profile.name, kCustom)) {
    throw node.find("name")->error(field + ".name", "a name other than \"custom\"",
                                   "That word stands for a calibration of its own.");
  }
  const YamlNode& range = node.require(field, "map_sea_level");
  const std::string range_field = field + ".map_sea_level";
  range.expect_map(range_field, kRangeKeys);
  profile.map_from_kPa = pressure_kPa(range.require(range_field, "from"), range_field + ".from");
  profile.map_to_kPa = pressure_kPa(range.require(range_field, "to"), range_field + ".to");
  if (profile.map_to_kPa <= profile.map_from_kPa) {
    throw range.find("to")->error(
        range_field + ".to",
        "more than " + kilopascals(profile.map_from_kPa) + ", where the profile begins",
        "Are the two swapped?");
  }
  if (const YamlNode* const meaning = node.find("meaning")) {
    profile.meaning = meaning->as_text(field + ".meaning", kLongText);
  }
  if (const YamlNode* const basis = node.find("basis")) {
    profile.basis = basis->as_text(field + ".basis", kLongText);
  }
  if (const YamlNode* const engine = node.find("engine")) {
    profile.engine = read_engine(*engine, field + ".engine");
  }
  if (const YamlNode* const ve = node.find("ve")) profile.ve = read_ve(*ve, field + ".ve");
  read_start_values(node, field, profile);
  if (const YamlNode* const warm_up = node.find("warm_up")) {
    profile.warm_up = read_warm_up(*warm_up, field + ".warm_up");
  }
  check_limits(node, field, profile);
  return profile;
}

std::string write_baseline_profile(const BaselineProfile& profile) {
  std::string out = "  - name: " + yaml_quoted(profile.name) + "\n";
  const auto pressure = [](double value_kPa) { return exact_number_text(value_kPa) + " kPa"; };
  out += "    map_sea_level: {from: " + pressure(profile.map_from_kPa) +
         ", to: " + pressure(profile.map_to_kPa) + "}\n";
  if (!profile.meaning.empty()) out += "    meaning: " + yaml_quoted(profile.meaning) + "\n";
  if (!profile.basis.empty()) out += "    basis: " + yaml_quoted(profile.basis) + "\n";
  if (profile.engine) out += engine_text(*profile.engine);
  out += start_values_text(profile);
  out += warm_up_text(profile.warm_up);
  if (profile.ve) out += ve_text(*profile.ve);
  return out;
}

}  // namespace idlefit
