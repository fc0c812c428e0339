#include <Eigen/Cholesky>
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>
#include <string>
#include <vector>

#include "cli/estimate.h"
#include "model/batch.h"
#include "profiles/coefficients_file.h"
#include "profiles/known_reading.h"
#include "tests/support/run_program.h"

// The interval of an estimate against draws of another kind: pseudo-random instead of Sobol's, the
// coefficients by Cholesky, each engine solved from nothing, Student's t drawn as such, and a
// reading weighed by its likelihood with the model solved under its conditions for each draw.

namespace idlefit {
namespace {

std::vector<std::string> example_files() { return repository_files("docs/examples", ".yaml"); }

// Idle MAP of engines drawn, each with its weight; infinite where there is no idle.
class MonteCarlo {
 public:
  MonteCarlo(const EngineCard& card, const CoefficientKnowledge& knowledge, std::size_t count) {
    const auto latents = static_cast<Eigen::Index>(complete(card).latent_keys.size());
    constexpr auto coefficients = static_cast<Eigen::Index>(kCoefficientCount);
    const Eigen::LLT<Eigen::MatrixXd> llt(Eigen::MatrixXd(knowledge.covariance));
    REQUIRE(llt.info() == Eigen::Success);
    const Eigen::MatrixXd lower = llt.matrixL();

    struct Drawn {
      Eigen::VectorXd latent;
      Coefficients<double> coefficients;
      double stray_Pa2;            // variance of the discrepancy
      double car, prediction_day;  // standard-normal numbers
      double speed, weather;       // likewise, of the reading
      double fault;                // between 0 and 1
    };
    std::mt19937_64 generator(31415926);  // any
    std::normal_distribution<double> normal;
    std::uniform_real_distribution<double> uniform;
    std::chi_squared_distribution<double> chi_squared(kStudentDegrees);
    std::vector<Drawn> drawn(count);
    for (Drawn& d : drawn) {
      d.latent.resize(latents);
      for (double& x : d.latent) x = normal(generator);
      Eigen::VectorXd numbers(coefficients);
      for (double& x : numbers) x = normal(generator);
      const Eigen::VectorXd moves = lower * numbers;
      d.coefficients = knowledge.mean;
      for (std::size_t k = 0; k < kCoefficientCount; ++k) {
        double& c = coefficient_ref(d.coefficients, k);
        c = std::clamp(c + moves[static_cast<Eigen::Index>(k)], kCoefficientInfo[k].lower,
                       kCoefficientInfo[k].upper);
      }
      double scale_Pa = 0, left = uniform(generator);
      for (const Discrepancy::Node& node : knowledge.discrepancy.nodes) {
        scale_Pa = node.scale_Pa;
        if ((left -= node.weight) < 0) break;
      }
      d.stray_Pa2 = scale_Pa * scale_Pa * kStudentDegrees / chi_squared(generator);
      d.car = normal(generator);
      d.prediction_day = normal(generator);
      d.speed = normal(generator);
      d.weather = normal(generator);
      d.fault = uniform(generator);
    }

    draws_.resize(count);
    for_each_index(count, default_threads(), [&](std::size_t i) {
      const Drawn& d = drawn[i];
      const double car_Pa2 = kCarShare * d.stray_Pa2;
      double car_mean_Pa = 0, car_sd_Pa = std::sqrt(car_Pa2);
      draws_[i] = {std::numeric_limits<double>::infinity(), 1};
      if (card.known.vacuum_Pa) {
        // Speed and barometer as they were at the gauge, not as they were written down.
        const ReadingTrust trust;
        Engine as_read = known_engine_at(card, d.latent);
        as_read.inputs.speed_rpm += trust.speed_rpm * d.speed;
        as_read.inputs.barometer_Pa +=
            (card.known.barometer_Pa ? trust.barometer_Pa : trust.weather_Pa) * d.weather;
        const SolveResult read = solve_idle(as_read, d.coefficients);
        if (read.status != Status::ok) {  // no reading could have been taken
          draws_[i].weight = 0;
          return;
        }
        const double surprise_Pa =
            read.point.barometer_Pa - *card.known.vacuum_Pa - read.point.map_Pa;
        const auto spread_Pa2 = [&](bool fault) {
          return d.stray_Pa2 + std::pow(kVacuumReadingSd_Pa, 2) +
                 (fault ? std::pow(trust.fault_Pa, 2) : 0.0);
        };
        const auto likelihood = [&](bool fault) {
          return std::exp(-0.5 * surprise_Pa * surprise_Pa / spread_Pa2(fault)) /
                 std::sqrt(spread_Pa2(fault));
        };
        const double faulty = trust.fault_chance * likelihood(true);
        draws_[i].weight = faulty + (1 - trust.fault_chance) * likelihood(false);
        const double variance_Pa2 = spread_Pa2(d.fault * draws_[i].weight < faulty);
        car_mean_Pa = car_Pa2 / variance_Pa2 * surprise_Pa;
        car_sd_Pa = std::sqrt(car_Pa2 - car_Pa2 * car_Pa2 / variance_Pa2);
      }
      const SolveResult idle = solve_idle(complete_at(card, d.latent), d.coefficients);
      if (idle.status != Status::ok) return;
      draws_[i].map_Pa = idle.point.map_Pa + car_mean_Pa + car_sd_Pa * d.car +
                         std::sqrt((1 - kCarShare) * d.stray_Pa2) * d.prediction_day;
    });
    std::sort(draws_.begin(), draws_.end(),
              [](const Draw& a, const Draw& b) { return a.map_Pa < b.map_Pa; });
    double square = 0;
    for (const Draw& d : draws_) {
      weight_ += d.weight;
      square += d.weight * d.weight;
    }
    effective_ = weight_ * weight_ / square;
  }

  double quantile_Pa(double share) const {
    double sum = 0;
    for (const Draw& d : draws_) {
      sum += d.weight;
      if (sum >= share * weight_) return d.map_Pa;
    }
    return draws_.back().map_Pa;
  }
  /// Draws that count: fewer than drawn where a reading makes most of them unlikely.
  double effective() const { return effective_; }
  double no_idle() const {
    double sum = 0;
    for (const Draw& d : draws_)
      if (std::isinf(d.map_Pa)) sum += d.weight;
    return sum / weight_;
  }

 private:
  struct Draw {
    double map_Pa, weight;
  };
  std::vector<Draw> draws_;
  double weight_ = 0, effective_ = 0;
};

// Each end within a tenth of the interval's width of the draws' own; where that is asked, with what
// so many draws may miss a quantile by, `deviations` of the binomial law.
void expect_ends_match(const std::string& file, const CoefficientKnowledge& knowledge,
                       std::size_t draws, double deviations) {
  const EngineCard card = read_engine_card(file, {});
  const Estimate e = estimate(card, built_in_baselines(), knowledge, {});
  REQUIRE(e.interval);
  const PressureInterval& ends = e.interval->ends;
  const MonteCarlo drawn(card, knowledge, draws);
  const double tenth_Pa = 0.1 * (ends.high_Pa - ends.low_Pa);
  const double noise = deviations * std::sqrt(0.1 * 0.9 / drawn.effective());
  const auto drawn_Pa = [&](double share) {
    return std::min(drawn.quantile_Pa(share), e.idle.point.barometer_Pa);
  };
  INFO(file << ": by " << (e.interval->samples ? "samples" : "gradient") << " " << ends.low_Pa
            << " to " << ends.high_Pa << " Pa, no idle " << e.interval->no_idle << "; drawn "
            << drawn_Pa(0.1) << " to " << drawn_Pa(0.9) << ", no idle " << drawn.no_idle()
            << ", effective draws " << drawn.effective());
  CHECK(ends.low_Pa > drawn_Pa(0.1 - noise) - tenth_Pa);
  CHECK(ends.low_Pa < drawn_Pa(0.1 + noise) + tenth_Pa);
  CHECK(ends.high_Pa > drawn_Pa(0.9 - noise) - tenth_Pa);
  CHECK(ends.high_Pa < drawn_Pa(0.9 + noise) + tenth_Pa);
}

TEST_CASE("ends of the interval against Monte Carlo, two engines", "[consistency]") {
  // One by gradient, one by samples with the prior; 600 draws, whose own quantiles are uncertain:
  // three deviations of the binomial law on top of the tenth.
  for (const char* name : {"stock_v8_sedan", "street_v8_coupe"}) {
    expect_ends_match(std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/" + name + ".yaml",
                      prior_knowledge(), 600, 3);
  }
}

TEST_CASE("ends of the interval against 4000 draws, every example", "[consistency][long]") {
  // Within a tenth of the width, which is the aim; the draws' own ends are good to about 1 % of it
  // (one deviation), those weighed by a reading, of which one in six counts, with 16,000 likewise.
  for (const std::string& file : example_files()) {
    const std::size_t draws = read_engine_card(file, {}).known.vacuum_Pa ? 16'000 : 4000;
    expect_ends_match(file, prior_knowledge(), draws, 0);
    expect_ends_match(file, built_in_coefficients().posterior, draws, 0);
  }
}

TEST_CASE("a sample that is asked for is taken, and near the gradient's where that will do",
          "[consistency]") {
  const EngineCard card = read_engine_card(
      std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/stock_four_wagon.yaml", {});
  const Estimate by_gradient = estimate(card, built_in_baselines(), prior_knowledge(), {});
  const Estimate sampled =
      estimate(card, built_in_baselines(), prior_knowledge(), {.samples = 200});
  REQUIRE(by_gradient.interval);
  REQUIRE(sampled.interval);
  CHECK(by_gradient.interval->samples == 0);
  CHECK(sampled.interval->samples == 200);
  const PressureInterval& a = by_gradient.interval->ends;
  const PressureInterval& b = sampled.interval->ends;
  // The gradient was found good to 5 % of the width; twice that for the two samples.
  CHECK(b.low_Pa == Approx(a.low_Pa).margin(0.1 * (a.high_Pa - a.low_Pa)));
  CHECK(b.high_Pa == Approx(a.high_Pa).margin(0.1 * (a.high_Pa - a.low_Pa)));
}

// Share of the variance of idle MAP that goes with each latent variable alone: the variance of its
// means in twelve bins of that variable, over draws of all.
std::vector<double> variance_shares(const EngineCard& card, const CoefficientKnowledge& knowledge,
                                    std::size_t count) {
  constexpr int kBins = 12;
  const CoefficientUnknowns coefficients(knowledge);
  const auto latents = static_cast<Eigen::Index>(complete(card).latent_keys.size());
  std::mt19937_64 generator(161803);  // any
  std::normal_distribution<double> normal;
  std::vector<Eigen::VectorXd> unknowns(count);
  for (Eigen::VectorXd& u : unknowns) {
    u.resize(latents + static_cast<Eigen::Index>(kCoefficientCount));
    for (double& x : u) x = normal(generator);
  }
  std::vector<double> map_Pa(count);  // 0 without an idle
  for_each_index(count, default_threads(), [&](std::size_t i) {
    const SolveResult at =
        solve_idle(complete_at(card, unknowns[i].head(latents)),
                   coefficients.at(unknowns[i].tail(unknowns[i].size() - latents)));
    map_Pa[i] = at.status == Status::ok ? at.point.map_Pa : 0.0;
  });
  const auto bin = [](double x) {  // each as likely
    return static_cast<std::size_t>(
        std::clamp(kBins * 0.5 * std::erfc(-x / std::sqrt(2.0)), 0.0, kBins - 1.0));
  };
  double n = 0, sum = 0, square = 0;
  for (const double map : map_Pa) {
    if (map == 0) continue;
    n += 1;
    sum += map;
    square += map * map;
  }
  const double variance = square / n - std::pow(sum / n, 2);
  std::vector<double> shares;
  for (Eigen::Index j = 0; j < latents; ++j) {
    std::vector<double> of(kBins), in(kBins);
    for (std::size_t i = 0; i < count; ++i) {
      if (map_Pa[i] == 0) continue;
      of[bin(unknowns[i][j])] += map_Pa[i];
      in[bin(unknowns[i][j])] += 1;
    }
    double between = 0;
    for (std::size_t b = 0; b < kBins; ++b) between += in[b] * std::pow(of[b] / in[b] - sum / n, 2);
    shares.push_back(between / n / variance);
  }
  return shares;
}

TEST_CASE("questions are asked in the order of what they explain", "[consistency]") {
  // Against draws that know no slopes. 3000 of them leave a share uncertain by some 0.02. Slopes
  // at the middle cannot tell apart what draws tell: on the roadster they call the intake's seat
  // duration and its rocker ratio equal, of which draws give 0.26 and 0.34 of the variance. Where
  // shares differ by more than that the order must be theirs.
  constexpr double kNoise = 0.02, kSlopes = 0.08;
  constexpr double kApart = kNoise + kSlopes;
  for (const char* name : {"mild_v8_phone_call", "warm_four_roadster"}) {
    const EngineCard card =
        read_engine_card(std::string(IDLEFIT_SOURCE_DIR) + "/docs/examples/" + name + ".yaml", {});
    const CoefficientKnowledge knowledge = built_in_coefficients().posterior;
    const Estimate e = estimate(card, built_in_baselines(), knowledge, {});
    const std::vector<double> shares = variance_shares(card, knowledge, 3000);
    const auto& keys = e.completion.latent_keys;
    std::vector<double> asked;  // shares in the order of the questions
    for (const AskNext& a : e.ask_next) {
      const auto at = std::find(keys.begin(), keys.end(), a.key);
      if (at != keys.end()) asked.push_back(shares[static_cast<std::size_t>(at - keys.begin())]);
    }
    REQUIRE(asked.size() >= 2);
    INFO(name);
    for (std::size_t i = 1; i < asked.size(); ++i) CHECK(asked[i] < asked[i - 1] + kApart);
    for (std::size_t j = 0; j < keys.size(); ++j) {
      INFO(keys[j] << " explains " << shares[j]);
      const bool is_asked = std::any_of(e.ask_next.begin(), e.ask_next.end(),
                                        [&](const AskNext& a) { return a.key == keys[j]; });
      if (!is_asked) CHECK(shares[j] < asked.back() + kApart);
    }
  }
}

}  // namespace
}  // namespace idlefit
