#include "profiles/book.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <filesystem>
#include <stdexcept>
#include <system_error>
#include <tuple>
#include <utility>

#include "profiles/engine_file.h"
#include "profiles/text_file.h"
#include "profiles/units.h"
#include "profiles/visit_file.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

constexpr std::string_view kSchema = "idlefit.book/1";
constexpr std::string_view kExtension = ".yaml";
constexpr std::size_t kNameLongest = 100, kDigestDigits = 64;
constexpr YamlLimits kLimits{4'000'000, 1000};  // both texts in it are single values

constexpr QuantityRange kSpeed{Dimension::speed, 350.0, 2500.0, "rpm", "an idle speed"};
constexpr QuantityRange kMap{Dimension::pressure, 1.0, 200.0, "kPa",
                             "an absolute manifold pressure"};
constexpr QuantityRange kStation{Dimension::pressure, 16.0, 32.0, "inHg", "a station pressure"};
constexpr QuantityRange kError{Dimension::pressure, 0.01, 50.0, "kPa", "the error of a reading"};
constexpr std::array kInstruments{"map"sv, "vacuum"sv};

// --- Written -------------------------------------------------------------------------------------

std::string kPa(double pressure_Pa) {
  return number_text(from_program_unit(pressure_Pa, "kPa", Dimension::pressure)) + " kPa";
}

std::string interval_text(double low_Pa, double high_Pa) {
  return "[" + kPa(low_Pa) + ", " + kPa(high_Pa) + "]";
}

std::string conditions_text(const BookEntry::Expected& e) {
  return "  speed: " + number_text(e.speed_rpm) + " rpm\n  barometer: " + kPa(e.barometer_Pa) +
         "\n  map: " + kPa(e.map_Pa) + "\n";
}

// A text as a block that shows it line by line, two blanks in. Behind the 2 stands what becomes of
// the line ends at its end: none, one, or as many as there are.
std::string block(std::string_view text) {
  const std::size_t last = text.find_last_not_of('\n');
  const std::size_t ends = text.size() - (last == std::string_view::npos ? 0 : last + 1);
  const bool clipped = ends == 1 && last != std::string_view::npos;
  std::string out = ends == 0 ? "|2-\n" : clipped ? "|2\n" : "|2+\n";
  while (!text.empty()) {
    const std::size_t end = text.find('\n');
    const std::string_view line = text.substr(0, end);
    if (!line.empty()) out += "  " + std::string(line);
    out += "\n";
    text = end == std::string_view::npos ? std::string_view() : text.substr(end + 1);
  }
  return out;
}

std::string entry_text(const BookEntry& e) {
  std::string out =
      "# A healthy idle and what was expected of it. Written by idlefit check --record;\n"
      "# the program never changes it. Manifold pressures are absolute.\n";
  out += "schema: " + std::string(kSchema) + "\n";
  out += "date: " + e.date + "\n";
  out += "car: " + yaml_quoted(e.car) + "\n";
  out += "program: " + yaml_quoted(e.program) + "\n";
  out += "physics: " + std::to_string(e.physics) + "\n";
  out += "coefficients: {name: " + yaml_quoted(e.coefficients) +
         ", sha256: " + e.coefficients_sha256 + "}\n";
  if (e.before) {
    out += "before:               # from the engine file alone, before anything was read\n";
    out += conditions_text(*e.before);
    out += "  interval: " + interval_text(e.stated_low_Pa, e.stated_high_Pa) + "   # 80 %\n";
    out += "  reads: " + interval_text(e.before->low_Pa, e.before->high_Pa) +
           "   # the same with the reading's own error\n";
  }
  out += "at_visit:             # at the speed, spark and barometer of the visit\n";
  out += conditions_text(e.at_visit);
  out += "  reads: " + interval_text(e.at_visit.low_Pa, e.at_visit.high_Pa) + "\n";
  out += "measured: {map: " + kPa(e.map_Pa) + ", sd: " + kPa(e.reading_sd_Pa) +
         ", read: " + std::string(kInstruments[e.by_vacuum ? 1 : 0]) + "}\n";
  out += "engine: " + block(e.engine);
  out += "visit: " + block(e.visit);
  return out;
}

// --- Read ----------------------------------------------------------------------------------------

std::string date_of(const YamlNode& node) {
  std::string text = node.as_text("date", 10);
  bool right = text.size() == 10;
  for (std::size_t i = 0; right && i < text.size(); ++i) {
    right = i == 4 || i == 7 ? text[i] == '-' : std::isdigit(static_cast<unsigned char>(text[i]));
  }
  if (!right) throw node.error("date", "a date such as 2026-11-26", "Write year, month and day.");
  return text;
}

std::pair<double, double> interval_of(const YamlNode& section, const std::string& name,
                                      std::string_view key) {
  const std::string field = name + "." + std::string(key);
  const YamlNode& node = section.require(name, key);
  node.expect_list(field);
  if (node.children.size() != 2) throw node.error(field, "two pressures", "Give low and high.");
  const double low = node.children[0].as_quantity(field, kMap);
  const double high = node.children[1].as_quantity(field, kMap);
  if (low > high) throw node.error(field, "the lower pressure first", "Give low, then high.");
  return {low, high};
}

BookEntry::Expected expected_of(const YamlNode& section, const std::string& name) {
  BookEntry::Expected e;
  e.speed_rpm = section.require(name, "speed").as_quantity(name + ".speed", kSpeed);
  e.barometer_Pa = section.require(name, "barometer").as_quantity(name + ".barometer", kStation);
  e.map_Pa = section.require(name, "map").as_quantity(name + ".map", kMap);
  std::tie(e.low_Pa, e.high_Pa) = interval_of(section, name, "reads");
  return e;
}

// A text within the entry, read as the file it was; a message then has the entry's lines.
template <class Read>
std::string text_within(const YamlNode& root, std::string_view key, const std::string& path,
                        const Read& read) {
  const YamlNode& node = root.require("", key);
  if (node.kind != YamlNode::Kind::scalar || node.text.empty())
    throw node.error(key, "the text of a file", "Put the entry back as it was written.");
  const auto above = static_cast<std::size_t>(std::max(node.place.line, 0));
  std::string placed(above, '\n');
  placed += std::string_view(block(node.text)).substr(3);
  read(placed, path);
  return node.text;
}

}  // namespace

BookEntry parse_entry(std::string_view text, const std::string& path) {
  constexpr std::array kKeys{"schema"sv,   "date"sv,         "car"sv,    "program"sv,
                             "physics"sv,  "coefficients"sv, "before"sv, "at_visit"sv,
                             "measured"sv, "engine"sv,       "visit"sv};
  const YamlNode root = parse_yaml(text, path, kLimits);
  root.expect_map("", kKeys);
  const YamlNode& schema = root.require("", "schema");
  if (schema.as_text("schema", 40) != kSchema) {
    throw schema.error("schema", "an entry of the book, " + std::string(kSchema),
                       "A folder of the book holds its entries alone.");
  }
  BookEntry e;
  e.file = std::filesystem::path(path).filename().string();
  e.date = date_of(root.require("", "date"));
  e.car = root.require("", "car").as_text("car", kNameLongest);
  e.program = root.require("", "program").as_text("program", kNameLongest);
  e.physics = root.require("", "physics").as_integer("physics", {1, 1e6, "a physics version"});
  const YamlNode& coefficients = root.require("", "coefficients");
  constexpr std::array kCoefficientKeys{"name"sv, "sha256"sv};
  coefficients.expect_map("coefficients", kCoefficientKeys);
  e.coefficients =
      coefficients.require("coefficients", "name").as_text("coefficients.name", kNameLongest);
  e.coefficients_sha256 =
      coefficients.require("coefficients", "sha256").as_text("coefficients.sha256", kDigestDigits);
  constexpr std::array kExpectedKeys{"speed"sv, "barometer"sv, "map"sv, "interval"sv, "reads"sv};
  if (const YamlNode* const before = root.find("before")) {
    before->expect_map("before", kExpectedKeys);
    e.before = expected_of(*before, "before");
    std::tie(e.stated_low_Pa, e.stated_high_Pa) = interval_of(*before, "before", "interval");
  }
  const YamlNode& at_visit = root.require("", "at_visit");
  at_visit.expect_map("at_visit", kExpectedKeys);
  e.at_visit = expected_of(at_visit, "at_visit");
  const YamlNode& measured = root.require("", "measured");
  constexpr std::array kMeasuredKeys{"map"sv, "sd"sv, "read"sv};
  measured.expect_map("measured", kMeasuredKeys);
  e.map_Pa = measured.require("measured", "map").as_quantity("measured.map", kMap);
  e.reading_sd_Pa = measured.require("measured", "sd").as_quantity("measured.sd", kError);
  e.by_vacuum = measured.require("measured", "read").as_word("measured.read", kInstruments) == 1;
  e.engine = text_within(root, "engine", path, parse_engine_card);
  e.visit = text_within(root, "visit", path, parse_visit);
  return e;
}

std::string write_entry(const BookEntry& entry) {
  // What is written must not turn out unreadable later, nor as something else.
  std::string text = entry_text(entry);
  try {
    const BookEntry back = parse_entry(text, entry.file);
    if (back.engine == entry.engine && back.visit == entry.visit && back.car == entry.car)
      return text;
  } catch (const InputError& problem) {
    throw std::logic_error(problem.what());
  }
  throw std::logic_error("an entry of the book does not read back");
}

Book read_book(const std::string& folder) {
  std::error_code error;
  std::vector<std::string> files;
  for (std::filesystem::directory_iterator at(folder, error), end; !error && at != end;
       at.increment(error)) {
    const std::string name = at->path().filename().string();
    if (name.ends_with(kExtension) && !name.starts_with('.')) files.push_back(at->path().string());
  }
  if (error) {
    const bool missing = error == std::errc::no_such_file_or_directory;
    throw InputError({folder, 0, 0}, "", "",
                     std::string("the folder of a book") +
                         (missing ? "; there is none" : ": " + error.message()),
                     missing ? "Make it once: mkdir, then idlefit check ... --record."
                             : "Name the folder that idlefit check --record writes to.");
  }
  // The first of a day and car before its second, which has a number behind the same name.
  std::sort(files.begin(), files.end(), [](const std::string& a, const std::string& b) {
    return std::filesystem::path(a).stem() < std::filesystem::path(b).stem();
  });
  Book book;
  for (const std::string& file : files) {
    try {
      book.entries.push_back(
          parse_entry(read_text_file(file, kLimits.bytes, "an entry of the book"), file));
    } catch (const InputError& problem) {
      book.damaged.push_back(problem);
    }
  }
  std::stable_sort(book.entries.begin(), book.entries.end(),
                   [](const BookEntry& a, const BookEntry& b) { return a.date < b.date; });
  return book;
}

std::string entry_file_name(const BookEntry& entry, int n) {
  constexpr std::size_t kLongest = 40;
  std::string car;
  for (const char c : entry.car) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte < 0x80 && std::isalnum(byte) != 0) {
      car += static_cast<char>(std::tolower(byte));
    } else if (!car.empty() && car.back() != '-') {
      car += '-';
    }
  }
  car.resize(std::min(car.size(), kLongest));
  while (!car.empty() && car.back() == '-') car.pop_back();
  return entry.date + (car.empty() ? "" : "-" + car) + (n == 0 ? "" : "-" + std::to_string(n + 1)) +
         std::string(kExtension);
}

CountRange right_count(std::size_t count, double chance) {
  constexpr double kTail = 0.05;
  CountRange range{0, count};
  const auto n = static_cast<double>(count);
  double below = 0;
  bool low_found = false;
  for (std::size_t k = 0; k <= count; ++k) {
    const auto x = static_cast<double>(k);
    below += std::exp(std::lgamma(n + 1) - std::lgamma(x + 1) - std::lgamma(n - x + 1) +
                      x * std::log(chance) + (n - x) * std::log1p(-chance));
    if (!low_found && below > kTail) {
      range.low = k;
      low_found = true;
    }
    if (below >= 1 - kTail) {
      range.high = k;
      break;
    }
  }
  return range;
}

}  // namespace idlefit
