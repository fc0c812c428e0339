#include "model/flow.h"

#include <Eigen/LU>

namespace idlefit {

FlowFit::FlowFit(double gamma) {
  critical_drop_ = 1.0 - std::pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0));
  choked_ = flow_function(0.0, gamma);
  // Interpolation of Psi / sqrt(drop) at Chebyshev points of the drop over the critical one. At
  // drop 0 its limit is sqrt(2).
  constexpr int kPoints = static_cast<int>(kDegree) + 1;
  using Values = Eigen::Matrix<double, kPoints, 1>;
  static const Values points = [] {
    Values t;
    for (int i = 0; i < kPoints; ++i) t[i] = 0.5 * (1.0 - std::cos(kPi * i / (kPoints - 1)));
    return t;
  }();
  static const Eigen::Matrix<double, kPoints, kPoints> from_values = [] {
    Eigen::Matrix<double, kPoints, kPoints> powers;
    for (int i = 0; i < kPoints; ++i)
      for (int j = 0; j < kPoints; ++j) powers(i, j) = std::pow(points[i], j);
    return Eigen::Matrix<double, kPoints, kPoints>(powers.fullPivLu().inverse());
  }();
  Values values;
  for (int i = 0; i < kPoints; ++i) {
    const double drop = points[i] * critical_drop_;
    values[i] = i == 0 ? std::sqrt(2.0) : flow_function(1.0 - drop, gamma) / std::sqrt(drop);
  }
  const Values c = from_values * values;
  double scale = 1.0;
  for (int j = 0; j < kPoints; ++j, scale /= critical_drop_)
    c_[static_cast<std::size_t>(j)] = c[j] * scale;
}

}  // namespace idlefit
