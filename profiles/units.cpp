#include "profiles/units.h"

#include <udunits2.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <charconv>
#include <cmath>
#include <map>
#include <memory>
#include <system_error>
#include <utility>
#include <vector>

#include "model/constants.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

struct DimensionInfo {
  std::string_view name;
  std::string_view program_unit;  // as the library spells it
  std::string_view written;       // as a file spells it
  std::vector<std::string_view> usual;
};

// "crank_rpm" and "lambda" are base units of our own, so that neither 12 Hz nor a plain ratio
// passes for an engine speed or a mixture.
const DimensionInfo& info(Dimension dimension) {
  static const std::array<DimensionInfo, 11> table{{
      {"length", "m", "m", {"in", "mm", "cm", "ft", "m"}},
      {"volume", "m3", "m3", {"in3", "L", "cc"}},
      {"pressure", "Pa", "Pa", {"inHg", "kPa", "psi", "mmHg", "bar"}},
      {"temperature", "K", "K", {"degF", "degC", "K"}},
      {"torque", "N.m", "N.m", {"lbf.ft", "N.m"}},
      {"engine speed", "crank_rpm", "rpm", {"rpm"}},
      {"electric current", "A", "A", {"A"}},
      {"voltage", "V", "V", {"V"}},
      {"mass flow", "kg/s", "kg/s", {"lb/hr", "g/s", "kg/h"}},
      {"volume flow", "m3/s", "m3/s", {"L/hr", "gal/hr", "L/min"}},
      {"mixture", "lambda", "lambda", {"lambda", "AFR"}},
  }};
  return table[static_cast<std::size_t>(dimension)];
}

// The trade's spellings, in lower case, and what UDUNITS-2 calls them. One inHg is what gauges are
// marked in, the same number that the reports divide by.
std::string library_spelling(std::string_view unit) {
  constexpr const char* kGallonPerHour =
      "231 in3/hr";  // the US gallon, exactly; the library rounds
  static const std::map<std::string, std::string, std::less<>> spellings = {
      {"inhg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"in hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"in.hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"in. hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"\"hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"\" hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"inch hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"inches hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"inches of hg", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"inches mercury", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"inches of mercury", exact_number_text(kInchMercury_Pa) + " Pa"},
      {"mmhg", "mmHg"},
      {"kpa", "kPa"},
      {"hpa", "hPa"},
      {"psi", "psi"},
      {"psia", "psi"},
      {"in", "in"},
      {"in.", "in"},
      {"inch", "in"},
      {"inches", "in"},
      {"\"", "in"},
      {"mm", "mm"},
      {"cm", "cm"},
      {"ft", "ft"},
      {"feet", "ft"},
      {"in3", "in3"},
      {"in^3", "in3"},
      {"cid", "in3"},
      {"ci", "in3"},
      {"cu in", "in3"},
      {"cu.in.", "in3"},
      {"cubic inch", "in3"},
      {"cubic inches", "in3"},
      {"cc", "cm3"},
      {"ccm", "cm3"},
      {"l", "L"},
      {"litre", "L"},
      {"litres", "L"},
      {"liter", "L"},
      {"liters", "L"},
      {"degf", "degF"},
      {"degc", "degC"},
      {"°f", "degF"},
      {"°c", "degC"},
      {"deg f", "degF"},
      {"deg c", "degC"},
      {"lbf.ft", "lbf.ft"},
      {"lbf-ft", "lbf.ft"},
      {"lbf ft", "lbf.ft"},
      {"lb.ft", "lbf.ft"},
      {"lb-ft", "lbf.ft"},
      {"lb ft", "lbf.ft"},
      {"lbft", "lbf.ft"},
      {"ft.lbf", "lbf.ft"},
      {"ft-lbf", "lbf.ft"},
      {"ft.lb", "lbf.ft"},
      {"ft-lb", "lbf.ft"},
      {"ft lb", "lbf.ft"},
      {"ft-lbs", "lbf.ft"},
      {"ft lbs", "lbf.ft"},
      {"n.m", "N.m"},
      {"nm", "N.m"},
      {"rpm", "crank_rpm"},
      {"rev/min", "crank_rpm"},
      {"r/min", "crank_rpm"},
      {"1/min", "crank_rpm"},
      {"amp", "A"},
      {"amps", "A"},
      {"v", "V"},
      {"volt", "V"},
      {"volts", "V"},
      {"lb/hr", "lb/hr"},
      {"lb/h", "lb/hr"},
      {"lbs/hr", "lb/hr"},
      {"l/hr", "L/hr"},
      {"l/h", "L/hr"},
      {"lph", "L/hr"},
      {"l/min", "L/min"},
      {"lpm", "L/min"},
      {"gal/hr", kGallonPerHour},
      {"gal/h", kGallonPerHour},
      {"gph", kGallonPerHour},
      {"lambda", "lambda"},
      {"afr", "AFR"},
  };
  std::string lower(unit);
  std::transform(lower.begin(), lower.end(), lower.begin(), [](char c) {
    return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
  });
  // What word processors and web pages make of the inch mark: double prime, closing quote.
  for (const std::string_view mark : {"\u2033"sv, "\u201D"sv}) {
    if (const std::size_t at = lower.find(mark); at != std::string::npos)
      lower.replace(at, mark.size(), "\"");
  }
  const auto found = spellings.find(lower);
  return found == spellings.end() ? std::string(unit) : found->second;
}

struct UnitDeleter {
  void operator()(ut_unit* unit) const { ut_free(unit); }
  void operator()(cv_converter* converter) const { cv_free(converter); }
};
using UnitPointer = std::unique_ptr<ut_unit, UnitDeleter>;
using ConverterPointer = std::unique_ptr<cv_converter, UnitDeleter>;

class UnitLibrary {
 public:
  UnitLibrary() {
    ut_set_error_message_handler(ut_ignore);
    system_ = ut_read_xml(nullptr);
    if (system_ == nullptr) {
      throw std::runtime_error(
          "the unit database of UDUNITS-2 cannot be read: install libudunits2-data");
    }
    const UnitPointer rpm(ut_new_base_unit(system_));
    const UnitPointer lambda(ut_new_base_unit(system_));
    const UnitPointer afr(ut_scale(1.0 / kGaugeAfr, lambda.get()));
    ut_map_name_to_unit("crank_rpm", UT_ASCII, rpm.get());
    ut_map_name_to_unit("lambda", UT_ASCII, lambda.get());
    ut_map_name_to_unit("AFR", UT_ASCII, afr.get());
  }
  UnitLibrary(const UnitLibrary&) = delete;
  UnitLibrary& operator=(const UnitLibrary&) = delete;
  ~UnitLibrary() { ut_free_system(system_); }

  UnitPointer parse(const std::string& text) const {
    return UnitPointer(ut_parse(system_, text.c_str(), UT_UTF8));
  }

 private:
  ut_system* system_ = nullptr;
};

const UnitLibrary& library() {
  static const UnitLibrary instance;
  return instance;
}

std::string list_of_units(Dimension dimension) {
  std::string text;
  for (const std::string_view unit : info(dimension).usual) {
    if (!text.empty()) text += ", ";
    text += unit;
  }
  return text;
}

// Keeps numbers, times and references, which UDUNITS-2 also parses, out of what is to be a unit.
bool looks_like_unit(std::string_view unit) {
  if (unit.empty() || unit.size() > 40 || unit.find(" since ") != std::string_view::npos ||
      unit.find(" from ") != std::string_view::npos ||
      unit.find(" after ") != std::string_view::npos) {
    return false;
  }
  char before = ' ';
  for (const char c : unit) {
    const bool letter = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_';
    const bool digit = c >= '0' && c <= '9';
    const bool after_name = (before >= 'a' && before <= 'z') || (before >= 'A' && before <= 'Z');
    if (digit && !(after_name || before == '^' || before == '-')) return false;
    if (!letter && !digit && "./^-* "sv.find(c) == std::string_view::npos) return false;
    before = c;
  }
  return true;
}

[[noreturn]] void fail_unit(std::string_view unit, Dimension dimension) {
  const std::string expected =
      "a unit of " + std::string(info(dimension).name) + " (" + list_of_units(dimension) + ")";
  if (unit.empty()) throw QuantityError(expected + " behind the number", "Write the unit as well.");
  if (unit == "F" || unit == "C" || unit == "f" || unit == "c") {
    const std::string meant = unit == "F" || unit == "f" ? "degF" : "degC";
    throw QuantityError(
        expected, "A lone " + std::string(unit) + " is a farad or a coulomb: write " + meant + ".");
  }
  const std::string near = nearest_name(unit, info(dimension).usual);
  throw QuantityError(expected, near.empty()
                                    ? "\"" + printable(unit, 30) + "\" is not a known unit."
                                    : "Did you mean " + near + "?");
}

// Converter from `unit` to the program's unit, or the other way round.
const cv_converter* converter(std::string_view unit, Dimension dimension, bool to_program) {
  static std::map<std::pair<std::string, Dimension>, std::array<ConverterPointer, 2>> known;
  const auto key = std::make_pair(std::string(unit), dimension);
  if (const auto found = known.find(key); found != known.end()) {
    return found->second[to_program ? 0 : 1].get();
  }
  const std::string spelling = library_spelling(unit);
  const bool trade_spelling = spelling != unit;
  const bool lone_letter = unit == "F" || unit == "C" || unit == "f" || unit == "c";
  if (lone_letter || (!trade_spelling && !looks_like_unit(unit))) fail_unit(unit, dimension);
  const UnitPointer parsed = library().parse(spelling);
  if (!parsed) fail_unit(unit, dimension);
  const UnitPointer target = library().parse(std::string(info(dimension).program_unit));
  if (ut_are_convertible(parsed.get(), target.get()) == 0) {
    std::string other = "not one of " + std::string(info(dimension).name);
    for (int i = 0; i < 10; ++i) {
      const auto candidate = static_cast<Dimension>(i);
      const UnitPointer unit_of = library().parse(std::string(info(candidate).program_unit));
      if (ut_are_convertible(parsed.get(), unit_of.get()) != 0) {
        other = "a unit of " + std::string(info(candidate).name);
        break;
      }
    }
    QuantityError error(
        "a unit of " + std::string(info(dimension).name) + " (" + list_of_units(dimension) + ")",
        "\"" + printable(unit, 30) + "\" is " + other + ".");
    // Vacuum gauges are spoken of in inches.
    if (dimension == Dimension::pressure && spelling == "in") {
      error.meant_unit = "inHg";
      error.next_step = "Did you mean inHg?";
    }
    throw error;
  }
  auto& entry = known[key];
  entry[0].reset(ut_get_converter(parsed.get(), target.get()));
  entry[1].reset(ut_get_converter(target.get(), parsed.get()));
  return entry[to_program ? 0 : 1].get();
}

std::string_view trimmed(std::string_view text) {
  const auto blank = " \t\r\n"sv;
  const auto first = text.find_first_not_of(blank);
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(blank) - first + 1);
}

[[noreturn]] void fail_number(std::string expected) {
  QuantityError error(std::move(expected), "Write it in plain digits, such as 12.5.");
  error.no_number = true;
  throw error;
}

// The number at the start of `text`; sets `end` to the first character behind it.
double leading_number(std::string_view text, std::size_t& end) {
  const std::string expected = "a decimal number";
  std::size_t start = 0;
  if (!text.empty() && text[0] == '+') start = 1;  // which from_chars does not take
  const std::size_t digits = !text.empty() && text[0] == '-' ? 1 : start;
  const auto is_digit = [&](std::size_t i) {
    return i < text.size() && text[i] >= '0' && text[i] <= '9';
  };
  if (!is_digit(digits) && !(digits < text.size() && text[digits] == '.' && is_digit(digits + 1))) {
    fail_number(expected);
  }
  if (text[digits] == '0' && is_digit(digits + 1)) {
    throw QuantityError("a decimal number without a leading zero",
                        "Some readers take a leading zero as octal: write the number without it.");
  }
  if (text[digits] == '0' && digits + 1 < text.size() &&
      "xXoObB"sv.find(text[digits + 1]) != std::string_view::npos && text.size() > digits + 2 &&
      std::isxdigit(static_cast<unsigned char>(text[digits + 2])) != 0) {
    throw QuantityError(expected, "Write it in plain decimal digits.");
  }
  double number = 0;
  const char* const begin = text.data() + start;
  const auto [stop, problem] = std::from_chars(begin, text.data() + text.size(), number);
  if (problem != std::errc() || !std::isfinite(number)) {
    fail_number("a finite number");
  }
  end = static_cast<std::size_t>(stop - text.data());
  return number;
}

// Refuses what a careless reader would take as the end of the number: "1,200", "3-7/8", "1_000".
void check_behind_number(double number, std::string_view rest) {
  if (rest.empty()) return;
  const auto digit_follows = [&](std::size_t i) {
    return i < rest.size() && rest[i] >= '0' && rest[i] <= '9';
  };
  if (rest[0] == ',') {
    throw QuantityError("a decimal number with a point",
                        "Write the decimals behind a point, and thousands without a comma.");
  }
  const std::string_view next = trimmed(rest);
  if (next.empty()) return;
  if (next[0] == ':') {
    throw QuantityError("one decimal number", "Write the number before the colon alone.");
  }
  // "14-15", as people say it, and not "3-7/8".
  double other = 0;
  const char* const behind = next.data() + 1;
  const auto [end, problem] = std::from_chars(behind, next.data() + next.size(), other);
  if (next[0] == '-' && problem == std::errc() && other > number &&
      (end == next.data() + next.size() || *end != '/')) {
    throw QuantityError("one decimal number", "Write the middle of a range, such as " +
                                                  number_text(0.5 * number + 0.5 * other) + ".");
  }
  const bool joined = "-/_."sv.find(next[0]) != std::string_view::npos;
  if (digit_follows(rest.size() - next.size()) ||
      (joined && digit_follows(rest.size() - next.size() + 1))) {
    throw QuantityError("one decimal number", "Write fractions as decimals, such as 3.875.");
  }
}

// So many significant digits tell every double from its neighbours.
constexpr int kDigitsMax = 17;

// Fewest significant digits at which `matches` holds; kDigitsMax where it never does.
template <class Matches>
int digits_needed(const Matches& matches) {
  for (int digits = 1; digits < kDigitsMax; ++digits) {
    if (matches(digits)) return digits;
  }
  return kDigitsMax;
}

}  // namespace

std::string_view dimension_name(Dimension dimension) { return info(dimension).name; }

std::span<const std::string_view> usual_units(Dimension dimension) { return info(dimension).usual; }

std::span<const std::string_view> units_beside(std::string_view unit, Dimension dimension) {
  static constexpr std::array kHeights{"ft"sv, "m"sv};
  static constexpr std::array kLengths{"in"sv, "mm"sv, "cm"sv};
  static constexpr std::array kFuelPressures{"psi"sv, "kPa"sv, "bar"sv};
  static constexpr std::array kAirPressures{"inHg"sv, "kPa"sv, "mmHg"sv, "bar"sv};
  const auto has = [&](const auto& units) {
    return std::find(units.begin(), units.end(), unit) != units.end();
  };
  if (dimension == Dimension::length && has(kHeights)) return kHeights;
  if (dimension == Dimension::length && has(kLengths)) return kLengths;
  if (dimension == Dimension::pressure && has(kAirPressures)) return kAirPressures;
  if (dimension == Dimension::pressure && has(kFuelPressures)) return kFuelPressures;
  return usual_units(dimension);
}

double to_program_unit(double number, std::string_view unit, Dimension dimension) {
  return cv_convert_double(converter(unit, dimension, true), number);
}

double from_program_unit(double value, std::string_view unit, Dimension dimension) {
  return cv_convert_double(converter(unit, dimension, false), value);
}

double parse_number(std::string_view text) {
  const std::string_view number = trimmed(text);
  std::size_t end = 0;
  const double value = leading_number(number, end);
  check_behind_number(value, number.substr(end));
  const std::string_view rest = trimmed(number.substr(end));
  if (!rest.empty()) {
    throw QuantityError("a plain number without a unit",
                        "Write " + std::string(number.substr(0, end)) + " without \"" +
                            printable(rest, 30) + "\".");
  }
  return value;
}

NumberWithUnit split_quantity(std::string_view text) {
  const std::string_view all = trimmed(text);
  std::size_t end = 0;
  NumberWithUnit result;
  result.number = leading_number(all, end);
  check_behind_number(result.number, all.substr(end));
  result.unit = std::string(trimmed(all.substr(end)));
  return result;
}

std::string number_text(double number, int digits) {
  std::array<char, 64> buffer{};
  const double size = std::fabs(number);
  // Plain notation, with as many decimals as the significant digits leave.
  const int before_point =
      size >= 1e-9 && std::isfinite(size) ? static_cast<int>(std::floor(std::log10(size))) + 1 : 1;
  const int decimals = std::max(0, digits - before_point);
  const bool plain = size < 1e15 && decimals < 30;
  const auto result = plain ? std::to_chars(buffer.data(), buffer.data() + buffer.size(), number,
                                            std::chars_format::fixed, decimals)
                            : std::to_chars(buffer.data(), buffer.data() + buffer.size(), number,
                                            std::chars_format::scientific, digits - 1);
  std::string text(buffer.data(), result.ptr);
  if (plain && text.find('.') != std::string::npos) {
    text.erase(text.find_last_not_of('0') + 1);
    if (text.back() == '.') text.pop_back();
  }
  return text == "-0" ? "0" : text;
}

std::string quantity_text(double value, Dimension dimension,
                          std::span<const std::string_view> units) {
  std::string best;
  int best_digits = kDigitsMax + 1;
  const auto try_unit = [&](std::string_view unit) {
    const double number = from_program_unit(value, unit, dimension);
    const auto reads_back = [&](int digits) {
      return to_program_unit(parse_number(number_text(number, digits)), unit, dimension) == value;
    };
    const int digits = digits_needed(reads_back);
    if (digits < best_digits && reads_back(digits)) {
      best_digits = digits;
      best = number_text(number, digits) + " " + std::string(unit);
    }
  };
  for (const std::string_view unit : units) try_unit(unit);
  // A value that is no double of any of them is one of its own unit.
  if (best.empty()) try_unit(info(dimension).written);
  return best;
}

std::string exact_number_text(double number) {
  const auto reads_back = [&](int digits) {
    return parse_number(number_text(number, digits)) == number;
  };
  const int digits = digits_needed(reads_back);
  if (reads_back(digits)) return number_text(number, digits);
  // Too small for plain notation.
  std::array<char, 64> buffer{};
  const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), number);
  return {buffer.data(), result.ptr};
}

}  // namespace idlefit
