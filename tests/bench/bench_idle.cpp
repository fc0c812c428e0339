#include <benchmark/benchmark.h>

#include <chrono>
#include <cmath>
#include <cstddef>
#include <vector>

#include "model/idle.h"
#include "tests/bench/engines.h"

// How long an idle solve takes, alone and with the gradient to all inputs and coefficients: over
// the example engines, and over a fixed random population. The time shown is the median over the
// engines of each pass; the counters are over all engines, each by its own median over the passes.

namespace idlefit::bench {
namespace {

void solve_all(benchmark::State& state, const std::vector<Engine>& engines, bool gradient) {
  const Coefficients<double> coefficients;
  SolveOptions options;
  options.gradient = gradient;
  std::vector<std::vector<double>> seconds(engines.size());
  int ok = 0, no_idle = 0, not_converged = 0;
  std::vector<bool> idles(engines.size());
  for ([[maybe_unused]] auto _ : state) {
    std::vector<double> pass;
    ok = no_idle = not_converged = 0;
    for (std::size_t i = 0; i < engines.size(); ++i) {
      const auto start = std::chrono::steady_clock::now();
      const SolveResult result = solve_idle(engines[i], coefficients, options);
      const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
      benchmark::DoNotOptimize(result.point.map_Pa);
      pass.push_back(took.count());
      seconds[i].push_back(took.count());
      idles[i] = result.status == Status::ok;
      ok += idles[i];
      no_idle += result.status == Status::no_idle;
      not_converged += result.status == Status::not_converged;
    }
    state.SetIterationTime(median(pass));
  }
  std::vector<double> ms, ok_ms;
  for (std::size_t i = 0; i < engines.size(); ++i) {
    ms.push_back(1e3 * median(seconds[i]));
    if (idles[i]) ok_ms.push_back(ms.back());
  }
  state.counters["median_ms"] = median(ms);
  state.counters["p90_ms"] = quantile(ms, 0.9);
  state.counters["p99_ms"] = quantile(ms, 0.99);
  state.counters["p99_ok_ms"] = quantile(ok_ms, 0.99);
  state.counters["worst_ms"] = quantile(ms, 1.0);
  state.counters["ok"] = ok;
  state.counters["no_idle"] = no_idle;
  state.counters["not_converged"] = not_converged;
}

void examples(benchmark::State& state, bool gradient) {
  static const std::vector<Engine> engines = example_engines();
  solve_all(state, engines, gradient);
}
void random_population(benchmark::State& state, bool gradient) {
  static const std::vector<Engine> engines = random_engines(200);
  solve_all(state, engines, gradient);
}

BENCHMARK_CAPTURE(examples, idle, false)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(15);
BENCHMARK_CAPTURE(examples, idle_with_gradient, true)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(15);
BENCHMARK_CAPTURE(random_population, idle, false)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(5);
BENCHMARK_CAPTURE(random_population, idle_with_gradient, true)
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(5);

}  // namespace
}  // namespace idlefit::bench
