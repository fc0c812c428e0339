#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace idlefit {

/// What --color takes.
enum class ColorChoice { automatic, always, never };

/// Whether text on standard output gets colour: `automatic` means at a terminal that can show it,
/// unless NO_COLOR is set and not empty (no-color.org).
bool use_color(ColorChoice choice);

/// Emphasis for text on a terminal; without colour it returns the text as it is.
struct Style {
  bool color = false;
  std::string bold(std::string_view text) const;
  std::string warning(std::string_view text) const;
};

inline constexpr std::size_t kTextWidth = 80;
inline constexpr std::size_t kScreenLines = 24;

/// Columns that UTF-8 text takes, one for each code point.
std::size_t display_width(std::string_view text);

/// `text` with spaces added up to `width` columns.
std::string padded(std::string_view text, std::size_t width);

/// A label of `indent` columns, then `text` wrapped at kTextWidth with later lines indented alike.
/// Ends with a newline.
std::string labelled(std::string_view label, std::size_t indent, std::string_view text);

std::size_t line_count(std::string_view text);

/// A labelled list on at most `lines` lines, in order, ending with how many were left out; at least
/// one item is shown. Empty where there is none.
std::string listed(std::string_view label, std::size_t indent,
                   const std::vector<std::string>& items, std::string_view separator,
                   std::size_t lines);

}  // namespace idlefit
