#!/usr/bin/env bash
# N runs killed with SIGKILL at random moments and resumed, each compared with the undisturbed output.
#   tests/torture/run.sh [N [SEED]]     N = 12; about 5 s each on two cores
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
export CANTLE=${CANTLE:-$root/build/cantle} HYDRA_LAUNCHER=${HYDRA_LAUNCHER:-fork} PYTHONDONTWRITEBYTECODE=1
exec /usr/bin/python3 "$root/tests/torture/torture.py" "$@"
