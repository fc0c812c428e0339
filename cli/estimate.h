#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "cli/starting.h"
#include "cli/terminal.h"
#include "model/explain.h"
#include "model/idle.h"
#include "model/knowledge.h"
#include "model/uncertainty.h"
#include "profiles/baselines.h"
#include "profiles/engine_file.h"
#include "profiles/selection.h"

namespace idlefit {

/// A thing worth asking.
struct AskNext {
  std::string key, question;
  double map_sd_removed_Pa = 0;  ///< by so much the answer would narrow the deviation of idle MAP
  double chance_of_change = 0;   ///< probability that it changes the choice of baseline
};

/// What became of a vacuum read on the engine.
struct ReadingReport {
  bool used = false;
  double off_inHg = 0;           ///< vacuum read less vacuum expected before it
  double chance = 1;             ///< of one at least so far off, either way
  double fault_probability = 0;  ///< that the engine was not in order then
  std::string reason;            ///< why it was left aside, plain words; empty where used
  std::string note;              ///< what to make of it; empty where it is as expected
};

/// The 80 % interval of idle MAP, and how it was come by.
struct MapInterval {
  PressureInterval ends;
  std::size_t samples = 0;  ///< engines drawn; 0: by gradient
  double no_idle = 0;       ///< share of them that has no idle
  double effective = 0;     ///< engines that count: fewer where a reading makes some unlikely
  std::string why;          ///< they were drawn, plain words; empty by gradient
};

/// All that `estimate` has to say about one engine.
struct Estimate {
  EngineCard card;
  Completion completion;
  Coefficients<double> coefficients;  ///< as a reading in the card has moved them
  SolveResult idle;
  SolveResult sea_level;                      ///< the same engine, speed and loads at 101.325 kPa
  std::optional<MapUncertainty> uncertainty;  ///< of idle.point.map_Pa; empty without a balance
  std::optional<MapInterval> interval;        ///< likewise
  std::optional<Predictive> law;              ///< of that MAP, what the interval was taken from
  std::optional<EngineBelief> belief;         ///< likewise, as a reading in the card informs it
  std::optional<ReadingReport> reading;       ///< where the card has known.vacuum
  BaselineChoice baseline;
  std::vector<AskNext> ask_next;          ///< most useful first
  std::vector<Contribution> explanation;  ///< filled on request
  std::optional<StartingValues> start;    ///< likewise
  std::string remedy;                     ///< what to change where there is no idle; else empty
  std::vector<std::string> warnings;  ///< that which says most first, the reading's note foremost

  /// Whether the answer may be relied on; exit code 0 or 1.
  bool reliable() const { return idle.status == Status::ok && sea_level.balanced; }
};

struct EstimateOptions {
  bool explain = false;     ///< fill Estimate::explanation
  bool start = false;       ///< fill Estimate::start
  std::size_t samples = 0;  ///< sampled engines for the interval; 0: only where it needs them
};

/// Predicts the idle of a card's engine and chooses its baseline, by what is known of the
/// coefficients. Throws InputError where no engine can meet the card.
Estimate estimate(const EngineCard& card, const BaselineSet& baselines,
                  const CoefficientKnowledge& knowledge, const EstimateOptions& options);

/// The line a reader wants: MAP and vacuum with their intervals, speed, and the baseline.
std::string estimate_line(const Estimate& estimate);

/// The whole answer for a person: one screen of 24 lines by 80 columns, estimate_line first. With
/// an explanation it grows by that.
std::string estimate_text(const Estimate& estimate, const BaselineSet& baselines,
                          const Style& style);

/// The answer as a document of schema idlefit.estimate/1.
nlohmann::ordered_json estimate_json(const Estimate& estimate);

}  // namespace idlefit
