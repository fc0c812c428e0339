#pragma once

#include <cstddef>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "model/quantity.h"
#include "profiles/engine_file.h"
#include "profiles/points_source.h"

namespace idlefit {

/// Most bytes of the points files of a fit together, and of the engine files that they name.
inline constexpr std::size_t kPointsBytesMax = 50'000'000;

/// Reads points files (docs/points-file.md; "-" is standard input) and the engine files that their
/// rows name, relative to the folder of the points file, each once. Byte order marks are dropped
/// and lines end in LF. Values are not looked at yet.
/// Throws InputError for a file that cannot be read or is no text, and for one named twice.
PointsSource read_points_source(const std::vector<std::string>& paths);

/// How a measured number came about.
enum class Evidence { measured, published, correlation, memory };

/// A row of a points file: readings taken together on one warm, healthy engine.
struct MeasuredRow {
  std::string file;
  int line = 0;  ///< from 1

  /// The engine and its conditions, checked and complete enough for complete(). What its engine
  /// file says under `known` is left out: a reading is not an assumption as well. Rows whose
  /// engines are stated alike share one card. Its field `where` is empty: this row is the place.
  std::shared_ptr<const EngineCard> card;
  /// Rows of one car share this: the column `car`, else the engine file, else the row alone.
  std::string car;
  /// Manifold pressure held during the readings, Pa absolute; empty: at idle.
  std::optional<double> at_map_Pa;

  struct Reading {
    Quantity quantity = Quantity::map;
    double value = 0;  ///< in the quantity's unit (model/quantity.h)
    double sd = 0;     ///< reading error, standard deviation, the same unit
    int column = 0;    ///< of its cell, in characters from 1
    std::string heading;
  };
  std::vector<Reading> readings;  ///< one a filled reading column, at least one

  double counts_as = 1.0;  ///< share of an independent reading that each is worth, over 0 to 1
  std::string offset;      ///< group of readings that share one unknown error; empty: none
  double offset_sd = 0;    ///< of that error, in the unit of the reading; over 0 in a group
  double friction_factor = 1.0;  ///< rubbing friction over that of the usual engine of its kind
  Evidence evidence = Evidence::measured;
  std::string source, note;
};

/// The rows of all points files, in order. Throws InputError naming file, line, column, heading,
/// value, what was expected and what to do for whatever is wrong.
std::vector<MeasuredRow> parse_points(const PointsSource& source);

}  // namespace idlefit
