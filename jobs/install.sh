#!/usr/bin/env bash
# Install the Debian packages that cantle needs, if any is missing.
#   jobs/install.sh          to build and run
#   jobs/install.sh tests    and to test
#   jobs/install.sh fuzz     for long fuzzing with libFuzzer (tests/fuzz/run.sh)
#   jobs/install.sh bench    and to measure speed against general libraries
# Run as root, or as a user who may use sudo.
set -euo pipefail

packages="gcc make cmake pkg-config git mpich libmpich-dev libhdf5-mpich-dev libgsl-dev libcyaml-dev
  libyaml-dev libudunits2-dev libjansson-dev libxxhash-dev libdeflate-dev libarchive-dev libtiff-dev gnuplot-nox fonts-dejavu-core"
if [ "${1:-}" = tests ]; then
  packages="$packages libcmocka-dev python3 python3-h5py python3-scipy python3-mpmath python3-xxhash
    python3-xarray python3-h5netcdf python3-netcdf4 python3-yaml python3-pil hdf5-tools clang-format valgrind chromium man-db mandoc"
fi
[ "${1:-}" != fuzz ] || packages="$packages clang libclang-rt-14-dev"
if [ "${1:-}" = bench ]; then
  packages="$packages libcminpack-dev python3 python3-h5py python3-scipy linux-perf"
fi

# Not needed, but tests of the job scripts are skipped without it.
wanted=""
[ "${1:-}" != tests ] || wanted="slurm-wlm munge"

missing="" welcome=""
for p in $packages; do
  [ "$(dpkg-query -W -f '${db:Status-Status}' "$p" 2>/dev/null)" = installed ] || missing="$missing $p"
done
for p in $wanted; do
  [ "$(dpkg-query -W -f '${db:Status-Status}' "$p" 2>/dev/null)" = installed ] || welcome="$welcome $p"
done
[ -n "$missing$welcome" ] || exit 0

sudo=""
[ "$(id -u)" = 0 ] || sudo=sudo
if [ -n "$sudo" ] && ! command -v sudo >/dev/null; then
  [ -n "$missing" ] || exit 0
  echo "these packages are missing:$missing; install them as root, or install sudo" >&2
  exit 1
fi
echo "installing:$missing$welcome" >&2
export DEBIAN_FRONTEND=noninteractive
$sudo apt-get update -q >&2 || [ -z "$missing" ]
# shellcheck disable=SC2086
[ -z "$missing" ] || $sudo apt-get install -y -q --no-install-recommends $missing >&2

if [ -n "$welcome" ]; then
  policy=/usr/sbin/policy-rc.d # no daemon shall start because of a test
  [ -e $policy ] && policy="" || printf '#!/bin/sh\nexit 101\n' | $sudo tee $policy >/dev/null
  [ -z "$policy" ] || { trap '$sudo rm -f $policy' EXIT; $sudo chmod 755 $policy; }
  # shellcheck disable=SC2086
  $sudo apt-get install -y -q --no-install-recommends $welcome >&2 ||
    echo "not installed:$welcome; tests of the job scripts will be skipped" >&2
fi
