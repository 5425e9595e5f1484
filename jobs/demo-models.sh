#!/usr/bin/env bash
# One adhesive polymer film, simulated with JKR's mechanics, fitted with three contact models: what changes
# with the model, as the table of docs/choosing-a-model.md. Needs build/cantle (jobs/build.sh), or CANTLE.
#   jobs/demo-models.sh [FOLDER [COLUMNS]]     default: demo-models/, 16 columns and as many rows
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
folder=${1:-$root/demo-models}
columns=${2:-16}
cantle=$(command -v "${CANTLE:-$root/build/cantle}") || { echo "no program yet: run jobs/build.sh" >&2; exit 1; }
cantle=$(realpath "$cantle")
mkdir -p "$folder"
cd "$folder"

"$cantle" simulate --scene uniform --model jkr --modulus '50 MPa' --poisson 0.45 --work '50 mJ/m2' \
  --radius '100 nm' --spring-constant '5 N/m' --peak-force '40 nN' --noise '0.03 nm' \
  --columns "$columns" --samples 1024 --seed 3 --quiet -o film.h5 --overwrite

# NAME MODEL WORK_FROM: adhesive models fit the retract and the work of adhesion, the paraboloid the approach
fit() {
  cat >"$1.yaml" <<RECIPE
contact:
  model: $2
adhesion:
  work_from: $3
output:
  modulus_unit: MPa
RECIPE
  "$cantle" map "$1.yaml" film.h5 --quiet -o "$1.h5" --overwrite
  "$cantle" describe "$1.h5" >"$1.txt"
  "$cantle" curve "$1.h5" 2 2 -o "$1.png" >/dev/null
}
fit paraboloid paraboloid jkr
fit dmt dmt model
fit jkr jkr model

# MAP: its line "  MAP  median [quartile, quartile]" of the three reports, as one row of the table
row() {
  printf '| `%s` ' "$1"
  for name in paraboloid dmt jkr; do
    sed -n "s/^ \+$1  \+\([^]]*\]\).*/\1/p" $name.txt | sed 's/  \+/ /' | awk '{printf "| %s ", $0}'
  done
  echo '|'
}
flags() {
  printf '| flags '
  for name in paraboloid dmt jkr; do
    sed -n '/^flags/,/^maps/p' $name.txt |
      awk '/^maps/ {exit} {sub(/^flags/, ""); printf "%s`%s` %s", n++ ? ", " : "| ", $2, $1} END {printf n ? " " : "| none "}'
  done
  echo '|'
}
echo '| median [quartiles] | paraboloid, approach | DMT, retract | JKR, retract |'
echo '|---|---|---|---|'
for map in adhesion modulus work_of_adhesion indentation contact_radius contact_stiffness tabor_parameter \
  fit_residual reduced_chi_square residual_runs modulus_depth_ratio modulus_two_point; do
  row "$map"
done
flags
