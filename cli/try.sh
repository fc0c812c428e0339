#!/usr/bin/env bash
# Runs the main job on a shipped example engine: installs what is missing (Debian 12), builds, and
# prints the estimate. From any folder: bash cli/try.sh
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

install_packages "${packages[@]}"
build_target idlefit
cd "$root"
say "\$ idlefit estimate docs/examples/street_v8_coupe.yaml"
exec "$build/idlefit" estimate docs/examples/street_v8_coupe.yaml
