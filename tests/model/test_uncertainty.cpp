#include "model/uncertainty.h"

#include <gsl/gsl_cdf.h>

#include <Eigen/LU>
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

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

// The prior of the coefficients, of which each number moves one by its prior deviation.
const CoefficientUnknowns& prior() {
  static const CoefficientUnknowns unknowns(prior_knowledge());
  return unknowns;
}
Eigen::VectorXd effects(const Case& c) {
  return unknown_effects_Pa(c.gradient, c.input_per_latent, prior());
}
const EngineBelief kNoDiscrepancy{Discrepancy{}};

Discrepancy one_scale(double scale_Pa) { return {{{scale_Pa, 1.0}}}; }

// Rounding of a few sums and roots of numbers of order 1e4.
constexpr double kRounding_Pa = 1e-8;

TEST_CASE("effects of one latent variable add before they are squared", "[closed-form]") {
  const MapUncertainty u(effects(Case()), kNoDiscrepancy);
  REQUIRE(u.latent_effect_Pa.size() == 2);
  CHECK(u.latent_effect_Pa[0] == Approx(4000).margin(kRounding_Pa));
  CHECK(u.latent_effect_Pa[1] == Approx(-3000).margin(kRounding_Pa));
  // 3-4-5 and 5-12-13 triangles.
  CHECK(u.latent_effect_Pa.norm() == Approx(5000).margin(kRounding_Pa));
  CHECK(u.coefficients_sd_Pa == Approx(12'000).margin(kRounding_Pa));
  CHECK(u.discrepancy_sd_Pa == 0);
  CHECK(u.sd_Pa == Approx(13'000).margin(kRounding_Pa));
}

TEST_CASE("a known latent variable leaves the others", "[closed-form]") {
  const MapUncertainty u(effects(Case()), kNoDiscrepancy);
  CHECK(sd_removed_Pa(u, 0) ==
        Approx(13'000 - std::sqrt(3000. * 3000 + 12'000. * 12'000)).margin(kRounding_Pa));
}

TEST_CASE("the only unknown leaves nothing", "[closed-form]") {
  Case c;
  c.gradient.map_Pa[column(Coefficient::friction)] = 0;
  const MapUncertainty u(unknown_effects_Pa(c.gradient, c.input_per_latent.leftCols(1), prior()),
                         kNoDiscrepancy);
  CHECK(u.sd_Pa == Approx(4000).margin(kRounding_Pa));
  CHECK(sd_removed_Pa(u, 0) == Approx(4000).margin(kRounding_Pa));
}

TEST_CASE("nothing unknown but the coefficients", "[closed-form]") {
  const Case c;
  const MapUncertainty u(
      unknown_effects_Pa(c.gradient,
                         Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(kInputCount), 0), prior()),
      kNoDiscrepancy);
  CHECK(u.latent_effect_Pa.size() == 0);
  CHECK(u.sd_Pa == Approx(12'000).margin(kRounding_Pa));
}

// --- The coefficients

TEST_CASE("numbers behind the coefficients have their covariance", "[closed-form]") {
  constexpr auto n = static_cast<Eigen::Index>(kCoefficientCount);
  CoefficientKnowledge knowledge = prior_knowledge();
  const CoefficientCovariance independent = knowledge.covariance;
  for (Eigen::Index i = 0; i < n; ++i)  // coefficient i from number i
    for (Eigen::Index k = 0; k < n; ++k)
      CHECK(prior().factor()(i, k) ==
            (i == k ? Approx(std::sqrt(independent(i, i))) : Approx(0).margin(1e-15)));
  // Correlated, of units five decades apart; then of rank 5 only, then with a coefficient known.
  std::mt19937_64 generator(7);
  std::normal_distribution<double> normal;
  for (const int rank : {30, 5}) {
    Eigen::MatrixXd spread(n, rank);
    for (double& x : spread.reshaped()) x = normal(generator);
    const CoefficientCovariance covariance =
        independent.cwiseSqrt() * spread * spread.transpose() * independent.cwiseSqrt() / rank;
    for (const bool one_known : {false, true}) {
      knowledge.covariance = covariance;
      if (one_known) {
        knowledge.covariance.row(3).setZero();
        knowledge.covariance.col(3).setZero();
      }
      const CoefficientCovariance factor = CoefficientUnknowns(knowledge).factor();
      const CoefficientCovariance again = factor * factor.transpose();
      for (Eigen::Index i = 0; i < n; ++i) {
        for (Eigen::Index k = 0; k < n; ++k) {
          // Rounding of a factor whose pivots fall to 0.
          const double scale = std::sqrt(covariance(i, i) * covariance(k, k));
          CHECK(again(i, k) == Approx(knowledge.covariance(i, k)).margin(1e-12 * scale));
        }
      }
    }
  }
}

TEST_CASE("coefficients keep to their bounds", "[closed-form]") {
  Eigen::VectorXd numbers = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(kCoefficientCount));
  const Coefficients<double> mean = prior().at(numbers);
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    const auto i = static_cast<Eigen::Index>(k);
    CHECK(coefficient_value(mean, k) == info.prior_mean);
    numbers.setZero();
    numbers[i] = -0.5;
    CHECK(coefficient_value(prior().at(numbers), k) ==
          Approx(std::max(info.lower, info.prior_mean - 0.5 * info.prior_sd)));
    numbers[i] = 100;
    CHECK(coefficient_value(prior().at(numbers), k) == info.upper);
    numbers[i] = -100;
    CHECK(coefficient_value(prior().at(numbers), k) == info.lower);
  }
}

// --- Student's t

TEST_CASE("without a discrepancy the interval is the normal law's", "[closed-form]") {
  const Eigen::VectorXd g = effects(Case());
  for (const Discrepancy& none : {Discrepancy{}, one_scale(0)}) {
    const Predictive p = EngineBelief(none).predict(50'000, g);
    const PressureInterval i = interval_80(p, 101'325);
    CHECK(i.low_Pa == Approx(50'000 - kQuantile90 * 13'000));
    CHECK(i.high_Pa == Approx(50'000 + kQuantile90 * 13'000));
    CHECK(p.mean_Pa() == Approx(50'000));
    CHECK(p.sd_Pa() == Approx(13'000));
  }
}

TEST_CASE("a mixture of normal laws stands for Student's t", "[closed-form]") {
  // Against GSL; within 0.5 % is what the header promises of 10 and 90 %. The median half of the
  // law and the far tail, of which nothing is promised, are held to 1 and 5 %.
  const Eigen::VectorXd nothing = 0 * effects(Case());
  for (const double scale_Pa : {3.0, 2500.0}) {
    const Predictive p = EngineBelief(one_scale(scale_Pa)).predict(0, nothing);
    CHECK(p.sd_Pa() == Approx(scale_Pa * std::sqrt(2.0)));  // sqrt(4 / (4 - 2))
    const auto within = [&](double share, double relative) {
      const double t = scale_Pa * gsl_cdf_tdist_Pinv(share, kStudentDegrees);
      CHECK(p.quantile_Pa(share) == Approx(t).epsilon(relative));
      CHECK(p.quantile_Pa(1 - share) == Approx(-t).epsilon(relative));
      CHECK(p.below(p.quantile_Pa(share)) == Approx(share).margin(1e-9));
    };
    within(0.9, 0.005);
    within(0.95, 0.005);
    within(0.75, 0.01);
    within(0.999, 0.05);
  }
}

TEST_CASE("what is unknown and the discrepancy are convolved", "[closed-form]") {
  // P(a Z + d T < x) by the midpoint rule over Z, T's distribution function from GSL; steps of
  // 0.002 over +-8 leave less than 1e-6.
  const Eigen::VectorXd g = effects(Case());  // 13 kPa
  for (const double scale_Pa : {3000.0, 9000.0, 30'000.0}) {
    const Predictive p = EngineBelief(one_scale(scale_Pa)).predict(0, g);
    for (const double share : {0.1, 0.3, 0.5, 0.8, 0.9}) {
      const double x_Pa = p.quantile_Pa(share);
      double sum = 0, weight = 0;
      for (double z = -8 + 0.001; z < 8; z += 0.002) {
        const double density = std::exp(-0.5 * z * z);
        weight += density;
        sum += density * gsl_cdf_tdist_P((x_Pa - 13'000 * z) / scale_Pa, kStudentDegrees);
      }
      // A quantile 0.5 % off moves the share by 0.0013 at most (1.28 x 0.005 x the normal density
      // of 0.2).
      CHECK(sum / weight == Approx(share).margin(0.0013));
    }
  }
}

TEST_CASE("an uncertain scale is a mixture of laws of known scale", "[closed-form]") {
  const Eigen::VectorXd g = effects(Case());
  const Discrepancy both{{{2000, 0.25}, {20'000, 0.75}}};
  const Predictive p = EngineBelief(both).predict(40'000, g);
  for (const double x_Pa : {10'000., 35'000., 40'000., 61'000.}) {
    CHECK(p.below(x_Pa) ==
          Approx(0.25 * EngineBelief(one_scale(2000)).predict(40'000, g).below(x_Pa) +
                 0.75 * EngineBelief(one_scale(20'000)).predict(40'000, g).below(x_Pa)));
  }
  const MapUncertainty u(g, EngineBelief(both));
  CHECK(u.discrepancy_sd_Pa == Approx(std::sqrt(2.0) * both.rms_scale_Pa()));
  CHECK(u.sd_Pa == Approx(std::hypot(13'000, u.discrepancy_sd_Pa)));
  CHECK(u.sd_Pa == Approx(p.sd_Pa()));
}

TEST_CASE("engines without an idle lie above every pressure", "[closed-form]") {
  const Predictive p({{0.85, 50'000, 1000}}, 0.15);
  CHECK(p.below(1e9) == Approx(0.85));
  CHECK(p.mean_Pa() == Approx(50'000));
  CHECK(p.sd_Pa() == Approx(1000));
  CHECK(p.quantile_Pa(0.425) == Approx(50'000));
  CHECK(p.quantile_Pa(0.9) == std::numeric_limits<double>::infinity());
  const PressureInterval i = interval_80(p, 98'000);
  CHECK(i.high_Pa == 98'000);
  CHECK(p.below(i.low_Pa) == Approx(0.1));
  const PressureInterval none = interval_80(Predictive({}, 1.0), 98'000);
  CHECK(none.low_Pa == 98'000);
  CHECK(none.high_Pa == 98'000);
}

TEST_CASE("quantiles of laws that know exactly", "[closed-form]") {
  const Predictive exact({{1.0, 47'000, 0}});
  CHECK(exact.quantile_Pa(0.1) == Approx(47'000));
  CHECK(exact.quantile_Pa(0.9) == Approx(47'000));
  const Predictive two({{0.3, 30'000, 0}, {0.7, 60'000, 0}});
  CHECK(two.quantile_Pa(0.2) == Approx(30'000));
  CHECK(two.quantile_Pa(0.6) == Approx(60'000));
}

// --- A reading

TEST_CASE("a reading of the same quantity", "[closed-form]") {
  // Prior and reading of one number: 1 / variance = 1 / 13000^2 + 1 / sd^2.
  const Eigen::VectorXd g = effects(Case());
  const MapUncertainty u(g, EngineBelief(Discrepancy{}, {g, 5000, 0}));
  CHECK(u.sd_Pa == Approx(1 / std::sqrt(1 / 13'000. / 13'000 + 1 / 5000. / 5000)));
}

TEST_CASE("a reading of something else teaches nothing", "[closed-form]") {
  const Eigen::VectorXd g = effects(Case());
  MapReading reading{0 * g, 1000, 4000};
  reading.effects_Pa[0] = 3000;  // at right angles to the first two effects, 4000 and -3000
  reading.effects_Pa[1] = 4000;
  const EngineBelief belief(Discrepancy{}, reading);
  CHECK(MapUncertainty(g, belief).sd_Pa == Approx(13'000).margin(kRounding_Pa));
  CHECK(belief.mean_shift_Pa(g) == Approx(0).margin(kRounding_Pa));
}

TEST_CASE("what is learnt from a reading agrees with Bayes' rule on the whole matrix",
          "[closed-form]") {
  // Posterior covariance (1 + j j' / s^2)^-1, inverted by the library; to its rounding.
  const Eigen::VectorXd g = effects(Case());
  const Eigen::Index n = g.size();
  const MapReading reading{Eigen::VectorXd::LinSpaced(n, -2000, 3000), 1700, 5000};
  const Eigen::VectorXd& j = reading.effects_Pa;
  const Eigen::MatrixXd p =
      (Eigen::MatrixXd::Identity(n, n) + j * j.transpose() / (1700. * 1700)).inverse();
  const EngineBelief belief(Discrepancy{}, reading);
  const MapUncertainty u(g, belief);
  CHECK(u.sd_Pa == Approx(std::sqrt(g.dot(p * g))).epsilon(1e-9));
  CHECK(belief.mean_shift_Pa(g) == Approx(g.dot(p * j) / (1700. * 1700) * 5000).epsilon(1e-9));
  CHECK((belief.principal_direction(g) - p * g / u.sd_Pa).norm() < 1e-9);
  // Knowing one unknown leaves the variance less its covariance squared over its variance.
  const double left = g.dot(p * g) - std::pow((p * g)[1], 2) / p(1, 1);
  CHECK(sd_removed_Pa(u, 1) == Approx(u.sd_Pa - std::sqrt(left)).epsilon(1e-6));
  const Eigen::Index k = static_cast<Eigen::Index>(kCoefficientCount);
  CHECK(u.coefficients_sd_Pa ==
        Approx(std::sqrt(g.tail(k).dot(p.bottomRightCorner(k, k) * g.tail(k)))).epsilon(1e-9));
}

TEST_CASE("a reading good for nothing changes nothing", "[closed-form]") {
  // With a deviation of 1e12 Pa the reading weighs 1e-16 of what was known.
  const Eigen::VectorXd g = effects(Case());
  const Discrepancy discrepancy{{{2000, 0.5}, {6000, 0.5}}};
  const EngineBelief before(discrepancy);
  const EngineBelief after(discrepancy, {g, 1e12, 20'000});
  const MapUncertainty u(g, before), v(g, after);
  CHECK(after.mean_shift_Pa(g) == Approx(0).margin(1e-6));
  CHECK(v.sd_Pa == Approx(u.sd_Pa));
  CHECK(v.coefficients_sd_Pa == Approx(u.coefficients_sd_Pa));
  CHECK(v.discrepancy_sd_Pa == Approx(u.discrepancy_sd_Pa));
  CHECK((v.latent_effect_Pa - u.latent_effect_Pa).norm() < 1e-3);
  const PressureInterval a = interval_80(before.predict(50'000, g), 1e5);
  const PressureInterval b = interval_80(after.predict(50'000, g), 1e5);
  CHECK(b.low_Pa == Approx(a.low_Pa));
  CHECK(b.high_Pa == Approx(a.high_Pa));
}

TEST_CASE("a perfect reading leaves what belongs to the day", "[closed-form]") {
  // Nothing unknown but a car whose discrepancy v is normal here (the part with the largest weight
  // dominates): of v the car has 0.8, so that reading and prediction correlate by 0.8 and the rest
  // is (1 - 0.64) v. With t, v is uncertain, and the reading tells of it too: only the law of total
  // variance at surprise 0 is in closed form, so the weighted mean of v after the reading is formed
  // here from the parts.
  const Eigen::VectorXd nothing = 0 * effects(Case());
  const EngineBelief belief(one_scale(4000), {nothing, 1e-3, 0});
  double weight = 0, sum = 0;
  for (const DiscrepancyPart& part : discrepancy_parts(one_scale(4000))) {
    const double likelihood = part.weight / std::sqrt(part.variance_Pa2);
    weight += likelihood;
    sum += likelihood * part.variance_Pa2;
  }
  const double left_Pa = std::sqrt((1 - kCarShare * kCarShare) * sum / weight);
  CHECK(MapUncertainty(nothing, belief).sd_Pa == Approx(left_Pa).epsilon(1e-9));
  CHECK(belief.predict(0, nothing).sd_Pa() == Approx(left_Pa).epsilon(1e-9));
}

TEST_CASE("how much a reading would help, at the limits", "[closed-form]") {
  const Eigen::VectorXd g = effects(Case());  // 13 kPa
  // All unknown: as the reading of the same quantity above.
  CHECK(sd_removed_by_reading_Pa(g, {}, 5000) ==
        Approx(13'000 - 1 / std::sqrt(1 / 13'000. / 13'000 + 1 / 5000. / 5000)));
  // All discrepancy, gauge perfect: reading and prediction correlate by the car's share, 0.8, and a
  // linear estimate leaves sqrt(1 - 0.64) = 0.6 of the deviation, which is sqrt(2) scales.
  CHECK(sd_removed_by_reading_Pa(0 * g, one_scale(4000), 1e-6) ==
        Approx((1 - 0.6) * std::sqrt(2.0) * 4000));
  CHECK(sd_removed_by_reading_Pa(g, one_scale(4000), 1e12) == Approx(0).margin(1e-6));
}

TEST_CASE("chance of a surprise", "[closed-form]") {
  const Eigen::VectorXd g = effects(Case());
  // 13 kPa of unknowns and 5 of the reading are 13.93; 2 deviations either way: 0.0455 (any table).
  const double spread_Pa = std::hypot(13'000, 5000);
  CHECK(EngineBelief(Discrepancy{}, {g, 5000, -2 * spread_Pa}).chance_of_surprise() ==
        Approx(0.0455003).epsilon(1e-5));
  // Beyond every density that a double can hold, a reading is still weighed.
  const EngineBelief far(one_scale(100), {0 * g, 1, 1e7});
  CHECK(far.chance_of_surprise() == Approx(0).margin(1e-12));
  CHECK(far.car_mean_Pa() == Approx(kCarShare * 1e7).epsilon(0.01));
}

// --- Against brute force on a linear engine

// A car drawn at random: unknowns, then w of its discrepancy, then its own part and two days'.
struct Toy {
  Discrepancy discrepancy{{{1500, 0.5}, {4500, 0.5}}};
  Eigen::VectorXd g, j;  // effects on the prediction and on the reading
  double gauge_Pa = 1700;
  std::mt19937_64 generator{20240229};  // any
  std::normal_distribution<double> normal;

  Toy() : g(effects(Case()) / 4), j(g) {  // 3.25 kPa
    j[0] *= 1.6;                          // read under other conditions
    j[1] = 0;
  }

  struct Car {
    Eigen::VectorXd unknowns;
    double own_Pa, day_sd_Pa;
  };
  Car car() {
    Car c{g, 0, 0};
    for (double& u : c.unknowns) u = normal(generator);
    std::uniform_real_distribution<double> uniform;
    const double scale_Pa =
        discrepancy.nodes[uniform(generator) < discrepancy.nodes[0].weight ? 0 : 1].scale_Pa;
    // Student's t as normal over the root of chi-squared over its degrees.
    std::chi_squared_distribution<double> chi_squared(kStudentDegrees);
    const double sd_Pa = scale_Pa / std::sqrt(chi_squared(generator) / kStudentDegrees);
    c.own_Pa = std::sqrt(kCarShare) * sd_Pa * normal(generator);
    c.day_sd_Pa = std::sqrt(1 - kCarShare) * sd_Pa;
    return c;
  }
  double idle_Pa(const Car& c, const Eigen::VectorXd& effects_Pa) {
    return effects_Pa.dot(c.unknowns) + c.own_Pa + c.day_sd_Pa * normal(generator);
  }
};

// Weighted mean and deviation of what is added.
struct Moments {
  double weight = 0, sum = 0, square = 0;
  void add(double w, double x) {
    weight += w;
    sum += w * x;
    square += w * x * x;
  }
  double sd() const { return std::sqrt(square / weight - sum * sum / weight / weight); }
};
constexpr auto kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);

TEST_CASE("a reading is weighed as importance sampling weighs it", "[closed-form]") {
  const double surprise_Pa = GENERATE(0.0, 3000.0, -9000.0);
  INFO("surprise " << surprise_Pa << " Pa");
  Toy toy;
  const EngineBelief belief(toy.discrepancy, {toy.j, toy.gauge_Pa, surprise_Pa});
  const double shift_Pa = belief.mean_shift_Pa(toy.g);
  const Predictive p = belief.predict(shift_Pa, toy.g);
  const std::vector<double> shares{0.1, 0.25, 0.5, 0.75, 0.9};
  std::vector<double> below(shares.size()), quantile_Pa;
  for (const double share : shares) quantile_Pa.push_back(p.quantile_Pa(share));
  double weight = 0, weight_square = 0, mean_Pa = 0, square_Pa2 = 0, car_Pa = 0, first = 0;
  Moments unknowns, coefficients;
  for (int i = 0; i < 400'000; ++i) {
    const Toy::Car car = toy.car();
    const double spread_Pa = std::hypot(car.day_sd_Pa, toy.gauge_Pa);
    const double off = (surprise_Pa - toy.j.dot(car.unknowns) - car.own_Pa) / spread_Pa;
    const double w = std::exp(-0.5 * off * off) / spread_Pa;
    const double idle_Pa = toy.idle_Pa(car, toy.g);
    weight += w;
    weight_square += w * w;
    mean_Pa += w * idle_Pa;
    square_Pa2 += w * idle_Pa * idle_Pa;
    car_Pa += w * car.own_Pa;
    first += w * car.unknowns[0];
    unknowns.add(w, toy.g.dot(car.unknowns));
    coefficients.add(w, toy.g.tail(kCoefficients).dot(car.unknowns.tail(kCoefficients)));
    for (std::size_t k = 0; k < shares.size(); ++k)
      if (idle_Pa < quantile_Pa[k]) below[k] += w;
  }
  mean_Pa /= weight;
  car_Pa /= weight;
  first /= weight;
  const double sd_Pa = std::sqrt(square_Pa2 / weight - mean_Pa * mean_Pa);
  const double effective = weight * weight / weight_square;  // draws that count
  REQUIRE(effective > 20'000);
  // Four deviations of what so many draws tell, and what the slices of t leave: 0.5 % of a
  // quantile.
  const double noise = 4 / std::sqrt(effective);
  for (std::size_t k = 0; k < shares.size(); ++k) {
    CHECK(below[k] / weight ==
          Approx(shares[k]).margin(noise * std::sqrt(shares[k] * (1 - shares[k])) + 0.0013));
  }
  CHECK(shift_Pa == Approx(mean_Pa).margin(noise * sd_Pa + 0.005 * std::abs(surprise_Pa)));
  CHECK(belief.car_mean_Pa() ==
        Approx(car_Pa).margin(noise * sd_Pa + 0.005 * std::abs(surprise_Pa)));
  CHECK(belief.unknowns_mean(toy.g.size())[0] ==
        Approx(first).margin(noise + 0.005 * std::abs(surprise_Pa) / 3000));
  // A variance has the fourth moment's noise, several times a mean's where tails are heavy.
  CHECK(MapUncertainty(toy.g, belief).sd_Pa == Approx(sd_Pa).epsilon(3 * noise));
  CHECK(p.sd_Pa() == Approx(MapUncertainty(toy.g, belief).sd_Pa));
  // What the unknowns have left, between the parts of the mixture too; nearly normal, so that a
  // deviation is good to a share of noise / sqrt(2).
  const MapUncertainty after(toy.g, belief);
  CHECK(after.coefficients_sd_Pa == Approx(coefficients.sd()).epsilon(noise));
  const Eigen::VectorXd direction = belief.principal_direction(toy.g);
  CHECK(toy.g.dot(direction) == Approx(unknowns.sd()).epsilon(noise));
}

TEST_CASE("eight of ten engines lie within their interval", "[closed-form]") {
  // Truth drawn by the rules that the interval states, so that coverage is exact but for the slices
  // of t (0.13 % at each end) and the count: four deviations of 20,000 are 1.1 %.
  constexpr int kCars = 20'000;
  Toy toy;
  int within_before = 0, within_after = 0, above_after = 0;
  const PressureInterval before = interval_80(EngineBelief(toy.discrepancy).predict(0, toy.g), 1e5);
  for (int i = 0; i < kCars; ++i) {
    const Toy::Car car = toy.car();
    const double reading_Pa = toy.idle_Pa(car, toy.j) + toy.gauge_Pa * toy.normal(toy.generator);
    const double idle_Pa = toy.idle_Pa(car, toy.g);
    const EngineBelief belief(toy.discrepancy, {toy.j, toy.gauge_Pa, reading_Pa});
    const PressureInterval after =
        interval_80(belief.predict(belief.mean_shift_Pa(toy.g), toy.g), 1e5);
    within_before += idle_Pa > before.low_Pa && idle_Pa < before.high_Pa;
    within_after += idle_Pa > after.low_Pa && idle_Pa < after.high_Pa;
    above_after += idle_Pa >= after.high_Pa;
  }
  CHECK(within_before / double{kCars} == Approx(0.8).margin(0.011 + 0.0026));
  CHECK(within_after / double{kCars} == Approx(0.8).margin(0.011 + 0.0026));
  CHECK(above_after / double{kCars} == Approx(0.1).margin(0.0085 + 0.0013));
}

TEST_CASE("engines drawn from a belief have its law", "[closed-form]") {
  const bool read = GENERATE(false, true);
  Toy toy;
  const EngineBelief belief = read ? EngineBelief(toy.discrepancy, {toy.j, toy.gauge_Pa, 6000})
                                   : EngineBelief(toy.discrepancy);
  const double shift_Pa = belief.mean_shift_Pa(toy.g);
  const Predictive p = belief.predict(shift_Pa, toy.g);
  constexpr int kDraws = 20'000;
  std::uniform_real_distribution<double> uniform;
  std::vector<Predictive::Part> parts;
  Eigen::VectorXd mean = 0 * toy.g;
  for (int i = 0; i < kDraws; ++i) {
    Eigen::VectorXd numbers = toy.g;
    for (double& x : numbers) x = toy.normal(toy.generator);
    const EngineBelief::Draw draw = belief.draw(numbers, uniform(toy.generator));
    mean += draw.unknowns / kDraws;
    for (const Predictive::Part& part : draw.discrepancy)
      parts.push_back({part.weight / kDraws, part.mean_Pa + toy.g.dot(draw.unknowns), part.sd_Pa});
  }
  const Predictive drawn(parts);
  // Four deviations of 20,000 draws; the convolution only makes it better.
  for (const double share : {0.1, 0.3, 0.5, 0.7, 0.9})
    CHECK(drawn.below(p.quantile_Pa(share)) ==
          Approx(share).margin(4 * std::sqrt(share * (1 - share) / kDraws)));
  CHECK((mean - belief.unknowns_mean(mean.size())).cwiseAbs().maxCoeff() < 4.5 / std::sqrt(kDraws));
}

TEST_CASE("draws are weighed where the model of the reading bends", "[closed-form]") {
  // The reading is of j u + 900 Pa u0^2; belief and draws know its slope at 0 alone. Weighed draws
  // against brute force: cars drawn before the reading, weighed by its likelihood.
  constexpr double kBend_Pa = 900, kSurprise_Pa = 4000;
  Toy toy;
  const EngineBelief belief(toy.discrepancy, {toy.j, toy.gauge_Pa, kSurprise_Pa});
  const auto read_Pa = [&](const Eigen::VectorXd& u) {
    return toy.j.dot(u) + kBend_Pa * u[0] * u[0];
  };
  std::uniform_real_distribution<double> uniform;
  std::vector<Predictive::Part> parts;
  double sum = 0, square = 0;
  for (int i = 0; i < 20'000; ++i) {
    Eigen::VectorXd numbers = toy.g;
    for (double& x : numbers) x = toy.normal(toy.generator);
    EngineBelief::Draw draw = belief.draw(numbers, uniform(toy.generator));
    const std::vector<Predictive::Part> straight = draw.discrepancy;
    belief.weigh(draw, draw.left_Pa);  // as straight as it was taken for
    REQUIRE(draw.weight == Approx(1));
    REQUIRE(draw.discrepancy[0].mean_Pa == Approx(straight[0].mean_Pa));
    belief.weigh(draw, kSurprise_Pa - read_Pa(draw.unknowns));
    sum += draw.weight;
    square += draw.weight * draw.weight;
    parts.push_back({draw.weight, draw.discrepancy[0].mean_Pa + toy.g.dot(draw.unknowns),
                     draw.discrepancy[0].sd_Pa});
  }
  for (Predictive::Part& part : parts) part.weight /= sum;
  const Predictive drawn(parts);
  const std::vector<double> shares{0.1, 0.3, 0.5, 0.7, 0.9};
  std::vector<double> below(shares.size()), quantile_Pa;
  for (const double share : shares) quantile_Pa.push_back(drawn.quantile_Pa(share));
  double weight = 0, weight_square = 0;
  for (int i = 0; i < 400'000; ++i) {
    const Toy::Car car = toy.car();
    const double spread_Pa = std::hypot(car.day_sd_Pa, toy.gauge_Pa);
    const double off = (kSurprise_Pa - read_Pa(car.unknowns) - car.own_Pa) / spread_Pa;
    const double w = std::exp(-0.5 * off * off) / spread_Pa;
    const double idle_Pa = toy.idle_Pa(car, toy.g);
    weight += w;
    weight_square += w * w;
    for (std::size_t k = 0; k < shares.size(); ++k)
      if (idle_Pa < quantile_Pa[k]) below[k] += w;
  }
  // Four deviations of both counts, and the slices of t.
  const double effective = 1 / (square / sum / sum + weight_square / weight / weight);
  REQUIRE(effective > 5000);
  const Predictive straight = belief.predict(belief.mean_shift_Pa(toy.g), toy.g);
  double worst = 0;
  for (std::size_t k = 0; k < shares.size(); ++k) {
    const double margin = 4 * std::sqrt(shares[k] * (1 - shares[k]) / effective) + 0.0013;
    CHECK(below[k] / weight == Approx(shares[k]).margin(margin));
    worst = std::max(worst, std::abs(straight.below(quantile_Pa[k]) - shares[k]) / margin);
  }
  CHECK(worst > 1.5);  // without weights it would have been seen
}

TEST_CASE("a tenth of the normal distribution lies beyond each end of the interval",
          "[closed-form]") {
  const PressureInterval i = interval_80(Predictive({{1.0, 50'000, 2000}}), 1e5);
  // Normal distribution function by the error function of the standard library, good to 1e-15.
  const auto below = [](double x_Pa) {
    return 0.5 * std::erfc(-(x_Pa - 50'000) / 2000 / std::sqrt(2.0));
  };
  CHECK(below(i.low_Pa) == Approx(0.1).margin(1e-9));
  CHECK(below(i.high_Pa) == Approx(0.9).margin(1e-9));
}

}  // namespace
}  // namespace idlefit
