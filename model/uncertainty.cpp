#include "model/uncertainty.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <cstddef>
#include <limits>
#include <utility>

#include "model/constants.h"

namespace idlefit {
namespace {

constexpr Eigen::Index kCoefficients = static_cast<Eigen::Index>(kCoefficientCount);

double square(double x) { return x * x; }
double root(double x) { return std::sqrt(std::max(0.0, x)); }  // rounding may leave a hair below 0

double normal_below(double x) { return 0.5 * std::erfc(-x / std::sqrt(2.0)); }
double normal_density(double x) { return std::exp(-0.5 * x * x) / std::sqrt(2.0 * kPi); }

// --- Student's t as normal laws

struct Slice {
  double weight, variance;  // of t with scale 1
};
constexpr std::size_t kSlices = 8;

// Slices of w ~ Gamma(2, rate 2), whose distribution function is 1 - (1 + 2 w) exp(-2 w) and whose
// integral of 1 / w is -2 exp(-2 w). They are thinner towards small w, where the variance is large
// and differs most: cut at the squares of i / kSlices.
std::array<Slice, kSlices> student_slices() {
  static_assert(kStudentDegrees == 4.0, "the law of w below is that of 4 degrees of freedom");
  const auto share_below = [](double w) { return 1.0 - (1.0 + 2.0 * w) * std::exp(-2.0 * w); };
  const auto cut = [&share_below](double share) {
    double low = 0.0, high = 50.0;  // all but 1e-41 lies below
    for (int i = 0; i < 100; ++i) {
      const double middle = 0.5 * (low + high);
      (share_below(middle) < share ? low : high) = middle;
    }
    return low;
  };
  std::array<Slice, kSlices> slices;
  double from = 0.0, share_from = 0.0;
  for (std::size_t i = 0; i < kSlices; ++i) {
    const bool last = i + 1 == kSlices;
    const double share_to = square(static_cast<double>(i + 1) / kSlices);
    const double to = last ? 0.0 : cut(share_to);
    const double weight = share_to - share_from;
    const double end = last ? 0.0 : std::exp(-2.0 * to);
    slices[i] = {weight, 2.0 * (std::exp(-2.0 * from) - end) / weight};
    from = to;
    share_from = share_to;
  }
  return slices;
}

double mean_variance_Pa2(const std::vector<DiscrepancyPart>& parts) {
  double mean = 0;
  for (const DiscrepancyPart& part : parts) mean += part.weight * part.variance_Pa2;
  return mean;
}

}  // namespace

// --- The coefficients

CoefficientUnknowns::CoefficientUnknowns(const CoefficientKnowledge& knowledge)
    : mean_(knowledge.mean) {
  using Vector = Eigen::Matrix<double, static_cast<int>(kCoefficientCount), 1>;
  assert(knowledge.covariance.allFinite());
  // Coefficients have units; only the correlations may be compared with one another.
  const Vector sd = knowledge.covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
  const Vector per_sd = sd.unaryExpr([](double s) { return s > 0.0 ? 1.0 / s : 0.0; });
  const CoefficientCovariance correlation =
      per_sd.asDiagonal() * knowledge.covariance * per_sd.asDiagonal();
  const Eigen::LDLT<CoefficientCovariance> ldlt(correlation);
  // Correlation = P' L D L' P; P behind the factor puts its columns in the coefficients' order.
  const CoefficientCovariance lower = ldlt.matrixL();
  const CoefficientCovariance scaled =
      lower * ldlt.vectorD().cwiseMax(0.0).cwiseSqrt().asDiagonal();
  const CoefficientCovariance rows = ldlt.transpositionsP().transpose() * scaled;
  const CoefficientCovariance both =
      (ldlt.transpositionsP().transpose() * rows.transpose()).transpose();
  factor_ = sd.asDiagonal() * both;
}

Coefficients<double> CoefficientUnknowns::at(const Eigen::VectorXd& numbers) const {
  const Eigen::VectorXd moves = factor_ * numbers;
  Coefficients<double> c = mean_;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    double& value = coefficient_ref(c, k);
    value = std::clamp(value + moves[static_cast<Eigen::Index>(k)], info.lower, info.upper);
  }
  return c;
}

Eigen::VectorXd unknown_effects(const ParameterGradient& slopes,
                                const Eigen::MatrixXd& input_per_latent,
                                const CoefficientUnknowns& coefficients) {
  constexpr Eigen::Index inputs = static_cast<Eigen::Index>(kInputCount);
  assert(input_per_latent.rows() == inputs);
  const Eigen::Index latents = input_per_latent.cols();
  Eigen::VectorXd effects(latents + kCoefficients);
  effects.head(latents) = input_per_latent.transpose() * slopes.head<inputs>();
  effects.tail(kCoefficients) = coefficients.factor().transpose() * slopes.tail<kCoefficients>();
  return effects;
}

// --- Predictive

Predictive::Predictive(std::vector<Part> parts, double no_idle)
    : parts_(std::move(parts)), no_idle_(no_idle) {
  double weight = 0;
  for (const Part& part : parts_) {
    assert(std::isfinite(part.mean_Pa) && part.sd_Pa >= 0.0);
    weight += part.weight;
    mean_Pa_ += part.weight * part.mean_Pa;
  }
  assert(std::fabs(weight + no_idle - 1.0) < 1e-9);
  if (weight <= 0.0) return;
  mean_Pa_ /= weight;
  double variance = 0;
  for (const Part& part : parts_)
    variance += part.weight * (square(part.sd_Pa) + square(part.mean_Pa - mean_Pa_));
  sd_Pa_ = std::sqrt(variance / weight);
}

Predictive Predictive::as_read(double sd_Pa) const {
  std::vector<Part> parts = parts_;
  for (Part& part : parts) part.sd_Pa = std::hypot(part.sd_Pa, sd_Pa);
  return Predictive(std::move(parts), no_idle_);
}

double Predictive::below(double map_Pa) const {
  double share = 0;
  for (const Part& part : parts_) {
    const double away_Pa = map_Pa - part.mean_Pa;
    share += part.weight *
             (part.sd_Pa > 0.0 ? normal_below(away_Pa / part.sd_Pa) : (away_Pa > 0.0 ? 1.0 : 0.0));
  }
  return share;
}

std::vector<double> Predictive::shares(double from_Pa, double step_Pa, std::size_t count) const {
  constexpr double kFar = 5.0;  // deviations; 3e-7 lies beyond on either side
  const double last = static_cast<double>(count);
  std::vector<double> below(count + 1, 0.0);  // of each edge; a part's whole weight above its reach
  std::vector<double> whole(count + 2, 0.0);  // weights that are complete from this edge on
  for (const Part& part : parts_) {
    const auto edge = [&](double map_Pa) {  // the first beyond it
      return static_cast<std::size_t>(
          std::clamp(std::floor((map_Pa - from_Pa) / step_Pa) + 1.0, 0.0, last + 1.0));
    };
    const std::size_t end = edge(part.mean_Pa + kFar * part.sd_Pa);
    for (std::size_t k = edge(part.mean_Pa - kFar * part.sd_Pa); k < end && k <= count; ++k) {
      below[k] +=
          part.weight *
          normal_below((from_Pa + static_cast<double>(k) * step_Pa - part.mean_Pa) / part.sd_Pa);
    }
    whole[end] += part.weight;
  }
  std::vector<double> shares(count);
  for (std::size_t k = 0; k < count; ++k) shares[k] = below[k + 1] + whole[k + 1] - below[k];
  shares[0] += whole[0] + below[0];
  return shares;
}

double Predictive::quantile_Pa(double share) const {
  constexpr double kFar = 40.0;       // deviations; nothing of a normal law is left there
  constexpr double kClose_Pa = 1e-6;  // of kilopascals
  if (share >= 1.0 - no_idle_) return std::numeric_limits<double>::infinity();
  double low = std::numeric_limits<double>::infinity(), high = -low;
  for (const Part& part : parts_) {
    low = std::min(low, part.mean_Pa - kFar * part.sd_Pa);
    high = std::max(high, part.mean_Pa + kFar * part.sd_Pa);
  }
  high += kClose_Pa;
  // Newton's method, and halves of the bracket where it leaves that.
  double x = std::clamp(mean_Pa_, low, high);
  while (high - low > kClose_Pa) {
    const double excess = below(x) - share;
    (excess < 0.0 ? low : high) = x;
    double slope = 0;
    for (const Part& part : parts_) {
      if (part.sd_Pa > 0.0)
        slope += part.weight * normal_density((x - part.mean_Pa) / part.sd_Pa) / part.sd_Pa;
    }
    const double next = x - excess / slope;
    if (std::fabs(next - x) < 0.1 * kClose_Pa) return next;
    const double middle = 0.5 * (low + high);
    if (x == middle) break;  // no number lies between
    x = next > low && next < high ? next : middle;
  }
  return x;
}

PressureInterval interval_80(const Predictive& predictive, double barometer_Pa) {
  const auto end_Pa = [&](double share) {
    const double quantile_Pa = predictive.quantile_Pa(share);
    return std::isfinite(quantile_Pa) ? quantile_Pa : barometer_Pa;
  };
  return {end_Pa(0.1), end_Pa(0.9)};
}

// --- The discrepancy

std::vector<DiscrepancyPart> discrepancy_parts(const Discrepancy& discrepancy) {
  static const std::array<Slice, kSlices> slices = student_slices();
  std::vector<DiscrepancyPart> parts;
  for (const Discrepancy::Node& node : discrepancy.nodes) {
    if (!(node.weight > 0.0)) continue;
    if (!(node.scale_Pa > 0.0)) {
      parts.push_back({node.weight, 0.0});
      continue;
    }
    for (const Slice& slice : slices)
      parts.push_back({node.weight * slice.weight, square(node.scale_Pa) * slice.variance});
  }
  if (parts.empty()) parts.push_back({1.0, 0.0});
  if (parts.size() <= 2 * kSlices) return parts;
  std::sort(parts.begin(), parts.end(), [](const DiscrepancyPart& a, const DiscrepancyPart& b) {
    return a.variance_Pa2 < b.variance_Pa2;
  });
  std::vector<DiscrepancyPart> together;
  double from_Pa2 = 0;
  for (const DiscrepancyPart& part : parts) {
    if (together.empty() || part.variance_Pa2 > 2.0 * from_Pa2) {
      together.push_back(part);
      from_Pa2 = part.variance_Pa2;
      continue;
    }
    DiscrepancyPart& last = together.back();
    const double weight = last.weight + part.weight;
    last = {weight, (last.weight * last.variance_Pa2 + part.weight * part.variance_Pa2) / weight};
  }
  return together;
}

// --- The belief

EngineBelief::EngineBelief(const Discrepancy& discrepancy) {
  for (const DiscrepancyPart& part : discrepancy_parts(discrepancy))
    parts_.push_back({part.weight, part.variance_Pa2, 0.0, false, 0.0});
}

EngineBelief::EngineBelief(const Discrepancy& discrepancy, MapReading reading)
    : EngineBelief(discrepancy) {
  assert(reading.sd_Pa > 0.0);
  read_ = true;
  reading_ = std::move(reading);
  for (Part& part : parts_) part.reading_Pa2 = square(reading_.sd_Pa);
  if (reading_.fault_chance > 0.0) {
    std::vector<Part> faulty = parts_;
    for (Part& part : parts_) part.weight *= 1.0 - reading_.fault_chance;
    for (Part& part : faulty) {
      part.weight *= reading_.fault_chance;
      part.reading_Pa2 += square(reading_.fault_sd_Pa);
      part.fault = true;
    }
    parts_.insert(parts_.end(), faulty.begin(), faulty.end());
  }
  const double explained_Pa2 = reading_.effects_Pa.squaredNorm();
  // Logarithms: under every part the reading may be so unlikely that its density is 0 in a double.
  std::vector<double> log_weight;
  double largest = -std::numeric_limits<double>::infinity();
  chance_of_surprise_ = 0.0;
  for (Part& part : parts_) {
    part.per_spread = 1.0 / (explained_Pa2 + part.reading_Pa2 + part.discrepancy_Pa2);
    chance_of_surprise_ +=
        part.weight * 2.0 *
        normal_below(-std::fabs(reading_.surprise_Pa) * std::sqrt(part.per_spread));
    log_weight.push_back(std::log(part.weight) + 0.5 * std::log(part.per_spread) -
                         0.5 * square(reading_.surprise_Pa) * part.per_spread);
    largest = std::max(largest, log_weight.back());
  }
  double sum = 0;
  for (std::size_t i = 0; i < parts_.size(); ++i)
    sum += parts_[i].weight = std::exp(log_weight[i] - largest);
  for (Part& part : parts_) part.weight /= sum;
}

double EngineBelief::car_shift_Pa(const Part& part) const {
  return kCarShare * part.discrepancy_Pa2 * part.per_spread * reading_.surprise_Pa;
}

double EngineBelief::fault_probability() const {
  double probability = 0;
  for (const Part& part : parts_)
    if (part.fault) probability += part.weight;
  return probability;
}

double EngineBelief::car_mean_Pa() const {
  double mean_Pa = 0;
  for (const Part& part : parts_) mean_Pa += part.weight * car_shift_Pa(part);
  return mean_Pa;
}

Eigen::VectorXd EngineBelief::unknowns_mean(Eigen::Index count) const {
  if (!read_) return Eigen::VectorXd::Zero(count);
  assert(reading_.effects_Pa.size() == count);
  double per_spread = 0;
  for (const Part& part : parts_) per_spread += part.weight * part.per_spread;
  return reading_.effects_Pa * (per_spread * reading_.surprise_Pa);
}

double EngineBelief::mean_shift_Pa(const Eigen::VectorXd& effects_Pa) const {
  return effects_Pa.dot(unknowns_mean(effects_Pa.size())) + car_mean_Pa();
}

Predictive EngineBelief::predict(double mean_Pa, const Eigen::VectorXd& effects_Pa) const {
  const double shift_Pa = mean_shift_Pa(effects_Pa);
  const double own_Pa2 = effects_Pa.squaredNorm();
  const double shared_Pa2 = read_ ? effects_Pa.dot(reading_.effects_Pa) : 0.0;
  std::vector<Predictive::Part> parts;
  for (const Part& part : parts_) {
    const double covariance_Pa2 = shared_Pa2 + kCarShare * part.discrepancy_Pa2;
    const double gain = covariance_Pa2 * part.per_spread;
    parts.push_back({part.weight, mean_Pa - shift_Pa + gain * reading_.surprise_Pa,
                     root(own_Pa2 + part.discrepancy_Pa2 - gain * covariance_Pa2)});
  }
  return Predictive(std::move(parts));
}

Eigen::VectorXd EngineBelief::principal_direction(const Eigen::VectorXd& effects_Pa) const {
  Eigen::VectorXd covariance_Pa = effects_Pa;
  if (read_) {
    const Eigen::VectorXd& j = reading_.effects_Pa;
    double mean = 0, mean_square = 0;
    for (const Part& part : parts_) {
      mean += part.weight * part.per_spread;
      mean_square += part.weight * square(part.per_spread);
    }
    // Within the parts, and between their means.
    const double learnt = mean - (mean_square - square(mean)) * square(reading_.surprise_Pa);
    covariance_Pa -= j * (j.dot(effects_Pa) * learnt);
  }
  const double sd_Pa = root(effects_Pa.dot(covariance_Pa));
  return sd_Pa > 0.0 ? Eigen::VectorXd(covariance_Pa / sd_Pa)
                     : Eigen::VectorXd::Zero(effects_Pa.size());
}

EngineBelief::Draw EngineBelief::draw(const Eigen::VectorXd& numbers, double uniform) const {
  Draw draw;
  if (!read_) {
    draw.unknowns = numbers;
    for (const Part& part : parts_)
      draw.discrepancy.push_back({part.weight, 0.0, std::sqrt(part.discrepancy_Pa2)});
    return draw;
  }
  std::size_t i = 0;
  for (double up_to = parts_[0].weight; up_to < uniform && i + 1 < parts_.size();)
    up_to += parts_[++i].weight;
  const Part& part = parts_[i];
  const Eigen::VectorXd& j = reading_.effects_Pa;
  // The symmetric root of 1 - j j' / spread, which differs from 1 along j alone.
  const double length_Pa2 = j.squaredNorm();
  const double shrink =
      length_Pa2 > 0.0 ? (1.0 - root(1.0 - length_Pa2 * part.per_spread)) / length_Pa2 : 0.0;
  draw.unknowns = numbers + j * (reading_.surprise_Pa * part.per_spread - shrink * j.dot(numbers));
  draw.stray_Pa2 = part.discrepancy_Pa2;
  draw.reading_Pa2 = part.reading_Pa2;
  draw.left_Pa = reading_.surprise_Pa - j.dot(draw.unknowns);
  weigh(draw, draw.left_Pa);
  return draw;
}

void EngineBelief::weigh(Draw& draw, double left_Pa) const {
  assert(read_);
  // What the unknowns leave of the reading is the car, the day and the gauge.
  const double car_Pa2 = kCarShare * draw.stray_Pa2;
  const double spread_Pa2 = draw.stray_Pa2 + draw.reading_Pa2;
  const double gain = car_Pa2 / spread_Pa2;
  draw.discrepancy = {{1.0, gain * left_Pa, root(draw.stray_Pa2 - gain * car_Pa2)}};
  // It was drawn as if the model were straight: likelihood over likelihood.
  draw.weight = std::exp(0.5 * (square(draw.left_Pa) - square(left_Pa)) / spread_Pa2);
}

// --- Uncertainty by variance

MapUncertainty::MapUncertainty(const Eigen::VectorXd& effects_Pa, const EngineBelief& belief) {
  const Eigen::Index latents = effects_Pa.size() - kCoefficients;
  const double surprise_Pa = belief.reading_.surprise_Pa;
  const double shared_Pa2 = belief.read_ ? effects_Pa.dot(belief.reading_.effects_Pa) : 0.0;
  const double shift_Pa = belief.mean_shift_Pa(effects_Pa), car_Pa = belief.car_mean_Pa();
  double per_spread = 0;
  for (const auto& part : belief.parts_) per_spread += part.weight * part.per_spread;

  // Sums over the parts of what the reading took within them, less what their means differ by.
  // The covariance of the unknowns is 1 - learnt j j', that with MAP is g - learnt_of_map j.
  double learnt = 0, learnt_of_map = 0, variance = 0, discrepancy_variance = 0;
  for (const auto& part : belief.parts_) {
    const double p = part.weight, q = part.per_spread, v = part.discrepancy_Pa2;
    const double covariance_Pa2 = shared_Pa2 + kCarShare * v;
    const double off = (q - per_spread) * surprise_Pa;  // of the unknowns' mean, along j
    const double map_off_Pa = covariance_Pa2 * q * surprise_Pa - shift_Pa;
    learnt += p * (q - off * off);
    learnt_of_map += p * (covariance_Pa2 * q - off * map_off_Pa);
    variance +=
        p * (effects_Pa.squaredNorm() + v - square(covariance_Pa2) * q + square(map_off_Pa));
    discrepancy_variance +=
        p * (v - square(kCarShare * v) * q + square(belief.car_shift_Pa(part) - car_Pa));
  }
  sd_Pa = root(variance);
  discrepancy_sd_Pa = root(discrepancy_variance);
  const auto own = effects_Pa.tail(kCoefficients);
  double coefficients_variance = own.squaredNorm();
  latent_effect_Pa = effects_Pa.head(latents);
  if (belief.read_) {
    const Eigen::VectorXd& j = belief.reading_.effects_Pa;
    coefficients_variance -= learnt * square(own.dot(j.tail(kCoefficients)));
    for (Eigen::Index i = 0; i < latents; ++i) {
      const double unknown_sd = root(1.0 - learnt * square(j[i]));
      latent_effect_Pa[i] =
          unknown_sd > 0.0 ? (effects_Pa[i] - learnt_of_map * j[i]) / unknown_sd : 0.0;
    }
  }
  coefficients_sd_Pa = root(coefficients_variance);
}

double sd_removed_Pa(const MapUncertainty& uncertainty, Eigen::Index latent) {
  return uncertainty.sd_Pa -
         root(square(uncertainty.sd_Pa) - square(uncertainty.latent_effect_Pa[latent]));
}

double sd_removed_by_reading_Pa(const Eigen::VectorXd& effects_Pa, const Discrepancy& discrepancy,
                                double reading_sd_Pa, double fault_chance, double fault_sd_Pa) {
  const double own_Pa2 = effects_Pa.squaredNorm();
  const double stray_Pa2 = mean_variance_Pa2(discrepancy_parts(discrepancy));
  const double variance_Pa2 = own_Pa2 + stray_Pa2;
  const double in_order_Pa2 = variance_Pa2 + square(reading_sd_Pa);
  const double learnt_Pa2 =
      square(own_Pa2 + kCarShare * stray_Pa2) *
      ((1.0 - fault_chance) / in_order_Pa2 + fault_chance / (in_order_Pa2 + square(fault_sd_Pa)));
  return root(variance_Pa2) - root(variance_Pa2 - learnt_Pa2);
}

}  // namespace idlefit
