#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "profiles/transients.h"

namespace idlefit {

/// Which way to move acceleration fuel, and why; empty where too little was seen.
std::string transients_words(const std::optional<Transients>& transients);
/// The same as a part of schema idlefit.review/1; null where the log has no lambda.
nlohmann::ordered_json transients_json(const std::optional<Transients>& transients);

}  // namespace idlefit
