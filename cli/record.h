#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "cli/check.h"
#include "cli/terminal.h"
#include "profiles/baselines.h"
#include "profiles/book.h"
#include "profiles/coefficients_file.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// What became of a visit that was to be recorded.
struct Recorded {
  std::string file;     ///< of the new entry, its folder included; empty where there is none
  std::string why_not;  ///< plain words, without a full stop; empty where it was recorded
};

/// Adds a visit that was checked to the book in a folder, tied to what the card alone lets expect,
/// where it is of a healthy engine: judged, not far out, nothing to attend to that touches the
/// reading, and not in the book yet. `visit_text` is the visit file's. Throws InputError where
/// there is no such folder, CannotWrite where it cannot be written to.
Recorded record_visit(const std::string& folder, const Check& check, const EngineCard& card,
                      std::string_view visit_text, const BaselineSet& baselines,
                      const CoefficientsFile& coefficients, const std::string& coefficients_name);

/// How many readings lie in their 80 % intervals, of what was expected before a car came.
std::string book_line(const Book& book);
/// Predicted beside measured for a person, book_line first: 24 lines by 80 columns.
std::string book_text(const Book& book, const Style& style);
/// All of it as a document of schema idlefit.record/1.
nlohmann::ordered_json book_json(const Book& book);

/// The readings as a points file for `fit` (docs/points-file.md): each entry a row, its engine
/// under the conditions of its visit.
std::string book_points_csv(const Book& book);
/// The same as a document of schema idlefit.record-points/1.
nlohmann::ordered_json book_points_json(const Book& book);

}  // namespace idlefit
