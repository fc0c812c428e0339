#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>

namespace idlefit {

// What the readers of all text files have in common; InputError names the file and what is wrong.

/// How a file is called in messages: its path, or "standard input" for "-".
std::string text_file_name(const std::string& path);

/// Reads a file whole; "-" is standard input. `kind` says what it should be ("a YAML file"). Throws
/// InputError for one that is missing, a directory, not to be read, or larger than `bytes_max`.
std::string read_text_file(const std::string& path, std::size_t bytes_max, std::string_view kind);

/// Throws InputError for a text that is larger than `bytes_max`.
void check_text_size(std::size_t bytes, std::size_t bytes_max, const std::string& name);

/// The text without the mark that some editors put before the first character of UTF-8.
std::string_view without_byte_order_mark(std::string_view text);

/// The first character that may not stand in a text (control characters, bytes that are no UTF-8).
struct NoText {
  std::size_t byte = 0, length = 1;
  int line = 1;                ///< from 1
  std::size_t line_start = 0;  ///< byte at which that line starts
};
std::optional<NoText> find_no_text(std::string_view text);

/// What a text looks like that holds such a character (UTF-16, Latin-1, binary), and what to do:
/// "This looks like ...: `remedy`."
std::string no_text_advice(std::string_view text, const NoText& at, std::string_view remedy);

/// Column in characters, from 1, of a byte offset in a line.
int column_of(std::string_view line, std::size_t byte);

/// A line of a file with a mark under a column (from 1, in characters), printable and cut around
/// it. `line_number` 0 leaves the number out.
std::string line_excerpt(std::string_view line, int line_number, int column);

}  // namespace idlefit
