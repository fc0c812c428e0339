#include <benchmark/benchmark.h>

#include <string>
#include <vector>

#include "tests/bench/engines.h"
#include "tests/support/run_program.h"

// Whole commands, as a person waits for them: the program is started anew each time. Elapsed time
// is what they wait for; processor time is what a busy machine does not change.

namespace idlefit::bench {
namespace {

void command(benchmark::State& state, const std::vector<std::string>& arguments) {
  std::vector<double> wall_s, cpu_s;
  for ([[maybe_unused]] auto _ : state) {
    const ProgramRun run = run_idlefit(arguments, {.folder = IDLEFIT_SOURCE_DIR});
    if (run.exit_code != 0) state.SkipWithError(run.err.c_str());
    wall_s.push_back(run.wall_s);
    cpu_s.push_back(run.cpu_s);
    state.SetIterationTime(run.wall_s);
  }
  if (wall_s.empty()) return;
  state.counters["wall_s"] = median(wall_s);
  state.counters["cpu_s"] = median(cpu_s);
}

const std::string kCoupe = "docs/examples/street_v8_coupe.yaml";

BENCHMARK_CAPTURE(command, estimate, {"estimate", "docs/examples/stock_four_wagon.yaml"})
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(9);
BENCHMARK_CAPTURE(command, estimate_sampled, {"estimate", kCoupe})
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(5);
BENCHMARK_CAPTURE(command, check, {"check", kCoupe, "docs/examples/visits/street_v8_coupe.yaml"})
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(3);
BENCHMARK_CAPTURE(command, table, {"table", kCoupe})
    ->UseManualTime()
    ->Unit(benchmark::kMillisecond)
    ->Iterations(3);

}  // namespace
}  // namespace idlefit::bench
