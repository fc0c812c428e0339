#include "profiles/diagnosis.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <limits>

#include "model/uncertainty.h"
#include "profiles/known_reading.h"

namespace idlefit {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kNever = -std::numeric_limits<double>::infinity();

// Errors of readings and of settings, standard deviations, beside those of the visit.
constexpr double kUnverifiedSparkSd_deg = 4;  // a mark that may be off; chosen
constexpr double kAdvanceSd_deg = 3;          // of kAdvanceBy1500_deg; from memory
constexpr double kCrankingSd = 0.08;          // gauge, cranking speed and kCrankingExponent; chosen
constexpr double kCoolantSd_K = 5;            // thermostats and sensors; from memory
constexpr double kSparkSetSd_deg = 1, kLambdaSetSd = 0.02;  // of what was set; chosen

// Of what a car shows beyond the model, the share that moves the work its idle asks for, and with
// it air, fuel and MAP alike; the rest is breathing, which moves MAP alone. Chosen.
constexpr double kWorkShare = 0.5;

constexpr Index at(Indication i) { return static_cast<Index>(i); }

double log_sum(const std::vector<double>& logs) {
  const double largest = *std::max_element(logs.begin(), logs.end());
  if (largest == kNever) return kNever;
  double sum = 0;
  for (const double log : logs) sum += std::exp(log - largest);
  return largest + std::log(sum);
}

double log_normal(double off, double sd) { return -0.5 * off * off / (sd * sd) - std::log(sd); }

// --- What an engine in order would read ----------------------------------------------------------

struct Expected {
  IndicationVector mean;
  Eigen::Matrix<double, kIndicationCount, Eigen::Dynamic> effects;  // of unknowns, one deviation
  IndicationVector own_sd;                                          // of each reading alone
  IndicationVector work, breathing;  // of one unit of MAP that the car shows beyond the model

  // Covariance of all indications where the discrepancy of MAP has this variance.
  Eigen::Matrix<double, kIndicationCount, kIndicationCount> covariance(double variance_Pa2) const {
    Eigen::Matrix<double, kIndicationCount, kIndicationCount> c = effects * effects.transpose();
    c += variance_Pa2 * kCarShare *
         (kWorkShare * work * work.transpose() +
          (1.0 - kWorkShare) * breathing * breathing.transpose());
    c.diagonal() += (variance_Pa2 * (1.0 - kCarShare) * work.array().square()).matrix();
    c.diagonal() += own_sd.array().square().matrix();
    return c;
  }
};

Expected expected_of(const HealthyEngine& healthy, const EngineCard& card, const Visit& visit,
                     const Completion& completion, const CoefficientKnowledge& knowledge,
                     bool by_vacuum) {
  Expected e;
  e.mean = healthy.indications();
  const auto& slopes = healthy.slopes();
  const auto slope = [&](Input input) -> IndicationVector {
    return slopes.col(static_cast<Index>(input));
  };

  const CoefficientUnknowns coefficients(knowledge);
  constexpr Index kErrors = 4;
  const Index unknowns = completion.input_per_latent.cols() + coefficients.factor().cols();
  e.effects.resize(Eigen::NoChange, unknowns + kErrors);
  for (Index i = 0; i < kIndicationCount; ++i) {
    e.effects.row(i).head(unknowns) =
        unknown_effects(slopes.row(i).transpose(), completion.input_per_latent, coefficients)
            .transpose();
  }
  // What was read or set beside the indications has an error too; what was assumed has its own
  // latent variable.
  const ReadingTrust trust;
  const double barometer_Pa = visit.station_Pa() ? trust.barometer_Pa : trust.weather_Pa;
  e.effects.col(unknowns) = slope(Input::speed_rpm) * (card.speed_rpm ? trust.speed_rpm : 0.0);
  e.effects.col(unknowns + 1) = slope(Input::barometer_Pa) * barometer_Pa;
  // A gauge's MAP is what the vacuum leaves of the barometer that was taken.
  if (by_vacuum) e.effects(at(Indication::map_Pa), unknowns + 1) -= barometer_Pa;
  e.effects.col(unknowns + 2) =
      slope(Input::spark_btdc_deg) * (card.spark_btdc_deg ? kSparkSetSd_deg : 0.0);
  e.effects.col(unknowns + 3) = slope(Input::lambda) * (card.lambda ? kLambdaSetSd : 0.0);

  const auto own = [&](Indication i) -> double& { return e.own_sd[at(i)]; };
  const auto mean = [&](Indication i) { return e.mean[at(i)]; };
  own(Indication::map_Pa) = by_vacuum ? trust.gauge_Pa : kMapReadingSd_Pa;
  own(Indication::air_kg_s) = kFlowReadingSd * mean(Indication::air_kg_s);
  own(Indication::fuel_kg_s) = kFlowReadingSd * mean(Indication::fuel_kg_s);
  own(Indication::lambda) = kLambdaReadingSd;
  own(Indication::spark_deg) =
      visit.spark.mark_verified.value_or(false) ? kSparkReadingSd_deg : kUnverifiedSparkSd_deg;
  own(Indication::map_1500_Pa) = std::hypot(
      kMapReadingSd_Pa, kAdvanceSd_deg * slope(Input::spark_btdc_deg)[at(Indication::map_1500_Pa)]);
  own(Indication::cranking_Pa) = kCrankingSd * mean(Indication::cranking_Pa);
  own(Indication::coolant_K) = kCoolantSd_K;

  e.work.setZero();
  for (const Indication i :
       {Indication::map_Pa, Indication::air_kg_s, Indication::fuel_kg_s, Indication::map_1500_Pa})
    e.work[at(i)] = mean(i) / mean(Indication::map_Pa);
  e.breathing.setZero();
  for (const Indication i : {Indication::map_Pa, Indication::map_1500_Pa})
    e.breathing[at(i)] = e.work[at(i)];
  return e;
}

// --- What was read -------------------------------------------------------------------------------

struct Reading {
  Indication indication;
  double value;
};

std::vector<Reading> readings_of(const Visit& visit, double barometer_Pa) {
  std::vector<Reading> readings;
  const auto add = [&](Indication i, const Visit::Maybe<double>& value) {
    if (value) readings.push_back({i, *value});
  };
  if (visit.manifold.tap.value_or(Visit::Tap::plenum) == Visit::Tap::plenum) {
    if (visit.manifold.map_Pa) {
      add(Indication::map_Pa, visit.manifold.map_Pa);
    } else if (visit.manifold.vacuum_Pa) {
      add(Indication::map_Pa, barometer_Pa - *visit.manifold.vacuum_Pa);
    }
  }
  add(Indication::air_kg_s, visit.air.flow_kg_s);
  add(Indication::fuel_kg_s, visit.fuel.flow_kg_s);
  // A leak ahead of the sensor lets it read lean.
  if (visit.inspection.exhaust_leaks != Visit::Look::found)
    add(Indication::lambda, visit.mixture.lambda);
  add(Indication::spark_deg, visit.spark.idle_deg);
  add(Indication::map_1500_Pa, visit.manifold.map_at_1500_Pa);
  add(Indication::coolant_K, visit.idle.coolant_K);
  if (!visit.cranking_Pa.empty()) {
    // One low cylinder is a sign of its own, and says nothing of the others.
    const double high = *std::max_element(visit.cranking_Pa.begin(), visit.cranking_Pa.end());
    double sum = 0, count = 0;
    for (const double pressure : visit.cranking_Pa) {
      if (pressure < 0.75 * high) continue;
      sum += pressure;
      ++count;
    }
    add(Indication::cranking_Pa, sum / count);
  }
  return readings;
}

// --- Causes, size by size ------------------------------------------------------------------------

constexpr std::size_t kSolvedSizes = 5;  // each side
constexpr std::size_t kSizes = 40;       // each side, between those

struct SizedCause {
  std::vector<double> size, log_prior;  // of the sizes at which the engine idles
  std::vector<IndicationVector> shift;
};

bool two_sided(const Cause& cause) { return cause.law == SizeLaw::two_sided; }

// Sizes up to the largest in equal steps, with how likely each is before anything was read. An
// engine that is read idles: sizes at which it would not are left out, and their chance with them.
SizedCause sized(
    const Cause& cause, const HealthyEngine& healthy,
    const std::array<std::array<std::optional<IndicationVector>, kSolvedSizes>, 2>& solved) {
  SizedCause s;
  if (cause.law == SizeLaw::unsized) return {{1.0}, {0.0}, {IndicationVector::Zero()}};
  const double step = cause.largest / kSizes;
  const double per_node = cause.largest / kSolvedSizes;
  double all = 0;
  for (std::size_t side = 0; side < (two_sided(cause) ? 2U : 1U); ++side) {
    const auto& nodes = solved[side];
    const auto idles_to = static_cast<std::size_t>(
        std::find(nodes.begin(), nodes.end(), std::nullopt) - nodes.begin());
    for (std::size_t k = 0; k < kSizes; ++k) {
      const double size = (static_cast<double>(k) + 0.5) * step;
      const double density =
          cause.law == SizeLaw::even ? 1.0 : std::exp(-0.5 * std::pow(size / cause.scale, 2));
      all += density;
      const auto node = static_cast<std::size_t>(size / per_node);
      if (node >= idles_to) continue;
      const double along = size / per_node - static_cast<double>(node);
      const IndicationVector upper = *nodes[node] - healthy.indications();
      const IndicationVector lower =
          node == 0 ? IndicationVector(IndicationVector::Zero())
                    : IndicationVector(*nodes[node - 1] - healthy.indications());
      s.size.push_back(side == 0 ? size : -size);
      s.log_prior.push_back(std::log(density));
      s.shift.push_back(lower + along * (upper - lower));
    }
  }
  for (double& log : s.log_prior) log -= std::log(all);
  return s;
}

std::vector<SizedCause> sized_causes(const HealthyEngine& healthy, bool by_vacuum,
                                     unsigned threads) {
  std::array<std::array<std::array<std::optional<IndicationVector>, kSolvedSizes>, 2>, kFaultCount>
      solved;
  for_each_index(kFaultCount * 2 * kSolvedSizes, threads, [&](std::size_t i) {
    const std::size_t node = i % kSolvedSizes, side = i / kSolvedSizes % 2;
    const std::size_t fault = i / (2 * kSolvedSizes);
    const Cause& cause = causes()[fault];
    if (cause.law == SizeLaw::unsized || (side == 1 && !two_sided(cause))) return;
    const double size = cause.largest * static_cast<double>(node + 1) / kSolvedSizes;
    solved[fault][side][node] = healthy.with(cause.fault, side == 0 ? size : -size, by_vacuum);
  });
  std::vector<SizedCause> all;
  for (const Cause& cause : causes())
    all.push_back(sized(cause, healthy, solved[static_cast<std::size_t>(cause.fault)]));
  return all;
}

// --- Likelihood ----------------------------------------------------------------------------------

// How likely readings are where something has shifted them: a mixture of normal laws, whitened part
// by part, so that shifts add up.
class Likelihood {
 public:
  Likelihood(const Expected& expected, const std::vector<Reading>& readings,
             const std::vector<DiscrepancyPart>& parts)
      : read_(static_cast<Index>(readings.size())) {
    VectorXd off(read_);
    for (Index i = 0; i < read_; ++i) {
      rows_.push_back(at(readings[static_cast<std::size_t>(i)].indication));
      off[i] = readings[static_cast<std::size_t>(i)].value - expected.mean[rows_.back()];
    }
    for (const DiscrepancyPart& part : parts) {
      const MatrixXd covariance = expected.covariance(part.variance_Pa2)(rows_, rows_);
      Part p{std::log(part.weight), Eigen::LLT<MatrixXd>(covariance), {}};
      p.log_weight -= MatrixXd(p.factor.matrixL()).diagonal().array().log().sum();
      p.off = p.factor.matrixL().solve(off);
      parts_.push_back(std::move(p));
    }
  }

  // A shift, whitened: a column a part.
  MatrixXd whitened(const IndicationVector& shift) const {
    const VectorXd read = shift(rows_);
    MatrixXd columns(read_, static_cast<Index>(parts_.size()));
    for (std::size_t p = 0; p < parts_.size(); ++p)
      columns.col(static_cast<Index>(p)) = parts_[p].factor.matrixL().solve(read);
    return columns;
  }

  // Logarithm of the density, up to what all share.
  double log_density(const MatrixXd& shift) const {
    double largest = kNever;
    std::array<double, kPartsMost> logs;
    for (std::size_t p = 0; p < parts_.size(); ++p) {
      logs[p] = parts_[p].log_weight -
                0.5 * (parts_[p].off - shift.col(static_cast<Index>(p))).squaredNorm();
      largest = std::max(largest, logs[p]);
    }
    double sum = 0;
    for (std::size_t p = 0; p < parts_.size(); ++p) sum += std::exp(logs[p] - largest);
    return largest + std::log(sum);
  }

  const std::vector<Index>& rows() const { return rows_; }

 private:
  static constexpr std::size_t kPartsMost = 64;
  struct Part {
    double log_weight;
    Eigen::LLT<MatrixXd> factor;
    VectorXd off;
  };
  Index read_;
  std::vector<Index> rows_;
  std::vector<Part> parts_;
};

// --- Signs ---------------------------------------------------------------------------------------

struct SeenSign {
  const Sign* sign;
  std::size_t pattern;
};

double log_sign(const SeenSign& seen, Fault fault) {
  return std::log(seen.sign->chance(seen.pattern, fault));
}

// Of two faults at once: each moves the odds as it would alone.
double log_sign(const SeenSign& seen, Fault first, Fault second) {
  double all = 0, here = 0;
  for (std::size_t i = 0; i < seen.sign->patterns.size(); ++i) {
    const double chance =
        seen.sign->chance(i, first) * seen.sign->chance(i, second) / seen.sign->healthy[i];
    all += chance;
    if (i == seen.pattern) here = chance;
  }
  return std::log(here / all);
}

// --- What would tell most ------------------------------------------------------------------------

// One hypothesis of the next reading: its probability, and normal laws that the reading would
// follow.
struct Forecast {
  double probability;
  std::vector<double> weight, mean;
};

// Information that a reading of this deviation would give on which of the forecasts is true, bits.
double expected_bits(const std::vector<Forecast>& forecasts, double sd) {
  double low = std::numeric_limits<double>::infinity(), high = -low;
  for (const Forecast& f : forecasts) {
    for (const double mean : f.mean) {
      low = std::min(low, mean);
      high = std::max(high, mean);
    }
  }
  low -= 4.0 * sd;
  high += 4.0 * sd;
  const double step = std::max(0.5 * sd, (high - low) / 400.0);
  double bits = 0;
  std::vector<double> density(forecasts.size());
  for (double x = low; x <= high; x += step) {
    double all = 0;
    for (std::size_t h = 0; h < forecasts.size(); ++h) {
      density[h] = 0;
      for (std::size_t k = 0; k < forecasts[h].mean.size(); ++k) {
        density[h] += forecasts[h].weight[k] * std::exp(log_normal(x - forecasts[h].mean[k], sd)) /
                      std::sqrt(2.0 * kPi);
      }
      all += forecasts[h].probability * density[h];
    }
    for (std::size_t h = 0; h < forecasts.size(); ++h) {
      if (density[h] > 0.0)
        bits += forecasts[h].probability * density[h] * std::log2(density[h] / all) * step;
    }
  }
  return bits;
}

double expected_bits(const Sign& sign, const std::vector<double>& probability) {
  // The first hypothesis is an engine in order, then the faults in their order.
  double bits = 0;
  for (std::size_t i = 0; i < sign.patterns.size(); ++i) {
    const auto chance = [&](std::size_t h) {
      return h == 0 ? sign.healthy[i] : sign.chance(i, static_cast<Fault>(h - 1));
    };
    double all = 0;
    for (std::size_t h = 0; h < probability.size(); ++h) all += probability[h] * chance(h);
    for (std::size_t h = 0; h < probability.size(); ++h)
      bits += probability[h] * chance(h) * std::log2(chance(h) / all);
  }
  return bits;
}

// --- All together --------------------------------------------------------------------------------

class Weighing {
 public:
  Weighing(const HealthyEngine& healthy, const Expected& expected,
           const std::vector<Reading>& readings, const Visit& visit,
           const CoefficientKnowledge& knowledge, bool by_vacuum, unsigned threads)
      : expected_(expected),
        readings_(readings),
        causes_(sized_causes(healthy, by_vacuum, threads)),
        parts_(discrepancy_parts(knowledge.discrepancy)),
        likelihood_(expected, readings, parts_) {
    for (const Sign& sign : signs()) {
      if (const auto pattern = sign.seen(visit)) seen_.push_back({&sign, *pattern});
    }
    weigh_singles();
    weigh_pairs();
  }

  Diagnosis diagnosis() const {
    Diagnosis d;
    d.readings = readings_.size() + seen_.size();
    std::vector<double> logs{log_healthy_};
    logs.insert(logs.end(), log_single_.begin(), log_single_.end());
    for (const Pair& pair : pairs_) logs.push_back(pair.log);
    const double all = log_sum(logs);
    d.healthy = std::exp(log_healthy_ - all);
    for (std::size_t f = 0; f < kFaultCount; ++f) {
      FoundCause found;
      found.cause = &causes()[f];
      found.probability = std::exp(log_single_[f] - all);
      for (const Pair& pair : pairs_) {
        if (pair.first == f || pair.second == f) found.probability += std::exp(pair.log - all);
      }
      if (log_single_[f] != kNever) {
        std::tie(found.size, found.size_sd) = size_of(f);
        evidence(f, found);
      }
      d.causes.push_back(std::move(found));
    }
    std::stable_sort(d.causes.begin(), d.causes.end(),
                     [](const auto& a, const auto& b) { return a.probability > b.probability; });
    const double best_alone = *std::max_element(log_single_.begin(), log_single_.end());
    const auto best = std::max_element(pairs_.begin(), pairs_.end(),
                                       [](const Pair& a, const Pair& b) { return a.log < b.log; });
    if (best != pairs_.end() && best->log > std::max(best_alone, log_healthy_)) {
      d.together =
          Diagnosis::Together{&causes()[best->first], &causes()[best->second], best->first_size,
                              best->second_size, std::exp(best->log - all)};
    }
    d.next = next_readings();
    return d;
  }

 private:
  struct Pair {
    std::size_t first, second;
    double log, first_size, second_size;
  };

  static Fault fault(std::size_t f) { return static_cast<Fault>(f); }
  static double log_prior_odds(std::size_t f) {
    return std::log(kChanceOfFault / (1.0 - kChanceOfFault) * causes()[f].share);
  }

  void weigh_singles() {
    const MatrixXd none = likelihood_.whitened(IndicationVector::Zero());
    log_healthy_ = likelihood_.log_density(none);
    for (const SeenSign& seen : seen_) log_healthy_ += std::log(seen.sign->healthy[seen.pattern]);
    for (std::size_t f = 0; f < kFaultCount; ++f) {
      const SizedCause& cause = causes_[f];
      std::vector<double> logs;
      std::vector<MatrixXd> shifts;
      for (std::size_t k = 0; k < cause.size.size(); ++k) {
        shifts.push_back(likelihood_.whitened(cause.shift[k]));
        logs.push_back(cause.log_prior[k] + likelihood_.log_density(shifts.back()));
      }
      const double all = logs.empty() ? kNever : log_sum(logs);
      std::vector<double> weight;
      for (const double log : logs) weight.push_back(std::exp(log - all));
      double log = log_prior_odds(f) + all;
      for (const SeenSign& seen : seen_) log += log_sign(seen, fault(f));
      log_single_.push_back(log);
      size_weight_.push_back(std::move(weight));
      whitened_.push_back(std::move(shifts));
    }
  }

  // Shifts of two faults add up, which is of first order. Every other size will do.
  void weigh_pairs() {
    for (std::size_t a = 0; a < kFaultCount; ++a) {
      for (std::size_t b = a + 1; b < kFaultCount; ++b) {
        std::vector<double> logs;
        Pair pair{a, b, kNever, 0, 0};
        double best = kNever;
        const std::size_t step_a = causes_[a].size.size() > 1 ? 2 : 1;
        const std::size_t step_b = causes_[b].size.size() > 1 ? 2 : 1;
        for (std::size_t i = 0; i < causes_[a].size.size(); i += step_a) {
          for (std::size_t j = 0; j < causes_[b].size.size(); j += step_b) {
            logs.push_back(causes_[a].log_prior[i] + causes_[b].log_prior[j] +
                           likelihood_.log_density(whitened_[a][i] + whitened_[b][j]));
            if (logs.back() <= best) continue;
            best = logs.back();
            pair.first_size = causes_[a].size[i];
            pair.second_size = causes_[b].size[j];
          }
        }
        if (logs.empty()) continue;
        pair.log = log_sum(logs) + log_prior_odds(a) + log_prior_odds(b) +
                   std::log(static_cast<double>(step_a * step_b));
        for (const SeenSign& seen : seen_) pair.log += log_sign(seen, fault(a), fault(b));
        pairs_.push_back(pair);
      }
    }
  }

  // Mean and deviation on the likelier side of 0.
  std::pair<double, double> size_of(std::size_t f) const {
    const SizedCause& cause = causes_[f];
    double above = 0, all = 0;
    for (std::size_t k = 0; k < cause.size.size(); ++k) {
      all += size_weight_[f][k];
      if (cause.size[k] > 0) above += size_weight_[f][k];
    }
    const bool positive = above >= 0.5 * all;
    double weight = 0, mean = 0, square = 0;
    for (std::size_t k = 0; k < cause.size.size(); ++k) {
      if ((cause.size[k] > 0) != positive) continue;
      weight += size_weight_[f][k];
      mean += size_weight_[f][k] * cause.size[k];
      square += size_weight_[f][k] * cause.size[k] * cause.size[k];
    }
    mean /= weight;
    return {mean, std::sqrt(std::max(0.0, square / weight - mean * mean))};
  }

  IndicationVector shift_at(std::size_t f, double size) const {
    const SizedCause& cause = causes_[f];
    std::size_t nearest = 0;
    for (std::size_t k = 1; k < cause.size.size(); ++k) {
      if (std::fabs(cause.size[k] - size) < std::fabs(cause.size[nearest] - size)) nearest = k;
    }
    return cause.shift[nearest];
  }

  double mean_variance_Pa2() const {
    double mean = 0;
    for (const DiscrepancyPart& part : parts_) mean += part.weight * part.variance_Pa2;
    return mean;
  }

  // Each reading by itself: how much likelier with the fault than without.
  void evidence(std::size_t f, FoundCause& found) const {
    constexpr double kWorthSaying = 0.7;  // twice as likely
    const auto covariance = expected_.covariance(mean_variance_Pa2());
    const IndicationVector shift = shift_at(f, found.size);
    std::vector<std::pair<double, std::string_view>> weights;
    for (const Reading& reading : readings_) {
      const Index i = at(reading.indication);
      const double off = reading.value - expected_.mean[i];
      const double sd = std::sqrt(covariance(i, i));
      weights.emplace_back(log_normal(off - shift[i], sd) - log_normal(off, sd),
                           indication_info()[static_cast<std::size_t>(i)].name);
    }
    for (const SeenSign& seen : seen_) {
      weights.emplace_back(log_sign(seen, fault(f)) - std::log(seen.sign->healthy[seen.pattern]),
                           seen.sign->name);
    }
    std::stable_sort(weights.begin(), weights.end(), [](const auto& a, const auto& b) {
      return std::fabs(a.first) > std::fabs(b.first);
    });
    for (const auto& [weight, name] : weights) {
      if (weight > kWorthSaying) found.favour.emplace_back(name);
      if (weight < -kWorthSaying) found.against.emplace_back(name);
    }
  }

  // Pairs are left out: what would tell single causes apart would tell on those too.
  std::vector<NextReading> next_readings() const {
    std::vector<double> logs{log_healthy_};
    logs.insert(logs.end(), log_single_.begin(), log_single_.end());
    const double all = log_sum(logs);
    std::vector<double> probability;
    for (const double log : logs) probability.push_back(std::exp(log - all));

    std::vector<NextReading> next;
    const auto covariance = expected_.covariance(mean_variance_Pa2());
    const std::vector<Index>& rows = likelihood_.rows();
    const auto count = static_cast<Index>(rows.size());
    const Eigen::LLT<MatrixXd> read(MatrixXd(covariance(rows, rows)));
    VectorXd off(count);
    for (Index i = 0; i < count; ++i) {
      const Reading& reading = readings_[static_cast<std::size_t>(i)];
      off[i] = reading.value - expected_.mean[at(reading.indication)];
    }
    for (const IndicationInfo& info : indication_info()) {
      const Index i = at(info.indication);
      if (std::find(rows.begin(), rows.end(), i) != rows.end()) continue;
      const VectorXd with = covariance(rows, i);
      const VectorXd gain = count > 0 ? VectorXd(read.solve(with)) : VectorXd();
      const double sd = std::sqrt(covariance(i, i) - with.dot(gain));
      std::vector<Forecast> forecasts{{probability[0], {1.0}, {gain.dot(off)}}};
      for (std::size_t f = 0; f < kFaultCount; ++f) {
        Forecast forecast{probability[f + 1], size_weight_[f], {}};
        for (const IndicationVector& shift : causes_[f].shift)
          forecast.mean.push_back(shift[i] + gain.dot(off - VectorXd(shift(rows))));
        forecasts.push_back(std::move(forecast));
      }
      next.push_back({info.key, info.question, expected_bits(forecasts, sd)});
    }
    for (const Sign& sign : signs()) {
      const bool seen = std::any_of(seen_.begin(), seen_.end(),
                                    [&](const SeenSign& s) { return s.sign == &sign; });
      if (!seen) next.push_back({sign.key, sign.question, expected_bits(sign, probability)});
    }
    std::stable_sort(next.begin(), next.end(),
                     [](const auto& a, const auto& b) { return a.bits > b.bits; });
    return next;
  }

  const Expected& expected_;
  const std::vector<Reading>& readings_;
  std::vector<SizedCause> causes_;
  std::vector<DiscrepancyPart> parts_;
  Likelihood likelihood_;
  std::vector<SeenSign> seen_;
  double log_healthy_ = 0;
  std::vector<double> log_single_;
  std::vector<std::vector<double>> size_weight_;
  std::vector<std::vector<MatrixXd>> whitened_;
  std::vector<Pair> pairs_;
};

}  // namespace

std::optional<Diagnosis> diagnose(const EngineCard& card, const Visit& visit,
                                  const CoefficientKnowledge& knowledge, unsigned threads) {
  const Completion completion = complete(card);
  const std::optional<HealthyEngine> healthy =
      HealthyEngine::solve(completion.engine, knowledge.mean);
  if (!healthy) return std::nullopt;
  const std::vector<Reading> readings = readings_of(visit, completion.engine.inputs.barometer_Pa);
  if (readings.empty()) return std::nullopt;
  const bool by_vacuum = !visit.manifold.map_Pa;
  const Expected expected = expected_of(*healthy, card, visit, completion, knowledge, by_vacuum);
  return Weighing(*healthy, expected, readings, visit, knowledge, by_vacuum, threads).diagnosis();
}

}  // namespace idlefit
