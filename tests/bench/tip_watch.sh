#!/usr/bin/env bash
# Rates of false alarms and of detection of the tip watch, for docs/tip-and-drift.md:
#   tests/bench/tip_watch.sh            1000 clean maps of each of seven samples in two sizes, 200 in a large one
#   tests/bench/tip_watch.sh 200        fewer
# and a handful of volumes through the whole chain.
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
maps=${1:-1000}
cantle=${CANTLE:-$root/build/cantle}
"$root/build/tests/tip_watch" "$maps" 32
"$root/build/tests/tip_watch" "$maps" 64
"$root/build/tests/tip_watch" $((maps / 5)) 128

folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
cd "$folder"
row() { # WORDS SCENE OPTIONS...: clean and changed, five seeds each
  local words=$1 scene=$2 clean=0 found=0
  shift 2
  for seed in 1 2 3 4 5; do
    "$cantle" simulate -q --scene "$scene" --columns 48 --rows 36 --samples 256 --seed "$seed" -o clean.h5 -f ${model:+--model $model}
    "$cantle" simulate -q --scene "$scene" --columns 48 --rows 36 --samples 256 --seed "$seed" -o changed.h5 -f ${model:+--model $model} \
      --tip-change 14 "$@"
    for name in clean changed; do
      "$cantle" recipe "$name.h5" >recipe.yaml
      "$cantle" map recipe.yaml "$name.h5" -o maps.h5 --overwrite 2>/dev/null >"$name.txt" || true
    done
    # the blend's own scratch at row 28 belongs to the scene
    grep "warning: tip" clean.txt | grep -vqE "row 28 " && clean=$((clean + 1))
    grep "warning: tip" changed.txt | grep -qE "row 1[345] " && found=$((found + 1))
  done
  echo "| $words | $clean of 5 | $found of 5 |"
}
printf '\n| volume, 48 x 36 curves | false alarms without a change | found at row 14 |\n|---|---|---|\n'
model=dmt row "uniform, radius x 1.1" uniform --tip-radius 1.1
model=dmt row "uniform, radius x 1.5" uniform --tip-radius 1.5
model= row "blend, radius x 1.2" blend --tip-radius 1.2
model= row "blend, radius x 2" blend --tip-radius 2
model= row "blend, adhesion x 1.5" blend --tip-radius 1 --tip-adhesion 1.5
model= row "gel, 100 nm taller" gel --tip-radius 1 --tip-height "100 nm"
model= row "gel, radius x 1.5" gel --tip-radius 1.5
