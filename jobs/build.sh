#!/usr/bin/env bash
# Build cantle into build/ (or the folder given), with all cores.
#   jobs/build.sh [FOLDER [CMAKE OPTIONS...]]
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
folder=${1:-$root/build}
[ $# -gt 0 ] && shift
cmake -S "$root" -B "$folder" "$@" >"$folder.log" 2>&1 || { mkdir -p "$folder"; cat "$folder.log" >&2; rm -f "$folder.log"; exit 1; }
cmake --build "$folder" -j "$(nproc)" >>"$folder.log" 2>&1 || { cat "$folder.log" >&2; rm -f "$folder.log"; exit 1; }
mv "$folder.log" "$folder/build.log"
