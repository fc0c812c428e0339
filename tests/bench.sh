#!/usr/bin/env bash
# Builds and runs every benchmark, and ends with the table of figures (docs/performance.md): some
# ten minutes. Arguments go to the benchmarks: --benchmark_filter='examples|random'
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../cli/setup.sh"

install_packages "${packages[@]}"
build_target idlefit_bench -DIDLEFIT_TESTS=ON
say "$(grep -m1 'model name' /proc/cpuinfo | cut -d: -f2 | xargs), $cores cores, load $(cut -d' ' -f1 /proc/loadavg)"
exec "$build/idlefit_bench" "$@"
