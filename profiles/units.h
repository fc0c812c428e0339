#pragma once

#include <span>
#include <stdexcept>
#include <string>
#include <string_view>

namespace idlefit {

/// The kinds of dimensional number that a file may state. The unit inside the program is SI, but
/// for engine speed (rpm) and mixture (lambda).
enum class Dimension {
  length,       ///< m
  volume,       ///< m^3
  pressure,     ///< Pa
  temperature,  ///< K
  torque,       ///< N m
  speed,        ///< rpm
  current,      ///< A
  voltage,      ///< V
  mass_flow,    ///< kg/s
  volume_flow,  ///< m^3/s
  mixture,      ///< lambda; an "AFR" is 14.7 times lambda whatever the fuel
};

/// What is wrong with a number or its unit; whoever knows where it stood makes an InputError of it.
class QuantityError : public std::runtime_error {
 public:
  QuantityError(std::string expected_text, std::string next_step_text)
      : std::runtime_error(expected_text),
        expected(std::move(expected_text)),
        next_step(std::move(next_step_text)) {}
  std::string expected, next_step;
  bool no_number = false;       ///< the text begins with no number: an example in range helps
  std::string_view meant_unit;  ///< what the unit must have been meant as; mostly empty
};

/// The name of a dimension in plain words ("length"), and the units a shop writes it in, the most
/// usual first.
std::string_view dimension_name(Dimension dimension);
std::span<const std::string_view> usual_units(Dimension dimension);
/// Those in which somebody may give what is usually given in `unit`: no altitude in inches, no
/// fuel pressure in inches of mercury.
std::span<const std::string_view> units_beside(std::string_view unit, Dimension dimension);

/// Converts a number in a unit to the program's unit of that dimension, and back. A unit is one of
/// the trade's spellings, in any case, or anything that UDUNITS-2 parses, of the right dimension.
/// Throws QuantityError for an unknown unit, one of another dimension, or a lone F or C.
/// Not to be called from several threads at once: the library's parser keeps state.
double to_program_unit(double number, std::string_view unit, Dimension dimension);
double from_program_unit(double value, std::string_view unit, Dimension dimension);

/// Reads a plain decimal number, independent of locale: "213", "-4", "1.5e3". Refuses "nan", "inf",
/// hexadecimal, anything with a leading zero that another reader could take as octal ("010"),
/// decimal commas, fractions, and text behind the number. Throws QuantityError.
double parse_number(std::string_view text);

/// A number and the text behind it, which names its unit; the unit is empty where none stands.
struct NumberWithUnit {
  double number = 0;
  std::string unit;
};
NumberWithUnit split_quantity(std::string_view text);

/// Shortest decimal text of a number to at most `digits` significant digits, without exponent for
/// anything a shop writes.
std::string number_text(double number, int digits = 6);

/// A value of the program as "number unit" that reads back as exactly the same value, in whichever
/// of the units needs the fewest digits; in the program's unit where none of them gives that value.
std::string quantity_text(double value, Dimension dimension,
                          std::span<const std::string_view> units);
/// The same for a plain number.
std::string exact_number_text(double number);

}  // namespace idlefit
