#include <benchmark/benchmark.h>

#include <algorithm>
#include <chrono>
#include <cstddef>
#include <string>
#include <vector>

#include "model/batch.h"
#include "model/cycle.h"
#include "model/idle.h"
#include "profiles/sampling.h"
#include "tests/bench/engines.h"

// Many solves at once: how many a second, what a second thread brings, and how the cost of one
// grows with what might make it grow. One thread and two are timed in turn, so that a busy machine
// hits both alike; where it is busy the ratio is still too low, since two threads then wait for
// other work and one does not.

namespace idlefit::bench {
namespace {

using Clock = std::chrono::steady_clock;

template <class F>
double seconds(const F& f) {
  const auto start = Clock::now();
  f();
  return std::chrono::duration<double>(Clock::now() - start).count();
}

// Times `work(threads)`, which solves `count` engines, on one thread and on two.
template <class Work>
void one_and_two(benchmark::State& state, std::size_t count, const Work& work) {
  std::vector<double> one_s, two_s;
  for ([[maybe_unused]] auto _ : state) {
    one_s.push_back(seconds([&] { work(1); }));
    two_s.push_back(seconds([&] { work(2); }));
    state.SetIterationTime(two_s.back());
  }
  const double one = *std::min_element(one_s.begin(), one_s.end());
  const double two = *std::min_element(two_s.begin(), two_s.end());
  state.counters["a_second_on_one"] = static_cast<double>(count) / one;
  state.counters["a_second_on_two"] = static_cast<double>(count) / two;
  state.counters["two_over_one"] = one / two;
}

void solve_each(const std::vector<Engine>& engines, unsigned threads, const SolveOptions& options) {
  for_each_index(engines.size(), threads, [&](std::size_t i) {
    benchmark::DoNotOptimize(solve_idle(engines[i], Coefficients<double>{}, options).point.map_Pa);
  });
}

// Each from nothing but its regression, as accurately as an estimate is.
void batch_cold(benchmark::State& state, const std::vector<Engine>& engines) {
  one_and_two(state, engines.size(),
              [&](unsigned threads) { solve_each(engines, threads, SolveOptions{}); });
}

// The examples many times over, so that threads have enough to share.
void batch_cold_examples(benchmark::State& state) {
  std::vector<Engine> engines;
  for (int i = 0; i < 40; ++i)
    for (const Engine& engine : example_engines()) engines.push_back(engine);
  batch_cold(state, engines);
}
void batch_cold_random(benchmark::State& state) { batch_cold(state, random_engines(200)); }
// Of a population, whose engines each count for little.
void batch_of_many_random(benchmark::State& state) {
  const std::vector<Engine> engines = random_engines(200);
  one_and_two(state, engines.size(),
              [&](unsigned threads) { solve_each(engines, threads, {.one_of_many = true}); });
}
// About one engine, as the samples of an interval are: speed, spark and compression drawn.
void batch_about_one(benchmark::State& state) {
  const Engine middle = example_engines()[0];
  const Coefficients<double> coefficients;
  const NearbySolver solver(middle, coefficients,
                            solve_idle(middle, coefficients, {.gradient = true}));
  const std::size_t count = 512;
  const Eigen::MatrixXd numbers = quasi_normal_points(3, count);
  one_and_two(state, count, [&](unsigned threads) {
    for_each_index(count, threads, [&](std::size_t i) {
      Engine engine = middle;
      const auto draw = numbers.col(static_cast<Eigen::Index>(i));
      engine.inputs.speed_rpm += 20.0 * draw[0];
      engine.inputs.spark_btdc_deg += 2.0 * draw[1];
      engine.inputs.compression_ratio += 0.3 * draw[2];
      benchmark::DoNotOptimize(solver.solve(engine, coefficients).map_Pa);
    });
  });
}

double solve_ms(const Engine& engine, const SolveOptions& options) {
  std::vector<double> ms;
  for (int i = 0; i < 15; ++i) {
    ms.push_back(1e3 * seconds([&] {
                   benchmark::DoNotOptimize(solve_idle(engine, Coefficients<double>{}, options));
                 }));
  }
  return median(ms);
}

// What a solve costs over the steps of the cycle and over the number of cylinders, the cylinder
// itself held.
void growth(benchmark::State& state) {
  const Engine engine = example_engines()[0];
  for ([[maybe_unused]] auto _ : state) {
    for (const double mesh : {0.5, 1.0, 2.0, 4.0}) {
      state.counters["steps_x" + std::to_string(mesh).substr(0, 3) + "_ms"] =
          solve_ms(engine, {.mesh = mesh});
    }
    for (const int cylinders : {1, 4, 8}) {
      Engine other = engine;
      other.build.cylinders = cylinders;
      other.build.layout = Layout::inline_row;
      other.inputs.accessory_power_W *= static_cast<double>(cylinders) / engine.build.cylinders;
      other.inputs.converter_torque_Nm *= static_cast<double>(cylinders) / engine.build.cylinders;
      state.counters["cylinders_" + std::to_string(cylinders) + "_ms"] = solve_ms(other, {});
    }
  }
}

// The floor under a solve: a cycle whose mismatch is seen and one that confirms the correction,
// every step of which evaluates its rates once. What one pass of evaluations costs is measured with
// eight times the steps, so short that their first iteration ends them.
void floor_of_a_solve(benchmark::State& state) {
  constexpr double kFine = 8.0;
  const Engine engine = example_engines()[0];
  const Coefficients<double> coefficients;
  const SolveResult solved = solve_idle(engine, coefficients);
  const Cycle<double> cycle(engine.build, engine.inputs, coefficients, kFine);
  CycleState<double> from = cycle.first_guess(solved.point.map_Pa);
  for (int i = 0; i < 20; ++i) {
    const CycleState<double> end = cycle.run(from).end;
    from = end;  // map and plenum stay what they were
  }
  std::vector<double> pass_ms;
  for ([[maybe_unused]] auto _ : state) {
    pass_ms.push_back(1e3 / kFine *
                      seconds([&] { benchmark::DoNotOptimize(cycle.run(from).imep_net_Pa); }));
    state.SetIterationTime(1e-3 * pass_ms.back());
  }
  const double floor_ms = 2.0 * median(pass_ms);
  state.counters["pass_ms"] = median(pass_ms);
  state.counters["floor_ms"] = floor_ms;
  state.counters["solve_ms"] = solve_ms(engine, {});
  state.counters["solve_over_floor"] = state.counters["solve_ms"] / floor_ms;
}

BENCHMARK(batch_cold_examples)->UseManualTime()->Unit(benchmark::kMillisecond)->Iterations(5);
BENCHMARK(batch_cold_random)->UseManualTime()->Unit(benchmark::kMillisecond)->Iterations(5);
BENCHMARK(batch_of_many_random)->UseManualTime()->Unit(benchmark::kMillisecond)->Iterations(5);
BENCHMARK(batch_about_one)->UseManualTime()->Unit(benchmark::kMillisecond)->Iterations(5);
BENCHMARK(growth)->Unit(benchmark::kMillisecond)->Iterations(1);
BENCHMARK(floor_of_a_solve)->UseManualTime()->Unit(benchmark::kMillisecond)->Iterations(50);

}  // namespace
}  // namespace idlefit::bench
