#!/usr/bin/env bash
# Where the time of a default map goes, on one rank: functions by their own time, with perf.
#   tests/bench/profile.sh [VOLUME]      default: a simulated one of 128 x 128 pixels
set -euo pipefail
# shellcheck source=tests/bench/bench.sh
. "$(dirname "$0")/bench.sh"
bench_ready
command -v perf >/dev/null || { echo "perf is not there (Debian: apt-get install linux-perf)" >&2; exit 1; }
folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
volume=${1:-$folder/volume.h5}
[ $# -gt 0 ] || "$cantle" simulate --scene uniform --model jkr --type int16 --columns 128 --samples 512 --quiet -o "$volume"
perf record -q -F 4000 -o "$folder/perf.data" "$cantle" map "$volume" --quiet -o "$folder/maps.h5"
perf report -q --stdio --no-children --percent-limit 0.7 -F overhead,dso,symbol -i "$folder/perf.data" 2>/dev/null | grep -v '^$'
