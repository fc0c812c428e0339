#pragma once

#include <cmath>
#include <stdexcept>

namespace idlefit {

/// A number for JSON, which has no other than finite ones; else a mistake of the program.
inline double finite(double value) {
  if (!std::isfinite(value)) throw std::logic_error("a number of an answer is not finite");
  return value;
}

}  // namespace idlefit
