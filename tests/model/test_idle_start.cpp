#include <Eigen/QR>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include "model/cycle.h"
#include "model/idle_start.h"
#include "tests/support/engines.h"

// The regression that idle solves start from.

namespace idlefit::test {
namespace {

struct Solved {
  StartFeatures features;
  SolvedState start, state;
};

std::vector<Solved> solved_idles(int engines, unsigned seed) {
  WildEngines wild(seed);
  const Coefficients<double> c;
  std::vector<Solved> all;
  for (int i = 0; i < engines; ++i) {
    const Engine e = wild.next();
    const SolveResult r = solve_idle(e, c);
    if (r.status != Status::ok) continue;
    const double losses = Cycle<double>(e.build, e.inputs, c, 0.1).typical_losses_Pa();
    all.push_back({start_features(e.inputs, losses), idle_start(e.inputs, losses), r.state});
  }
  return all;
}

}  // namespace

TEST_CASE("the regression starts near the idle of engines that it was not made from",
          "[characterisation]") {
  // 0.08 bar of manifold pressure rms, where it leaves 0.06 on its own engines and the pressure's
  // own deviation is 0.18: a table that no longer fits the model makes solves slow, not wrong.
  const std::vector<Solved> all = solved_idles(300, 271828);
  REQUIRE(all.size() > 150);
  double sum = 0.0;
  for (const Solved& s : all) sum += std::pow(s.start[11] - s.state[11], 2);
  CHECK(std::sqrt(sum / static_cast<double>(all.size())) < 0.08);
}

TEST_CASE("the table of the regression, from the model as it is", "[.][start-table]") {
  const std::vector<Solved> all = solved_idles(3000, 31415);
  const auto rows = static_cast<Eigen::Index>(all.size());
  Eigen::MatrixXd a(rows, kStartFeatures), b(rows, SolvedState::RowsAtCompileTime);
  for (Eigen::Index i = 0; i < rows; ++i) {
    const Solved& s = all[static_cast<std::size_t>(i)];
    for (Eigen::Index j = 0; j < kStartFeatures; ++j)
      a(i, j) = s.features[static_cast<std::size_t>(j)];
    b.row(i) = s.state.transpose();
  }
  const Eigen::MatrixXd x = a.householderQr().solve(b);
  const Eigen::MatrixXd left = a * x - b;
  std::string table;
  for (Eigen::Index k = 0; k < b.cols(); ++k) {
    table += "    {";
    for (Eigen::Index j = 0; j < kStartFeatures; ++j) {
      char number[32];
      std::snprintf(number, sizeof number, "%.4f", x(j, k));
      table += std::string(j > 0 ? ", " : "") + number;
    }
    char rms[64];
    std::snprintf(rms, sizeof rms, "},  // rms %.3f\n",
                  left.col(k).norm() / std::sqrt(static_cast<double>(rows)));
    table += rms;
  }
  std::printf("%s", table.c_str());  // Catch would break its lines
}

}  // namespace idlefit::test
