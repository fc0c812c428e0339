#include "profiles/known_reading.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>
#include <vector>

#include "model/batch.h"
#include "model/idle.h"
#include "profiles/sampling.h"

namespace idlefit {
namespace {

constexpr int kStepsAtMost = 12;
constexpr double kSettled_Pa = 5.0;  // far below what the reading itself is good for
// The completion has curves over the unknowns that are straight enough over this many deviations.
constexpr double kLongestStep = 1.0;
constexpr double kDifferenceStep = 0.01;  // of a standard deviation
// What a car shows beyond the model is shown as an engine this many deviations off at most.
constexpr double kFarthest = 3.0;

Eigen::MatrixXd slopes(const EngineCard& card, Eigen::VectorXd latent,
                       Engine (*engine_at)(const EngineCard&, const Eigen::VectorXd&)) {
  Eigen::MatrixXd slopes(static_cast<Eigen::Index>(kInputCount), latent.size());
  for (Eigen::Index j = 0; j < latent.size(); ++j) {
    const double center = latent[j];
    latent[j] = center + kDifferenceStep;
    const Engine above = engine_at(card, latent);
    latent[j] = center - kDifferenceStep;
    const Engine below = engine_at(card, latent);
    latent[j] = center;
    for (std::size_t i = 0; i < kInputCount; ++i) {
      slopes(static_cast<Eigen::Index>(i), j) =
          (input_value(above.inputs, i) - input_value(below.inputs, i)) / (2 * kDifferenceStep);
    }
  }
  return slopes;
}

// A reading as it looks from one setting of the unknowns, or nothing where the model finds no idle
// there.
class Reader {
 public:
  Reader(const EngineCard& card, Eigen::Index latents, const CoefficientKnowledge& knowledge,
         const ReadingTrust& trust)
      : card_(card), latents_(latents), coefficients_(knowledge), trust_(trust) {}

  struct Look {
    MapReading reading;
    double difference_Pa;  // reading less the model, at that setting
  };
  std::optional<Look> look(const Eigen::VectorXd& unknowns) {
    const Eigen::VectorXd latent = unknowns.head(latents_);
    const SolveResult at = solve_idle(known_engine_at(card_, latent), coefficients(unknowns),
                                      {.gradient = true, .start = start_});
    if (!at.balanced || !at.gradient) return std::nullopt;
    start_ = at.state;
    // The barometer is not the same at every altitude: the reading is a vacuum, what is compared is
    // the vacuum too, and only its dependence on the barometer enters beside that of MAP.
    PointGradient less_vacuum = *at.gradient;
    less_vacuum.map_Pa[static_cast<Eigen::Index>(Input::barometer_Pa)] -= 1.0;
    Look look;
    look.reading.effects_Pa =
        unknown_effects_Pa(less_vacuum, slopes(card_, latent, known_engine_at), coefficients_);
    look.reading.sd_Pa = reading_sd_Pa(less_vacuum);
    look.reading.fault_chance = trust_.fault_chance;
    look.reading.fault_sd_Pa = trust_.fault_Pa;
    look.difference_Pa = (at.point.barometer_Pa - at.point.map_Pa) - card_.known.vacuum_Pa.value();
    look.reading.surprise_Pa = look.difference_Pa + look.reading.effects_Pa.dot(unknowns);
    return look;
  }

  // Of the gauge, and of the speed and the barometer at that moment, to first order. `slopes` are
  // of MAP less barometer.
  double reading_sd_Pa(const PointGradient& slopes) const {
    const auto slope = [&](Input input) { return slopes.map_Pa[static_cast<Eigen::Index>(input)]; };
    const double barometer_Pa = card_.known.barometer_Pa ? trust_.barometer_Pa : trust_.weather_Pa;
    return std::hypot(trust_.gauge_Pa, slope(Input::speed_rpm) * trust_.speed_rpm,
                      slope(Input::barometer_Pa) * barometer_Pa);
  }

  // The engine nearest to `unknowns` whose idle MAP lies so much above theirs: along what moves it
  // most, as far as likely engines go. Nothing where there is no idle to begin with.
  struct Moved {
    Eigen::VectorXd unknowns;
    double left_Pa;  // of the rise
  };
  std::optional<Moved> moved(const Eigen::VectorXd& unknowns, double rise_Pa) const {
    const SolveResult from = solve_idle(complete_at(card_, unknowns.head(latents_)),
                                        coefficients(unknowns), {.gradient = true});
    if (!from.balanced || !from.gradient) return std::nullopt;
    const Eigen::VectorXd effects_Pa =
        unknown_effects_Pa(*from.gradient, idle_slopes(unknowns), coefficients_);
    const double length_Pa = effects_Pa.norm();
    Moved moved{unknowns, rise_Pa};
    double along = 0;  // deviations
    for (int step = 0; step < kStepsAtMost && std::abs(moved.left_Pa) > kSettled_Pa; ++step) {
      const double next = length_Pa > 0.0
                              ? std::clamp(along + moved.left_Pa / length_Pa, -kFarthest, kFarthest)
                              : along;
      if (next == along) break;
      const Eigen::VectorXd there = unknowns + effects_Pa * (next / length_Pa);
      const SolveResult at = solve_idle(complete_at(card_, there.head(latents_)),
                                        coefficients(there), {.start = from.state});
      if (!at.balanced) break;
      along = next;
      moved = {there, rise_Pa - (at.point.map_Pa - from.point.map_Pa)};
    }
    return moved;
  }

  // Whether the engine idles as it was read.
  bool idles(const Eigen::VectorXd& unknowns) const {
    return solve_idle(known_engine_at(card_, unknowns.head(latents_)), coefficients(unknowns))
               .status == Status::ok;
  }
  // The last engine that idles as it was read on the way from one that does to `moved`. How much of
  // the charge burns has a fold at the limit, so that slopes beyond it do not lead back.
  Moved at_the_limit(const Eigen::VectorXd& idling, const Moved& moved) const {
    constexpr int kHalvings = 7;
    double idles_at = 0.0, none_at = 1.0;
    const auto between = [&](double share) -> Eigen::VectorXd {
      return idling + share * (moved.unknowns - idling);
    };
    for (int i = 0; i < kHalvings; ++i) {
      const double share = 0.5 * (idles_at + none_at);
      (idles(between(share)) ? idles_at : none_at) = share;
    }
    const auto asked = [&](const Eigen::VectorXd& unknowns) {
      return solve_idle(complete_at(card_, unknowns.head(latents_)), coefficients(unknowns));
    };
    Moved limit{between(idles_at), 0.0};
    const SolveResult beyond = asked(moved.unknowns), at = asked(limit.unknowns);
    if (beyond.balanced && at.balanced)
      limit.left_Pa = moved.left_Pa + beyond.point.map_Pa - at.point.map_Pa;
    return limit;
  }

  Coefficients<double> coefficients(const Eigen::VectorXd& unknowns) const {
    return coefficients_.at(unknowns.tail(unknowns.size() - latents_));
  }
  Eigen::MatrixXd idle_slopes(const Eigen::VectorXd& unknowns) const {
    return slopes(card_, unknowns.head(latents_), complete_at);
  }

 private:
  const EngineCard& card_;
  Eigen::Index latents_;
  CoefficientUnknowns coefficients_;
  ReadingTrust trust_;
  std::optional<SolvedState> start_;
};

// Engines drawn before the reading, as they would have been read.
struct Foreseen {
  double median_Pa = 0;       // of reading less model, discrepancy and gauge included
  double chance = 1;          // of a reading at least as far out, either way
  Eigen::VectorXd likeliest;  // unknowns of the one that the reading speaks for most
};
std::optional<Foreseen> foresee(const EngineCard& card, Eigen::Index latents,
                                const CoefficientKnowledge& knowledge, const ReadingTrust& trust) {
  constexpr std::size_t kDraws = 256;
  const CoefficientUnknowns coefficients(knowledge);
  const Eigen::MatrixXd points =
      quasi_normal_points(latents + static_cast<Eigen::Index>(kCoefficientCount), kDraws);
  std::vector<std::optional<double>> difference_Pa(kDraws);
  for_each_index(kDraws, default_threads(), [&](std::size_t i) {
    const Eigen::VectorXd unknowns = points.col(static_cast<Eigen::Index>(i));
    const SolveResult at = solve_idle(known_engine_at(card, unknowns.head(latents)),
                                      coefficients.at(unknowns.tail(unknowns.size() - latents)),
                                      {.mesh = 0.5, .one_of_many = true});
    if (at.status == Status::ok)
      difference_Pa[i] = at.point.barometer_Pa - at.point.map_Pa - card.known.vacuum_Pa.value();
  });
  const double idles = static_cast<double>(
      std::count_if(difference_Pa.begin(), difference_Pa.end(), [](auto& d) { return !!d; }));
  if (idles == 0) return std::nullopt;
  const std::vector<DiscrepancyPart> stray = discrepancy_parts(knowledge.discrepancy);
  const double gauge_Pa = std::hypot(trust.gauge_Pa, trust.weather_Pa);
  std::vector<Predictive::Part> parts;
  Foreseen foreseen;
  double best = -std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < kDraws; ++i) {
    if (!difference_Pa[i]) continue;
    for (const DiscrepancyPart& part : stray) {
      const double sd_Pa = std::hypot(std::sqrt(part.variance_Pa2), gauge_Pa);
      const double weight = part.weight / idles;
      parts.push_back({weight * (1 - trust.fault_chance), *difference_Pa[i], sd_Pa});
      parts.push_back(
          {weight * trust.fault_chance, *difference_Pa[i], std::hypot(sd_Pa, trust.fault_Pa)});
    }
    const Eigen::VectorXd unknowns = points.col(static_cast<Eigen::Index>(i));
    const double off = *difference_Pa[i] / gauge_Pa;
    const double likelihood = -off * off - unknowns.squaredNorm();
    if (likelihood <= best) continue;
    best = likelihood;
    foreseen.likeliest = unknowns;
  }
  const Predictive law(std::move(parts));
  const double below = law.below(0.0);
  foreseen.median_Pa = law.quantile_Pa(0.5);
  foreseen.chance = 2.0 * std::min(below, 1.0 - below);
  return foreseen;
}

}  // namespace

TakenReading inform_by_reading(const EngineCard& card, const Completion& completion,
                               const CoefficientKnowledge& knowledge, const ReadingTrust& trust) {
  using Use = TakenReading::Use;
  constexpr Eigen::Index coefficients = static_cast<Eigen::Index>(kCoefficientCount);
  // The first order may be this many times too sure that a reading is too far off.
  constexpr double kDoubt = 3.0;
  const Eigen::Index latents = static_cast<Eigen::Index>(completion.latent_keys.size());
  Reader reader(card, latents, knowledge, trust);
  TakenReading taken;

  Eigen::VectorXd unknowns = Eigen::VectorXd::Zero(latents + coefficients);
  auto look = reader.look(unknowns);
  if (look) {
    taken.surprise_Pa = look->difference_Pa;
    taken.surprise_chance = EngineBelief(knowledge.discrepancy, look->reading).chance_of_surprise();
  }
  if (!look || taken.surprise_chance < kDoubt * trust.least_chance) {
    const auto foreseen = foresee(card, latents, knowledge, trust);
    if (!foreseen) {
      taken.use = Use::no_idle;
      return taken;
    }
    taken.surprise_Pa = foreseen->median_Pa;
    taken.surprise_chance = foreseen->chance;
    if (taken.surprise_chance < trust.least_chance) {
      taken.use = Use::too_far;
      return taken;
    }
    if (!look) unknowns = foreseen->likeliest;
  }

  Eigen::VectorXd last_good = unknowns;
  std::optional<EngineBelief> belief;
  bool settled = false, stands = false;
  for (int step = 0; step < kStepsAtMost && !settled; ++step) {
    if (step > 0 || !look) look = reader.look(unknowns);
    if (!look) {
      unknowns = 0.5 * (unknowns + last_good);
      continue;
    }
    stands = true;
    last_good = unknowns;
    belief.emplace(knowledge.discrepancy, look->reading);
    Eigen::VectorXd move = belief->unknowns_mean(unknowns.size()) - unknowns;
    settled = std::abs(look->reading.effects_Pa.dot(move)) < kSettled_Pa;
    const double longest = move.lpNorm<Eigen::Infinity>();
    if (longest > kLongestStep) move *= kLongestStep / longest;
    if (!settled) unknowns += move;
  }
  if (!settled) {
    taken.use = stands ? Use::unsettled : Use::no_idle;
    return taken;
  }
  auto shown = reader.moved(unknowns, belief->car_mean_Pa());
  if (!shown) {
    taken.use = Use::no_idle;
    return taken;
  }
  // Somebody read it at an idle: an engine that has none there is not the one.
  if (!reader.idles(shown->unknowns)) {
    const auto foreseen = foresee(card, latents, knowledge, trust);
    if (!foreseen || !reader.idles(foreseen->likeliest)) {
      taken.use = Use::no_idle;
      return taken;
    }
    shown = reader.at_the_limit(foreseen->likeliest, *shown);
  }
  taken.use = Use::weighed;
  taken.fault_probability = belief->fault_probability();
  taken.informed = InformedEngine{*belief,
                                  shown->unknowns,
                                  complete_at(card, shown->unknowns.head(latents)),
                                  reader.coefficients(shown->unknowns),
                                  reader.idle_slopes(shown->unknowns),
                                  shown->left_Pa};
  return taken;
}

}  // namespace idlefit
