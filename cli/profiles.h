#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "cli/terminal.h"
#include "profiles/baselines.h"

namespace idlefit {

/// The profile of that name in a set, upper and lower case apart; nullptr where there is none.
const BaselineProfile* find_profile(const BaselineSet& set, const std::string& name);

/// What each profile of a set lacks of a whole one.
struct ProfileGaps {
  std::string name;
  std::vector<std::string> missing;  ///< paths of the file; empty where it is whole
};
std::vector<ProfileGaps> gaps_of(const BaselineSet& set);
bool is_whole(const BaselineSet& set);

/// `profiles list`: the line a reader wants, all for a person, and the document
/// (idlefit.profile-list/1).
std::string profile_list_line(const BaselineSet& set);
std::string profile_list_text(const BaselineSet& set, const Style& style);
nlohmann::ordered_json profile_list_json(const BaselineSet& set);

/// `profiles show`, one profile of a set (idlefit.profile/1).
std::string profile_line(const BaselineProfile& profile);
std::string profile_text(const BaselineProfile& profile, const Style& style);
nlohmann::ordered_json profile_json(const BaselineProfile& profile);

/// `profiles verify`, of a set that could be read (idlefit.profile-check/1).
std::string profile_check_line(const BaselineSet& set);
std::string profile_check_text(const BaselineSet& set, const Style& style);
nlohmann::ordered_json profile_check_json(const BaselineSet& set);

}  // namespace idlefit
