#include "profiles/baselines.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <cstddef>
#include <filesystem>
#include <string_view>

#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

constexpr std::string_view kSchema = "idlefit.profiles/1";
constexpr std::string_view kCustom = "custom";

constexpr QuantityRange kMapRange{Dimension::pressure, 5.0, 110.0, "kPa",
                                  "an absolute manifold pressure"};

std::string kilopascals(double pressure_kPa) { return number_text(pressure_kPa, 3) + " kPa"; }

double pressure_kPa(const YamlNode& node, const std::string& field) {
  return from_program_unit(node.as_quantity(field, kMapRange, "Give it as absolute pressure."),
                           "kPa", Dimension::pressure);
}

BaselineProfile read_profile(const YamlNode& node, const std::string& field) {
  constexpr std::array kKeys{"name"sv, "map_sea_level"sv, "meaning"sv, "basis"sv};
  constexpr std::array kRangeKeys{"from"sv, "to"sv};
  node.expect_map(field, kKeys);
  BaselineProfile profile;
  profile.name = node.require(field, "name").as_text(field + ".name", 40);
  if (profile.name == kCustom) {
    throw node.find("name")->error(field + ".name", "a name other than \"custom\"",
                                   "That word stands for a calibration of its own.");
  }
  const YamlNode& range = node.require(field, "map_sea_level");
  const std::string range_field = field + ".map_sea_level";
  range.expect_map(range_field, kRangeKeys);
  profile.map_from_kPa = pressure_kPa(range.require(range_field, "from"), range_field + ".from");
  profile.map_to_kPa = pressure_kPa(range.require(range_field, "to"), range_field + ".to");
  if (profile.map_to_kPa <= profile.map_from_kPa) {
    throw range.find("to")->error(
        range_field + ".to",
        "more than " + kilopascals(profile.map_from_kPa) + ", where the profile begins",
        "Are the two swapped?");
  }
  if (const YamlNode* const meaning = node.find("meaning")) {
    profile.meaning = meaning->as_text(field + ".meaning", 500);
  }
  if (const YamlNode* const basis = node.find("basis")) {
    profile.basis = basis->as_text(field + ".basis", 500);
  }
  return profile;
}

// Profiles must follow one another without gap or overlap, and have names of their own.
void check_against_before(const std::vector<BaselineProfile>& before,
                          const BaselineProfile& profile, const YamlNode& node,
                          const std::string& field) {
  for (const BaselineProfile& other : before) {
    if (other.name == profile.name) {
      throw node.find("name")->error(field + ".name", "a name that no other profile has",
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
  constexpr std::array kKeys{"schema"sv, "name"sv, "provisional"sv, "basis"sv, "profiles"sv};
  root.expect_map("", kKeys);
  const YamlNode& schema = root.require("", "schema");
  if (schema.as_text("schema", 60) != kSchema) {
    throw schema.error("schema", "\"" + std::string(kSchema) + "\"",
                       "This program reads no other version of the format.");
  }
  BaselineSet set;
  if (const YamlNode* const name = root.find("name")) set.name = name->as_text("name", 100);
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
    BaselineProfile profile = read_profile(node, field);
    check_against_before(set.profiles, profile, node, field);
    set.profiles.push_back(std::move(profile));
  }
  return set;
}

}  // namespace

BaselineSet read_baselines(const std::string& folder) {
  return baselines_of(read_yaml_file((std::filesystem::path(folder) / "baselines.yaml").string()));
}

BaselineSet built_in_baselines() {
  return baselines_of(parse_yaml(shipped_baselines_yaml(), "built-in baselines.yaml"));
}

}  // namespace idlefit
