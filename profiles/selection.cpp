#include "profiles/selection.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <string_view>

#include "profiles/sampling.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

constexpr std::string_view kCustom = "custom";

// Outside of these, baselines made for road engines fit badly (common practice, no source).
constexpr double kBaselineMin_m3 = 1.0e-3, kBaselineMax_m3 = 9.0e-3;

std::string kilopascals(double pressure_kPa) { return number_text(pressure_kPa, 3) + " kPa"; }

double in_kPa(double pressure_Pa) {
  return from_program_unit(pressure_Pa, "kPa", Dimension::pressure);
}
double in_Pa(double pressure_kPa) {
  return to_program_unit(pressure_kPa, "kPa", Dimension::pressure);
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

double normal_below(double x) { return 0.5 * std::erfc(-x / std::sqrt(2.0)); }

double cost_of_error(double error) {
  return error > 0.0 ? kStartCost.rich * error : -kStartCost.lean * error;
}

// The idle MAPs of engines that have an idle as a fine comb with an edge where the set ends, since
// there the cost jumps.
class MapComb {
 public:
  MapComb(const BaselineSet& set, const Predictive& likely) {
    constexpr double kLowest_kPa = 2.0, kHighest_kPa = 200.0;
    const double end_kPa = set.profiles.back().map_to_kPa;
    const auto below = static_cast<std::size_t>(std::floor((end_kPa - kLowest_kPa) / kStep_kPa));
    const auto above = static_cast<std::size_t>(std::ceil((kHighest_kPa - end_kPa) / kStep_kPa));
    const double from_kPa = end_kPa - static_cast<double>(below) * kStep_kPa;
    share_ = likely.shares(in_Pa(from_kPa), in_Pa(kStep_kPa), below + above);
    double idle = 0;
    for (std::size_t k = 0; k < share_.size(); ++k) {
      map_kPa_.push_back(from_kPa + (static_cast<double>(k) + 0.5) * kStep_kPa);
      idle += share_[k];
    }
    for (double& share : share_) share = idle > 0.0 ? share / idle : 0.0;
  }

  const std::vector<double>& map_kPa() const { return map_kPa_; }
  std::size_t nearest(double map_kPa) const {
    const double place = std::floor((map_kPa - map_kPa_.front()) / kStep_kPa + 0.5);
    return static_cast<std::size_t>(
        std::clamp(place, 0.0, static_cast<double>(map_kPa_.size() - 1)));
  }
  // Calls with each pressure (kPa) and its share of the engines with an idle.
  template <class Work>
  void for_each(const Work& work) const {
    for (std::size_t k = 0; k < share_.size(); ++k)
      if (share_[k] > 0.0) work(map_kPa_[k], share_[k]);
  }

 private:
  static constexpr double kStep_kPa = 0.25;
  std::vector<double> map_kPa_, share_;
};

// What each profile costs on an engine with an idle, over the pressures of a comb.
class CostTable {
 public:
  CostTable(const BaselineSet& set, const MapComb& comb)
      : comb_(comb), end_kPa_(set.profiles.back().map_to_kPa) {
    for (std::size_t i = 0; i < set.profiles.size(); ++i) {
      std::vector<double>& cost = cost_.emplace_back();
      for (const double map_kPa : comb.map_kPa()) {
        cost.push_back(map_kPa >= end_kPa_ ? kStartCost.custom_missed
                       : profile_at(set, map_kPa) == i
                           ? 0.0
                           : cost_of_error(expected_fuelling_error(set, i, map_kPa)));
      }
    }
  }

  // Expected cost of each profile, then of a custom calibration, where MAP is moved by `moved` and
  // this share has no idle.
  template <class Moved>
  std::vector<double> expected(double no_idle, const Moved& moved) const {
    std::vector<double> cost(cost_.size() + 1, 0.0);
    comb_.for_each([&](double map_kPa, double share) {
      const std::size_t there = comb_.nearest(moved(map_kPa));
      for (std::size_t i = 0; i < cost_.size(); ++i) cost[i] += share * cost_[i][there];
      if (comb_.map_kPa()[there] < end_kPa_) cost.back() += share * kStartCost.custom_needless;
    });
    for (double& c : cost) c *= 1.0 - no_idle;
    for (std::size_t i = 0; i < cost_.size(); ++i) cost[i] += no_idle * kStartCost.custom_missed;
    return cost;
  }
  std::vector<double> expected(double no_idle) const {
    return expected(no_idle, [](double map_kPa) { return map_kPa; });
  }

 private:
  const MapComb& comb_;
  double end_kPa_;
  std::vector<std::vector<double>> cost_;
};

std::size_t least(const std::vector<double>& cost) {
  return static_cast<std::size_t>(std::min_element(cost.begin(), cost.end()) - cost.begin());
}

}  // namespace

double expected_fuelling_error(const BaselineSet& set, std::size_t band, double map_kPa) {
  const BaselineProfile& profile = set.profiles[band];
  return map_kPa / std::sqrt(profile.map_from_kPa * profile.map_to_kPa) - 1.0;
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
  constexpr double kRounding = 1e-6;  // of a bore and a stroke worked out from a displacement
  if (swept_m3 < kBaselineMin_m3 * (1 - kRounding) ||
      swept_m3 > kBaselineMax_m3 * (1 + kRounding)) {
    flags.push_back({Kind::displacement,
                     "The displacement of " +
                         number_text(from_program_unit(swept_m3, "L", Dimension::volume), 2) +
                         " L lies outside of 1 to 9 L, for which baselines are made."});
  }
  if (!idle_found) {
    flags.push_back({Kind::no_idle, "The model finds no idle at " +
                                        number_text(std::round(engine.inputs.speed_rpm)) + " rpm" +
                                        (card.speed_rpm ? "." : ", the speed assumed.")});
  }
  const double highest_kPa = set.profiles.back().map_to_kPa;
  if (map_sea_level_kPa && *map_sea_level_kPa >= highest_kPa) {
    flags.push_back(
        {Kind::map_too_high, "The idle manifold pressure of " + kilopascals(*map_sea_level_kPa) +
                                 " at sea level is not below " + kilopascals(highest_kPa) +
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
    const double up_to = likely.below(in_Pa(set.profiles[i].map_to_kPa));
    share[i] = up_to - below;
    below = up_to;
  }
  share[count] = 1.0 - below;

  const MapComb comb(set, likely);
  const double no_idle = std::clamp(likely.no_idle(), 0.0, 1.0);
  const std::vector<double> cost = CostTable(set, comb).expected(no_idle);
  std::vector<double> error(count);
  comb.for_each([&](double map_kPa, double engines) {
    for (std::size_t i = 0; i < count; ++i)
      error[i] += engines * std::fabs(expected_fuelling_error(set, i, map_kPa));
  });

  // The profiles from the cheapest up; those that cost the same by their error, then by how near
  // they are: where no engine has an idle nothing else tells them apart.
  const auto distance_kPa = [&](std::size_t i) {
    const BaselineProfile& p = set.profiles[i];
    return std::max({0.0, p.map_from_kPa - map_sea_level_kPa, map_sea_level_kPa - p.map_to_kPa});
  };
  std::vector<std::size_t> order(count);
  for (std::size_t i = 0; i < count; ++i) order[i] = i;
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    constexpr double kSame = 1e-9;
    if (std::fabs(cost[a] - cost[b]) > kSame) return cost[a] < cost[b];
    if (std::fabs(error[a] - error[b]) > kSame) return error[a] < error[b];
    return distance_kPa(a) < distance_kPa(b);
  });

  BaselineChoice choice;
  // Of an idle too high or none the law of MAP knows how likely it is, where it holds engines
  // without one; of any other condition it knows nothing.
  const bool by_condition = std::any_of(flags.begin(), flags.end(), [&](const CustomFlag& flag) {
    return flag.kind != CustomFlag::Kind::map_too_high &&
           !(flag.kind == CustomFlag::Kind::no_idle && no_idle > 0.0);
  });
  choice.by_condition = by_condition;
  choice.custom = !flags.empty() || cost[count] < cost[order[0]];
  const bool above_all = map_sea_level_kPa >= set.profiles.back().map_to_kPa;
  const std::size_t nearest = above_all ? count - 1 : order[0];
  choice.nearest = set.profiles[nearest].name;
  if (by_condition) {
    std::fill(share.begin(), share.end(), 0.0);
    share[count] = 1.0;
  }
  for (std::size_t i = 0; i < count; ++i) {
    const std::string& name = set.profiles[i].name;
    choice.probability.emplace_back(name, share[i]);
    choice.cost.emplace_back(name, by_condition ? kStartCost.custom_missed : cost[i]);
    if (no_idle < 1.0) choice.fuelling_error.emplace_back(name, error[i]);
  }
  choice.probability.emplace_back(kCustom, share[count]);
  choice.cost.emplace_back(kCustom, by_condition ? 0.0 : cost[count]);

  for (const CustomFlag& flag : flags) choice.reasons.push_back(flag.reason);
  const std::string at = kilopascals(map_sea_level_kPa) + " at sea level";
  if (choice.custom) {
    // Where to start is named all the same.
    const std::size_t next = order[0] == nearest && count > 1 ? order[1] : order[0];
    choice.runner_up = by_condition ? set.profiles[next].name : choice.nearest;
    choice.decided = by_condition || share[count] >= 0.5;
    if (flags.empty()) {
      choice.reasons.push_back("With " + percent(share[count]) +
                               " for an idle above the last profile or none at all, \"" +
                               choice.nearest +
                               "\" costs more when wrong than a custom calibration.");
    }
    return choice;
  }
  const BaselineProfile& best = set.profiles[order[0]];
  choice.name = best.name;
  choice.decided = share[order[0]] >= 0.5;
  const bool custom_is_second = count < 2 || cost[count] < cost[order[1]];
  choice.runner_up = custom_is_second ? std::string(kCustom) : set.profiles[order[1]].name;
  if (map_sea_level_kPa < set.profiles.front().map_from_kPa) {
    choice.reasons.push_back("The idle manifold pressure of " + at + " lies below the set, which " +
                             "begins at " + kilopascals(set.profiles.front().map_from_kPa) + ".");
  } else {
    const BaselineProfile& range = set.profiles[profile_at(set, map_sea_level_kPa)];
    choice.reasons.push_back("The idle manifold pressure of " + at + " lies in \"" + range.name +
                             "\", " + kilopascals(range.map_from_kPa) + " to " +
                             kilopascals(range.map_to_kPa) + ".");
  }
  const std::size_t likeliest =
      static_cast<std::size_t>(std::max_element(share.begin(), share.end()) - share.begin());
  if (likeliest != order[0]) {
    choice.reasons.push_back("\"" + best.name + "\" costs less when wrong than " +
                             (likeliest == count
                                  ? "a custom calibration, the likeliest, which may not be needed."
                                  : "\"" + set.profiles[likeliest].name +
                                        "\", which is the likeliest: rich runs better than lean."));
  }
  if (!choice.decided) {
    choice.reasons.push_back("No choice reaches one half.");
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

std::vector<double> chances_of_change(const BaselineSet& set, const Predictive& likely,
                                      const std::vector<Knowing>& unknown) {
  constexpr std::size_t kPoints = 64;  // what may become known, each as likely
  const MapComb comb(set, likely);
  const CostTable table(set, comb);
  const double no_idle = std::clamp(likely.no_idle(), 0.0, 1.0);
  const double mean_kPa = in_kPa(likely.mean_Pa()), sd_kPa = in_kPa(likely.sd_Pa());
  const std::size_t now = least(table.expected(no_idle));
  std::vector<double> chances;
  for (const Knowing& knowing : unknown) {
    const double moves_kPa = std::clamp(in_kPa(knowing.moves_Pa), -sd_kPa, sd_kPa);
    const double left =
        sd_kPa > 0.0 ? std::sqrt(std::max(0.0, 1.0 - std::pow(moves_kPa / sd_kPa, 2))) : 1.0;
    const double correlation = std::clamp(knowing.with_no_idle, -0.999, 0.999);
    std::size_t changed = 0;
    for (std::size_t i = 0; i < kPoints; ++i) {
      const double z = normal_quantile((static_cast<double>(i) + 0.5) / kPoints);
      double without = no_idle;
      if (without > 0.0 && without < 1.0) {
        without = normal_below((normal_quantile(no_idle) + correlation * z) /
                               std::sqrt(1.0 - correlation * correlation));
      }
      changed += now != least(table.expected(without, [&](double map_kPa) {
                   return mean_kPa + left * (map_kPa - mean_kPa) + moves_kPa * z;
                 }));
    }
    chances.push_back(static_cast<double>(changed) / kPoints);
  }
  return chances;
}

}  // namespace idlefit
