#!/usr/bin/env bash
# Runs tests under Clang's sanitizers: installs what is missing (Debian 12), builds in a folder of its
# own, runs the files of tests one by one, as many at a time as there are cores, and fails on a finding.
#   bash tests/sanitize.sh            the unit tests, addresses and undefined behaviour
#   bash tests/sanitize.sh --all      those that run the program as well
#   bash tests/sanitize.sh --thread   data races: the tests that share work over threads
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../cli/setup.sh"

# Tests that share work over threads: batches of engines, sampling, fits, tables, building baselines.
threaded=(test_random_engines test_sampling test_fit test_ve_surface test_diagnosis test_banding)

kind=address,undefined target=idlefit_unit_tests
case ${1:-} in
  '') folders=(. model fit profiles) ;;
  --all) folders=(. model fit profiles cli) target=idlefit_tests ;;
  --thread) kind=thread ;;
  *)
    say "usage: bash tests/sanitize.sh [--all|--thread]"
    exit 2
    ;;
esac
build=$root/build-sanitize
[ "$kind" = thread ] && build=$root/build-thread

install_packages "${packages[@]}" "${clang_packages[@]}"
build_target $target "${clang_options[@]}" -DIDLEFIT_SANITIZE=$kind

# Solves take some thirty times as long here; [heavy] are those that would take minutes. Without the
# program itself, those that run it have nothing to run. With it, the sanitizer takes more memory
# than [limits] leave.
without='~[heavy]~[program]'
[ $target = idlefit_unit_tests ] || without='~[limits]'

names=()
if [ "$kind" = thread ]; then
  names=("${threaded[@]}")
else
  for folder in "${folders[@]}"; do
    for source in "$root/tests/$folder"/test_*.cpp; do
      names+=("$(basename "$source" .cpp)")
    done
  done
fi

# run NAME: the quick tests of one file.
run() {
  local log=$build/$1.log status=0 started=$SECONDS
  "$build/$target" -# "[#$1]~[long]~[.]$without" >"$log" 2>&1 </dev/null || status=$?
  if [ "$status" -ne 0 ]; then
    tail -80 "$log"
    printf '%-24s FAILED (exit %s): again with %s -# "[#%s]"\n' "$1" "$status" "$build/$target" "$1"
    return 1
  fi
  printf '%-24s %4d s\n' "$1" $((SECONDS - started))
}

export ASAN_OPTIONS=detect_stack_use_after_return=1 UBSAN_OPTIONS=print_stacktrace=1
each "$cores" run "${names[@]}" || fail "The sanitizers, or the tests under them, found something: see above."
say "No finding by the sanitizers ($kind) in ${#names[@]} files of tests."
