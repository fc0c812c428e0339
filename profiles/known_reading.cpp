#include "profiles/known_reading.h"

#include <algorithm>
#include <cmath>

#include "model/idle.h"

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
  Reader(const EngineCard& card, Eigen::Index latents, const CoefficientKnowledge& knowledge)
      : card_(card), latents_(latents), coefficients_(knowledge) {}

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
    look.reading.sd_Pa = kVacuumReadingSd_Pa;
    look.difference_Pa = (at.point.barometer_Pa - at.point.map_Pa) - card_.known.vacuum_Pa.value();
    look.reading.surprise_Pa = look.difference_Pa + look.reading.effects_Pa.dot(unknowns);
    return look;
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
  std::optional<SolvedState> start_;
};

}  // namespace

std::optional<InformedEngine> inform_by_reading(const EngineCard& card,
                                                const Completion& completion,
                                                const CoefficientKnowledge& knowledge) {
  constexpr Eigen::Index coefficients = static_cast<Eigen::Index>(kCoefficientCount);
  const Eigen::Index latents = static_cast<Eigen::Index>(completion.latent_keys.size());
  Reader reader(card, latents, knowledge);

  Eigen::VectorXd unknowns = Eigen::VectorXd::Zero(latents + coefficients);
  Eigen::VectorXd last_good = unknowns;
  std::optional<EngineBelief> belief;
  double surprise_Pa = 0, surprise_chance = 1;
  bool settled = false;
  for (int step = 0; step < kStepsAtMost && !settled; ++step) {
    const auto look = reader.look(unknowns);
    if (!look) {
      if (step == 0) return std::nullopt;
      unknowns = 0.5 * (unknowns + last_good);
      continue;
    }
    last_good = unknowns;
    belief.emplace(knowledge.discrepancy, look->reading);
    if (step == 0) {
      surprise_Pa = look->difference_Pa;
      surprise_chance = belief->chance_of_surprise();
    }
    Eigen::VectorXd move = belief->unknowns_mean(unknowns.size()) - unknowns;
    settled = std::abs(look->reading.effects_Pa.dot(move)) < kSettled_Pa;
    const double longest = move.lpNorm<Eigen::Infinity>();
    if (longest > kLongestStep) move *= kLongestStep / longest;
    if (!settled) unknowns += move;
  }
  if (!settled) return std::nullopt;
  const auto shown = reader.moved(unknowns, belief->car_mean_Pa());
  if (!shown) return std::nullopt;
  return InformedEngine{*belief,
                        shown->unknowns,
                        complete_at(card, shown->unknowns.head(latents)),
                        reader.coefficients(shown->unknowns),
                        reader.idle_slopes(shown->unknowns),
                        shown->left_Pa,
                        surprise_Pa,
                        surprise_chance};
}

}  // namespace idlefit
