#!/usr/bin/env bash
# How fast is it? Race against SciPy, GSL, cminpack and the plain reading of the bytes; memory; many ranks.
#   tests/bench/run.sh            everything, under ten minutes on two idle cores; writes docs/performance.md
#   tests/bench/run.sh --quick    smaller volumes, under a minute; prints only
#   --folder FOLDER               where volumes are made (4 GB; needs 2 GB more in sparse files), default: a
#                                 temporary folder that is removed
#   --only SECTION,SECTION        some of: maps, scaling, fits, memory, schedule, profile; prints only
set -euo pipefail
# shellcheck source=tests/bench/bench.sh
. "$(dirname "$0")/bench.sh"
bench_ready
exec /usr/bin/python3 "$root/tests/bench/run.py" "$@"
