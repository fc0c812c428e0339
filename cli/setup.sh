# Shared by cli/try.sh, tests/run.sh and .ci/run, which source it: installing what is missing on
# Debian 12, and building. Says what it does on standard error; shows a tool's output only if it fails.

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
build=$root/build
cores=$(nproc)

packages=(g++ cmake ninja-build libeigen3-dev libceres-dev libyaml-cpp-dev libcli11-dev libfmt-dev
          nlohmann-json3-dev libudunits2-dev libmd-dev catch2 libbenchmark-dev libsundials-dev
          libgsl-dev libboost-dev librapidcheck-dev python3-numpy locales)
# Of the second compiler, for the sanitizers and for fuzzing.
clang_packages=(clang libclang-rt-14-dev llvm)
clang_options=(-DCMAKE_CXX_COMPILER=clang++ -DCMAKE_BUILD_TYPE=Debug)

say() { printf '%s\n' "$*" >&2; }

fail() {
  say "$*"
  exit 1
}

# quietly WHAT COMMAND...: runs the command, and shows what it printed only if it fails.
quietly() {
  local what=$1 log status=0
  shift
  log=$(mktemp)
  "$@" >"$log" 2>&1 </dev/null || status=$?
  if [ "$status" -ne 0 ]; then
    cat "$log" >&2
    rm -f "$log"
    fail "$what failed (exit $status); the output is above."
  fi
  rm -f "$log"
}

# Installs those of the named Debian packages that are missing.
install_packages() {
  local missing=() package as_root=()
  command -v dpkg-query >/dev/null || fail "This script installs what it needs by apt, on Debian 12.
Elsewhere install the like of these and run cmake by hand: $*"
  for package in "$@"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' ||
      missing+=("$package")
  done
  [ ${#missing[@]} -gt 0 ] || return 0
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || fail "Missing packages, and neither root nor sudo to install them.
Have somebody run: apt-get install ${missing[*]}"
    as_root=(sudo)
  fi
  say "Installing: ${missing[*]}"
  quietly "apt-get update" "${as_root[@]}" apt-get update
  quietly "apt-get install" "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive \
    apt-get install -y --no-install-recommends "${missing[@]}"
}

# build_target TARGET [CMAKE OPTION...]: configures the folder $build, as Release unless an option
# says otherwise, and builds a target.
build_target() {
  local target=$1 generator=()
  shift
  # A tree that was moved or copied brings a cache that points to its old place.
  if [ -f "$build/CMakeCache.txt" ] &&
    ! grep -qxF "CMAKE_HOME_DIRECTORY:INTERNAL=$root" "$build/CMakeCache.txt"; then
    rm -rf "$build"
  fi
  if [ ! -f "$build/CMakeCache.txt" ] && command -v ninja >/dev/null; then generator=(-G Ninja); fi
  [ -f "$build/CMakeCache.txt" ] || say "Building in $build; the first time takes some minutes."
  quietly "cmake" cmake -S "$root" -B "$build" "${generator[@]}" -DCMAKE_BUILD_TYPE=Release "$@"
  quietly "The build" cmake --build "$build" --target "$target" --parallel "$cores"
}

# each COUNT FUNCTION ARGUMENT...: calls a function with each argument, COUNT at a time; all of them,
# whatever fails, then fails if one did.
each() {
  local count=$1 what=$2 argument status=0 running=0
  shift 2
  for argument in "$@"; do
    if [ "$running" -ge "$count" ]; then
      wait -n || status=1
      running=$((running - 1))
    fi
    "$what" "$argument" &
    running=$((running + 1))
  done
  while [ "$running" -gt 0 ]; do
    wait -n || status=1
    running=$((running - 1))
  done
  return "$status"
}
