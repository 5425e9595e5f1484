#!/usr/bin/env bash
# The demo: install what is missing, build, write a force volume with known truth, map it on two ranks,
# draw the maps, and say where everything lies.
#   jobs/demo.sh [FOLDER]        default folder: demo/
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
folder=${1:-$root/demo}
"$root/jobs/install.sh"
echo "building ..." >&2
"$root/jobs/build.sh" "$root/build"
cantle=$root/build/cantle
mkdir -p "$folder"
cd "$folder"

export HYDRA_LAUNCHER=fork # both ranks on this machine, no ssh
"$cantle" simulate --scene blend --columns 128 --rows 128 --samples 512 --seed 7 -o blend.h5 --overwrite
cp "$root/datasets/blend.yaml" .
echo
mpiexec -n 2 "$cantle" map blend.yaml blend.h5 -o blend-maps.h5 --overwrite
echo
"$cantle" draw blend-maps.h5 modulus adhesion deformation -o blend-maps.png
"$cantle" report blend-maps.h5 -o blend-report.html --overwrite
"$cantle" curve blend-maps.h5 64 64 -o blend-curve.png >blend-curve.txt

cat <<EOT

What you see: a film of two polymers. The matrix is rubbery (about 60 MPa), the islands are stiff (about
1.2 GPa) and stick less. Grey pixels are rejected and flags say why: one scan line whose detector was
clipped, a few curves without contact. White pixels were never measured. From one line on the adhesion
is higher: something stayed on the tip.

  volume           $folder/blend.h5
  recipe           $folder/blend.yaml
  maps             $folder/blend-maps.h5
  to click         $folder/blend-report.html (opens in any browser)
  figure           $folder/blend-maps.png
  one curve        $folder/blend-curve.png, blend-curve.txt

Next: cantle describe blend-maps.h5; cantle curve blend-maps.h5 COLUMN ROW; the truth is in blend.h5, /truth.
EOT
