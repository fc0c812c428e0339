#include "model/flow.h"

#include <Eigen/LU>

namespace idlefit {

FlowFit::FlowFit(double gamma) {
  critical_drop_ = 1.0 - std::pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0));
  choked_ = flow_function(0.0, gamma);
  // Interpolation of Psi / sqrt(drop) at Chebyshev points. At drop 0 its limit is sqrt(2).
  constexpr int kPoints = static_cast<int>(kDegree) + 1;
  Eigen::Matrix<double, kPoints, kPoints> powers;
  Eigen::Matrix<double, kPoints, 1> values;
  for (int i = 0; i < kPoints; ++i) {
    const double t = 0.5 * (1.0 - std::cos(kPi * i / (kPoints - 1)));
    const double drop = t * critical_drop_;
    values[i] = i == 0 ? std::sqrt(2.0) : flow_function(1.0 - drop, gamma) / std::sqrt(drop);
    for (int j = 0; j < kPoints; ++j) powers(i, j) = std::pow(t, j);
  }
  const Eigen::Matrix<double, kPoints, 1> c = powers.fullPivLu().solve(values);
  double scale = 1.0;
  for (int j = 0; j < kPoints; ++j, scale /= critical_drop_)
    c_[static_cast<std::size_t>(j)] = c[j] * scale;
}

}  // namespace idlefit
