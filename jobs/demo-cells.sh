#!/usr/bin/env bash
# A simulated cell with brush and tethers: modulus behind the brush, length of the brush, rupture events.
# Figures and reports as in docs/cells.md. Needs build/cantle (jobs/build.sh), or CANTLE.
#   jobs/demo-cells.sh [FOLDER [COLUMNS]]     default: demo-cells/, 24 columns and as many rows
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
folder=${1:-$root/demo-cells}
columns=${2:-24}
cantle=$(command -v "${CANTLE:-$root/build/cantle}") || { echo "no program yet: run jobs/build.sh" >&2; exit 1; }
cantle=$(realpath "$cantle")
mkdir -p "$folder"
cd "$folder"

"$cantle" simulate --scene cell --columns "$columns" --seed 2 --quiet -o cell.h5 --overwrite
cat >cell.yaml <<'RECIPE'
contact:
  model: brush
tethers:
  search: yes
  false_alarms: 1 %
RECIPE
# the same curves as if there were no brush: its modulus depends on the depth
cat >plain.yaml <<'RECIPE'
contact:
  model: paraboloid
depth:
  windows: 6
  deepest: 480 nm
RECIPE
for name in cell plain; do
  "$cantle" map $name.yaml cell.h5 --quiet -o $name-maps.h5 --overwrite
  "$cantle" describe $name-maps.h5 >$name.txt
done
"$cantle" draw cell-maps.h5 modulus brush_length event_count last_event_force last_event_separation \
  elastic_indentation --columns 3 -o cells-maps.png
"$cantle" draw plain-maps.h5 depth_modulus --columns 3 --range '0.1 kPa:5 kPa' -o cells-depth.png
"$cantle" curve cell-maps.h5 $((columns / 2)) $((9 * columns / 24)) -o cells-curve.png >/dev/null
