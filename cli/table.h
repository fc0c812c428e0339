#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "cli/estimate.h"
#include "cli/terminal.h"
#include "model/ve_surface.h"
#include "profiles/baseline_profile.h"

namespace idlefit {

/// VE over speed and manifold pressure of one engine, beside its estimate.
struct PredictedTable {
  Estimate estimate;
  VeSurface surface;  ///< of the engine as the estimate has it, on standard_ve_grid()
  VeTable table;      ///< the same as a profile holds it

  /// Whether the table may be relied on; exit code 0 or 1.
  bool reliable() const { return estimate.reliable() && surface.solved_share > 0.0; }
};

/// Works it out. Throws InputError where no engine can meet the card.
PredictedTable predict_table(const EngineCard& card, const BaselineSet& baselines,
                             const CoefficientKnowledge& knowledge);

/// The line a reader wants: where VE peaks, and what it is at idle.
std::string table_line(const PredictedTable& predicted);
/// One screen of 24 lines by 80 columns, table_line first.
std::string table_text(const PredictedTable& predicted, const Style& style);
/// A line a speed; a column a pressure, then the lowest pressure of the table at which the engine
/// runs.
std::string table_csv(const PredictedTable& predicted);
/// Schema idlefit.table/1.
nlohmann::ordered_json table_json(const PredictedTable& predicted);

}  // namespace idlefit
