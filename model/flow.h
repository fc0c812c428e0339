#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

#include "model/constants.h"
#include "model/scalar.h"

namespace idlefit {

/// Compressible flow function of an ideal nozzle, flow = C A p0 / sqrt(R T0) * Psi(p/p0):
/// sqrt(2 g/(g-1) (r^(2/g) - r^((g+1)/g))), constant below the critical ratio.
/// `pressure_ratio` p/p0 in (0, 1]. Source: Heywood 1988, appendix C.
inline double flow_function(double pressure_ratio, double gamma) {
  const double critical = std::pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0));
  const double r = std::max(pressure_ratio, critical);
  return std::sqrt(2.0 * gamma / (gamma - 1.0) *
                   std::max(0.0, std::pow(r, 2.0 / gamma) - std::pow(r, (gamma + 1.0) / gamma)));
}

/// Below this pressure difference over the upstream pressure the flow is taken as laminar and goes
/// over to linear in the difference. Chosen: 0.4 kPa at 100 kPa, small beside what moves an idle
/// (docs/physics.md gives its effect), and what makes flow reversal smooth.
inline constexpr double kLaminarDrop = 0.004;

/// Where a flow turns, which gas it carries changes over smoothly within this share of the flow (or
/// pressure drop) below which the flow law itself is smoothed. Narrow: in that zone a flow carries
/// some gas of the side it runs to, which unmixes.
inline constexpr double kTurning = 0.1;

/// The flow function of one gamma with its laminar end, as a root times a polynomial in the drop
/// 1 - p/p0: powers are what the cycle would otherwise spend its time on. The polynomial is within
/// 1e-8 of exact.
class FlowFit {
 public:
  explicit FlowFit(double gamma);

  /// Psi and d Psi / d drop at a drop >= 0.
  struct Point {
    double psi, slope;
  };
  Point at(double drop) const {
    // Choked: the polynomial's slope is zero there too, so value and slope meet.
    if (drop >= critical_drop_) return {choked_, 0.0};
    double p = c_[kDegree], dp = 0.0;
    for (std::size_t i = kDegree; i-- > 0;) {
      dp = dp * drop + p;
      p = p * drop + c_[i];
    }
    double root, root_slope;
    if (drop > kLaminarDrop) {
      root = std::sqrt(drop);
      root_slope = 0.5 / root;
    } else {
      // Odd fifth-degree polynomial with the root's value, slope and curvature at the edge.
      static const double scale = std::sqrt(kLaminarDrop);
      const double t = drop * (1.0 / kLaminarDrop);
      const double t2 = t * t;
      root = scale * t * (1.40625 + t2 * (-0.5625 + t2 * 0.15625));
      root_slope = (scale / kLaminarDrop) * (1.40625 + t2 * (-1.6875 + t2 * 0.78125));
    }
    return {root * p, root_slope * p + root * dp};
  }

 private:
  static constexpr std::size_t kDegree = 8;
  std::array<double, kDegree + 1> c_{};
  double critical_drop_ = 0;
  double choked_ = 0;
};

/// One side of an orifice.
template <class S>
struct Side {
  S pressure_Pa;
  S density_kg_m3;
};

/// Flow through an orifice from side a to side b, kg/s, negative when it runs back.
template <class S>
struct OrificeFlow {
  S flow;
  S weight_a;  ///< 1 where the flow carries a's gas, 0 where b's, between only at equality
  /// Derivatives to the two pressures at constant densities, for an implicit time step.
  double per_pressure_a, per_pressure_b;
};

/// `area_ab`, `area_ba`: effective areas (coefficient included) in either direction, m^2. The fits
/// are those of the gas on either side.
template <class S, class A>
OrificeFlow<S> orifice_flow(const Side<S>& a, const Side<S>& b, const A& area_ab, const A& area_ba,
                            const FlowFit& fit_a, const FlowFit& fit_b) {
  using std::sqrt;
  const bool from_a = value(a.pressure_Pa) >= value(b.pressure_Pa);
  const Side<S>& up = from_a ? a : b;
  const Side<S>& down = from_a ? b : a;
  const S drop = 1.0 - down.pressure_Pa / up.pressure_Pa;
  const FlowFit::Point psi = (from_a ? fit_a : fit_b).at(value(drop));
  const S conductance = (from_a ? area_ab : area_ba) * sqrt(up.pressure_Pa * up.density_kg_m3);
  const double inverse = 1.0 / value(up.pressure_Pa);

  OrificeFlow<S> f;
  double per_up, per_down;
  constexpr double kTurningDrop = kTurning * kLaminarDrop;
  if (value(drop) < kTurningDrop) {
    // At equality both gases take part, so that nothing jumps when the flow turns.
    const S weight = smooth_step(S(0.5 + drop * (0.5 / kTurningDrop)));
    const FlowFit::Point psi_down = (from_a ? fit_b : fit_a).at(value(drop));
    const S back = (from_a ? area_ba : area_ab) * sqrt(down.pressure_Pa * down.density_kg_m3);
    f.flow = weight * (conductance * along(drop, psi.psi, psi.slope)) +
             (1.0 - weight) * (back * along(drop, psi_down.psi, psi_down.slope));
    const double w = value(weight);
    per_up =
        (w * value(conductance) * psi.slope + (1.0 - w) * value(back) * psi_down.slope) * inverse;
    per_down = -per_up;
    f.weight_a = from_a ? weight : S(1.0 - weight);
  } else {
    f.flow = conductance * along(drop, psi.psi, psi.slope);
    per_down = -value(conductance) * psi.slope * inverse;
    // sqrt(p rho) gives half the flow per pressure, the drop the rest.
    per_up = 0.5 * value(f.flow) * inverse - per_down * (1.0 - value(drop));
    f.weight_a = S(from_a ? 1.0 : 0.0);
  }
  f.per_pressure_a = from_a ? per_up : -per_down;
  f.per_pressure_b = from_a ? per_down : -per_up;
  if (!from_a) f.flow = -f.flow;
  return f;
}

}  // namespace idlefit
