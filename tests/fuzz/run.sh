#!/usr/bin/env bash
# Fuzz with libFuzzer, AddressSanitizer and UBSan, one process at a time, at the lowest priority.
#   tests/fuzz/run.sh MINUTES [TARGET...]      all targets, MINUTES each; or the ones named
# What is found is kept in build-fuzz/found/TARGET/, inputs that reach new code in
# build-fuzz/corpus/TARGET/. Ends with status 1 when something was found, but for the byte targets,
# which go on: look where those inputs died. Needs clang and libFuzzer:
#   jobs/install.sh fuzz
set -euo pipefail
root=$(cd "$(dirname "$0")/../.." && pwd)
[ $# -gt 0 ] || { sed -n 2,8p "$0"; exit 2; }
minutes=$1
shift
targets=${*:-units recipe mask import_description import_text import_array import_tree volume_tree maps_tree volume_bytes maps_bytes}
build=$root/build-fuzz
command -v clang >/dev/null || { echo "clang is missing: jobs/install.sh fuzz" >&2; exit 2; }
cmake -S "$root" -B "$build" -DCMAKE_C_COMPILER=clang -DCANTLE_FUZZ=ON -DCMAKE_BUILD_TYPE=RelWithDebInfo >/dev/null
# shellcheck disable=SC2086
nice -n 10 cmake --build "$build" -j2 --target cantle $(printf 'fuzz_%s ' $targets) >/dev/null
TMPDIR=$(mktemp -d -p /dev/shm cantle-fuzz-XXXXXX)
export TMPDIR
trap 'rm -rf "$TMPDIR"' EXIT
export CANTLE_FUZZ_SEEDS=$build/seeds HYDRA_LAUNCHER=fork
export LSAN_OPTIONS=suppressions=$root/tests/leaks.supp:print_suppressions=0
# kept from run to run: what was found belongs to these files
[ -d "$CANTLE_FUZZ_SEEDS/import" ] || ASAN_OPTIONS=detect_leaks=0 "$root/tests/fuzz/seeds.sh" "$build/cantle" "$CANTLE_FUZZ_SEEDS"

TIMEFORMAT='processor time: %U s in the program, %S s in the system'
status=0
for target in $targets; do
  corpus=$build/corpus/$target
  found=$build/found/$target
  mkdir -p "$corpus" "$found"
  export ASAN_OPTIONS=quarantine_size_mb=16:malloc_context_size=8
  options="-max_total_time=$((minutes * 60)) -timeout=25 -rss_limit_mb=2048 -malloc_limit_mb=1024 -print_final_stats=1 -len_control=0"
  case $target in
  *_bytes)
    cp "$CANTLE_FUZZ_SEEDS/${target%_bytes}"-* "$corpus"
    # libhdf5 itself asks for absurd sizes, loses memory and dies of some broken bytes: go on after each,
    # and look at where it died
    ASAN_OPTIONS=$ASAN_OPTIONS:allocator_may_return_null=1:detect_leaks=0
    options="$options -max_len=400000 -malloc_limit_mb=1000000 -fork=1 -ignore_crashes=1 -ignore_timeouts=1 -ignore_ooms=1"
    ;;
  *_tree) options="$options -max_len=200 -use_value_profile=1" ;;
  mask)
    options="$options -max_len=400 -dict=$build/mask.dict"
    { printf '%s\n' and or not has is known largest regions rectangle polygon dataset pixels um2 MPa
      "$build/cantle" manual maps | grep -oE '^. `[a-z_]+`' | tr -d '|\140 '
      "$build/cantle" manual flags | grep -oE '`[a-z_]+`' | tr -d '\140'; } | sort -u | sed 's/.*/"&"/' >"$build/mask.dict"
    ;;
  units) options="$options -max_len=80 -dict=$root/tests/fuzz/units.dict" ;;
  recipe)
    options="$options -max_len=2048 -dict=$build/recipe.dict"
    "$build/cantle" manual keys | grep -oE '`[a-z_]+`' | tr -d '`' | sort -u | sed 's/.*/"&"/' >"$build/recipe.dict"
    ;;
  import_description)
    options="$options -max_len=2048 -dict=$build/import.dict"
    "$build/cantle" manual import | grep -oE '`[a-z_]+`' | tr -d '`' | sort -u | sed 's/.*/"&"/' >"$build/import.dict"
    ;;
  import_text | import_array) options="$options -max_len=12000" ;;
  esac
  [ ! -d "$CANTLE_FUZZ_SEEDS/$target" ] || cp "$CANTLE_FUZZ_SEEDS/$target"/* "$corpus"
  echo "== $target, $minutes min"
  # shellcheck disable=SC2086
  { time nice -n 19 "$build/tests/fuzz/fuzz_$target" $options -artifact_prefix="$found/" "$corpus" \
    >"$build/$target.log" 2>&1; } 2>"$build/$target.time" || status=1
  cat "$build/$target.time"
  grep -aE "stat::number_of_executed_units|^#[0-9]+:? .*(DONE|cov:)" "$build/$target.log" | tail -2 || true
  echo "found: $(find "$found" -type f | wc -l) (in $found)"
done
exit $status
