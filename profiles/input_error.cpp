#include "profiles/input_error.h"

#include <utility>

namespace idlefit {
namespace {

// Characters that print as nothing or reorder what stands around them.
bool hides_or_reorders(char32_t code) {
  return code == 0xAD || (code >= 0x200B && code <= 0x200F) || (code >= 0x2028 && code <= 0x202E) ||
         (code >= 0x2060 && code <= 0x206F) || code == 0xFEFF ||
         (code >= 0xFFF0 && code <= 0xFFFB) || (code >= 0xE0000 && code <= 0xE0FFF);
}

std::string hexadecimal(unsigned long number, int digits) {
  std::string text(static_cast<std::size_t>(digits), '0');
  for (auto digit = text.rbegin(); digit != text.rend(); ++digit, number /= 16) {
    *digit = "0123456789abcdef"[number % 16];
  }
  return text;
}

std::string escaped(std::string_view text, const Utf8Character& character, std::size_t position) {
  if (!character.valid) {
    return "\\x" + hexadecimal(static_cast<unsigned char>(text[position]), 2);
  }
  if (character.code == '\n') return "\\n";
  if (character.code == '\t') return "\\t";
  if (character.code == '\r') return "\\r";
  if (character.code < 0x20 || (character.code >= 0x7F && character.code < 0xA0)) {
    return "\\x" + hexadecimal(character.code, 2);
  }
  if (hides_or_reorders(character.code)) {
    return character.code > 0xFFFF ? "\\U" + hexadecimal(character.code, 8)
                                   : "\\u" + hexadecimal(character.code, 4);
  }
  return std::string(text.substr(position, character.length));
}

std::string message(const InputError::Where& where, const std::string& field,
                    const std::string& value, const std::string& expected,
                    const std::string& next_step, const std::string& excerpt) {
  std::string text = printable(where.source, 200);
  if (where.line > 0) text += ":" + std::to_string(where.line);
  if (where.line > 0 && where.column > 0) text += ":" + std::to_string(where.column);
  if (!text.empty()) text += ": ";
  if (!field.empty()) text += field + ": ";
  if (!value.empty()) text += "found \"" + value + "\", ";
  text += "expected " + expected + ".";
  if (!next_step.empty()) text += " " + next_step;
  if (!excerpt.empty()) text += "\n" + excerpt;
  return text;
}

}  // namespace

InputError::InputError(Where where, std::string field, std::string value, std::string expected,
                       std::string next_step, std::string excerpt)
    : std::runtime_error(message(where, printable(field, 100), printable(value),
                                 printable(expected, 1000), printable(next_step, 1000), excerpt)),
      where_(std::move(where)),
      field_(printable(field, 100)),
      value_(printable(value)),
      expected_(printable(expected, 1000)),
      next_step_(printable(next_step, 1000)) {}

std::string printable(std::string_view text, std::size_t longest) {
  constexpr std::string_view kCut = "...";
  std::string shown;
  std::size_t columns = 0;
  std::size_t safe_end = 0;  // where `shown` still leaves room for the mark of a cut
  for (std::size_t i = 0; i < text.size();) {
    const Utf8Character character = utf8_character(text, i);
    const std::string piece = escaped(text, character, i);
    const bool as_is = character.valid && piece.size() == character.length &&
                       text.substr(i, character.length) == piece;
    columns += as_is ? 1 : piece.size();
    if (columns > longest) {
      shown.resize(safe_end);
      return shown + std::string(kCut);
    }
    shown += piece;
    i += character.length;
    if (columns + kCut.size() <= longest) safe_end = shown.size();
  }
  return shown;
}

Utf8Character utf8_character(std::string_view text, std::size_t position) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[position + i]); };
  const unsigned char first = byte(0);
  if (first < 0x80) return {first, 1, true};
  const std::size_t length = first >= 0xF0 ? 4 : first >= 0xE0 ? 3 : 2;
  if (first < 0xC2 || first > 0xF4 || position + length > text.size()) return {first, 1, false};
  char32_t code = first & (0xFFu >> (length + 1));
  for (std::size_t i = 1; i < length; ++i) {
    if ((byte(i) & 0xC0) != 0x80) return {first, 1, false};
    code = (code << 6) | (byte(i) & 0x3Fu);
  }
  // Overlong forms, surrogates and numbers beyond Unicode are no characters.
  const char32_t lowest = length == 2 ? 0x80 : length == 3 ? 0x800 : 0x10000;
  if (code < lowest || code > 0x10FFFF || (code >= 0xD800 && code <= 0xDFFF)) {
    return {first, 1, false};
  }
  return {code, length, true};
}

bool is_text(const Utf8Character& character) {
  if (!character.valid) return false;
  const char32_t code = character.code;
  return code == '\t' || code == '\n' || code == '\r' ||
         (code >= 0x20 && code != 0x7F && !(code >= 0x80 && code < 0xA0));
}

}  // namespace idlefit
