#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "cli/check.h"
#include "model/knowledge.h"
#include "profiles/baselines.h"
#include "profiles/drive.h"
#include "profiles/engine_file.h"
#include "profiles/visit_file.h"

namespace idlefit {

/// A steady idle of a log as a visit, and as the file of that visit.
struct LoggedVisit {
  std::string file;  ///< docs/visit-file.md; what a log does not tell is commented out
  Visit visit;
};

/// The means of a steady idle, and the manifold sensor before the start where the log has it. A
/// reading outside what a visit file takes is left out. Throws InputError where that leaves no
/// speed or no manifold pressure.
LoggedVisit logged_visit(const SteadySum& idle, const DriveReview& drive, const EngineCard& card,
                         const std::string& log_name);

/// What `check` says of the idle that a log shows longest.
struct IdleCheck {
  const SteadySum* idle = nullptr;  ///< of the review; null where there is no steady idle
  LoggedVisit logged;
  std::optional<Check> check;
  std::string not_judged;  ///< why, plain words, without a full stop; else empty

  bool judged() const { return check && check->map_Pa; }
};

/// Calls `check`. Throws InputError where no engine can meet the card.
IdleCheck check_idle(const DriveReview& drive, const EngineCard& card, const std::string& log_name,
                     const BaselineSet& baselines, const CoefficientKnowledge& knowledge);

/// Measured against expected, the chance of it and what to do, in a sentence or two; why it was not
/// judged otherwise.
std::string idle_check_words(const IdleCheck& check);
/// The same as a part of schema idlefit.review/1; null where there is no steady idle.
nlohmann::ordered_json idle_check_json(const IdleCheck& check);

}  // namespace idlefit
