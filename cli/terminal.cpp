#include "cli/terminal.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <utility>

namespace idlefit {

bool use_color(ColorChoice choice) {
  if (choice != ColorChoice::automatic) return choice == ColorChoice::always;
  const char* no_color = std::getenv("NO_COLOR");
  const char* terminal = std::getenv("TERM");
  if (no_color != nullptr && *no_color != '\0') return false;
  if (terminal != nullptr && std::string_view(terminal) == "dumb") return false;
  return isatty(STDOUT_FILENO) == 1;
}

namespace {

// Emphasis ends before the line does.
std::string emphasized(std::string_view code, std::string_view text) {
  const std::size_t length = text.find_last_not_of('\n') + 1;
  if (length == 0) return std::string(text);
  return "\033[" + std::string(code) + "m" + std::string(text.substr(0, length)) + "\033[0m" +
         std::string(text.substr(length));
}

}  // namespace

std::string Style::bold(std::string_view text) const {
  return color ? emphasized("1", text) : std::string(text);
}

std::string Style::warning(std::string_view text) const {
  return color ? emphasized("33", text) : std::string(text);
}

std::size_t display_width(std::string_view text) {
  // Every byte but the continuation bytes (top bits 10) starts a code point.
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0) != 0x80;
  }));
}

std::string padded(std::string_view text, std::size_t width) {
  std::string out(text);
  const std::size_t columns = display_width(text);
  if (columns < width) out.append(width - columns, ' ');
  return out;
}

std::string labelled(std::string_view label, std::size_t indent, std::string_view text) {
  std::string out = padded(label, indent);
  std::size_t column = indent;
  bool first_word = true;
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find(' ', at), text.size());
    const std::string_view word = text.substr(at, end - at);
    at = end + 1;
    if (word.empty()) continue;
    const std::size_t columns = display_width(word);
    if (!first_word && column + 1 + columns > kTextWidth) {
      out += '\n' + std::string(indent, ' ');
      column = indent;
    } else if (!first_word) {
      out += ' ';
      ++column;
    }
    out += word;
    column += columns;
    first_word = false;
  }
  return out + '\n';
}

std::size_t line_count(std::string_view text) {
  return static_cast<std::size_t>(std::count(text.begin(), text.end(), '\n'));
}

std::string listed(std::string_view label, std::size_t indent,
                   const std::vector<std::string>& items, std::string_view separator,
                   std::size_t lines) {
  std::string shown;
  for (std::size_t count = 1; count <= items.size(); ++count) {
    std::string text = fmt::format(
        "{}",
        fmt::join(items.begin(), items.begin() + static_cast<std::ptrdiff_t>(count), separator));
    if (count < items.size())
      text += fmt::format("{}and {} more: --json", separator, items.size() - count);
    std::string candidate = labelled(label, indent, text);
    if (count > 1 && line_count(candidate) > lines) break;
    shown = std::move(candidate);
  }
  return shown;
}

}  // namespace idlefit
