#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "cli/fit_points.h"
#include "cli/terminal.h"
#include "fit/fit.h"
#include "profiles/coefficients_file.h"
#include "profiles/points_file.h"

namespace idlefit {

/// A fit with what it was made from, for showing.
struct FitReport {
  CoefficientsFile file;  ///< what is written
  std::vector<MeasuredRow> rows;
  FitPoints points;
  FitResult result;
  std::string saved_as, kept_as;  ///< empty where nothing was written or nothing was there before
};

/// Fits the points of a source, starting from what a coefficients file knows. Progress goes to
/// standard error once it takes more than a second, unless `quiet`. Throws InputError for bad
/// points, an engine without an idle included.
FitReport fit_source(PointsSource source, const CoefficientKnowledge& prior,
                     const std::string& prior_name, bool quiet);

/// The line a reader wants: how far off predictions were before and are now.
std::string fit_line(const FitReport& report);
/// The whole report for a person.
std::string fit_text(const FitReport& report, const Style& style);
/// The same as a document of schema idlefit.fit/1.
nlohmann::ordered_json fit_json(const FitReport& report);

}  // namespace idlefit
