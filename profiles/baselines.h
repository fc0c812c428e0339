#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "profiles/baseline_profile.h"

namespace idlefit {

/// Profiles in order of rising idle MAP, each beginning where the one before ends. Below the first
/// the first still serves; above the last a custom calibration is wanted.
struct BaselineSet {
  std::string name;
  std::string edition;       ///< of the set, in its maker's words; may be empty
  bool provisional = false;  ///< the ranges stand on no measurement
  std::string basis;
  std::vector<BaselineProfile> profiles;

  bool operator==(const BaselineSet&) const = default;
};

/// Reads `baselines.yaml` in a folder (schema idlefit.profiles/1; docs/profiles.md). Throws
/// InputError for whatever is wrong with it: unknown schema or keys, gaps, overlaps, wrong order,
/// names given twice, values without a basis, tables that do not fit their axes.
BaselineSet read_baselines(const std::string& folder);
/// The same from the text of such a file; `name` is for messages.
BaselineSet parse_baselines(std::string_view text, const std::string& name);

/// The set as the text of a `baselines.yaml` that reads back as the same. Throws std::logic_error
/// where no file may hold it (what a reader would refuse).
std::string write_baselines(const BaselineSet& set);

/// The set that comes with the program, part of it: no file is read.
BaselineSet built_in_baselines();

/// Its text, profiles/shipped/baselines.yaml at the time of the build.
std::string_view shipped_baselines_yaml();

}  // namespace idlefit
