#!/usr/bin/env bash
# Install the Debian packages that cantle needs, if any is missing.
#   jobs/install.sh          to build and run
#   jobs/install.sh tests    and to test
#   jobs/install.sh fuzz     for long fuzzing with libFuzzer (tests/fuzz/run.sh)
#   jobs/install.sh bench    and to measure speed against general libraries
# Run as root, or as a user who may use sudo.
set -euo pipefail

packages="gcc make cmake pkg-config git mpich libmpich-dev libhdf5-mpich-dev libgsl-dev libcyaml-dev
  libyaml-dev libudunits2-dev libjansson-dev libxxhash-dev libdeflate-dev libarchive-dev gnuplot-nox fonts-dejavu-core"
if [ "${1:-}" = tests ]; then
  packages="$packages libcmocka-dev python3 python3-h5py python3-scipy python3-mpmath python3-xxhash
    python3-xarray python3-h5netcdf python3-netcdf4 python3-yaml hdf5-tools clang-format valgrind"
fi
[ "${1:-}" != fuzz ] || packages="$packages clang libclang-rt-14-dev"
if [ "${1:-}" = bench ]; then
  packages="$packages libcminpack-dev python3 python3-h5py python3-scipy linux-perf"
fi

missing=""
for p in $packages; do
  [ "$(dpkg-query -W -f '${db:Status-Status}' "$p" 2>/dev/null)" = installed ] || missing="$missing $p"
done
[ -n "$missing" ] || exit 0

sudo=""
[ "$(id -u)" = 0 ] || sudo=sudo
if [ -n "$sudo" ] && ! command -v sudo >/dev/null; then
  echo "these packages are missing:$missing; install them as root, or install sudo" >&2
  exit 1
fi
echo "installing:$missing" >&2
export DEBIAN_FRONTEND=noninteractive
# shellcheck disable=SC2086
{ $sudo apt-get update -q && $sudo apt-get install -y -q --no-install-recommends $missing; } >&2
