#!/usr/bin/env bash
# Write the reference pages of docs/ that are made from the program's own tables, and the demos' figures.
#   tests/refresh-docs.sh            pages only
#   tests/refresh-docs.sh figures    and docs/figures/, from a run of the demos in a scratch folder
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
cantle=$root/build/cantle
"$cantle" manual keys >"$root/docs/recipe-keys.md"
"$cantle" manual import >"$root/docs/import-keys.md"
"$cantle" manual models >"$root/docs/models.md"
"$cantle" manual maps >"$root/docs/maps.md"
"$cantle" manual flags >"$root/docs/flags.md"
"$cantle" manual statuses >"$root/docs/exit-statuses.md"
"$cantle" manual reuse >"$root/docs/reuse.md"
[ "${1:-}" = figures ] || exit 0
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
"$root/jobs/demo.sh" "$scratch" >/dev/null
cp "$scratch/blend-maps.png" "$root/docs/figures/demo-maps.png"
cp "$scratch/blend-curve.png" "$root/docs/figures/demo-curve.png"
"$root/jobs/demo-models.sh" "$scratch/models" >/dev/null # its table is pasted into docs/choosing-a-model.md
cp "$scratch/models/dmt.png" "$root/docs/figures/models-dmt.png"
"$root/jobs/demo-cells.sh" "$scratch/cells" >/dev/null
for name in maps curve depth; do cp "$scratch/cells/cells-$name.png" "$root/docs/figures/"; done
"$root/jobs/demo-lateral.sh" "$scratch/lateral" >/dev/null # its table is pasted into docs/lateral.md
cp "$scratch/lateral/lateral.png" "$root/docs/figures/"
"$root/jobs/demo-relaxing-cells.sh" "$scratch/cell" >/dev/null
cp "$scratch/cell/cells-maps.png" "$root/docs/figures/demo-relaxing-cells.png"
