#pragma once

#include <cstddef>
#include <stdexcept>
#include <string>
#include <string_view>

namespace idlefit {

/// The one exception for bad input: what was read, where, what was expected and what to do next.
/// what() is the whole message for a person, one paragraph, every part printable.
class InputError : public std::runtime_error {
 public:
  struct Where {
    std::string source;  ///< a file name as the user gave it, or "--set:2"
    int line = 0;        ///< from 1; 0 where there is none
    int column = 0;      ///< from 1, in characters; 0 where there is none
  };
  /// `field` is the key in dotted form, `value` what was found (both may be empty), `expected` what
  /// would have been right, without a full stop; `next_step` one sentence. `excerpt` is the source
  /// line with its marker, already printable (YamlPlace::excerpt), shown below the sentence.
  InputError(Where where, std::string field, std::string value, std::string expected,
             std::string next_step, std::string excerpt = {});

  const Where& where() const { return where_; }
  const std::string& field() const { return field_; }
  /// What was found, printable and cut to kValueShown characters.
  const std::string& value() const { return value_; }
  const std::string& expected() const { return expected_; }
  const std::string& next_step() const { return next_step_; }

 private:
  Where where_;
  std::string field_, value_, expected_, next_step_;
};

/// Longest value that a message quotes, in characters.
inline constexpr std::size_t kValueShown = 60;

/// A text made safe to print: control characters, invalid UTF-8, and characters that hide or
/// reorder text are written as escapes, and what exceeds `longest` characters is cut with "...".
std::string printable(std::string_view text, std::size_t longest = kValueShown);

/// One character of UTF-8: its code point and length in bytes; length 1 and `valid` false where the
/// bytes are no UTF-8.
struct Utf8Character {
  char32_t code = 0;
  std::size_t length = 1;
  bool valid = false;
};
Utf8Character utf8_character(std::string_view text, std::size_t position);

/// Whether a character may stand in a file of text: no control characters but tab and line ends.
bool is_text(const Utf8Character& character);

}  // namespace idlefit
