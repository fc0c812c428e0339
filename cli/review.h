#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "cli/estimate.h"
#include "cli/idle_check.h"
#include "cli/loaded.h"
#include "cli/terminal.h"
#include "profiles/drive.h"
#include "profiles/log_file.h"

namespace idlefit {

/// A log beside what is known of its engine.
struct Review {
  std::string log_name;
  LogReader log;  ///< read to its end
  DriveReview drive;
  Estimate estimate;
  IdleCheck idle_check;
  LoadedReview loaded;

  bool judged() const { return drive.rows > 0; }
};

/// The line a reader wants: what to load, where baselines were compared; else whether the loaded
/// fuel table is lean or rich, by how much, and whether to act.
std::string review_line(const Review& review);
/// One screen of 24 lines by 80 columns, review_line first.
std::string review_text(const Review& review, const Style& style);
/// The correction map, a line a cell that holds readings.
std::string review_csv(const Review& review);
/// Schema idlefit.review/1.
nlohmann::ordered_json review_json(const Review& review);

}  // namespace idlefit
