#!/usr/bin/env bash
# Builds everything and runs the tests: installs what is missing (Debian 12), from any folder.
#   bash tests/run.sh            the quick tests
#   bash tests/run.sh --long     those and the full counts
#   bash tests/run.sh --werror   with compiler warnings as errors; goes with the other
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../cli/setup.sh"

labels='^quick$'
werror=OFF
for argument in "$@"; do
  case $argument in
    --long) labels='^(quick|long)$' ;;
    --werror) werror=ON ;;
    *)
      say "usage: bash tests/run.sh [--long] [--werror]"
      exit 2
      ;;
  esac
done

install_packages "${packages[@]}"
build_target all -DIDLEFIT_TESTS=ON -DIDLEFIT_WARNINGS_AS_ERRORS=$werror
exec ctest --test-dir "$build" --label-regex "$labels" --parallel "$cores" --output-on-failure \
  --no-tests=error
