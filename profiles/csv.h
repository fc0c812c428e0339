#pragma once

#include <cstddef>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/input_error.h"
#include "profiles/points_source.h"

namespace idlefit {

/// One cell of a line of comma-separated values.
struct CsvCell {
  std::string text;      ///< quotes resolved, blanks around it dropped
  std::size_t byte = 0;  ///< where it starts in its line
};

/// Comma-separated values after RFC 4180, line by line: cells may stand in quotes, and a quote in
/// such a cell is written twice. Other than there a cell holds no line break, so that a missing
/// quote spoils one line and not the rest of the file.
class CsvReader {
 public:
  /// Refers to the file, whose lines must end in LF. Throws InputError where the text is not plain
  /// UTF-8 text.
  explicit CsvReader(const NamedText& file);

  /// Goes to the next line that is not blank; false behind the last.
  bool next();
  std::string_view line() const { return line_; }
  int line_number() const { return line_number_; }  ///< from 1; 0 before the first next()

  /// The cells of this line, valid until the next call. Throws InputError for misplaced quotes.
  std::span<const CsvCell> split();

  /// An InputError about what starts at a byte of this line; arguments as InputError's.
  InputError error(std::size_t byte, std::string field, std::string value, std::string expected,
                   std::string next_step) const;

 private:
  const NamedText& file_;
  std::string_view line_;
  std::size_t next_byte_ = 0;
  int line_number_ = 0;
  std::vector<CsvCell> cells_;  // of which the first count_ are this line's
  std::size_t count_ = 0;
};

}  // namespace idlefit
