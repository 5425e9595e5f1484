#!/usr/bin/env bash
# Good files to start from, made by the program itself: small volumes of every storage and map files.
#   tests/fuzz/seeds.sh PROGRAM FOLDER
set -euo pipefail
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
