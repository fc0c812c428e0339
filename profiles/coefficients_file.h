#pragma once

#include <cstddef>
#include <string>
#include <string_view>

#include "model/knowledge.h"
#include "profiles/points_source.h"

namespace idlefit {

/// Coefficients as fitted, and all that the fit started from, so that it can be done again.
struct CoefficientsFile {
  CoefficientKnowledge posterior;
  std::string prior_name;  ///< "table", "shipped defaults", or the file it was read from
  CoefficientKnowledge prior;
  PointsSource source;            ///< empty where no points were fitted: the posterior is the prior
  std::size_t points = 0;         ///< measured numbers fitted to
  std::size_t rows = 0;           ///< rows of the points files that they stand in
  std::string program;            ///< name and version of the program that fitted
  std::string date;               ///< YYYY-MM-DD
  int physics = kPhysicsVersion;  ///< kPhysicsVersion of that program
};

/// Reads a coefficients file (schema idlefit.coefficients/1; docs/coefficients-file.md), at most
/// 128 MB. Throws InputError for whatever is wrong with it: unknown, missing or double keys, values
/// out of the bounds of the table of coefficients, a covariance that none can have, embedded texts
/// that do not match their digest; and for other physics or another likelihood than this program's,
/// with the command that fits the embedded points again.
CoefficientsFile read_coefficients(const std::string& path);

/// The text of a coefficients file, which reads back to exactly the same. Throws std::logic_error
/// where it would not: a number that is not finite, a value out of bounds, a covariance that is not
/// symmetric and positive definite. Throws InputError for a file name that is not UTF-8.
std::string write_coefficients(const CoefficientsFile& file);

/// The points embedded in a coefficients file, whatever physics it was fitted with; empty where it
/// embeds none. Throws InputError where they do not match their digest.
PointsSource read_embedded_points(const std::string& path);

/// The set that comes with the program, part of it: no file is read.
CoefficientsFile built_in_coefficients();
std::string_view shipped_coefficients_yaml();

/// SHA-256 in 64 hexadecimal digits over all texts with their names: for each points file a line
/// "points NAME BYTES" and its text, then for each engine file "engine NAME BYTES" and its text.
std::string sha256_of(const PointsSource& source);

}  // namespace idlefit
