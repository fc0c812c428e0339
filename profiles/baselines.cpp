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

// Outside of these, baselines made for road engines fit badly (common practice, no source).
constexpr double kBaselineMin_m3 = 1.0e-3, kBaselineMax_m3 = 9.0e-3;

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

// The profile whose range holds a MAP, or the first or last one.
std::size_t profile_at(const BaselineSet& set, double map_kPa) {
  std::size_t i = 0;
  while (i + 1 < set.profiles.size() && map_kPa >= set.profiles[i].map_to_kPa) ++i;
  return i;
}

std::string percent(double probability) {
  return number_text(std::round(100.0 * probability)) + " %";
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

std::vector<CustomFlag> custom_flags(const EngineCard& card, const Engine& engine, bool idle_found,
                                     std::optional<double> map_sea_level_kPa,
                                     const BaselineSet& set) {
  using Kind = CustomFlag::Kind;
  std::vector<CustomFlag> flags;
  if (card.induction == EngineCard::Induction::boosted) {
    flags.push_back({Kind::boost, "Boosted engines want a custom calibration."});
  }
  if (card.nitrous.value_or(false)) {
    flags.push_back({Kind::nitrous, "Nitrous wants a custom calibration."});
  }
  if (card.manifold == EngineCard::Manifold::individual_runner) {
    flags.push_back({Kind::individual_runners,
                     "Individual runners want a custom calibration: their manifold pressure says "
                     "little."});
  }
  if (engine.build.fuel == Fuel::methanol) {
    flags.push_back({Kind::methanol, "Methanol wants a custom calibration."});
  }
  const double swept_m3 = displacement_m3(engine);
  if (swept_m3 < kBaselineMin_m3 || swept_m3 > kBaselineMax_m3) {
    flags.push_back({Kind::displacement,
                     "The displacement of " +
                         number_text(from_program_unit(swept_m3, "L", Dimension::volume), 2) +
                         " L lies outside of 1 to 9 L, for which baselines are made."});
  }
  if (!idle_found) {
    flags.push_back({Kind::no_idle, "The model finds no idle at the asked speed."});
  }
  const double highest_kPa = set.profiles.back().map_to_kPa;
  if (map_sea_level_kPa && *map_sea_level_kPa >= highest_kPa) {
    flags.push_back(
        {Kind::map_too_high, "The idle manifold pressure of " + kilopascals(*map_sea_level_kPa) +
                                 " at sea level lies above " + kilopascals(highest_kPa) +
                                 ", where the last profile ends."});
  }
  return flags;
}

BaselineChoice choose_baseline(const BaselineSet& set, double map_sea_level_kPa,
                               const Predictive& likely, const std::vector<CustomFlag>& flags) {
  assert(!set.profiles.empty() && std::isfinite(map_sea_level_kPa));
  const std::size_t count = set.profiles.size();
  std::vector<double> share(count + 1);  // the last is custom
  double below = 0.0;
  for (std::size_t i = 0; i < count; ++i) {
    const double up_to =
        likely.below(to_program_unit(set.profiles[i].map_to_kPa, "kPa", Dimension::pressure));
    share[i] = up_to - below;
    below = up_to;
  }
  share[count] = 1.0 - below;

  // The profiles from the most probable down; equally improbable ones by how near they are.
  const auto distance_kPa = [&](std::size_t i) {
    const BaselineProfile& p = set.profiles[i];
    return std::max({0.0, p.map_from_kPa - map_sea_level_kPa, map_sea_level_kPa - p.map_to_kPa});
  };
  std::vector<std::size_t> order(count);
  for (std::size_t i = 0; i < count; ++i) order[i] = i;
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return share[a] != share[b] ? share[a] > share[b] : distance_kPa(a) < distance_kPa(b);
  });

  BaselineChoice choice;
  const bool by_condition = std::any_of(flags.begin(), flags.end(), [](const CustomFlag& flag) {
    return flag.kind != CustomFlag::Kind::map_too_high;
  });
  const double best_profile = share[order[0]];
  const bool custom_is_best = share[count] >= best_profile;
  choice.custom = !flags.empty() || custom_is_best;
  const bool above_all = map_sea_level_kPa >= set.profiles.back().map_to_kPa;
  const std::size_t nearest = above_all ? count - 1 : order[0];
  choice.nearest = set.profiles[nearest].name;
  if (by_condition) {
    std::fill(share.begin(), share.end(), 0.0);
    share[count] = 1.0;
  }
  for (std::size_t i = 0; i < count; ++i) {
    choice.probability.emplace_back(set.profiles[i].name, share[i]);
  }
  choice.probability.emplace_back(kCustom, share[count]);

  for (const CustomFlag& flag : flags) choice.reasons.push_back(flag.reason);
  const std::string at = kilopascals(map_sea_level_kPa) + " at sea level";
  if (choice.custom) {
    // Where to start is named all the same.
    const std::size_t next = order[0] == nearest && count > 1 ? order[1] : order[0];
    choice.runner_up = by_condition ? set.profiles[next].name : choice.nearest;
    choice.decided = by_condition || share[count] >= 0.5;
    if (flags.empty()) {
      choice.reasons.push_back("An idle manifold pressure of " + at +
                               " most probably lies above the last profile (" +
                               percent(share[count]) + ").");
    }
    return choice;
  }
  const BaselineProfile& best = set.profiles[order[0]];
  choice.name = best.name;
  choice.decided = best_profile >= 0.5;
  const bool custom_is_second = count < 2 || share[count] > share[order[1]];
  choice.runner_up = custom_is_second ? std::string(kCustom) : set.profiles[order[1]].name;
  const std::size_t holding = profile_at(set, map_sea_level_kPa);
  if (map_sea_level_kPa < set.profiles.front().map_from_kPa) {
    choice.reasons.push_back("The idle manifold pressure of " + at + " lies below the set, which " +
                             "begins at " + kilopascals(set.profiles.front().map_from_kPa) + ".");
  } else {
    const BaselineProfile& range = set.profiles[holding];
    choice.reasons.push_back("The idle manifold pressure of " + at + " lies in \"" + range.name +
                             "\", " + kilopascals(range.map_from_kPa) + " to " +
                             kilopascals(range.map_to_kPa) + ".");
  }
  if (!choice.decided) {
    choice.reasons.push_back(
        "It is known to " +
        number_text(from_program_unit(likely.sd_Pa(), "kPa", Dimension::pressure), 2) +
        " kPa only (one standard deviation).");
  }
  return choice;
}

BaselineChoice choose_baseline(const BaselineSet& set, const EngineCard& card, const Engine& engine,
                               const SolveResult& sea_level,
                               const std::optional<Predictive>& likely) {
  const std::optional<double> map_kPa =
      sea_level.balanced
          ? std::optional(from_program_unit(sea_level.point.map_Pa, "kPa", Dimension::pressure))
          : std::nullopt;
  auto flags = custom_flags(card, engine, sea_level.status != Status::no_idle, map_kPa, set);
  if (sea_level.status == Status::not_converged && !map_kPa) {
    flags.push_back({CustomFlag::Kind::no_idle, "The model gives no idle to choose by."});
  }
  const double chosen_by_kPa = map_kPa.value_or(set.profiles.back().map_to_kPa);
  const Predictive exactly(
      {{1.0, to_program_unit(chosen_by_kPa, "kPa", Dimension::pressure), 0.0}});
  return choose_baseline(set, chosen_by_kPa, likely.value_or(exactly), flags);
}

}  // namespace idlefit
