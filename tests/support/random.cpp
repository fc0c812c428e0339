#include "tests/support/random.h"

#include <cmath>

#include "model/constants.h"
#include "model/knowledge.h"

namespace idlefit::test {

double Random::uniform(double low, double high) {
  return low + (high - low) * (static_cast<double>(generator_()) + 0.5) / 4294967296.0;
}

double Random::normal() {  // Box and Muller
  const double radius = std::sqrt(-2.0 * std::log(uniform()));
  return radius * std::cos(2.0 * kPi * uniform());
}

double Random::student() {
  // A normal number over the root of a chi-square with n degrees over n; for even n that is a sum
  // of n / 2 exponential numbers, twice.
  static_assert(kStudentDegrees == 4.0);
  const double z = normal();
  return z / std::sqrt(-0.5 * (std::log(uniform()) + std::log(uniform())));
}

}  // namespace idlefit::test
