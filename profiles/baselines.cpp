#include "profiles/baselines.h"

#include <array>
#include <cmath>
#include <cstddef>
#include <filesystem>
#include <stdexcept>
#include <string_view>
#include <system_error>
#include <utility>

#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

constexpr std::string_view kSchema = "idlefit.profiles/1";

// Ample for forty profiles with large tables.
constexpr YamlLimits kLimits{.bytes = 8'000'000, .nodes = 250'000};

std::string kilopascals(double pressure_kPa) { return number_text(pressure_kPa, 3) + " kPa"; }

// Profiles must follow one another without gap or overlap, and have names of their own.
void check_against_before(const std::vector<BaselineProfile>& before,
                          const BaselineProfile& profile, const YamlNode& node,
                          const std::string& field) {
  for (const BaselineProfile& other : before) {
    if (same_but_for_case(other.name, profile.name)) {
      throw node.find("name")->error(
          field + ".name",
          other.name == profile.name
              ? "a name that no other profile has"
              : "a name that is not another's, \"" + other.name + "\", in upper and lower case",
          "Rename one of the two.");
    }
  }
  if (before.empty()) return;
  const BaselineProfile& last = before.back();
  // Bounds given in inHg and kPa may differ by rounding.
  constexpr double kSame_kPa = 1e-6;
  if (std::fabs(profile.map_from_kPa - last.map_to_kPa) <= kSame_kPa) return;
  const YamlNode& from = *node.find("map_sea_level")->find("from");
  std::string next;
  if (profile.map_from_kPa < last.map_from_kPa) {
    next = "List the profiles in the order of rising pressure.";
  } else if (profile.map_from_kPa < last.map_to_kPa) {
    next = "The two overlap: move one of the bounds.";
  } else {
    next = "The two leave a gap: move one of the bounds.";
  }
  throw from.error(field + ".map_sea_level.from",
                   kilopascals(last.map_to_kPa) + ", where \"" + last.name + "\" ends", next);
}

BaselineSet baselines_of(const YamlNode& root) {
  constexpr std::array kKeys{"schema"sv,      "name"sv,  "edition"sv,
                             "provisional"sv, "basis"sv, "profiles"sv};
  root.expect_map("", kKeys);
  if (root.find("schema") == nullptr) {
    throw InputError(root.place.where(), "schema", "",
                     "\"schema: " + std::string(kSchema) + "\", but the key is missing",
                     "Add it to a file of baseline profiles.");
  }
  const YamlNode& schema = root.require("", "schema");
  if (schema.as_text("schema", 60) != kSchema) {
    throw schema.error("schema", "\"" + std::string(kSchema) + "\"",
                       "This program reads no other version of the format.");
  }
  BaselineSet set;
  if (const YamlNode* const name = root.find("name")) set.name = name->as_text("name", 100);
  if (const YamlNode* const edition = root.find("edition")) {
    set.edition = edition->as_text("edition", 40);
  }
  if (const YamlNode* const provisional = root.find("provisional")) {
    set.provisional = provisional->as_switch("provisional");
  }
  if (const YamlNode* const basis = root.find("basis")) set.basis = basis->as_text("basis", 500);

  const YamlNode& profiles = root.require("", "profiles");
  profiles.expect_list("profiles");
  if (profiles.children.empty()) {
    throw profiles.error("profiles", "at least one profile",
                         "Add one with name and map_sea_level.");
  }
  for (std::size_t i = 0; i < profiles.children.size(); ++i) {
    const std::string field = "profiles[" + std::to_string(i + 1) + "]";
    const YamlNode& node = profiles.children[i];
    BaselineProfile profile = read_baseline_profile(node, field);
    check_against_before(set.profiles, profile, node, field);
    set.profiles.push_back(std::move(profile));
  }
  return set;
}

std::string text_of(const BaselineSet& set) {
  std::string out = "# Baseline profiles. What each key means: docs/profiles.md.\n";
  out += "schema: " + std::string(kSchema) + "\n";
  if (!set.name.empty()) out += "name: " + yaml_quoted(set.name) + "\n";
  if (!set.edition.empty()) out += "edition: " + yaml_quoted(set.edition) + "\n";
  if (set.provisional) out += "provisional: on\n";
  if (!set.basis.empty()) out += "basis: " + yaml_quoted(set.basis) + "\n";
  out += "profiles:\n";
  for (const BaselineProfile& profile : set.profiles) out += write_baseline_profile(profile);
  return out;
}

}  // namespace

BaselineSet read_baselines(const std::string& folder) {
  const std::filesystem::path path(folder);
  std::error_code ignored;
  if (std::filesystem::is_regular_file(path, ignored)) {
    const std::string parent = path.has_parent_path() ? path.parent_path().string() : ".";
    throw InputError({folder, 0, 0}, "", "", "a folder with baselines.yaml, but this is a file",
                     path.filename() == "baselines.yaml"
                         ? "Give the folder that it is in: " + parent
                         : "Give the folder of the set.");
  }
  return baselines_of(read_yaml_file((path / "baselines.yaml").string(), kLimits));
}

BaselineSet parse_baselines(std::string_view text, const std::string& name) {
  return baselines_of(parse_yaml(text, name, kLimits));
}

BaselineSet built_in_baselines() {
  return parse_baselines(shipped_baselines_yaml(), "built-in baselines.yaml");
}

std::string write_baselines(const BaselineSet& set) {
  // What is written must not turn out unreadable later, nor as something else.
  try {
    std::string text = text_of(set);
    if (parse_baselines(text, "baselines to be written") == set) return text;
  } catch (const InputError& problem) {
    throw std::logic_error(problem.what());
  } catch (const QuantityError&) {
    throw std::logic_error("baselines to be written hold a number that is none");
  }
  throw std::logic_error("baselines to be written do not read back");
}

}  // namespace idlefit
