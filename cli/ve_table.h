#pragma once

#include <cstddef>
#include <nlohmann/json.hpp>
#include <string>

#include "profiles/baseline_profile.h"

namespace idlefit {

/// Where a value comes from, in brackets.
std::string origin_words(Basis basis, const std::string& source);
/// The same as keys `basis` and `source`.
void put_origin(nlohmann::ordered_json& json, Basis basis, const std::string& source);
/// Null for an empty text.
nlohmann::ordered_json text_or_null(const std::string& text);

/// A VE table for a person: what it refers to, labelled over `label_width` columns, then percent
/// over speed and pressure, cells below the no-load line marked.
std::string ve_table_text(const VeTable& table, std::size_t label_width);
/// The same as an object whose keys bear units.
nlohmann::ordered_json ve_table_json(const VeTable& table);

}  // namespace idlefit
