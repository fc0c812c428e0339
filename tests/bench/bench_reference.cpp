#include <benchmark/benchmark.h>

#include <chrono>
#include <cmath>
#include <cstddef>
#include <string>
#include <utility>
#include <vector>

#include "model/cycle.h"
#include "model/idle.h"
#include "profiles/engine_file.h"
#include "tests/bench/engines.h"
#include "tests/reference/cycle_by_cvode.h"

// The same idle through SUNDIALS CVODE, beside solve_idle: how many times longer it takes
// ("times_solve_idle"). Each way of using CVODE runs at whichever of the settings below was fastest
// among those that came within 0.02 kPa of the tight reference on that engine, so the comparison
// leans CVODE's way. Both start from first_guess at 0.55 of the barometer, and are timed in turn,
// so that a busy machine hits both. Adams by functional iteration is left out: on these stiff valve
// flows it takes twice as long as with Newton's method.

namespace idlefit::bench {
namespace {

using Clock = std::chrono::steady_clock;
using reference::CvodeCycle;
using reference::CvodeIdle;
using reference::CvodeOptions;

constexpr double kEnough_Pa = 20.0;

template <class F>
double seconds(F&& f) {
  const auto start = Clock::now();
  f();
  return std::chrono::duration<double>(Clock::now() - start).count();
}

enum class Search { secant, newton };

struct Setting {
  double integrator_tolerance;
  double search_tolerance;  // of the repeating cycle, or of Newton's method
};

CvodeIdle find(const Engine& engine, const Coefficients<double>& coefficients,
               const CycleState<double>& start, CvodeOptions::Method method, Search search,
               const Setting& setting) {
  const CvodeCycle cycle(engine, coefficients, {method, setting.integrator_tolerance});
  constexpr double kTorque_bar = 1e-3;  // some 0.005 kPa of manifold pressure
  return search == Search::secant
             ? idle_by_secant(cycle, start, setting.search_tolerance, kTorque_bar)
             : idle_by_newton(cycle, start, setting.search_tolerance);
}

std::vector<Setting> settings(Search search) {
  std::vector<Setting> all;
  for (const double tolerance : {1e-4, 3e-5, 1e-5, 3e-6, 1e-6, 3e-7}) {
    if (search == Search::newton) {
      all.push_back({tolerance, 30.0 * tolerance});
    } else {
      for (const double repeats : {3e-4, 1e-4, 3e-5}) all.push_back({tolerance, repeats});
    }
  }
  return all;
}

void by_cvode(benchmark::State& state, const std::string& example, Search search,
              CvodeOptions::Method method) {
  const Engine engine =
      complete(read_engine_card(IDLEFIT_SOURCE_DIR "/docs/examples/" + example + ".yaml", {}))
          .engine;
  const Coefficients<double> coefficients;
  const Cycle<double> cycle(engine.build, engine.inputs, coefficients);
  const CycleState<double> start = cycle.first_guess(0.55 * engine.inputs.barometer_Pa);
  const SolveResult solved = solve_idle(engine, coefficients);
  const CvodeIdle truth =
      idle_by_newton(CvodeCycle(engine, coefficients), cycle.first_guess(solved.point.map_Pa));
  if (!solved.balanced || !truth.found) {
    state.SkipWithError("no idle to compare");
    return;
  }

  Setting best{};
  double best_s = 0.0;
  for (const Setting& setting : settings(search)) {
    CvodeIdle idle;
    const double s =
        seconds([&] { idle = find(engine, coefficients, start, method, search, setting); });
    const bool good = idle.found && std::fabs(idle.state.map_Pa - truth.state.map_Pa) < kEnough_Pa;
    if (good && (best_s == 0.0 || s < best_s)) {
      best = setting;
      best_s = s;
    }
  }
  if (best_s == 0.0) {
    state.SkipWithError("CVODE does not come within 0.02 kPa at any of these tolerances");
    return;
  }

  std::vector<double> cvode_s, solve_s;
  CvodeIdle idle;
  for ([[maybe_unused]] auto _ : state) {
    cvode_s.push_back(
        seconds([&] { idle = find(engine, coefficients, start, method, search, best); }));
    for (int i = 0; i < 5; ++i)
      solve_s.push_back(
          seconds([&] { benchmark::DoNotOptimize(solve_idle(engine, coefficients)); }));
    state.SetIterationTime(cvode_s.back());
  }
  state.counters["rtol"] = best.integrator_tolerance;
  state.counters["cycles"] = idle.cycles;
  state.counters["cvode_error_kPa"] = (idle.state.map_Pa - truth.state.map_Pa) / 1e3;
  state.counters["own_error_kPa"] = (solved.point.map_Pa - truth.state.map_Pa) / 1e3;
  state.counters["solve_idle_ms"] = 1e3 * median(solve_s);
  state.counters["times_solve_idle"] = median(cvode_s) / median(solve_s);
}

int register_all() {
  const std::pair<const char*, Search> searches[] = {{"secant", Search::secant},
                                                     {"newton", Search::newton}};
  const std::pair<const char*, CvodeOptions::Method> methods[] = {
      {"bdf", CvodeOptions::Method::bdf}, {"adams", CvodeOptions::Method::adams_newton}};
  for (const char* example : {"stock_four_wagon", "street_v8_coupe", "wild_v8_racer"})
    for (const auto& [search_name, search] : searches)
      for (const auto& [method_name, method] : methods)
        benchmark::RegisterBenchmark(
            (std::string("cvode/") + example + "/" + search_name + "/" + method_name).c_str(),
            [example, search = search, method = method](benchmark::State& state) {
              by_cvode(state, example, search, method);
            })
            ->UseManualTime()
            ->Unit(benchmark::kMillisecond)
            ->Iterations(5);
  return 0;
}
[[maybe_unused]] const int kRegistered = register_all();

}  // namespace
}  // namespace idlefit::bench
