#!/usr/bin/env bash
# Reads sources by clang-tidy: installs what is missing (Debian 12), and fails on a finding.
#   bash tests/tidy.sh             what this branch changed; on main its last commit
#   bash tests/tidy.sh FILE...     these sources
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../cli/setup.sh"

build=$root/build-sanitize  # clang-tidy wants the commands of Clang
cd "$root"

changed_sources() {
  local base
  base=$(git merge-base HEAD origin/main 2>/dev/null || git merge-base HEAD main 2>/dev/null || true)
  if [ -z "$base" ] || [ "$base" = "$(git rev-parse HEAD)" ]; then
    base=$(git rev-parse --verify --quiet HEAD~1) || return 0  # a clone without history
  fi
  # A changed header is read by way of the source beside it.
  git diff --name-only --diff-filter=d "$base" HEAD -- '*.cpp' '*.h' | sed 's/\.h$/.cpp/' |
    grep -v '^tests/fuzz/' | sort -u |
    while read -r source; do if [ -f "$source" ]; then printf '%s\n' "$source"; fi; done
}

install_packages "${packages[@]}" "${clang_packages[@]}" git clang-tidy
build_target help "${clang_options[@]}" -DIDLEFIT_SANITIZE=address,undefined
sources=("$@")
[ ${#sources[@]} -gt 0 ] || mapfile -t sources < <(changed_sources)
tidy() { quietly "clang-tidy on $1" clang-tidy -p "$build" --quiet --warnings-as-errors='*' "$1"; }
each "$cores" tidy "${sources[@]}" || fail "clang-tidy found something: see above."
say "No finding by clang-tidy in ${#sources[@]} sources."
