#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "cli/terminal.h"
#include "profiles/baseline_build.h"

namespace idlefit {

/// `profiles build`: the line a reader wants, all for a person, and the document
/// (idlefit.profile-build/1).
std::string build_line(const BaselineBuild& build);
std::string build_text(const BaselineBuild& build, const Style& style);
nlohmann::ordered_json build_json(const BaselineBuild& build);

/// Fuelling error over the number of bands as a picture (SVG 1.1).
std::string build_picture(const BaselineBuild& build);

}  // namespace idlefit
