#include "fit/predictions.h"

#include <cmath>

#include "model/batch.h"
#include "model/idle.h"

namespace idlefit {
namespace {

constexpr double kRoughMesh = 0.5;  // off by some 0.1 kPa, which the last rounds take back

}  // namespace

Predictions::Predictions(const PointSet& set, unsigned threads)
    : set_(set),
      threads_(threads),
      points_of_engine_(set.engines.size()),
      states_(set.engines.size()),
      values_(set.points.size()),
      by_coefficient_(set.points.size()),
      by_latent_(set.points.size()),
      reasons_(set.engines.size()) {
  for (std::size_t i = 0; i < set.points.size(); ++i)
    points_of_engine_[set.points[i].engine].push_back(i);
}

bool Predictions::evaluate(const Coefficients<double>& coefficients,
                           const std::vector<Eigen::VectorXd>& car_latents, Accuracy accuracy) {
  constexpr auto kInputs = static_cast<Eigen::Index>(kInputCount);
  constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);
  constexpr auto kFriction = static_cast<Eigen::Index>(Coefficient::friction);
  std::vector<char> solved(set_.engines.size(), 0);
  for_each_index(set_.engines.size(), threads_, [&](std::size_t e) {
    const FitEngine& fit_engine = set_.engines[e];
    if (points_of_engine_[e].empty()) {
      solved[e] = 1;
      return;
    }
    Engine engine = fit_engine.engine;
    if (!fit_engine.latents.empty()) {
      Eigen::VectorXd latent(static_cast<Eigen::Index>(fit_engine.latents.size()));
      for (Eigen::Index j = 0; j < latent.size(); ++j) {
        latent[j] =
            car_latents[fit_engine.car]
                       [static_cast<Eigen::Index>(fit_engine.latents[static_cast<std::size_t>(j)])];
      }
      const Eigen::VectorXd moved = fit_engine.input_per_latent * latent;
      for (std::size_t i = 0; i < kInputCount; ++i)
        input_ref(engine.inputs, i) += moved[static_cast<Eigen::Index>(i)];
    }
    Coefficients<double> own = coefficients;
    own.friction *= fit_engine.friction_factor;
    SolveOptions options;
    options.gradient = true;
    options.start = states_[e];
    options.settled = accuracy == Accuracy::fine;
    if (accuracy == Accuracy::rough) {
      options.mesh = kRoughMesh;
      options.one_of_many = true;
    }
    const SolveResult at = fit_engine.map_Pa
                               ? solve_at_map(engine, own, *fit_engine.map_Pa, options)
                               : solve_idle(engine, own, options);
    reasons_[e] = at.reason;
    if (!at.balanced || !at.gradient) return;
    states_[e] = at.state;
    for (const std::size_t i : points_of_engine_[e]) {
      const ParameterGradient g = quantity_gradient(*at.gradient, set_.points[i].quantity);
      values_[i] = quantity_value(at.point, set_.points[i].quantity);
      by_coefficient_[i] = g.tail<kCoefficients>();
      by_coefficient_[i][kFriction] *= fit_engine.friction_factor;
      by_latent_[i] = fit_engine.input_per_latent.transpose() * g.head<kInputs>();
      if (!std::isfinite(values_[i]) || !by_coefficient_[i].allFinite() ||
          !by_latent_[i].allFinite())
        return;
    }
    solved[e] = 1;
  });
  failed_.clear();
  for (std::size_t e = 0; e < solved.size(); ++e) {
    if (solved[e] == 0) failed_.push_back(e);
  }
  return failed_.empty();
}

}  // namespace idlefit
