#!/usr/bin/env bash
# Fuzzes the readers of files: installs what is missing (Debian 12), builds in build-fuzz/, runs every
# target of tests/fuzz/, and fails on a finding, naming the file that shows it again.
#   bash tests/fuzz.sh                        15 seconds a target
#   bash tests/fuzz.sh 600                    ten minutes a target
#   bash tests/fuzz.sh 600 visit_file set     these targets alone
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../cli/setup.sh"

seconds=${1:-15}
if ! [[ $seconds =~ ^[1-9][0-9]*$ ]]; then
  say "usage: bash tests/fuzz.sh [SECONDS [TARGET...]]"
  exit 2
fi
build=$root/build-fuzz
install_packages "${packages[@]}" "${clang_packages[@]}"
build_target idlefit_fuzz "${clang_options[@]}" -DIDLEFIT_FUZZ=ON -DIDLEFIT_TESTS=OFF \
  -DIDLEFIT_SANITIZE=address,undefined

targets=("${@:2}")
if [ ${#targets[@]} -eq 0 ]; then
  for source in "$root"/tests/fuzz/fuzz_*.cpp; do
    target=${source##*/fuzz_}
    targets+=("${target%.cpp}")
  done
fi

# The shipped coefficients without the points that they were fitted to: shorter, and so fuzzed faster.
coefficients_alone() {
  sed '/^source:/,$d' "$root/profiles/shipped/coefficients.yaml"
  printf 'source:\n  points: 0\n  rows: 0\n  sha256: %s\n  points_files: []\n  engine_files: []\n' \
    "$(printf '' | sha256sum | cut -d' ' -f1)"
}

# seeds TARGET FOLDER: what fuzzing starts from.
seeds() {
  local examples=$root/docs/examples
  [ ! -d "$root/tests/fuzz/corpus/$1" ] || cp "$root/tests/fuzz/corpus/$1"/* "$2"
  case $1 in
    book_entry) cp "$examples"/book/*.yaml "$2" ;;
    coefficients_file) coefficients_alone >"$2/coefficients.yaml" ;;
    engine_file) cp "$examples"/*.yaml "$2" ;;
    log_csv)
      cp "$examples"/logs/columns.yaml "$2/drive.csv"
      printf '\n=====\n' >>"$2/drive.csv"
      sed 60q "$examples"/logs/quarry_lane_drive.csv >>"$2/drive.csv"
      ;;
    points_csv) cp "$examples"/*.csv "$root"/fit/reference/*.csv "$2" ;;
    profile_set) ;;
    visit_file) cp "$examples"/visits/*.yaml "$2" ;;
    set) ;;
    *) fail "tests/fuzz.sh has no seeds for the target $1" ;;
  esac
}

# fuzz TARGET: runs one target in a folder of its own, where it also writes its input.
fuzz() {
  local target=$1 work=$build/work/$1 found=$build/findings/$1- log=$build/work/$1.log status=0
  rm -rf "$work"
  mkdir -p "$work" "$build/corpus/$target" "$build/findings"
  cp "$root"/docs/examples/*.yaml "$work"
  seeds "$target" "$build/corpus/$target"
  # One input may take long on a busy machine under the sanitizers; what hangs takes longer.
  (cd "$work" && "$build/tests/fuzz/fuzz_$target" -max_total_time="$seconds" -timeout=20 \
    -rss_limit_mb=2048 -print_final_stats=1 -artifact_prefix="$found" "$build/corpus/$target") \
    >"$log" 2>&1 </dev/null || status=$?
  if [ "$status" -eq 0 ]; then
    printf '%-18s %9s inputs in %s s, no finding\n' "$target" \
      "$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")" "$seconds"
    return
  fi
  local input
  input=$(sed -n 's/^.*Test unit written to //p' "$log" | tail -1)
  tail -60 "$log"
  printf '%-18s FINDING: the input is in %s\n' "$target" "${input:-(none: see $log)}"
  printf '%-18s again: cd %s && %s %s\n' '' "$work" "$build/tests/fuzz/fuzz_$target" "${input:-}"
  return 1
}

for target in "${targets[@]}"; do
  [ -x "$build/tests/fuzz/fuzz_$target" ] || fail "there is no fuzz target $target"
done
each "$cores" fuzz "${targets[@]}" || fail "Fuzzing found something: see above."
