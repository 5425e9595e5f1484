#!/usr/bin/env bash
# A layer of simulated cells that relax by a power law of time: approach, dwell and retract fitted by Ting's
# solution, drawn beside what an elastic fit makes of them. Needs build/cantle (jobs/build.sh), or CANTLE.
#   jobs/demo-relaxing-cells.sh [FOLDER [COLUMNS]]     default: demo-relaxing-cells/, 64 columns and as many rows
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
folder=${1:-$root/demo-relaxing-cells}
columns=${2:-64}
cantle=$(command -v "${CANTLE:-$root/build/cantle}") || { echo "no program yet: run jobs/build.sh" >&2; exit 1; }
cantle=$(realpath "$cantle")
mkdir -p "$folder"
cd "$folder"

"$cantle" simulate --scene cell_layer --columns "$columns" --seed 5 --quiet -o cells.h5 --overwrite
cat >cells.yaml <<'RECIPE'
contact:
  model: paraboloid
viscoelastic:
  model: power_law        # E(t) = E (t/1 s)^-exponent
  segments: all           # approach, dwell and retract together
limits:
  contact_to_pitch: 5     # pixels may share material here
RECIPE
"$cantle" map cells.yaml cells.h5 --quiet -o cells-maps.h5 --overwrite
"$cantle" draw cells-maps.h5 modulus relaxation_modulus relaxation_exponent dwell_force_change \
  -o cells-maps.png >/dev/null
"$cantle" describe cells-maps.h5 | grep -E '^ +(modulus|relaxation|drag|dwell|contact_time|detach)' | grep -v 'no value'

cat <<EOT

What you see: nuclei (round) are soft and flow, the fibres between them are stiff and flow little. The
elastic fit gives one number for the speed of this ramp, 2 to 4 times the modulus at one second.

  volume $folder/cells.h5 (the truth is in /truth)     recipe $folder/cells.yaml
  maps   $folder/cells-maps.h5                         figure $folder/cells-maps.png
EOT
