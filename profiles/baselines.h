#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace idlefit {

/// A baseline calibration and the idle it is meant for.
struct BaselineProfile {
  std::string name;
  double map_from_kPa = 0, map_to_kPa = 0;  ///< idle MAP of the engine at sea level
  std::string meaning;                      ///< for which engines, in plain words; may be empty
  std::string basis;                        ///< where the range comes from; may be empty
};

/// Profiles in order of rising idle MAP, each beginning where the one before ends. Below the first
/// the first still serves; above the last a custom calibration is wanted.
struct BaselineSet {
  std::string name;
  bool provisional = false;  ///< the ranges stand on no measurement
  std::string basis;
  std::vector<BaselineProfile> profiles;
};

/// Reads `baselines.yaml` in a folder (schema idlefit.profiles/1; docs/profiles.md). Throws
/// InputError for whatever is wrong with it: unknown schema or keys, gaps, overlaps, wrong order,
/// names given twice.
BaselineSet read_baselines(const std::string& folder);

/// The set that comes with the program, part of it: no file is read.
BaselineSet built_in_baselines();

/// Its text, profiles/shipped/baselines.yaml at the time of the build.
std::string_view shipped_baselines_yaml();

}  // namespace idlefit
