#pragma once

#include <functional>
#include <iosfwd>
#include <string>
#include <string_view>

#include "cli/terminal.h"
#include "model/knowledge.h"
#include "profiles/baselines.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// The question that settles a key of the engine file, in words that a customer understands.
/// `seat_height`: the tappet lift at which a cam card counts the seat duration, in inches, as text.
std::string question_for(std::string_view key, std::string_view seat_height = "0.006");

/// Whether a customer may know what the card leaves open under this key: not the power that
/// something takes of which it is said that it is fitted, nor a current that wants an ammeter.
bool can_be_asked(const EngineCard& card, std::string_view key);

/// Asks at most seven plain questions about an engine, shows the estimate again after each answer
/// once there is enough for one, then the whole answer, and offers to save the engine file. An
/// empty answer means unknown; the end of `in` ends the questions. Returns the exit code of
/// `estimate`; throws CannotWrite where the file cannot be saved.
int ask_and_estimate(std::istream& in, std::ostream& out, const BaselineSet& baselines,
                     const CoefficientKnowledge& knowledge, const Style& style);

}  // namespace idlefit
