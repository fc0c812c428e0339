#pragma once

#include <Eigen/Core>
#include <cmath>

namespace idlefit {

/// A dual number for the cycle: value and what is worked out from it in double, N derivatives in
/// float. Their seven digits are more than the steps leave of them, and twice as many go through a
/// vector register, which is where the time of a gradient goes (docs/decisions/0006-speed.md).
/// Arithmetic and functions as of ceres::Jet, which the laws take alike.
template <int N>
struct Dual {
  // Whole vector registers: Eigen vectorises no odd sizes.
  using Slopes = Eigen::Array<float, (N + 7) / 8 * 8, 1>;

  double a;
  Slopes v;

  Dual() : a(0.0), v(Slopes::Zero()) {}
  Dual(double value) : a(value), v(Slopes::Zero()) {}  // a constant, as for ceres::Jet
  /// The k-th independent variable.
  Dual(double value, int k) : Dual(value) { v[k] = 1.0F; }
  template <class Derived>
  Dual(double value, const Eigen::ArrayBase<Derived>& slopes) : a(value), v(slopes) {}

  Dual& operator+=(const Dual& y) {
    a += y.a;
    v += y.v;
    return *this;
  }
  Dual& operator-=(const Dual& y) {
    a -= y.a;
    v -= y.v;
    return *this;
  }
  Dual& operator*=(const Dual& y) { return *this = *this * y; }
  Dual& operator/=(const Dual& y) { return *this = *this / y; }
  Dual& operator+=(double y) {
    a += y;
    return *this;
  }
  Dual& operator-=(double y) {
    a -= y;
    return *this;
  }
  Dual& operator*=(double y) { return *this = *this * y; }
  Dual& operator/=(double y) { return *this = *this / y; }

  friend Dual operator+(const Dual& x) { return x; }
  friend Dual operator-(const Dual& x) { return {-x.a, -x.v}; }
  friend Dual operator+(const Dual& x, const Dual& y) { return {x.a + y.a, x.v + y.v}; }
  friend Dual operator+(const Dual& x, double y) { return {x.a + y, x.v}; }
  friend Dual operator+(double x, const Dual& y) { return {x + y.a, y.v}; }
  friend Dual operator-(const Dual& x, const Dual& y) { return {x.a - y.a, x.v - y.v}; }
  friend Dual operator-(const Dual& x, double y) { return {x.a - y, x.v}; }
  friend Dual operator-(double x, const Dual& y) { return {x - y.a, -y.v}; }
  friend Dual operator*(const Dual& x, const Dual& y) {
    return {x.a * y.a, static_cast<float>(y.a) * x.v + static_cast<float>(x.a) * y.v};
  }
  friend Dual operator*(const Dual& x, double y) { return {x.a * y, static_cast<float>(y) * x.v}; }
  friend Dual operator*(double x, const Dual& y) { return y * x; }
  friend Dual operator/(const Dual& x, const Dual& y) {
    const double inverse = 1.0 / y.a, quotient = x.a * inverse;
    return {quotient,
            static_cast<float>(inverse) * x.v - static_cast<float>(quotient * inverse) * y.v};
  }
  friend Dual operator/(const Dual& x, double y) { return x * (1.0 / y); }
  friend Dual operator/(double x, const Dual& y) {
    const double inverse = 1.0 / y.a;
    return {x * inverse, static_cast<float>(-x * inverse * inverse) * y.v};
  }
};

/// A function of one variable from its value and slope there, both worked out in double.
template <int N>
Dual<N> along(const Dual<N>& x, double f, double slope) {
  return {f, static_cast<float>(slope) * x.v};
}

template <int N>
double value(const Dual<N>& x) {
  return x.a;
}
template <int N>
Dual<N> with_value(const Dual<N>& x, double a) {
  return {a, x.v};
}
template <int N>
Dual<N> power(const Dual<N>& x, double exponent) {
  const double y = std::pow(x.a, exponent);
  return along(x, y, exponent * y / x.a);
}
template <int N>
Dual<N> sqrt(const Dual<N>& x) {
  const double root = std::sqrt(x.a);
  return along(x, root, 0.5 / root);
}
template <int N>
Dual<N> exp(const Dual<N>& x) {
  const double y = std::exp(x.a);
  return along(x, y, y);
}
template <int N>
Dual<N> log(const Dual<N>& x) {
  return along(x, std::log(x.a), 1.0 / x.a);
}
template <int N>
Dual<N> sin(const Dual<N>& x) {
  return along(x, std::sin(x.a), std::cos(x.a));
}
template <int N>
Dual<N> cos(const Dual<N>& x) {
  return along(x, std::cos(x.a), -std::sin(x.a));
}
template <int N>
Dual<N> pow(const Dual<N>& x, const Dual<N>& exponent) {
  return exp(exponent * log(x));
}

}  // namespace idlefit

template <int N>
struct Eigen::NumTraits<idlefit::Dual<N>> : Eigen::NumTraits<double> {
  using Real = idlefit::Dual<N>;
  using NonInteger = idlefit::Dual<N>;
  using Nested = idlefit::Dual<N>;
  using Literal = double;
  enum {
    IsComplex = 0,
    IsInteger = 0,
    IsSigned = 1,
    RequireInitialization = 1,
    ReadCost = 1,
    AddCost = 1,
    MulCost = 3
  };
};
