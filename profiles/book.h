#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/input_error.h"

namespace idlefit {

// The shop's book: a folder with one YAML file for each healthy idle that was read on a car
// (docs/record.md). Files are added and never changed.

/// One entry: an idle as read, what was expected of it, and what both came from.
struct BookEntry {
  /// Manifold pressures are absolute. `low` and `high`: 80 % interval of what a healthy engine
  /// reads, the reading's own error included.
  struct Expected {
    double speed_rpm = 0, barometer_Pa = 0;
    double map_Pa = 0, low_Pa = 0, high_Pa = 0;
  };

  std::string file;  ///< its name in the folder; not written
  std::string date;  ///< YYYY-MM-DD
  std::string car;   ///< readings of one car bear one name; at most 100 characters
  std::string program;
  int physics = 0;
  std::string coefficients;         ///< "shipped defaults", or the file they were read from
  std::string coefficients_sha256;  ///< of the points that those were fitted to
  /// What the engine file alone let expect, before any reading, at its own speed, spark and
  /// barometer; empty where it let expect no idle, or the idle read is another, as in gear.
  std::optional<Expected> before;
  double stated_low_Pa = 0, stated_high_Pa = 0;  ///< with `before`: without the reading's error
  Expected at_visit;                             ///< at the speed, spark and barometer of the visit
  double map_Pa = 0, reading_sd_Pa = 0;          ///< as read
  bool by_vacuum = false;                        ///< read as a vacuum, else as a pressure
  std::string engine, visit;                     ///< texts of the two files, lines ending in LF

  bool inside_before() const { return before && inside(*before); }
  bool inside_at_visit() const { return inside(at_visit); }

 private:
  bool inside(const Expected& e) const { return map_Pa >= e.low_Pa && map_Pa <= e.high_Pa; }
};

/// The text of an entry's file. Throws std::logic_error where it would not read back.
std::string write_entry(const BookEntry& entry);

/// Reads the text of an entry; `path` is for messages, its last part becomes `file`. Throws
/// InputError with file and line, those of the engine and the visit in it too.
BookEntry parse_entry(std::string_view text, const std::string& path);

/// All that a folder holds.
struct Book {
  std::vector<BookEntry> entries;  ///< by date, then by name
  std::vector<InputError> damaged;
};

/// Reads all entries of a folder: its files that end in .yaml. One that cannot be read is left out
/// and told. Throws InputError where there is no such folder.
Book read_book(const std::string& folder);

/// The name of the file of a new entry, the n-th tried (from 0): date and car, in letters, digits
/// and hyphens.
std::string entry_file_name(const BookEntry& entry, int n);

/// How many of `count` readings an interval that is right holds, 9 times in 10: the middle of the
/// binomial law with this chance for each.
struct CountRange {
  std::size_t low = 0, high = 0;
};
CountRange right_count(std::size_t count, double chance);

}  // namespace idlefit
