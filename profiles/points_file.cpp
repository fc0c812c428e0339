#include "profiles/points_file.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <map>
#include <string_view>
#include <unordered_map>
#include <utility>
#include <variant>

#include "model/atmosphere.h"
#include "profiles/csv.h"
#include "profiles/engine_check.h"
#include "profiles/engine_keys.h"
#include "profiles/known_reading.h"
#include "profiles/text_file.h"
#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

constexpr std::size_t kTextLongest = 300;  // of source and note, characters
constexpr std::size_t kNameLongest = 100;  // of car and offset
constexpr std::string_view kEngineFile = "engine_file";
constexpr std::string_view kDeviation = "_sd";

// --- Columns -------------------------------------------------------------------------------------

// What numbers a column may hold: plain ones, or of a unit that stands in the heading.
using Scale = std::variant<NumberRange, QuantityRange>;

// A reading column, the column of its deviation, and the deviation where that says nothing.
struct ReadingKind {
  std::string_view name;
  Quantity quantity;
  Scale scale, sd_scale;
  double usual_sd;          // in the quantity's unit, or
  bool share_of_reading;    // a share of the reading
  std::string_view remedy;  // what to do about a reading out of range
};

constexpr std::size_t kReadingKinds = 6;
constexpr std::string_view kDeviationWords = "a standard deviation";

// The deviations are chosen where no other reason is given: common practice, no source.
const std::array<ReadingKind, kReadingKinds>& reading_kinds() {
  static const std::array<ReadingKind, kReadingKinds> kinds{{
      {"vacuum", Quantity::vacuum,
       QuantityRange{Dimension::pressure, 0.5, 28.0, "inHg", "a manifold vacuum"},
       QuantityRange{Dimension::pressure, 0.05, 6.0, "inHg", kDeviationWords}, kVacuumReadingSd_Pa,
       false, "Give what a vacuum gauge shows, not the absolute manifold pressure."},
      // A pressure sensor is good for 1.5 % of its full scale of about 105 kPa, and the reading
      // swings.
      {"map", Quantity::map,
       QuantityRange{Dimension::pressure, 8.0, 120.0, "kPa", "an absolute manifold pressure"},
       QuantityRange{Dimension::pressure, 0.2, 20.0, "kPa", kDeviationWords}, 1000.0, false,
       "Give the absolute pressure in the manifold, not what a vacuum gauge shows."},
      {"air", Quantity::air,
       QuantityRange{Dimension::mass_flow, 0.3, 300.0, "g/s", "an air flow of the whole engine"},
       QuantityRange{Dimension::mass_flow, 0.005, 50.0, "g/s", kDeviationWords}, 0.05, true,
       "Give the mass of air that the whole engine takes."},
      {"fuel", Quantity::fuel,
       QuantityRange{Dimension::mass_flow, 0.02, 30.0, "g/s", "a fuel flow of the whole engine"},
       QuantityRange{Dimension::mass_flow, 0.0005, 5.0, "g/s", kDeviationWords}, 0.05, true,
       "Give the mass of fuel that the whole engine takes."},
      {"ve", Quantity::ve, NumberRange{0.05, 1.3, "of the swept volume"},
       NumberRange{0.002, 0.3, kDeviationWords}, 0.03, false,
       "Write a share, not per cent: 1 is a cylinder filled at manifold pressure."},
      {"residual", Quantity::residual, NumberRange{0.01, 0.7, "of the mass in the cylinder"},
       NumberRange{0.002, 0.3, kDeviationWords}, 0.02, false,
       "Write a share, not per cent, of burned gas left from the cycle before."},
  }};
  return kinds;
}

const Scale kAtMap =
    QuantityRange{Dimension::pressure, 8.0, 250.0, "kPa", "an absolute manifold pressure"};
const Scale kCountsAs = NumberRange{0.001, 1.0, "of an independent reading"};
const Scale kFrictionFactor = NumberRange{0.4, 2.0, "times the usual rubbing friction"};

enum class Role {
  unnamed,  // a heading left empty, under which every cell must be
  reading,
  reading_sd,
  at_map,
  engine_file,
  engine_key,
  car,
  counts_as,
  offset,
  offset_sd,
  friction_factor,
  evidence,
  source,
  note,
};

constexpr std::array<std::pair<std::string_view, Role>, 10> kOtherColumns{{
    {"at_map", Role::at_map},
    {kEngineFile, Role::engine_file},
    {"car", Role::car},
    {"counts_as", Role::counts_as},
    {"offset", Role::offset},
    {"offset_sd", Role::offset_sd},
    {"friction_factor", Role::friction_factor},
    {"evidence", Role::evidence},
    {"source", Role::source},
    {"note", Role::note},
}};

struct Column {
  Role role = Role::unnamed;
  std::string name;      // without the unit
  std::string heading;   // as in the file
  std::string unit;      // empty for plain numbers and texts
  std::size_t kind = 0;  // of a reading or its deviation
  const EngineKey* key = nullptr;
  std::string_view remedy;     // for a number out of range
  std::optional<Scale> scale;  // of numbers that are no engine keys
};

bool is_known_section(std::string_view name) { return name.starts_with("known."); }

// Every name that a heading may have, in the order in which they are documented.
std::vector<std::string_view> all_columns() {
  static const std::vector<std::string> deviations = [] {
    std::vector<std::string> names;
    for (const ReadingKind& kind : reading_kinds()) {
      names.push_back(std::string(kind.name) + std::string(kDeviation));
    }
    return names;
  }();
  std::vector<std::string_view> names;
  for (const ReadingKind& kind : reading_kinds()) names.push_back(kind.name);
  names.insert(names.end(), deviations.begin(), deviations.end());
  for (const auto& [name, role] : kOtherColumns) names.push_back(name);
  for (const EngineKey& key : engine_keys()) {
    if (!is_known_section(key.path)) names.push_back(key.path);
  }
  return names;
}

// What a column of this name is; empty where there is none.
std::optional<Column> column_named(std::string_view name) {
  Column column;
  column.name = name;
  for (std::size_t k = 0; k < kReadingKinds; ++k) {
    const ReadingKind& kind = reading_kinds()[k];
    if (!name.starts_with(kind.name)) continue;
    const std::string_view rest = name.substr(kind.name.size());
    if (!rest.empty() && rest != kDeviation) continue;
    column.role = rest.empty() ? Role::reading : Role::reading_sd;
    column.kind = k;
    column.scale = rest.empty() ? kind.scale : kind.sd_scale;
    if (rest.empty()) column.remedy = kind.remedy;
    return column;
  }
  for (const auto& [other, role] : kOtherColumns) {
    if (name != other) continue;
    column.role = role;
    if (role == Role::at_map) column.scale = kAtMap;
    if (role == Role::counts_as) column.scale = kCountsAs;
    if (role == Role::friction_factor) column.scale = kFrictionFactor;
    return column;
  }
  for (const EngineKey& key : engine_keys()) {
    if (key.path != name || is_known_section(name)) continue;
    column.role = Role::engine_key;
    column.key = &key;
    return column;
  }
  return std::nullopt;
}

std::string with_unit(std::string_view name, std::string_view unit) {
  return std::string(name) + " [" + std::string(unit) + "]";
}

// What to do about a heading that names no column.
std::string advice_for(std::string_view name) {
  if (name.empty()) return "Write its name in front of the brackets.";
  if (is_known_section(name)) {
    return name == "known.vacuum"
               ? "Give the reading as vacuum, with its unit, and its conditions "
                 "as idle.speed, idle.spark, idle.gear and idle.altitude."
               : "Give the conditions of the readings as idle.speed, idle.spark, "
                 "idle.gear and idle.altitude or idle.barometer.";
  }
  const auto below = keys_below(name);
  if (!below.empty()) {
    return "Name one of its keys, such as " + std::string(name) + "." + std::string(below[0]) + ".";
  }
  // A unit without its brackets, or in others.
  const std::string_view first = name.substr(0, name.find_first_of(" ("));
  if (first.size() < name.size()) {
    const auto column = column_named(first);
    if (column && (column->scale || column->key != nullptr)) {
      return "Write the unit behind the name in square brackets, such as vacuum [inHg].";
    }
  }
  const std::vector<std::string_view> names = all_columns();
  for (const std::string_view known : names) {
    // The name alone of a key, or of one of its sections: "speed", "duration_050".
    const std::string dotted = "." + std::string(known) + ".";
    if (known.find('.') != std::string_view::npos &&
        dotted.find("." + std::string(name) + ".") != std::string::npos) {
      return "Did you mean " + std::string(known) + "?";
    }
  }
  const std::string near = nearest_name(name, names);
  return near.empty() ? "Remove the column, or put its texts into the column note."
                      : "Did you mean " + near + "?";
}

const QuantityRange* range_with_unit(const Column& column) {
  if (column.key != nullptr) return column.key->range ? &*column.key->range : nullptr;
  return column.scale ? std::get_if<QuantityRange>(&*column.scale) : nullptr;
}

// --- Lines before the rows -----------------------------------------------------------------------

std::string_view trimmed(std::string_view text) {
  const std::size_t first = text.find_first_not_of(" \t");
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t") - first + 1);
}

// Goes to the header: past blank lines and comments. Spreadsheets put a comment that holds a comma
// into quotes.
void go_to_header(CsvReader& csv, const std::string& name) {
  while (csv.next()) {
    std::string_view line = trimmed(csv.line());
    if (line.starts_with('"')) line.remove_prefix(1);
    if (line.starts_with('#')) continue;
    const std::size_t tab = csv.line().find('\t');
    const std::size_t semicolon = csv.line().find(';');
    if (semicolon != std::string_view::npos) {
      throw csv.error(semicolon, "", ";", "commas between the columns",
                      "Save the table as CSV with commas as separators and decimal points in the "
                      "numbers (15.5, not 15,5).");
    }
    if (tab != std::string_view::npos && csv.line().find(',') == std::string_view::npos) {
      throw csv.error(tab, "", "\t", "commas between the columns",
                      "Save the table as CSV with commas as separators, not tabs.");
    }
    return;
  }
  throw InputError({name, std::max(csv.line_number(), 1), 1}, "", "",
                   "a header line with the names of the columns, but the file is empty",
                   "Is this the file you meant?");
}

// The engine file that a row names, as seen from where the program runs.
std::string engine_path(const std::string& points_name, const std::string& cell) {
  return (std::filesystem::path(points_name).parent_path() / cell).lexically_normal().string();
}

// BOM dropped, line ends made LF; those of very old files (CR alone) too.
std::string normalised(std::string_view text) {
  text = without_byte_order_mark(text);
  const bool cr_alone = text.find('\n') == std::string_view::npos;
  std::string result;
  result.reserve(text.size());
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '\r' && cr_alone) {
      result += '\n';
    } else if (text[i] != '\r' || i + 1 >= text.size() || text[i + 1] != '\n') {
      result += text[i];
    }
  }
  return result;
}

// What an error in an engine file says, in brackets, to go into one about the row.
std::string told(const InputError& e) {
  std::string text = " (" + e.where().source;
  if (e.where().line > 0) text += ":" + std::to_string(e.where().line);
  if (e.where().column > 0) text += ":" + std::to_string(e.where().column);
  text += ": ";
  if (!e.field().empty()) text += e.field() + ": ";
  if (!e.value().empty()) text += "found \"" + e.value() + "\", ";
  return text + "expected " + e.expected() + ")";
}

// --- Rows ----------------------------------------------------------------------------------------

// Engine files by name, parsed when a row first names them.
class EngineFiles {
 public:
  explicit EngineFiles(const std::vector<NamedText>& texts) {
    for (const NamedText& text : texts) texts_.emplace(text.name, &text);
  }

  // The card that a file makes, without `known`; nullptr where there is no such file.
  const EngineCard* find(const std::string& name) {
    const auto text = texts_.find(name);
    if (text == texts_.end()) return nullptr;
    const auto [entry, is_new] = cards_.try_emplace(name);
    if (is_new) {
      try {
        entry->second = parse_engine_card(text->second->text, name);
      } catch (...) {
        cards_.erase(entry);
        throw;
      }
      entry->second.known = {};
      std::erase_if(entry->second.where,
                    [](const auto& place) { return is_known_section(place.first); });
    }
    return &entry->second;
  }

  // The line of an engine file with a mark at a place of it.
  std::string excerpt(const InputError::Where& where) const {
    std::string_view text = texts_.at(where.source)->text;
    for (int line = 1; line < where.line; ++line) text.remove_prefix(text.find('\n') + 1);
    return line_excerpt(text.substr(0, text.find('\n')), where.line, where.column);
  }

 private:
  std::map<std::string, const NamedText*> texts_;
  std::map<std::string, EngineCard> cards_;
};

struct OffsetGroup {
  Quantity quantity;
  double sd;
  std::string sd_text, file;
  int line;
};

std::string_view name_of(Quantity quantity) {
  for (const ReadingKind& kind : reading_kinds()) {
    if (kind.quantity == quantity) return kind.name;
  }
  return {};
}

// Reads one points file.
class TableReader {
 public:
  TableReader(const NamedText& file, EngineFiles& engines,
              std::map<std::string, OffsetGroup>& offsets, std::vector<MeasuredRow>& rows)
      : file_(file), csv_(file), engines_(engines), offsets_(offsets), rows_(rows) {
    auto table = std::make_shared<YamlSource>();
    table->name = file.name;
    table->table = true;
    node_.kind = YamlNode::Kind::scalar;
    node_.place.source = std::move(table);
  }

  void run() {
    go_to_header(csv_, file_.name);
    read_header();
    const int header = csv_.line_number();
    const std::size_t before = rows_.size();
    while (csv_.next()) read_row();
    if (rows_.size() > before) return;
    throw InputError({file_.name, header, 1}, "", "", "rows of readings below this header",
                     "Add a row for each engine that was measured.");
  }

 private:
  // --- Header

  void read_header() {
    for (const CsvCell& cell : csv_.split()) add_column(cell);
    header_line_ = csv_.line_number();
    bool any = false;
    for (const Column& column : columns_) any = any || column.role == Role::reading;
    if (!any) {
      throw csv_.error(0, "", "", "at least one reading: vacuum, map, air, fuel, ve or residual",
                       "Add a column such as vacuum [inHg] or map [kPa].");
    }
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      const Column& column = columns_[i];
      if (column.role == Role::reading_sd && sd_column_[column.kind] == nullptr) {
        sd_column_[column.kind] = &column;
        const auto of_reading = [&](const Column& other) {
          return other.role == Role::reading && other.kind == column.kind;
        };
        if (std::none_of(columns_.begin(), columns_.end(), of_reading)) {
          throw csv_.error(csv_.split()[i].byte, column.heading, "",
                           "a column " + std::string(reading_kinds()[column.kind].name) +
                               " beside the one of its deviations",
                           "Add it, or remove this one.");
        }
      }
    }
  }

  void add_column(const CsvCell& cell) {
    const std::string& heading = cell.text;
    if (heading.empty()) {
      columns_.emplace_back();
      return;
    }
    const std::size_t open = heading.find('[');
    const std::string name(trimmed(std::string_view(heading).substr(0, open)));
    std::string unit;
    if (open != std::string::npos) {
      unit = trimmed(std::string_view(heading).substr(open + 1));
      if (!unit.ends_with(']') || unit.find('[') != std::string::npos) {
        throw heading_error(cell, "a name, and behind it at most one unit in square brackets",
                            "Write it like vacuum [inHg].");
      }
      unit = trimmed(std::string_view(unit).substr(0, unit.size() - 1));
    }
    auto column = column_named(name);
    if (!column) {
      throw heading_error(cell, "the name of a column", advice_for(name));
    }
    column->heading = heading;
    column->unit = unit;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      if (columns_[i].name == name) {
        throw heading_error(cell, "each column once",
                            "It already stands as column " + std::to_string(i + 1) + " (" +
                                columns_[i].heading + "): remove one of the two.");
      }
    }
    if (column->role == Role::offset_sd) choose_offset_unit(cell, *column);
    check_unit(cell, *column, open != std::string::npos);
    columns_.push_back(std::move(*column));
  }

  // The unit tells which readings a shared error is for.
  void choose_offset_unit(const CsvCell& cell, Column& column) const {
    for (const ReadingKind& kind : reading_kinds()) {
      const auto* const range = std::get_if<QuantityRange>(&kind.sd_scale);
      if (range == nullptr) {
        if (!column.unit.empty()) continue;
        column.scale = kind.sd_scale;
        return;
      }
      if (column.unit.empty()) continue;
      try {
        to_program_unit(1.0, column.unit, range->dimension);
        column.scale = kind.sd_scale;
        return;
      } catch (const QuantityError&) {
        // Of another dimension, or of none.
      }
    }
    throw heading_error(cell, "the unit of the readings that share the error",
                        "Write it like offset_sd [inHg], or offset_sd for ve and residual.");
  }

  void check_unit(const CsvCell& cell, const Column& column, bool brackets) const {
    const QuantityRange* const range = range_with_unit(column);
    if (range == nullptr) {
      if (!brackets) return;
      throw heading_error(cell, "no unit: this column holds plain numbers or words",
                          "Write it as " + column.name + ".");
    }
    const std::string unit_of = "a unit of " + std::string(dimension_name(range->dimension));
    const std::string such_as =
        "Write it like " + with_unit(column.name, range->unit) + ", with the unit that was read.";
    if (column.unit.empty()) {
      throw heading_error(cell, unit_of + " in square brackets", such_as);
    }
    try {
      to_program_unit(1.0, column.unit, range->dimension);
    } catch (const QuantityError& problem) {
      throw heading_error(cell, problem.expected, problem.next_step);
    }
  }

  InputError heading_error(const CsvCell& cell, std::string expected, std::string next_step) const {
    return csv_.error(cell.byte, "", cell.text, std::move(expected), std::move(next_step));
  }

  // --- Cells

  InputError cell_error(std::size_t i, std::string expected, std::string next_step) const {
    return csv_.error(cells_[i].byte, columns_[i].heading, cells_[i].text, std::move(expected),
                      std::move(next_step));
  }

  // Runs a reader of node_ over a cell; what is wrong is told of the cell.
  template <class Read>
  auto read_cell(std::size_t i, const Read& read) {
    const Column& column = columns_[i];
    node_.text = cells_[i].text;
    try {
      if (!column.unit.empty()) {
        parse_number(node_.text);  // a unit in the cell as well would be taken for one
        node_.text += " " + column.unit;
      }
      return read();
    } catch (const InputError& problem) {
      throw cell_error(i, problem.expected(), problem.next_step());
    } catch (const QuantityError& problem) {
      const bool no_number = cells_[i].text.find_first_of("0123456789") == std::string::npos;
      throw cell_error(
          i, problem.expected + ", in " + column.unit,
          problem.next_step + (no_number ? " Leave the cell empty if it is not known." : ""));
    }
  }

  double number(std::size_t i) {
    const Column& column = columns_[i];
    return read_cell(i, [&] {
      if (const auto* const range = range_with_unit(column)) {
        return node_.as_quantity(column.name, *range, column.remedy);
      }
      return node_.as_number(column.name, std::get<NumberRange>(*column.scale), column.remedy);
    });
  }

  std::string text(std::size_t i, std::size_t longest) {
    return read_cell(i, [&] { return node_.as_text(columns_[i].name, longest); });
  }

  // --- A row

  void read_row() {
    cells_ = csv_.split();
    const auto is_empty = [](const CsvCell& cell) { return cell.text.empty(); };
    if (std::all_of(cells_.begin(), cells_.end(), is_empty)) return;
    check_length();

    MeasuredRow row;
    row.file = file_.name;
    row.line = csv_.line_number();
    Filled filled;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      if (!cells_[i].text.empty()) read_column(row, i, filled);
    }
    if (row.readings.empty()) {
      throw csv_.error(0, "", "", "a reading in one of the columns " + reading_headings(),
                       "Fill one of them, or remove the row.");
    }
    read_deviations(row, filled);
    row.card = card();
    check_pressures(row, filled);
    check_offset(row, filled);
    if (row.car.empty()) {
      row.car = engine_cell_ ? engine_path(file_.name, cells_[*engine_cell_].text)
                             : row.file + ":" + std::to_string(row.line);
    }
    rows_.push_back(std::move(row));
  }

  void check_length() const {
    if (cells_.size() == columns_.size()) return;
    const std::string count = std::to_string(cells_.size()) + " cells";
    const std::string expected = std::to_string(columns_.size()) +
                                 " cells, as many as the header in line " +
                                 std::to_string(header_line_) + " has";
    if (csv_.line().starts_with('#')) {
      throw csv_.error(0, "", count, expected,
                       "Comments stand before the header only: put a remark into the column note.");
    }
    if (cells_.size() < columns_.size()) {
      throw csv_.error(csv_.line().size(), "", count, expected,
                       "Write nothing between two commas for a cell that stays empty.");
    }
    throw csv_.error(
        cells_[columns_.size()].byte, "", count, expected,
        "Write decimals behind a point, not a comma, and put a text that holds a comma "
        "into quotes.");
  }

  std::string reading_headings() const {
    std::vector<std::string_view> headings;
    for (const Column& column : columns_) {
      if (column.role == Role::reading) headings.push_back(column.heading);
    }
    return word_list(headings);
  }

  // Which cells of the row are filled, of those that are checked against others.
  struct Filled {
    std::optional<std::size_t> at_map, offset, offset_sd;
    std::vector<std::size_t> readings;
  };

  void read_column(MeasuredRow& row, std::size_t i, Filled& filled) {
    switch (columns_[i].role) {
      case Role::unnamed:
        throw csv_.error(cells_[i].byte, "", cells_[i].text, "nothing in a column without a name",
                         "Name the column in the header, or empty the cell.");
      case Role::reading: {
        MeasuredRow::Reading reading;
        reading.quantity = reading_kinds()[columns_[i].kind].quantity;
        reading.value = number(i);
        reading.column = column_of(csv_.line(), cells_[i].byte);
        reading.heading = columns_[i].heading;
        row.readings.push_back(std::move(reading));
        filled.readings.push_back(i);
        break;
      }
      case Role::at_map:
        row.at_map_Pa = number(i);
        filled.at_map = i;
        break;
      case Role::reading_sd:   // with the readings
      case Role::engine_file:  // with the card
      case Role::engine_key:
        break;
      case Role::car:
        row.car = text(i, kNameLongest);
        break;
      case Role::counts_as:
        row.counts_as = number(i);
        break;
      case Role::offset:
        row.offset = text(i, kNameLongest);
        filled.offset = i;
        break;
      case Role::offset_sd:
        row.offset_sd = number(i);
        filled.offset_sd = i;
        break;
      case Role::friction_factor:
        row.friction_factor = number(i);
        break;
      case Role::evidence: {
        constexpr std::array words{"measured"sv, "published"sv, "correlation"sv, "memory"sv};
        row.evidence = static_cast<Evidence>(
            read_cell(i, [&] { return node_.as_word(columns_[i].name, words); }));
        break;
      }
      case Role::source:
        row.source = text(i, kTextLongest);
        break;
      case Role::note:
        row.note = text(i, kTextLongest);
        break;
    }
  }

  // A deviation beside an empty reading says nothing, and may stand in a column filled throughout.
  void read_deviations(MeasuredRow& row, const Filled& filled) {
    for (std::size_t r = 0; r < row.readings.size(); ++r) {
      MeasuredRow::Reading& reading = row.readings[r];
      const std::size_t k = columns_[filled.readings[r]].kind;
      const ReadingKind& kind = reading_kinds()[k];
      reading.sd = kind.share_of_reading ? kind.usual_sd * reading.value : kind.usual_sd;
      if (sd_column_[k] == nullptr) continue;
      const auto i = static_cast<std::size_t>(sd_column_[k] - columns_.data());
      if (!cells_[i].text.empty()) reading.sd = number(i);
    }
  }

  // --- The engine of a row

  // The card of the row; rows that state it in the same words share it.
  std::shared_ptr<const EngineCard> card() {
    engine_cell_.reset();
    std::string words;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      const Role role = columns_[i].role;
      if (role == Role::engine_file && !cells_[i].text.empty()) engine_cell_ = i;
      if (role != Role::engine_file && role != Role::engine_key) continue;
      words += cells_[i].text;
      words += '\n';  // which no cell holds
    }
    auto& known = cards_[words];
    if (known == nullptr) known = std::make_shared<const EngineCard>(make_card());
    return known;
  }

  EngineCard make_card() {
    const EngineCard* const base = engine_cell_ ? engine_of_file() : nullptr;
    EngineCard card = base != nullptr ? *base : EngineCard();
    if (is_filled("idle.altitude") || is_filled("idle.barometer")) {
      // Two words for one thing: the row's replaces the file's, whichever that uses.
      card.altitude_m.reset();
      card.barometer_Pa.reset();
    }
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      if (columns_[i].role != Role::engine_key || cells_[i].text.empty()) continue;
      read_cell(i, [&] { columns_[i].key->read(card, node_); });
    }
    try {
      check_card(card, [](std::string_view) { return KeyPlace{}; });
    } catch (const InputError& problem) {
      fail_check(problem, base);
    }
    card.where.clear();
    return card;
  }

  std::optional<std::size_t> filled_column(std::string_view name) const {
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      if (columns_[i].name == name && !cells_[i].text.empty()) return i;
    }
    return std::nullopt;
  }
  bool is_filled(std::string_view name) const { return filled_column(name).has_value(); }

  const EngineCard* engine_of_file() {
    const std::size_t i = *engine_cell_;
    const std::string path = engine_path(file_.name, cells_[i].text);
    const EngineCard* base = nullptr;
    try {
      base = engines_.find(path);
    } catch (const InputError& problem) {
      throw engine_error("an engine file without errors", problem);
    }
    if (base == nullptr) {
      throw cell_error(i,
                       "an engine file among those read with the points, but " + path + " is not",
                       "Read the points from their files again.");
    }
    return base;
  }

  // An error in the engine file of the row, which names both; the line shown is the engine file's.
  InputError engine_error(const std::string& expected, const InputError& problem) const {
    const CsvCell& cell = cells_[*engine_cell_];
    const std::string_view what = problem.what();
    const std::size_t line = what.find('\n');
    return InputError(
        {file_.name, csv_.line_number(), column_of(csv_.line(), cell.byte)},
        columns_[*engine_cell_].heading, cell.text, expected + told(problem), problem.next_step(),
        line == std::string_view::npos ? std::string() : std::string(what.substr(line + 1)));
  }

  // Values that do not agree, or are not enough: told of the cell that holds the key, else of the
  // engine file that does, else of the row.
  [[noreturn]] void fail_check(const InputError& problem, const EngineCard* base) const {
    const std::string& key = problem.field();
    if (const auto i = filled_column(key)) {
      throw cell_error(*i, problem.expected(), problem.next_step());
    }
    if (base != nullptr && base->where.count(key) > 0) {
      const InputError::Where& where = base->where.at(key);
      const InputError placed(where, key, problem.value(), problem.expected(), problem.next_step(),
                              engines_.excerpt(where));
      throw engine_error("an engine file that agrees with itself and with the row", placed);
    }
    const bool cam = key == "cam.described_as";
    const std::string expected =
        cam ? "something about the cam: duration_050, duration_seat or described_as"
            : problem.expected();
    const std::string columns =
        cam ? "cam.duration_050.intake, cam.duration_seat.intake or cam.described_as" : key;
    if (engine_cell_) {
      throw cell_error(*engine_cell_, "an engine file with " + expected,
                       "Add it there, or as a column " + columns + "." +
                           (cam ? " The section known does not count here." : ""));
    }
    throw csv_.error(0, key, "", expected,
                     "Fill a column " + columns + ", or name an engine file in a column " +
                         std::string(kEngineFile) + ".");
  }

  // --- What must agree within a row

  void check_pressures(const MeasuredRow& row, const Filled& filled) const {
    const EngineCard& card = *row.card;
    const double barometer_Pa = card.barometer_Pa
                                    ? *card.barometer_Pa
                                    : pressure_at_altitude_Pa(card.altitude_m.value_or(0.0));
    const auto in_unit = [&](std::size_t i, double pressure_Pa) {
      const std::string& unit = columns_[i].unit;
      return number_text(from_program_unit(pressure_Pa, unit, Dimension::pressure), 4) + " " + unit;
    };
    const auto at_barometer = [&](std::size_t i) {
      return " at a barometer of " + in_unit(i, barometer_Pa) +
             (card.barometer_Pa ? ""
              : card.altitude_m ? " (from the altitude)"
                                : " (sea level)");
    };
    const bool natural = card.induction != EngineCard::Induction::boosted;
    constexpr std::string_view kSayBarometer =
        " Give idle.barometer or idle.altitude of the place.";
    for (std::size_t r = 0; r < row.readings.size(); ++r) {
      const std::size_t i = filled.readings[r];
      const MeasuredRow::Reading& reading = row.readings[r];
      const bool is_pressure =
          reading.quantity == Quantity::vacuum || reading.quantity == Quantity::map;
      if (is_pressure && filled.at_map) {
        throw cell_error(i,
                         "no pressure reading in a row whose pressure is held (" +
                             columns_[*filled.at_map].heading + ")",
                         "Leave one of the two empty: at_map is what was held, map and vacuum what "
                         "the engine idled at.");
      }
      if (reading.quantity == Quantity::vacuum && reading.value > barometer_Pa - kLeastIdleMap_Pa) {
        throw cell_error(
            i, "less than " + in_unit(i, barometer_Pa - kLeastIdleMap_Pa) + at_barometer(i),
            "Give what a vacuum gauge shows, not the absolute manifold pressure." +
                std::string(kSayBarometer));
      }
      if (reading.quantity == Quantity::map && natural && reading.value >= barometer_Pa) {
        throw cell_error(
            i, "less than " + in_unit(i, barometer_Pa) + at_barometer(i),
            "Give the absolute pressure in the manifold." + std::string(kSayBarometer));
      }
    }
    // A throttle wide open holds the barometer, which an altitude alone gives to the weather.
    constexpr double kWeather_Pa = 3e3, kSensor_Pa = 0.5e3;
    const double most_Pa = barometer_Pa + (card.barometer_Pa ? kSensor_Pa : kWeather_Pa);
    if (filled.at_map && natural && *row.at_map_Pa > most_Pa) {
      throw cell_error(*filled.at_map,
                       "at most " + in_unit(*filled.at_map, most_Pa) + at_barometer(*filled.at_map),
                       "Correct it, or say engine.induction boosted." + std::string(kSayBarometer));
    }
  }

  void check_offset(MeasuredRow& row, const Filled& filled) {
    if (!filled.offset && !filled.offset_sd) return;
    if (!filled.offset) {
      throw cell_error(*filled.offset_sd, "a name in the column offset beside it",
                       "Name the group whose readings share the error, or empty the cell.");
    }
    if (!filled.offset_sd) {
      throw cell_error(*filled.offset, "the deviation of the shared error beside it",
                       "Fill a column such as offset_sd [inHg], or empty the cell.");
    }
    if (row.readings.size() != 1) {
      throw cell_error(
          *filled.offset,
          "one reading in a row with a shared error, not " + std::to_string(row.readings.size()),
          "Write the other readings into a row of their own.");
    }
    const Quantity quantity = row.readings.front().quantity;
    const Column& sd_column = columns_[*filled.offset_sd];
    const Column& reading_column = columns_[filled.readings.front()];
    const auto* const sd_range = range_with_unit(sd_column);
    const auto* const range = range_with_unit(reading_column);
    if ((sd_range == nullptr) != (range == nullptr) ||
        (range != nullptr && sd_range->dimension != range->dimension)) {
      throw cell_error(
          *filled.offset_sd, "a deviation in a unit of the reading, " + reading_column.heading,
          "Put readings of other units into a file of their own: idlefit reads several.");
    }
    const std::string sd_text =
        cells_[*filled.offset_sd].text + (sd_column.unit.empty() ? "" : " " + sd_column.unit);
    const auto [entry, is_new] = offsets_.try_emplace(
        row.offset, OffsetGroup{quantity, row.offset_sd, sd_text, row.file, row.line});
    if (is_new) return;
    const OffsetGroup& group = entry->second;
    const std::string first = group.file + ":" + std::to_string(group.line);
    if (group.quantity != quantity) {
      throw cell_error(*filled.offset,
                       "readings of " + std::string(name_of(group.quantity)) +
                           " in this group, as in " + first + ", not of " +
                           std::string(name_of(quantity)),
                       "Give this reading a group of its own.");
    }
    // The same deviation in two units is the same but for rounding.
    if (std::abs(group.sd - row.offset_sd) > 1e-6 * group.sd) {
      throw cell_error(*filled.offset_sd,
                       "the deviation that the group has in " + first + ", " + group.sd_text,
                       "Write the same in all rows of a group.");
    }
    row.offset_sd = group.sd;
  }

  const NamedText& file_;
  CsvReader csv_;
  EngineFiles& engines_;
  std::map<std::string, OffsetGroup>& offsets_;
  std::vector<MeasuredRow>& rows_;

  std::vector<Column> columns_;
  int header_line_ = 0;
  std::array<const Column*, kReadingKinds> sd_column_{};
  YamlNode node_;  // a cell as the readers of keys want it

  std::span<const CsvCell> cells_;          // of the row
  std::optional<std::size_t> engine_cell_;  // of the row, where it names an engine file
  std::unordered_map<std::string, std::shared_ptr<const EngineCard>> cards_;
};

}  // namespace

PointsSource read_points_source(const std::vector<std::string>& paths) {
  PointsSource source;
  std::vector<std::string> seen;
  std::size_t bytes = 0;
  const auto take = [&](const std::string& path, std::string_view kind) {
    std::string text = normalised(read_text_file(path, kPointsBytesMax, kind));
    bytes += text.size();
    if (bytes > kPointsBytesMax) {
      throw InputError({text_file_name(path), 0, 0}, "", "",
                       "at most " + number_text(static_cast<double>(kPointsBytesMax) / 1e6, 3) +
                           " MB of points and engine files together",
                       "Are these the files you meant?");
    }
    return text;
  };
  for (const std::string& path : paths) {
    const std::string same = std::filesystem::path(path).lexically_normal().string();
    if (std::find(seen.begin(), seen.end(), same) != seen.end()) {
      throw InputError({text_file_name(path), 0, 0}, "", "", "each points file once",
                       "Name it once: readings that are counted twice pretend to be surer.");
    }
    seen.push_back(same);
    source.points.push_back({text_file_name(path), take(path, "a points file (CSV)")});
  }

  std::unordered_map<std::string, bool> known;
  for (const NamedText& file : source.points) {
    CsvReader csv(file);
    go_to_header(csv, file.name);
    std::optional<std::size_t> column;
    const auto headings = csv.split();
    for (std::size_t i = 0; i < headings.size(); ++i) {
      if (headings[i].text == kEngineFile) column = i;
    }
    while (column && csv.next()) {
      const auto cells = csv.split();
      if (*column >= cells.size() || cells[*column].text.empty()) continue;
      const CsvCell& cell = cells[*column];
      const std::string engine = engine_path(file.name, cell.text);
      if (!known.emplace(engine, true).second) continue;
      if (cell.text == "-") {
        throw csv.error(cell.byte, std::string(kEngineFile), cell.text,
                        "the name of an engine file",
                        "Leave the cell empty if the row carries the engine in columns.");
      }
      try {
        source.engines.push_back({engine, take(engine, "an engine file")});
      } catch (const InputError& problem) {
        throw csv.error(cell.byte, std::string(kEngineFile), cell.text,
                        "an engine file that can be read" + told(problem),
                        "Names count from the folder of the points file. " + problem.next_step());
      }
    }
  }
  return source;
}

std::vector<MeasuredRow> parse_points(const PointsSource& source) {
  std::vector<MeasuredRow> rows;
  EngineFiles engines(source.engines);
  std::map<std::string, OffsetGroup> offsets;
  for (const NamedText& file : source.points) TableReader(file, engines, offsets, rows).run();
  return rows;
}

}  // namespace idlefit
