#include <benchmark/benchmark.h>
#include <sys/resource.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstddef>
#include <ctime>
#include <vector>

#include "fit/fit.h"
#include "tests/support/fit_by_gsl.h"
#include "tests/support/fit_sets.h"

// How long a fit of all coefficients takes on two threads, from 100 to 10,000 idle pressures of
// invented cars, one reading each; and the same fit by the GNU Scientific Library with finite
// differences of the same compiled model. Where the machine is shared look at the processor times
// ("cpu_s"), which both threads add to.

namespace idlefit::test {
namespace {

constexpr double kDiscrepancy_Pa = 1500.0, kReadingSd_Pa = 800.0;

PointSet points(std::size_t count) {
  Random random(7);  // any seed; fixed so that timings compare
  return draw_set(random, draw_coefficients(random), kDiscrepancy_Pa, kReadingSd_Pa,
                  std::vector<int>(count, 1))
      .set;
}

double cpu_s() { return static_cast<double>(std::clock()) / CLOCKS_PER_SEC; }

double peak_MB() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  return static_cast<double>(usage.ru_maxrss) / 1024.0;
}

void fit_points(benchmark::State& state) {
  const PointSet set = points(static_cast<std::size_t>(state.range(0)));
  double cpu = 0, wall = 0;
  int evaluations = 0;
  for ([[maybe_unused]] auto _ : state) {
    const double start = cpu_s();
    const auto from = std::chrono::steady_clock::now();
    const FitResult result = fit(set, prior_knowledge(), {.threads = 2});
    cpu = cpu_s() - start;
    wall = std::chrono::duration<double>(std::chrono::steady_clock::now() - from).count();
    evaluations = result.evaluations;
    if (result.status != FitStatus::ok) state.SkipWithError(result.reason.c_str());
  }
  state.counters["cpu_s"] = cpu;
  state.counters["wall_s"] = wall;
  state.counters["cpu_ms_per_point"] = 1e3 * cpu / static_cast<double>(state.range(0));
  state.counters["evaluations"] = evaluations;
  state.counters["process_peak_MB"] = peak_MB();
}

// Leans the library's way: it is given the scale of the discrepancy, which the fit finds itself,
// and makes neither covariance nor what is said of each point.
void fit_beside_gsl(benchmark::State& state) {
  const PointSet set = points(200);
  double own_s = 0, gsl_s = 0;
  FitResult ours;
  GslAnswer theirs;
  for ([[maybe_unused]] auto _ : state) {
    const double start = cpu_s();
    ours = fit(set, prior_knowledge(), {.threads = 2});
    const double between = cpu_s();
    // As near to the minimum as estimates need, some 1e-4 deviations.
    theirs = fit_by_gsl(set, ours.discrepancy_Pa, {}, true, 1e-5, 2);
    own_s = between - start;
    gsl_s = cpu_s() - between;
    if (ours.status != FitStatus::ok || !theirs.ended) state.SkipWithError("one of them failed");
  }
  double apart = 0;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    const double mine = (coefficient_value(ours.mode, k) - info.prior_mean) / info.prior_sd;
    apart = std::max(apart, std::fabs(mine - theirs.x[static_cast<Eigen::Index>(k)]));
  }
  state.counters["own_cpu_s"] = own_s;
  state.counters["gsl_cpu_s"] = gsl_s;
  state.counters["times_own"] = gsl_s / own_s;
  state.counters["own_evaluations"] = ours.evaluations;
  state.counters["gsl_evaluations"] = theirs.evaluations;
  state.counters["prior_deviations_apart"] = apart;
}

BENCHMARK(fit_points)
    ->Arg(100)
    ->Arg(200)
    ->Arg(1000)
    ->Arg(3000)
    ->Arg(10000)
    ->Iterations(1)
    ->UseRealTime()
    ->Unit(benchmark::kSecond);
BENCHMARK(fit_beside_gsl)->Iterations(1)->UseRealTime()->Unit(benchmark::kSecond);

}  // namespace
}  // namespace idlefit::test
