#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <vector>

#include "model/idle.h"
#include "model/knowledge.h"

namespace idlefit {

/// Standard-normal quantile of 0.9: what lies within this many deviations is 10 to 90 %.
/// Source: any table of the normal distribution (1.28155).
inline constexpr double kQuantile90 = 1.2815515655446004;

// The unknowns of an estimate are independent standard-normal numbers: the latent variables of the
// assumed inputs, then those behind the coefficients. Beside them stands the discrepancy, what the
// engine shows beyond the model. Its heavy tail is a mixture of normal laws, so that all here is
// linear and normal within each part of that mixture: to first order about the point where the
// gradient was taken, and exact for what follows from it.

/// The coefficients as a plain function of independent standard-normal numbers.
class CoefficientUnknowns {
 public:
  explicit CoefficientUnknowns(const CoefficientKnowledge& knowledge);

  /// Mean plus factor times the numbers, each coefficient within the bounds of its table.
  Coefficients<double> at(const Eigen::VectorXd& numbers) const;

  /// Its product with its transpose is the covariance; any covariance that is one will do, singular
  /// or not. Where the coefficients are independent, number k moves coefficient k alone.
  const CoefficientCovariance& factor() const { return factor_; }

 private:
  Coefficients<double> mean_;
  CoefficientCovariance factor_;
};

/// What one standard deviation of each unknown does to a quantity with these slopes: dq/dinput
/// dinput/dlatent, then the same for the numbers behind the coefficients. input_per_latent is
/// kInputCount x latent count, SI units per standard deviation.
Eigen::VectorXd unknown_effects(const ParameterGradient& slopes,
                                const Eigen::MatrixXd& input_per_latent,
                                const CoefficientUnknowns& coefficients);
/// Likewise to MAP, Pa.
inline Eigen::VectorXd unknown_effects_Pa(const PointGradient& gradient,
                                          const Eigen::MatrixXd& input_per_latent,
                                          const CoefficientUnknowns& coefficients) {
  return unknown_effects(gradient.map_Pa, input_per_latent, coefficients);
}

/// How likely each idle MAP is: a mixture of normal laws, and the chance that there is no idle at
/// all, which counts as a MAP above any.
class Predictive {
 public:
  struct Part {
    double weight, mean_Pa, sd_Pa;  ///< sd 0: this value and no other
  };
  /// Weights and `no_idle` add up to 1; at least one part or no_idle = 1.
  explicit Predictive(std::vector<Part> parts, double no_idle = 0);

  /// The law of a reading of it whose own error is normal with this deviation (Pa).
  Predictive as_read(double sd_Pa) const;

  double below(double map_Pa) const;  ///< probability of less than this
  /// Probability of each of `count` steps (1 or more) from `from_Pa` up, to 1e-6; the first holds
  /// what lies below it too.
  std::vector<double> shares(double from_Pa, double step_Pa, std::size_t count) const;
  double quantile_Pa(double share) const;      ///< 0 < share < 1; infinite where no idle begins
  double mean_Pa() const { return mean_Pa_; }  ///< of those with an idle; 0 where there are none
  double sd_Pa() const { return sd_Pa_; }      ///< likewise
  double no_idle() const { return no_idle_; }

 private:
  std::vector<Part> parts_;
  double no_idle_, mean_Pa_ = 0, sd_Pa_ = 0;
};

/// 10 % lie below it and 10 % above.
struct PressureInterval {
  double low_Pa = 0, high_Pa = 0;
};
/// An end that lies among the engines without an idle is put at the barometer.
PressureInterval interval_80(const Predictive& predictive, double barometer_Pa);

/// One normal law of the mixture that the discrepancy is.
struct DiscrepancyPart {
  double weight, variance_Pa2;
};
/// Student's t of each scale as normal laws whose variance is scale^2 / w, w ~ Gamma(2, rate 2): a
/// few slices of w, each by its mean of 1 / w, so that the variance is exact and the 10 and 90 %
/// quantiles are within 0.5 % of Student's. One part of variance 0 where there is no discrepancy.
/// Where many scales make many parts, those whose variances lie within a factor of two are taken
/// together, which keeps the variance and moves no quantile by more than another 0.5 %.
std::vector<DiscrepancyPart> discrepancy_parts(const Discrepancy& discrepancy);

/// A reading of MAP on this engine.
struct MapReading {
  Eigen::VectorXd effects_Pa;  ///< what the unknowns do to what the model says of it
  double sd_Pa = 0;            ///< of the reading itself, over 0
  double surprise_Pa = 0;  ///< reading less what was expected with every unknown at 0, first order
  /// Probability that the engine that was read had a fault, and how far (standard deviation) that
  /// carries a reading off; the prediction is always of the engine in order.
  double fault_chance = 0, fault_sd_Pa = 0;
};

/// What is known of one engine: of its unknowns, and of what it shows beyond the model. Of the
/// discrepancy's variance kCarShare is the car's, the same in a reading and in a prediction; the
/// rest belongs to each reading and to each prediction alone.
///
/// A reading is weighed by Bayes' rule: in each part of the mixture it moves unknowns and car by
/// the usual normal update, and the part's weight is multiplied by how likely the reading was under
/// it. A reading far from what was expected is thus put down to an odd car or a fault rather than
/// to the physics. An engine in order and one with a fault are parts of the mixture too.
class EngineBelief {
 public:
  explicit EngineBelief(const Discrepancy& discrepancy);
  EngineBelief(const Discrepancy& discrepancy, MapReading reading);

  /// The law of an idle MAP whose mean is known and on which the unknowns have these effects.
  Predictive predict(double mean_Pa, const Eigen::VectorXd& effects_Pa) const;

  /// By how much the reading moved the mean of that MAP; 0 without one.
  double mean_shift_Pa(const Eigen::VectorXd& effects_Pa) const;
  /// Mean of each of `count` unknowns; 0 without a reading.
  Eigen::VectorXd unknowns_mean(Eigen::Index count) const;
  /// Mean of the car's own deviation from the model, Pa.
  double car_mean_Pa() const;
  /// Covariance of the unknowns with their own part of that MAP, over its deviation: the unknowns
  /// of an engine that stands one deviation up. Zero where they have no effect.
  Eigen::VectorXd principal_direction(const Eigen::VectorXd& effects_Pa) const;
  /// Probability, before the reading, of one at least so far from what was expected, either way.
  double chance_of_surprise() const { return chance_of_surprise_; }

  /// Probability, after the reading, that the engine that was read had a fault.
  double fault_probability() const;

  bool has_reading() const { return read_; }

  /// One engine drawn: its unknowns, and the law of what it shows beyond the model.
  struct Draw {
    Eigen::VectorXd unknowns;
    std::vector<Predictive::Part> discrepancy;  ///< weights add up to 1
    double stray_Pa2 = 0;    ///< after a reading: variance of the discrepancy before it
    double reading_Pa2 = 0;  ///< likewise: variance of the reading itself
    double left_Pa = 0;      ///< likewise: reading less the model with these unknowns, first order
    double weight = 1;
  };
  /// From independent standard-normal numbers, one per unknown, and a number between 0 and 1.
  Draw draw(const Eigen::VectorXd& numbers, double uniform) const;
  /// Weighs an engine drawn after a reading by what the reading differs from the model when that is
  /// solved for it (Pa): law and weight are then exact, not of first order.
  void weigh(Draw& draw, double left_Pa) const;

 private:
  friend struct MapUncertainty;

  struct Part {
    double weight;
    double discrepancy_Pa2;  // variance before the reading
    double reading_Pa2;      // variance of the reading itself, a fault included; 0 without one
    bool fault;
    double per_spread;  // 1 / variance of the reading before it was taken; 0 without one
  };
  double car_shift_Pa(const Part& part) const;

  std::vector<Part> parts_;
  bool read_ = false;
  MapReading reading_;
  double chance_of_surprise_ = 1.0;
};

/// How well an idle MAP is known, by its variance. With a reading what is said of the parts is from
/// after it, and they hang together.
struct MapUncertainty {
  double sd_Pa = 0;               ///< all together
  double coefficients_sd_Pa = 0;  ///< the coefficients alone
  double discrepancy_sd_Pa = 0;   ///< what engines show beyond the model, alone
  /// One entry a latent variable, signed: the deviation of MAP that goes along with it. Without a
  /// reading their squares and those of the other two add up to the whole.
  Eigen::VectorXd latent_effect_Pa;

  MapUncertainty() = default;
  MapUncertainty(const Eigen::VectorXd& effects_Pa, const EngineBelief& belief);
};

/// By how much (Pa) the standard deviation of MAP would shrink if this latent variable were known.
double sd_removed_Pa(const MapUncertainty& uncertainty, Eigen::Index latent);

/// By how much (Pa) it would shrink by a reading of that MAP itself, good to `reading_sd_Pa`: by
/// the best linear estimate, on average over an engine in order and one with a fault, told apart.
/// What belongs to a day and not to the car stays. For an engine on which nothing was read yet.
double sd_removed_by_reading_Pa(const Eigen::VectorXd& effects_Pa, const Discrepancy& discrepancy,
                                double reading_sd_Pa, double fault_chance = 0,
                                double fault_sd_Pa = 0);

}  // namespace idlefit
