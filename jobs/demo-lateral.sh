#!/usr/bin/env bash
# Two materials that differ in friction alone, seen in the lateral signal: cross-talk taken off in three ways.
# Figures and the table as in docs/lateral.md. Needs build/cantle (jobs/build.sh), or CANTLE.
#   jobs/demo-lateral.sh [FOLDER [COLUMNS]]     default: demo-lateral/, 48 columns and as many rows
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
folder=${1:-$root/demo-lateral}
columns=${2:-48}
cantle=$(command -v "${CANTLE:-$root/build/cantle}") || { echo "no program yet: run jobs/build.sh" >&2; exit 1; }
cantle=$(realpath "$cantle")
mkdir -p "$folder"
cd "$folder"

"$cantle" simulate --scene friction --columns "$columns" --seed 4 --quiet -o friction.h5 --overwrite
for how in baseline contact given; do
  printf 'lateral:\n  measure: yes\n  crosstalk_from: %s\n' $how >$how.yaml
  # 6 % of the vertical volts, at 60 nm/V
  [ $how = given ] && printf '  crosstalk: 1 mV/nm\n  crosstalk_u: 0.01 mV/nm\n' >>$how.yaml
  printf '  torsional_sensitivity: 0.5 mrad/V\n  torsional_constant: 1e-8 N m\ntip:\n  tip_height: 12 um\n' >>$how.yaml
  "$cantle" map $how.yaml friction.h5 --quiet -o $how.h5 --overwrite
  "$cantle" describe $how.h5 >$how.txt
done
"$cantle" draw given.h5 modulus lateral_at_peak lateral_half_difference lateral_force_half_difference --columns 2 \
  --linear -o lateral.png
echo '| median [quartiles] | baseline | contact | given |'
echo '|---|---|---|---|'
for map in lateral_crosstalk lateral_at_peak lateral_on_approach lateral_on_retract lateral_half_difference \
  lateral_force_half_difference; do
  printf '| `%s` ' $map
  for how in baseline contact given; do
    sed -n "s/^ \+$map  \+\([^]]*\]\).*/\1/p" $how.txt | sed 's/  \+/ /' | awk '{printf "| %s ", $0}'
  done
  echo '|'
done
