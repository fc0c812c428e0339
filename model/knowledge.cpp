#include "model/knowledge.h"

#include <cmath>

namespace idlefit {

double Discrepancy::rms_scale_Pa() const {
  double square = 0;
  for (const Node& node : nodes) square += node.weight * node.scale_Pa * node.scale_Pa;
  return std::sqrt(square);
}

CoefficientKnowledge prior_knowledge() {
  CoefficientKnowledge prior;
  prior.covariance.setZero();
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const auto i = static_cast<Eigen::Index>(k);
    prior.covariance(i, i) = kCoefficientInfo[k].prior_sd * kCoefficientInfo[k].prior_sd;
  }
  // Nine equal slices of the half-normal law, each by its middle: the quantiles of the normal law
  // at 1/2 + (2 i + 1) / 36 (any table of it).
  for (const double quantile :
       {0.069685, 0.210428, 0.355490, 0.508488, 0.674490, 0.861634, 1.085325, 1.382994, 1.914506}) {
    prior.discrepancy.nodes.push_back({quantile * kDiscrepancyPrior_Pa, 1.0 / 9.0});
  }
  return prior;
}

}  // namespace idlefit
