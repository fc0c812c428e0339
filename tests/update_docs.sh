#!/usr/bin/env bash
# Runs every `$ idlefit ...` example of README.md and docs/ and writes what it prints into the page.
# After a change of numbers: run it, read the difference, and note it in docs/CHANGELOG.md.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../cli/setup.sh"

install_packages "${packages[@]}"
build_target idlefit_tests -DIDLEFIT_TESTS=ON
IDLEFIT_UPDATE_DOCS=1 "$build/idlefit_tests" "[docs]"
