#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <vector>

#include "fit/points.h"
#include "fit/predictions.h"
#include "model/knowledge.h"

// The posterior of a fit. The likelihood, once for all that follows:
//
//   measured_i = model_i(coefficients, unknowns of the car) + offset + k_i u + e_i
//
// e_i is Student's t with scale sqrt(s_i^2 + (1 - share) (k_i d)^2): s_i the reading error, d the
// scale of the discrepancy in idle MAP, k_i how much a quantity moves with it. u, the car's own
// part of the discrepancy, is Student's t with scale sqrt(share) d, one for all readings of a car
// at idle; a car with a single such reading has both in e_i, with scale sqrt(s_i^2 + (k_i d)^2).
// Coefficients, unknowns of a car and offsets have normal priors; d a half-normal one.

namespace idlefit {

/// The unknowns of a fit but for d, all near one in size.
struct Unknowns {
  Eigen::VectorXd shared;  ///< coefficients in prior deviations from their prior means; offsets
  std::vector<Eigen::VectorXd> cars;  ///< latent variables; then u over its scale
};

/// One point as the likelihood sees it.
struct Row {
  std::size_t car = 0;
  std::vector<Eigen::Index> latents;  ///< entries of the car's unknowns that the model depends on
  Eigen::Index car_part = -1;         ///< entry of u among them, or -1
  Eigen::Index offset = -1;           ///< entry of `shared`, or -1
  double offset_sd = 0;               ///< in the point's unit
  double measured = 0, sd = 0, counts_as = 1;
  double per_discrepancy_Pa = 1;  ///< k_i, signed: the point's unit per Pa of idle MAP

  double scale(double discrepancy_Pa) const;         ///< of e_i, in the point's unit
  double per_car_part(double discrepancy_Pa) const;  ///< k_i times the scale of u
};

/// Points and prior, in the form that the fit works with.
struct FitProblem {
  CoefficientKnowledge prior;
  Eigen::VectorXd prior_sd;            ///< of each coefficient
  Eigen::MatrixXd prior_root;          ///< R with R'R the information of the prior, in deviations
  Eigen::Index shared = 0;             ///< entries of Unknowns::shared
  std::vector<Eigen::Index> latents;   ///< of each car
  std::vector<Eigen::Index> own_size;  ///< entries of each car's unknowns
  std::vector<Row> rows;               ///< one a point, in the same order
  std::vector<std::vector<std::size_t>> rows_of_car;

  FitProblem(const PointSet& set, const CoefficientKnowledge& prior);
  Unknowns start() const;  ///< all zero: the prior means
  Coefficients<double> coefficients(const Eigen::VectorXd& shared) const;
};

/// A row where the model was last evaluated: its value and slopes there, in the point's unit, to
/// the coefficients in deviations and to Row::latents.
struct LinearRow {
  double model = 0;
  Eigen::VectorXd by_coefficient, by_latent;
};
std::vector<LinearRow> linear_rows(const FitProblem& problem, const Predictions& predictions);

/// The posterior with the model taken as linear about a point.
class LinearPosterior {
 public:
  LinearPosterior(const FitProblem& problem, Unknowns at, std::vector<LinearRow> rows,
                  unsigned threads);

  struct Mode {
    Unknowns at;
    double cost = 0;  ///< negative logarithm of the posterior density, but for a constant
    /// Logarithm of the marginal likelihood of d times its prior, by Laplace's method.
    double log_marginal = 0;
    Eigen::MatrixXd shared_covariance;  ///< from the Hessian at the mode
  };
  /// The most probable unknowns for a scale of the discrepancy, by iteratively reweighted least
  /// squares from a start; `without` leaves one row out.
  Mode mode(double discrepancy_Pa, const Unknowns& start,
            std::optional<std::size_t> without = std::nullopt) const;

  /// Negative logarithm of the posterior density, but for a constant.
  double cost(double discrepancy_Pa, const Unknowns& x,
              std::optional<std::size_t> without = std::nullopt) const;

  /// What a row looks like at a mode.
  struct RowView {
    double residual = 0;    ///< measured less model, offset and car's part; point's unit
    double deviations = 0;  ///< residual over the scale of e_i
    double weight = 1;      ///< by which Student's t takes it in, 1.25 at most
    double leave_out_residual =
        0;                    ///< measured less what a fit without this row says, to first order
    double leave_out_sd = 0;  ///< deviation of that prediction, without e_i
    double leverage = 0;      ///< share of the row in its own prediction
  };
  std::vector<RowView> row_views(double discrepancy_Pa, const Mode& mode) const;

 private:
  struct Information;
  Information information(double discrepancy_Pa, const Unknowns& x, bool exact,
                          std::optional<std::size_t> without) const;
  double residual(std::size_t row, double discrepancy_Pa, const Unknowns& x) const;
  void slopes(std::size_t row, double discrepancy_Pa, Eigen::VectorXd& by_shared,
              Eigen::VectorXd& by_own) const;

  const FitProblem& problem_;
  Unknowns expansion_;
  std::vector<LinearRow> rows_;
  unsigned threads_;
};

/// Marginal posterior of d, and of the coefficients over it.
struct DiscrepancyPosterior {
  double best_Pa = 0;  ///< most probable on a logarithmic scale
  Discrepancy discrepancy;
  Eigen::VectorXd shared_mean;
  Eigen::MatrixXd shared_covariance;
};
DiscrepancyPosterior discrepancy_posterior(const LinearPosterior& posterior, const Unknowns& start);

}  // namespace idlefit
