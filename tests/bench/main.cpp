#include <benchmark/benchmark.h>

#include <cstdio>
#include <map>
#include <string>
#include <string_view>
#include <vector>

// Runs the benchmarks and ends with one table: what was measured against what is wanted
// (docs/performance.md). Its exit code does not depend on it: a timing on a shared machine proves
// nothing by itself.

namespace idlefit::bench {
namespace {

struct Figure {
  std::string_view what, unit;
  std::string_view benchmark;  ///< its name up to the first '/' that is not part of this
  std::string_view counter;
  double wanted;
  bool at_least;
};
constexpr bool kAtMost = false, kAtLeast = true;

constexpr Figure kFigures[] = {
    {"idle solve, examples, median", "ms", "examples/idle", "median_ms", 0.8, kAtMost},
    {"  99th percentile", "ms", "examples/idle", "p99_ms", 2.4, kAtMost},
    {"  with the gradient, median", "ms", "examples/idle_with_gradient", "median_ms", 1.6, kAtMost},
    {"idle solve, random engines, median", "ms", "random_population/idle", "median_ms", 0.8,
     kAtMost},
    {"  99th percentile, of those that idle", "ms", "random_population/idle", "p99_ok_ms", 2.4,
     kAtMost},
    {"  99th percentile, of all", "ms", "random_population/idle", "p99_ms", 2.4, kAtMost},
    {"  with the gradient, median", "ms", "random_population/idle_with_gradient", "median_ms", 1.6,
     kAtMost},
    {"solves a second, two threads, examples", "", "batch_cold_examples", "a_second_on_two", 4000,
     kAtLeast},
    {"  random engines, 17 % without an idle", "", "batch_cold_random", "a_second_on_two", 4000,
     kAtLeast},
    {"  as engines of a population", "", "batch_of_many_random", "a_second_on_two", 4000, kAtLeast},
    {"  about one engine", "", "batch_about_one", "a_second_on_two", 4000, kAtLeast},
    {"two threads over one, examples", "times", "batch_cold_examples", "two_over_one", 1.9,
     kAtLeast},
    {"CVODE by secant over idle solve, wagon, BDF", "times", "cvode/stock_four_wagon/secant/bdf",
     "times_solve_idle", 20, kAtLeast},
    {"  Adams", "times", "cvode/stock_four_wagon/secant/adams", "times_solve_idle", 20, kAtLeast},
    {"  coupe, BDF", "times", "cvode/street_v8_coupe/secant/bdf", "times_solve_idle", 20, kAtLeast},
    {"  coupe, Adams", "times", "cvode/street_v8_coupe/secant/adams", "times_solve_idle", 20,
     kAtLeast},
    {"  racer, BDF", "times", "cvode/wild_v8_racer/secant/bdf", "times_solve_idle", 20, kAtLeast},
    {"  racer, Adams", "times", "cvode/wild_v8_racer/secant/adams", "times_solve_idle", 20,
     kAtLeast},
    {"fit of 200 points, two threads", "s", "fit_points/200", "wall_s", 4, kAtMost},
    {"  processor time a point, 100 points", "ms", "fit_points/100", "cpu_ms_per_point", 0,
     kAtMost},
    {"  1,000 points", "ms", "fit_points/1000", "cpu_ms_per_point", 0, kAtMost},
    {"  3,000 points", "ms", "fit_points/3000", "cpu_ms_per_point", 0, kAtMost},
    {"  10,000 points", "ms", "fit_points/10000", "cpu_ms_per_point", 0, kAtMost},
    {"  peak memory, 10,000 points", "MB", "fit_points/10000", "process_peak_MB", 500, kAtMost},
    {"fit by GSL with finite differences over fit", "times", "fit_beside_gsl", "times_own", 5,
     kAtLeast},
    {"estimate by its gradient, processor time", "s", "command/estimate", "cpu_s", 0.1, kAtMost},
    {"estimate with sampled engines, elapsed", "s", "command/estimate_sampled", "wall_s", 0.3,
     kAtMost},
    {"check, elapsed", "s", "command/check", "wall_s", 2, kAtMost},
    {"table of 256 cells or more, elapsed", "s", "command/table", "wall_s", 1, kAtMost},
    {"a solve over its floor", "times", "floor_of_a_solve", "solve_over_floor", 0, kAtMost},
};

class Reporter final : public benchmark::ConsoleReporter {
 public:
  // Plain lines: a table of all counters of all benchmarks would be too wide to read.
  Reporter() : ConsoleReporter(OO_None) {}

  void ReportRuns(const std::vector<Run>& runs) override {
    ConsoleReporter::ReportRuns(runs);
    for (const Run& run : runs) {
      if (run.error_occurred) continue;
      const std::string name =
          run.run_name.function_name + (run.run_name.args.empty() ? "" : "/" + run.run_name.args);
      for (const auto& [counter, of] : run.counters) measured_[name + "|" + counter] = of.value;
    }
  }

  void print_figures() const {
    std::printf("\n%-46s %10s  %s\n", "Figure", "measured", "wanted");
    for (const Figure& figure : kFigures) {
      const auto found =
          measured_.find(std::string(figure.benchmark) + "|" + std::string(figure.counter));
      if (found == measured_.end()) continue;
      const double value = found->second;
      std::printf("%-46.*s %10.4g %-5.*s", static_cast<int>(figure.what.size()), figure.what.data(),
                  value, static_cast<int>(figure.unit.size()), figure.unit.data());
      if (figure.wanted > 0) {
        const bool met = figure.at_least ? value >= figure.wanted : value <= figure.wanted;
        std::printf(" at %s %g: %s", figure.at_least ? "least" : "most", figure.wanted,
                    met ? "met" : "missed");
      }
      std::printf("\n");
    }
  }

 private:
  std::map<std::string, double> measured_;
};

}  // namespace
}  // namespace idlefit::bench

int main(int argc, char** argv) {
  benchmark::Initialize(&argc, argv);
  if (benchmark::ReportUnrecognizedArguments(argc, argv)) return 2;
  idlefit::bench::Reporter reporter;
  benchmark::RunSpecifiedBenchmarks(&reporter);
  reporter.print_figures();
}
