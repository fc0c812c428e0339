#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "cli/estimate.h"
#include "cli/terminal.h"
#include "model/ve_surface.h"
#include "profiles/baseline_profile.h"

namespace idlefit {

/// What to expect of a table that an engine is started on: the root mean square of its fuelling
/// error over the cells that count (share).
struct TableStart {
  double idle_sd_Pa = 0;  ///< of the predicted idle MAP, all that is not known in it
  double typical_error = 0;
  std::string baseline;                  ///< what `estimate` would start it on; empty: a custom one
  std::optional<double> baseline_apart;  ///< that one's table from this one
  std::optional<double> baseline_typical_error;
};

/// VE over speed and manifold pressure of one engine, beside its estimate.
struct PredictedTable {
  Estimate estimate;
  VeSurface surface;                ///< of the engine as the estimate has it, on standard_ve_grid()
  VeTable table;                    ///< the same as a profile holds it
  std::optional<TableStart> start;  ///< on request, where there is an idle to go by

  /// Whether the table may be relied on; exit code 0 or 1.
  bool reliable() const { return estimate.reliable() && surface.solved_share > 0.0; }
};

/// Works it out, with `start` the start too. Throws InputError where no engine can meet the card.
PredictedTable predict_table(const EngineCard& card, const BaselineSet& baselines,
                             const CoefficientKnowledge& knowledge, bool start);

/// The line a reader wants: where VE peaks, and what it is at idle.
std::string table_line(const PredictedTable& predicted);
/// One screen of 24 lines by 80 columns, table_line first; with `start` a few lines more.
std::string table_text(const PredictedTable& predicted, const Style& style, bool start);
/// A line a speed; a column a pressure, then the lowest pressure of the table at which the engine
/// runs.
std::string table_csv(const PredictedTable& predicted);
/// Schema idlefit.table/1.
nlohmann::ordered_json table_json(const PredictedTable& predicted);

}  // namespace idlefit
