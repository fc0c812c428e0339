#include "model/uncertainty.h"

#include <algorithm>
#include <cassert>
#include <cmath>

namespace idlefit {

Eigen::VectorXd unknown_effects_Pa(const PointGradient& gradient,
                                   const Eigen::MatrixXd& input_per_latent) {
  constexpr Eigen::Index inputs = static_cast<Eigen::Index>(kInputCount);
  constexpr Eigen::Index coefficients = static_cast<Eigen::Index>(kCoefficientCount);
  assert(input_per_latent.rows() == inputs);
  const Eigen::Index latents = input_per_latent.cols();
  Eigen::VectorXd effects_Pa(latents + coefficients);
  effects_Pa.head(latents) = input_per_latent.transpose() * gradient.map_Pa.head<inputs>();
  for (Eigen::Index k = 0; k < coefficients; ++k) {
    effects_Pa[latents + k] =
        gradient.map_Pa[inputs + k] * kCoefficientInfo[static_cast<std::size_t>(k)].prior_sd;
  }
  return effects_Pa;
}

MapUncertainty map_uncertainty(const Eigen::VectorXd& effects_Pa, const MapReading* reading) {
  constexpr Eigen::Index coefficients = static_cast<Eigen::Index>(kCoefficientCount);
  const Eigen::Index latents = effects_Pa.size() - coefficients;
  Eigen::VectorXd covariance_Pa = effects_Pa;  // of each unknown with MAP
  Eigen::VectorXd variance = Eigen::VectorXd::Ones(effects_Pa.size());
  double coefficients_variance = effects_Pa.tail(coefficients).squaredNorm();
  if (reading != nullptr) {
    const Eigen::VectorXd& j = reading->effects_Pa;
    const double spread = j.squaredNorm() + reading->sd_Pa * reading->sd_Pa;
    covariance_Pa -= j * (j.dot(effects_Pa) / spread);
    variance -= j.cwiseAbs2() / spread;
    coefficients_variance -=
        std::pow(j.tail(coefficients).dot(effects_Pa.tail(coefficients)), 2) / spread;
  }
  MapUncertainty u;
  u.sd_Pa = std::sqrt(std::max(0.0, effects_Pa.dot(covariance_Pa)));
  u.coefficients_sd_Pa = std::sqrt(std::max(0.0, coefficients_variance));
  u.latent_effect_Pa =
      covariance_Pa.head(latents).cwiseQuotient(variance.head(latents).cwiseSqrt());
  return u;
}

double sd_removed_Pa(const MapUncertainty& uncertainty, Eigen::Index latent) {
  const double effect_Pa = uncertainty.latent_effect_Pa[latent];
  // Rounding can bring the difference a hair below zero where this is the only unknown.
  const double rest = std::max(0.0, uncertainty.sd_Pa * uncertainty.sd_Pa - effect_Pa * effect_Pa);
  return uncertainty.sd_Pa - std::sqrt(rest);
}

PressureInterval interval_80(double center_Pa, double sd_Pa) {
  return {center_Pa - kQuantile90 * sd_Pa, center_Pa + kQuantile90 * sd_Pa};
}

}  // namespace idlefit
