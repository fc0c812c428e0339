#pragma once

#include <random>

namespace idlefit::test {

/// Random numbers whose sequence does not hang on the standard library.
class Random {
 public:
  explicit Random(unsigned seed) : generator_(seed) {}
  double uniform(double low = 0, double high = 1);
  double normal();
  double student();  ///< kStudentDegrees degrees of freedom, scale 1

 private:
  std::mt19937 generator_;
};

}  // namespace idlefit::test
