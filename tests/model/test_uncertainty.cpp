#include "model/uncertainty.h"

#include <Eigen/LU>
#include <catch2/catch.hpp>
#include <cmath>

namespace idlefit {
namespace {

constexpr auto row(Input input) { return static_cast<Eigen::Index>(input); }
constexpr auto column(Coefficient c) {
  return static_cast<Eigen::Index>(kInputCount) + static_cast<Eigen::Index>(c);
}

// Two latent variables, one of which moves two inputs at once, and one coefficient.
struct Case {
  PointGradient gradient;
  Eigen::MatrixXd input_per_latent =
      Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(kInputCount), 2);
  Case() {
    gradient.map_Pa[row(Input::intake_duration_050_deg)] = 300;
    gradient.map_Pa[row(Input::lobe_separation_deg)] = -500;
    gradient.map_Pa[row(Input::speed_rpm)] = 4;
    gradient.map_Pa[column(Coefficient::friction)] =
        12'000 / kCoefficientInfo[static_cast<std::size_t>(Coefficient::friction)].prior_sd;
    input_per_latent(row(Input::intake_duration_050_deg), 0) = 10;  // + 3000 Pa
    input_per_latent(row(Input::lobe_separation_deg), 0) = -2;      // + 1000 Pa
    input_per_latent(row(Input::speed_rpm), 1) = -750;              // - 3000 Pa
  }
};

// Rounding of a few sums and roots of numbers of order 1e4.
constexpr double kRounding_Pa = 1e-8;

TEST_CASE("effects of one latent variable add before they are squared", "[closed-form]") {
  const Case c;
  const MapUncertainty u = map_uncertainty(unknown_effects_Pa(c.gradient, c.input_per_latent));
  REQUIRE(u.latent_effect_Pa.size() == 2);
  CHECK(u.latent_effect_Pa[0] == Approx(4000).margin(kRounding_Pa));
  CHECK(u.latent_effect_Pa[1] == Approx(-3000).margin(kRounding_Pa));
  // 3-4-5 and 5-12-13 triangles.
  CHECK(u.latent_effect_Pa.norm() == Approx(5000).margin(kRounding_Pa));
  CHECK(u.coefficients_sd_Pa == Approx(12'000).margin(kRounding_Pa));
  CHECK(u.sd_Pa == Approx(13'000).margin(kRounding_Pa));
}

TEST_CASE("a known latent variable leaves the others", "[closed-form]") {
  const Case c;
  const MapUncertainty u = map_uncertainty(unknown_effects_Pa(c.gradient, c.input_per_latent));
  CHECK(sd_removed_Pa(u, 0) ==
        Approx(13'000 - std::sqrt(3000. * 3000 + 12'000. * 12'000)).margin(kRounding_Pa));
}

TEST_CASE("the only unknown leaves nothing", "[closed-form]") {
  Case c;
  c.gradient.map_Pa[column(Coefficient::friction)] = 0;
  const MapUncertainty u =
      map_uncertainty(unknown_effects_Pa(c.gradient, c.input_per_latent.leftCols(1)));
  CHECK(u.sd_Pa == Approx(4000).margin(kRounding_Pa));
  CHECK(sd_removed_Pa(u, 0) == Approx(4000).margin(kRounding_Pa));
}

TEST_CASE("nothing unknown but the coefficients", "[closed-form]") {
  const Case c;
  const MapUncertainty u = map_uncertainty(unknown_effects_Pa(
      c.gradient, Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(kInputCount), 0)));
  CHECK(u.latent_effect_Pa.size() == 0);
  CHECK(u.sd_Pa == Approx(12'000).margin(kRounding_Pa));
}

TEST_CASE("a reading of the same quantity", "[closed-form]") {
  // Prior and reading of one number: 1 / variance = 1 / 13000^2 + 1 / sd^2.
  const Case c;
  const MapReading reading{unknown_effects_Pa(c.gradient, c.input_per_latent), 5000};
  const MapUncertainty u = map_uncertainty(reading.effects_Pa, &reading);
  CHECK(u.sd_Pa == Approx(1 / std::sqrt(1 / 13'000. / 13'000 + 1 / 5000. / 5000)));
}

TEST_CASE("a reading of something else teaches nothing", "[closed-form]") {
  const Case c;
  const Eigen::VectorXd effects_Pa = unknown_effects_Pa(c.gradient, c.input_per_latent);
  MapReading reading{Eigen::VectorXd::Zero(effects_Pa.size()), 1000};
  reading.effects_Pa[0] = 3000;  // at right angles to the first two effects, 4000 and -3000
  reading.effects_Pa[1] = 4000;
  const MapUncertainty u = map_uncertainty(effects_Pa, &reading);
  CHECK(u.sd_Pa == Approx(13'000).margin(kRounding_Pa));
}

TEST_CASE("what is learnt from a reading agrees with Bayes' rule on the whole matrix",
          "[closed-form]") {
  // Posterior covariance (1 + j j' / s^2)^-1, inverted by the library; to its rounding.
  const Case c;
  const Eigen::VectorXd g = unknown_effects_Pa(c.gradient, c.input_per_latent);
  const Eigen::Index n = g.size();
  MapReading reading{Eigen::VectorXd::LinSpaced(n, -2000, 3000), 1700};
  const Eigen::VectorXd& j = reading.effects_Pa;
  const Eigen::MatrixXd p =
      (Eigen::MatrixXd::Identity(n, n) + j * j.transpose() / (1700. * 1700)).inverse();
  const MapUncertainty u = map_uncertainty(g, &reading);
  CHECK(u.sd_Pa == Approx(std::sqrt(g.dot(p * g))).epsilon(1e-9));
  // Knowing one unknown leaves the variance less its covariance squared over its variance.
  const double left = g.dot(p * g) - std::pow((p * g)[1], 2) / p(1, 1);
  CHECK(sd_removed_Pa(u, 1) == Approx(u.sd_Pa - std::sqrt(left)).epsilon(1e-6));
  const Eigen::Index k = static_cast<Eigen::Index>(kCoefficientCount);
  CHECK(u.coefficients_sd_Pa ==
        Approx(std::sqrt(g.tail(k).dot(p.bottomRightCorner(k, k) * g.tail(k)))).epsilon(1e-9));
}

TEST_CASE("a tenth of the normal distribution lies beyond each end of the interval",
          "[closed-form]") {
  const PressureInterval i = interval_80(50'000, 2000);
  // Normal distribution function by the error function of the standard library, good to 1e-15.
  const auto below = [](double x_Pa) {
    return 0.5 * std::erfc(-(x_Pa - 50'000) / 2000 / std::sqrt(2.0));
  };
  CHECK(below(i.low_Pa) == Approx(0.1).margin(1e-12));
  CHECK(below(i.high_Pa) == Approx(0.9).margin(1e-12));
}

}  // namespace
}  // namespace idlefit
