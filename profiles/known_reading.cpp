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

// Coefficients at so many prior deviations from their means, within their bounds.
Coefficients<double> coefficients_at(const Eigen::VectorXd& deviations) {
  Coefficients<double> c;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    coefficient_ref(c, k) =
        std::clamp(info.prior_mean + info.prior_sd * deviations[static_cast<Eigen::Index>(k)],
                   info.lower, info.upper);
  }
  return c;
}

}  // namespace

std::optional<InformedEngine> inform_by_reading(const EngineCard& card,
                                                const Completion& completion) {
  constexpr Eigen::Index coefficients = static_cast<Eigen::Index>(kCoefficientCount);
  const Eigen::Index latents = static_cast<Eigen::Index>(completion.latent_keys.size());
  // The barometer is not the same at every altitude: the reading is a vacuum, what is compared is
  // the vacuum too, and only its dependence on the barometer enters beside that of MAP.
  const double vacuum_Pa = card.known.vacuum_Pa.value();
  const double variance_Pa2 = kVacuumReadingSd_Pa * kVacuumReadingSd_Pa;

  InformedEngine informed;
  Eigen::VectorXd unknowns = Eigen::VectorXd::Zero(latents + coefficients);
  Eigen::VectorXd last_good = unknowns;
  bool settled = false;
  for (int step = 0; step < kStepsAtMost && !settled; ++step) {
    const Eigen::VectorXd latent = unknowns.head(latents);
    const SolveResult at =
        solve_idle(known_engine_at(card, latent), coefficients_at(unknowns.tail(coefficients)),
                   {.gradient = true});
    if (!at.balanced || !at.gradient) {
      if (step == 0) return std::nullopt;
      unknowns = 0.5 * (unknowns + last_good);
      continue;
    }
    last_good = unknowns;
    PointGradient less_vacuum = *at.gradient;
    less_vacuum.map_Pa[static_cast<Eigen::Index>(Input::barometer_Pa)] -= 1.0;
    const Eigen::VectorXd j =
        unknown_effects_Pa(less_vacuum, slopes(card, latent, known_engine_at));
    const double difference_Pa = (at.point.barometer_Pa - at.point.map_Pa) - vacuum_Pa;
    const double spread_Pa2 = j.squaredNorm() + variance_Pa2;
    if (step == 0) {
      informed.surprise_Pa = difference_Pa;
      informed.surprise_sd_Pa = std::sqrt(spread_Pa2);
    }
    informed.reading = {j, kVacuumReadingSd_Pa};
    const Eigen::VectorXd next = j * ((difference_Pa + j.dot(unknowns)) / spread_Pa2);
    Eigen::VectorXd move = next - unknowns;
    settled = std::abs(j.dot(move)) < kSettled_Pa;
    const double longest = move.lpNorm<Eigen::Infinity>();
    if (longest > kLongestStep) move *= kLongestStep / longest;
    if (!settled) unknowns += move;
  }
  if (!settled) return std::nullopt;
  informed.engine = complete_at(card, unknowns.head(latents));
  informed.coefficients = coefficients_at(unknowns.tail(coefficients));
  informed.input_per_latent = slopes(card, unknowns.head(latents), complete_at);
  return informed;
}

}  // namespace idlefit
