#!/usr/bin/env bash
# What checkpoints cost: the same map with the default interval (30 s), with one thirty times as short, and with
# none, in turn. Prints the ratios of time and of processor time to the run without, each the median of N rounds.
# The default is 2.7 GB of curves, since a run must last longer than the interval.
#   tests/bench/checkpoint.sh [N [RANKS [COLUMNS [ROWS]]]]     3 rounds, 2 ranks, 640 x 512 pixels
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
export CANTLE=${CANTLE:-$root/build/cantle} HYDRA_LAUNCHER=${HYDRA_LAUNCHER:-fork}
exec /usr/bin/python3 "$root/tests/bench/checkpoint.py" "$@"
