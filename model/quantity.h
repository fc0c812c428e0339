#pragma once

#include "model/idle.h"

namespace idlefit {

/// What can be measured on a warm engine, each in the unit that the physics uses.
enum class Quantity {
  map,       ///< manifold pressure at idle, Pa absolute
  vacuum,    ///< barometer less manifold pressure at idle, Pa
  ve,        ///< OperatingPoint::ve_manifold
  air,       ///< dry air, whole engine, kg/s
  fuel,      ///< whole engine, kg/s
  residual,  ///< OperatingPoint::residual_fraction
};

/// The model's value of a quantity at a solved point.
double quantity_value(const OperatingPoint& point, Quantity quantity);

/// Its derivatives to every input and coefficient.
ParameterGradient quantity_gradient(const PointGradient& gradient, Quantity quantity);

}  // namespace idlefit
