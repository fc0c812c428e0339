#include "model/quantity.h"

#include <stdexcept>

namespace idlefit {

double quantity_value(const OperatingPoint& point, Quantity quantity) {
  switch (quantity) {
    case Quantity::map:
      return point.map_Pa;
    case Quantity::vacuum:
      return point.barometer_Pa - point.map_Pa;
    case Quantity::ve:
      return point.ve_manifold;
    case Quantity::air:
      return point.air_kg_s;
    case Quantity::fuel:
      return point.fuel_kg_s;
    case Quantity::residual:
      return point.residual_fraction;
  }
  throw std::logic_error("unknown quantity");
}

ParameterGradient quantity_gradient(const PointGradient& gradient, Quantity quantity) {
  switch (quantity) {
    case Quantity::map:
      return gradient.map_Pa;
    case Quantity::vacuum: {
      ParameterGradient g = -gradient.map_Pa;
      g[static_cast<Eigen::Index>(Input::barometer_Pa)] += 1.0;
      return g;
    }
    case Quantity::ve:
      return gradient.ve_manifold;
    case Quantity::air:
      return gradient.air_kg_s;
    case Quantity::fuel:
      return gradient.fuel_kg_s;
    case Quantity::residual:
      return gradient.residual_fraction;
  }
  throw std::logic_error("unknown quantity");
}

}  // namespace idlefit
