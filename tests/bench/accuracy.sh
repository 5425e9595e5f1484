#!/usr/bin/env bash
# Measure docs/accuracy.md anew (a few minutes on one core).
#   tests/bench/accuracy.sh [CURVES]      default 2000 curves a row; fewer print to the screen only
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
"$root/jobs/build.sh" "$root/build"
bench=$root/build/tests/accuracy
if [ $# -gt 0 ]; then
  exec "$bench" "$1"
fi
"$bench" 2000 >"$root/docs/accuracy.md.new"
cat "$root/tests/bench/accuracy-remarks.md" >>"$root/docs/accuracy.md.new"
mv "$root/docs/accuracy.md.new" "$root/docs/accuracy.md"
