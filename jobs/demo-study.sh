#!/usr/bin/env bash
# A small study, simulated: three kinds of rubber, two sheets of each, two places on each sheet; the sheets differ
# more than the places. Twelve volumes are mapped and the kinds compared, as docs/study.md tells.
# Needs build/cantle (jobs/build.sh), or CANTLE.
#   jobs/demo-study.sh [FOLDER]     default: demo-study/
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
folder=${1:-$root/demo-study}
cantle=$(command -v "${CANTLE:-$root/build/cantle}") || { echo "no program yet: run jobs/build.sh" >&2; exit 1; }
cantle=$(realpath "$cantle")
mkdir -p "$folder"
cd "$folder"
export HYDRA_LAUNCHER=fork # all ranks on this machine, no ssh

cat >recipe.yaml <<'RECIPE'
contact:
  model: paraboloid
adhesion:
  work_from: dmt
output:
  modulus_unit: MPa
RECIPE

{
  echo "format: cantle-study-1"
  echo "title: three kinds of rubber, simulated"
  echo "recipe: recipe.yaml"
  echo "folder: results"
  echo "maps: [modulus, adhesion]"
  echo "volumes:"
} >study.yaml

# place KIND SHEET PLACE MODULUS WORK: one volume and its lines of the study
place() {
  local name="$1-$2-$3"
  seed=$((seed + 1))
  "$cantle" simulate --scene uniform --model dmt --columns 12 --rows 12 --samples 256 --seed "$seed" \
    --modulus "$4 MPa" --work "$5 mJ/m2" --quiet -o "$name.h5" --overwrite
  printf '  - volume: %s.h5\n    condition: %s\n    sample: %s\n    cell: place %s\n' "$name" "$1" "sheet $2" "$3" >>study.yaml
}
seed=0
place plain     1 1 1.90 2.0
place plain     1 2 2.00 2.1
place plain     2 1 2.20 1.9
place plain     2 2 2.25 2.0
place filled    1 1 3.10 2.0
place filled    1 2 3.30 1.9
place filled    2 1 3.60 2.1
place filled    2 2 3.70 2.0
place softened  1 1 1.20 2.9
place softened  1 2 1.15 3.1
place softened  2 1 1.35 3.0
place softened  2 2 1.40 3.2
# one place was measured with a stiffer limit on noise: an exception from the recipe
cat >>study.yaml <<'STUDY'
    exceptions:
      - limits.force_noise = 1 nN
STUDY

"$cantle" study study.yaml
echo
echo "look at $folder/results/study.html"
