#!/usr/bin/env bash
# What fuzzing starts from. Good files, made by the program itself: small volumes of every storage and
# map files in FOLDER; sources of the importers with their descriptions in FOLDER/import/ (sources.py);
# inputs of the targets, from the lists beside this script, in FOLDER/TARGET/.
#   tests/fuzz/seeds.sh PROGRAM FOLDER
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
program=$(realpath "$1")
mkdir -p "$2"
cd "$2"
export HYDRA_LAUNCHER=fork
make() { "$program" simulate "$@" --overwrite --quiet; }
small="--columns 3 --rows 4 --samples 64"
make --scene uniform $small --storage contiguous -o volume-1.h5
make --scene uniform $small --storage chunked --type int16 -o volume-2.h5
make --scene uniform $small --storage deflate -o volume-3.h5
printf 'contact:\n  model: paraboloid\ncalibration:\n  monte_carlo_draws: 50\n' >r.yaml
for i in 1 2; do
  "$program" map r.yaml volume-$i.h5 -o maps-$i.h5 --overwrite --quiet || [ $? = 6 ]
done
rm r.yaml
/usr/bin/python3 "$here/sources.py" .
# what no longer opens would leave most of the importers out
for pair in mapping-1:foreign-1.h5 mapping-2:foreign-2.h5 mapping-3:foreign-3.h5 text-1:curve-1.txt text-2:curve-2.txt \
  text-3:curve-3.txt text-4:curves.tar npy:v.npy npz:v.npz raw:v.raw; do
  "$program" import --dry-run "import/${pair%:*}.yaml" "import/${pair#*:}" >import/shown
done
rm import/shown

mkdir -p units recipe mask volume_tree maps_tree
n=0
grep -v '^#' "$here/units.txt" | while IFS= read -r line; do
  n=$((n + 1))
  printf '%s' "$line" >units/$n
done
n=0
grep -v '^#' "$here/masks.txt" | while IFS= read -r line; do
  n=$((n + 1))
  printf '%s' "$line" >mask/$n
done
printf 'a1 \n\nm' >units/newline # UDUNITS prints what it does not know
printf 'a1 m\0m' >units/nul
"$program" recipe volume-1.h5 >recipe/printed
"$program" recipe >recipe/defaults
printf 'contact:\n  model: jkr\n  to: 80 %%\n  from: 2 nN\nlimits:\n  modulus_low: 1 kPa\n' >recipe/short
printf 'calibration:\n  spring_constant: "0.3 N\\n/m"\n' >recipe/newline
printf -- '--- {contact: {model: cone}, tip: }\n' >recipe/flow
printf 'a: &a [*a, *a]\n' >recipe/alias
for target in volume_tree maps_tree import_tree; do
  n=0
  grep -v '^#' "$here/$target.hex" | while IFS= read -r line; do
    n=$((n + 1))
    # shellcheck disable=SC2059
    printf "$(printf '%s' "$line" | sed 's/../\\x&/g')" >$target/$n
  done
done
