#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "model/batch.h"
#include "model/knowledge.h"
#include "profiles/causes.h"
#include "profiles/engine_file.h"
#include "profiles/visit_file.h"

namespace idlefit {

// Why an engine shows what it shows: each cause weighed by Bayes' rule against the readings of a
// visit. What the readings of an engine in order would be, and how they hang together, follows
// from what is not known of the engine, the coefficients and the car, to first order; what a cause
// does to them is solved for, at several sizes.

/// A cause as the readings make it out to be.
struct FoundCause {
  const Cause* cause = nullptr;
  double probability = 0;                    ///< that it is there, alone or with another
  double size = 0, size_sd = 0;              ///< of the size, were it the only cause
  std::vector<std::string> favour, against;  ///< readings, the strongest first
};

/// Something that was not read, and how much it would tell.
struct NextReading {
  std::string_view key, question;
  double bits = 0;  ///< of information on what is wrong, expected
};

struct Diagnosis {
  double healthy = 1;              ///< probability that nothing is wrong
  std::vector<FoundCause> causes;  ///< all of them, most probable first
  struct Together {
    const Cause *first, *second;
    double first_size, second_size, probability;
  };
  std::optional<Together> together;  ///< the likeliest two at once, where likelier than any alone
  std::vector<NextReading> next;     ///< most telling first
  std::size_t readings = 0;          ///< how many were weighed, signs included

  /// Something is twice as likely wrong as not.
  bool raised() const { return healthy < 1.0 / 3.0; }
  /// One cause is at least as likely as not.
  bool decided() const { return raised() && causes.front().probability >= 0.5; }
};

/// Weighs the causes. `card` holds speed, gear, loads and barometer of the visit, but spark and
/// mixture as they were set: what was read of those is a reading among the others. A vacuum known
/// from before is not used. Empty where the engine has no idle at those, or nothing was read.
std::optional<Diagnosis> diagnose(const EngineCard& card, const Visit& visit,
                                  const CoefficientKnowledge& knowledge,
                                  unsigned threads = default_threads());

}  // namespace idlefit
