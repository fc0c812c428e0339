#include <array>
#include <catch2/catch.hpp>
#include <clocale>
#include <cmath>
#include <random>
#include <string>
#include <string_view>

#include "model/constants.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

using Catch::Contains;

double si(std::string_view text, Dimension dimension) {
  const NumberWithUnit quantity = split_quantity(text);
  return to_program_unit(quantity.number, quantity.unit, dimension);
}

// Exact by definition of the units but for rounding in the library's chain of factors.
constexpr double kRounding = 1e-12;

TEST_CASE("units of the trade have their defined sizes", "[closed-form]") {
  struct Row {
    const char* text;
    Dimension dimension;
    double value;
  };
  // International inch, foot and pound (1959); US gallon 231 in3; litre 1e-3 m3; inHg as gauges are
  // marked, by convention 3386.39 Pa.
  const Row row = GENERATE(values<Row>({
      {"1 in", Dimension::length, 0.0254},
      {"25.4 mm", Dimension::length, 0.0254},
      {"1 ft", Dimension::length, 0.3048},
      {"1 feet", Dimension::length, 0.3048},
      {"1\"", Dimension::length, 0.0254},
      {"1\u2033", Dimension::length, 0.0254},
      {"1\u201D", Dimension::length, 0.0254},
      {"2.54cm", Dimension::length, 0.0254},
      {"350 in3", Dimension::volume, 350 * 0.0254 * 0.0254 * 0.0254},
      {"350 cid", Dimension::volume, 350 * 0.0254 * 0.0254 * 0.0254},
      {"350 cubic inches", Dimension::volume, 350 * 0.0254 * 0.0254 * 0.0254},
      {"5.7 L", Dimension::volume, 5.7e-3},
      {"5.7 l", Dimension::volume, 5.7e-3},
      {"1800 cc", Dimension::volume, 1.8e-3},
      {"1 inHg", Dimension::pressure, 3386.39},
      {"1 INHG", Dimension::pressure, 3386.39},
      {"1 in Hg", Dimension::pressure, 3386.39},
      {"1 \"Hg", Dimension::pressure, 3386.39},
      {"1\u2033 Hg", Dimension::pressure, 3386.39},
      {"1 Inches Hg", Dimension::pressure, 3386.39},
      {"1 inches of mercury", Dimension::pressure, 3386.39},
      {"100 kPa", Dimension::pressure, 1e5},
      {"1 bar", Dimension::pressure, 1e5},
      {"1 psi", Dimension::pressure, 0.45359237 * 9.80665 / (0.0254 * 0.0254)},
      {"760 mmHg", Dimension::pressure, 760 * 133.322387415},
      {"32 degF", Dimension::temperature, 273.15},
      {"212 °F", Dimension::temperature, 373.15},
      {"-40 degC", Dimension::temperature, 233.15},
      {"1 lbf.ft", Dimension::torque, 0.45359237 * 9.80665 * 0.3048},
      {"1 ft-lb", Dimension::torque, 0.45359237 * 9.80665 * 0.3048},
      {"407 N.m", Dimension::torque, 407.0},
      {"407 Nm", Dimension::torque, 407.0},
      {"750 rpm", Dimension::speed, 750.0},
      {"750 RPM", Dimension::speed, 750.0},
      {"30 A", Dimension::current, 30.0},
      {"13.8 V", Dimension::voltage, 13.8},
      {"0.62 v", Dimension::voltage, 0.62},
      {"1 lb/hr", Dimension::mass_flow, 0.45359237 / 3600},
      {"3.6 kg/h", Dimension::mass_flow, 1e-3},
      {"190 L/hr", Dimension::volume_flow, 0.190 / 3600},
      {"1 gal/hr", Dimension::volume_flow, 231 * 0.0254 * 0.0254 * 0.0254 / 3600},
      {"0.97 lambda", Dimension::mixture, 0.97},
      {"14.7 AFR", Dimension::mixture, 1.0},
      {"14.2 AFR", Dimension::mixture, 14.2 / 14.7},
  }));
  INFO(row.text);
  CHECK(si(row.text, row.dimension) == Approx(row.value).epsilon(kRounding));
}

TEST_CASE("a unit of another kind is refused", "[consistency]") {
  struct Row {
    const char* text;
    Dimension dimension;
    const char* hint;
  };
  const Row row = GENERATE(values<Row>({
      {"3.95 psi", Dimension::length, "pressure"},
      {"3.95", Dimension::length, "unit"},
      {"90 F", Dimension::temperature, "degF"},
      {"35 C", Dimension::temperature, "degC"},
      {"90 F", Dimension::pressure, "degF"},
      {"12 Hz", Dimension::speed, "engine speed"},
      {"0.97 m/m", Dimension::mixture, "mixture"},
      {"300 lb", Dimension::torque, "torque"},
      {"3.95 inn", Dimension::length, "in"},
      {"43 psig", Dimension::pressure, "psi"},
      {"15 inches", Dimension::pressure, "Did you mean inHg?"},
      {"3 inchworms", Dimension::length, "inchworms"},
      {"3 m since 4", Dimension::length, "since"},
      {"1 lg(re 1 mW)", Dimension::current, "lg"},
      {"1 2 in", Dimension::length, "one decimal number"},
  }));
  INFO(row.text);
  try {
    si(row.text, row.dimension);
    FAIL("accepted");
  } catch (const QuantityError& error) {
    CHECK_THAT(error.expected + " " + error.next_step, Contains(row.hint));
  }
}

TEST_CASE("numbers are plain decimals", "[consistency]") {
  CHECK(parse_number("213") == 213.0);
  CHECK(parse_number(" 213.5 ") == 213.5);
  CHECK(parse_number("+4") == 4.0);
  CHECK(parse_number("-4") == -4.0);
  CHECK(parse_number(".5") == 0.5);
  CHECK(parse_number("0.5") == 0.5);
  CHECK(parse_number("0") == 0.0);
  CHECK(parse_number("1.5e3") == 1500.0);
  for (const char* const bad :
       {"",     " ",        "abc",   ".nan",  "nan",   "NaN",   "inf",      "-inf",
        ".inf", "infinity", "0x1F",  "0b11",  "0o17",  "010",   "-010",     "00.5",
        "1,5",  "1,200",    "1_000", "3-7/8", "3 7/8", "9.0:1", "1e999",    "--3",
        "+-3",  "1.2.3",    "12 13", "1e",    "e5",    "0x",    "\xC2\xB2", "213 deg"}) {
    INFO(bad);
    CHECK_THROWS_AS(parse_number(bad), QuantityError);
  }
}

TEST_CASE("numbers do not depend on the locale", "[consistency]") {
  const std::string before = std::setlocale(LC_ALL, nullptr);
  // Where the machine has such a locale, its decimal comma must not be obeyed.
  std::setlocale(LC_ALL, "de_DE.UTF-8");
  CHECK(parse_number("1.5") == 1.5);
  CHECK_THROWS_AS(parse_number("1,5"), QuantityError);
  CHECK(number_text(1.5) == "1.5");
  std::setlocale(LC_ALL, before.c_str());
}

TEST_CASE("what is written reads back as the same value", "[consistency]") {
  constexpr std::array<std::string_view, 2> kLengths{"in", "mm"};
  // A value typed in either unit comes back in that unit with the digits that were typed.
  CHECK(quantity_text(si("3.95 in", Dimension::length), Dimension::length, kLengths) == "3.95 in");
  CHECK(quantity_text(si("89.5 mm", Dimension::length), Dimension::length, kLengths) == "89.5 mm");
  constexpr std::array<std::string_view, 2> kMixtures{"lambda", "AFR"};
  CHECK(quantity_text(si("14.2 AFR", Dimension::mixture), Dimension::mixture, kMixtures) ==
        "14.2 AFR");

  std::mt19937_64 random(7);
  std::uniform_real_distribution<double> any(1e-3, 3.0);
  for (int i = 0; i < 2000; ++i) {
    const double plain = any(random);
    CHECK(parse_number(exact_number_text(plain)) == plain);
    // Not every binary value is one of inches or millimetres: those are written in metres.
    CHECK(si(quantity_text(plain, Dimension::length, kLengths), Dimension::length) == plain);
  }
}

TEST_CASE("numbers are shown as a shop writes them", "[consistency]") {
  CHECK(number_text(9000.0) == "9000");
  CHECK(number_text(0.224) == "0.224");
  CHECK(number_text(25.3968, 3) == "25.4");
  CHECK(number_text(15000.0, 4) == "15000");
  CHECK(number_text(0.0) == "0");
  CHECK(number_text(-0.0) == "0");
  CHECK(number_text(1e20, 3) == "1.00e+20");
  // No reader takes these; whoever writes must still be told which they are.
  CHECK(number_text(std::nan("")) == "nan");
  CHECK(number_text(-HUGE_VAL) == "-inf");
}

}  // namespace
}  // namespace idlefit
