#include <ceres/jet.h>

#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <fstream>
#include <iomanip>
#include <sstream>
#include <string>
#include <vector>

#include "fit/minimise.h"
#include "model/constants.h"

// The nonlinear regression sets of NIST's Statistical Reference Datasets through the search and the
// covariance of the fit: tests/reference/nist_strd, certified to 11 digits.

namespace idlefit::test {
namespace {

constexpr int kMostParameters = 9;
using Dual = ceres::Jet<double, kMostParameters>;

struct NistSet {
  std::vector<double> start, certified, certified_sd;
  double certified_square_sum = 0;
  std::vector<double> y;
  std::vector<std::array<double, 2>> x;
};

// Each file: parameter lines "b1 = start1 start2 certified deviation", then from line 61 the data,
// y first.
NistSet read_set(const std::string& name) {
  std::ifstream file(std::string(IDLEFIT_SOURCE_DIR) + "/tests/reference/nist_strd/" + name +
                     ".dat");
  REQUIRE(file);
  NistSet set;
  int number = 0;
  for (std::string line; std::getline(file, line);) {
    ++number;
    std::istringstream in(line);
    if (number > 60) {
      double y = 0;
      std::array<double, 2> x{};
      if (!(in >> y >> x[0])) continue;
      in >> x[1];
      set.y.push_back(y);
      set.x.push_back(x);
    } else if (number > 40) {
      std::string word, equals;
      double first = 0, second = 0, certified = 0, deviation = 0;
      if (in >> word >> equals >> first >> second >> certified >> deviation && equals == "=") {
        REQUIRE(word == "b" + std::to_string(set.start.size() + 1));
        set.start.push_back(second);
        set.certified.push_back(certified);
        set.certified_sd.push_back(deviation);
      }
      const std::string label = "Residual Sum of Squares:";
      if (line.rfind(label, 0) == 0)
        set.certified_square_sum = std::stod(line.substr(label.size()));
      const std::string count = "Number of Observations:";
      if (line.rfind(count, 0) == 0) set.y.reserve(std::stoul(line.substr(count.size())));
    }
  }
  REQUIRE(!set.start.empty());
  REQUIRE(set.y.size() == set.y.capacity());
  return set;
}

// The models, as the files give them: b[0] is their b1, x[0] their x or x1.

template <class T>
T rise(const T* b, const double* x) {
  return b[0] * (1.0 - exp(-b[1] * x[0]));
}
template <class T>
T misra_b(const T* b, const double* x) {
  const T root = 1.0 + b[1] * x[0] / 2.0;
  return b[0] * (1.0 - 1.0 / (root * root));
}
template <class T>
T misra_c(const T* b, const double* x) {
  return b[0] * (1.0 - 1.0 / sqrt(1.0 + 2.0 * b[1] * x[0]));
}
template <class T>
T misra_d(const T* b, const double* x) {
  return b[0] * b[1] * x[0] / (1.0 + b[1] * x[0]);
}
template <class T>
T chwirut(const T* b, const double* x) {
  return exp(-b[0] * x[0]) / (b[1] + b[2] * x[0]);
}
template <class T>
T exponentials(const T* b, const double* x) {
  return b[0] * exp(-b[1] * x[0]) + b[2] * exp(-b[3] * x[0]) + b[4] * exp(-b[5] * x[0]);
}
template <class T>
T bell(const T& height, const T& middle, const T& width, double x) {
  const T off = (x - middle) / width;
  return height * exp(-off * off);
}
template <class T>
T gauss(const T* b, const double* x) {
  return b[0] * exp(-b[1] * x[0]) + bell(b[2], b[3], b[4], x[0]) + bell(b[5], b[6], b[7], x[0]);
}
template <class T>
T power(const T* b, const double* x) {
  return b[0] * exp(b[1] * std::log(x[0]));
}
template <class T>
T kirby(const T* b, const double* x) {
  return (b[0] + x[0] * (b[1] + x[0] * b[2])) / (1.0 + x[0] * (b[3] + x[0] * b[4]));
}
template <class T>
T cubics(const T* b, const double* x) {
  return (b[0] + x[0] * (b[1] + x[0] * (b[2] + x[0] * b[3]))) /
         (1.0 + x[0] * (b[4] + x[0] * (b[5] + x[0] * b[6])));
}
template <class T>
T nelson(const T* b, const double* x) {  // of log y
  return b[0] - b[1] * x[0] * exp(-b[2] * x[1]);
}
template <class T>
T mgh_17(const T* b, const double* x) {
  return b[0] + b[1] * exp(-b[3] * x[0]) + b[2] * exp(-b[4] * x[0]);
}
template <class T>
T roszman(const T* b, const double* x) {
  return b[0] - b[1] * x[0] - atan(b[2] / (x[0] - b[3])) / kPi;
}
template <class T>
T enso(const T* b, const double* x) {
  const double year = 2.0 * kPi * x[0] / 12.0;
  const T second = 2.0 * kPi * x[0] / b[3], third = 2.0 * kPi * x[0] / b[6];
  return b[0] + b[1] * std::cos(year) + b[2] * std::sin(year) + b[4] * cos(second) +
         b[5] * sin(second) + b[7] * cos(third) + b[8] * sin(third);
}
template <class T>
T mgh_09(const T* b, const double* x) {
  return b[0] * (x[0] * x[0] + x[0] * b[1]) / (x[0] * x[0] + x[0] * b[2] + b[3]);
}
template <class T>
T rat_42(const T* b, const double* x) {
  return b[0] / (1.0 + exp(b[1] - b[2] * x[0]));
}
template <class T>
T mgh_10(const T* b, const double* x) {
  return b[0] * exp(b[1] / (x[0] + b[2]));
}
template <class T>
T eckerle(const T* b, const double* x) {
  const T off = (x[0] - b[2]) / b[1];
  return b[0] / b[1] * exp(-0.5 * off * off);
}
template <class T>
T rat_43(const T* b, const double* x) {
  return b[0] * exp(-log(1.0 + exp(b[1] - b[2] * x[0])) / b[3]);
}
template <class T>
T bennett(const T* b, const double* x) {
  return b[0] * exp(-log(b[1] + x[0]) / b[2]);
}

struct NistCase {
  const char* name;
  Dual (*model)(const Dual*, const double*);
};
constexpr NistCase kCases[] = {{"Misra1a", rise<Dual>},
                               {"Chwirut2", chwirut<Dual>},
                               {"Chwirut1", chwirut<Dual>},
                               {"Lanczos3", exponentials<Dual>},
                               {"Gauss1", gauss<Dual>},
                               {"Gauss2", gauss<Dual>},
                               {"DanWood", power<Dual>},
                               {"Misra1b", misra_b<Dual>},
                               {"Kirby2", kirby<Dual>},
                               {"Hahn1", cubics<Dual>},
                               {"Nelson", nelson<Dual>},
                               {"MGH17", mgh_17<Dual>},
                               {"Lanczos1", exponentials<Dual>},
                               {"Lanczos2", exponentials<Dual>},
                               {"Gauss3", gauss<Dual>},
                               {"Misra1c", misra_c<Dual>},
                               {"Misra1d", misra_d<Dual>},
                               {"Roszman1", roszman<Dual>},
                               {"ENSO", enso<Dual>},
                               {"MGH09", mgh_09<Dual>},
                               {"Thurber", cubics<Dual>},
                               {"BoxBOD", rise<Dual>},
                               {"Rat42", rat_42<Dual>},
                               {"MGH10", mgh_10<Dual>},
                               {"Eckerle4", eckerle<Dual>},
                               {"Rat43", rat_43<Dual>},
                               {"Bennett5", bennett<Dual>}};

// Digits that agree: -log10 of the relative error.
double digits(double found, double certified) {
  return -std::log10(std::max(std::fabs(found - certified) / std::fabs(certified), 1e-16));
}

struct Outcome {  // the fewest digits over the parameters
  double parameter_digits = 0, deviation_digits = 0, square_sum_digits = 0;
  MinimiseResult search;

  bool meets() const { return parameter_digits >= 6.0 && deviation_digits >= 4.0; }
};

// The unknowns are the parameters over their starts: near one in size, as minimise() has them from
// a fit of coefficients.
Outcome solve(const NistCase& which, const MinimiseSettings& settings) {
  const NistSet set = read_set(which.name);
  const auto parameters = static_cast<Eigen::Index>(set.start.size());
  const auto rows = static_cast<Eigen::Index>(set.y.size());
  const bool logarithm = which.model == static_cast<decltype(which.model)>(nelson<Dual>);
  using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

  CostProblem problem;
  problem.blocks.push_back({.value = Eigen::VectorXd::Ones(parameters), .lower = {}, .upper = {}});
  CostTerm term;
  term.blocks = {0};
  term.size = rows;
  term.evaluate = [&](double const* const* unknowns, double* residuals, double** jacobians) {
    std::array<Dual, kMostParameters> b;
    for (std::size_t k = 0; k < set.start.size(); ++k)
      b[k] = set.start[k] * Dual(unknowns[0][k], static_cast<int>(k));
    for (std::size_t i = 0; i < set.y.size(); ++i) {
      const Dual model = which.model(b.data(), set.x[i].data());
      if (!isfinite(model)) return false;
      residuals[i] = (logarithm ? std::log(set.y[i]) : set.y[i]) - model.a;
      if (jacobians != nullptr && jacobians[0] != nullptr) {
        Eigen::Map<RowMajor>(jacobians[0], rows, parameters).row(static_cast<Eigen::Index>(i)) =
            -model.v.head(parameters).transpose();
      }
    }
    return true;
  };
  problem.terms.push_back(term);

  Outcome outcome;
  outcome.search = minimise(problem, settings);
  if (!outcome.search.usable) return outcome;
  Eigen::VectorXd residuals(rows);
  RowMajor jacobian(rows, parameters);
  const double* at = problem.blocks[0].value.data();
  double* slopes = jacobian.data();
  REQUIRE(term.evaluate(&at, residuals.data(), &slopes));
  const double square_sum = residuals.squaredNorm();
  const Eigen::MatrixXd covariance = inverse_information(jacobian.transpose() * jacobian) *
                                     square_sum / static_cast<double>(rows - parameters);
  outcome.square_sum_digits = digits(square_sum, set.certified_square_sum);
  outcome.parameter_digits = 16;
  outcome.deviation_digits = covariance.size() > 0 ? 16 : 0;
  for (Eigen::Index k = 0; k < parameters; ++k) {
    const auto i = static_cast<std::size_t>(k);
    outcome.parameter_digits =
        std::min(outcome.parameter_digits, digits(set.start[i] * at[i], set.certified[i]));
    if (covariance.size() > 0) {
      outcome.deviation_digits = std::min(
          outcome.deviation_digits,
          digits(std::fabs(set.start[i]) * std::sqrt(covariance(k, k)), set.certified_sd[i]));
    }
  }
  return outcome;
}

}  // namespace

TEST_CASE("certified regressions of NIST", "[published]") {
  // One setting for all sets. The default ends a search where its next step gains no more than
  // 1e-10 of the cost: enough where coefficients are known to a few per cent, but four or five
  // digits of a parameter. Six digits need that end to be out of reach; and the sets whose
  // residuals are next to nothing (Lanczos) or whose starts are far away take some 80 steps, the
  // default allows 60.
  const MinimiseSettings to_the_end{.relative_decrease = 1e-16, .steps_at_most = 500};
  std::ostringstream report;
  report << std::fixed << std::setprecision(1);
  int met = 0, met_by_default = 0;
  for (const NistCase& which : kCases) {
    const Outcome by_default = solve(which, {});
    const Outcome found = solve(which, to_the_end);
    met += found.meets() ? 1 : 0;
    met_by_default += by_default.meets() ? 1 : 0;
    report << "\n  " << std::setw(9) << which.name << ": parameters " << found.parameter_digits
           << " digits, deviations " << found.deviation_digits << ", residual sum of squares "
           << found.square_sum_digits << ", " << found.search.steps << " steps; by default "
           << by_default.parameter_digits << ", " << by_default.deviation_digits
           << (found.meets() ? "" : "  <- missed");
  }
  WARN(met << " of 27 sets with certified parameters to 6 digits and deviations to 4 ("
           << met_by_default
           << " with the default end of a search); the worst of each:" << report.str());
  // Lanczos1 is beyond double precision: its residuals are 1e-13 of data near one, so that their
  // sum of squares, and with it every deviation, has three digits.
  CHECK(met >= 24);
}

}  // namespace idlefit::test
