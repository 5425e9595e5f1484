#!/usr/bin/env bash
# Install what is missing, build, and run every test: once as users get it, and the unit and command
# line tests again under AddressSanitizer and UBSan.
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
cd "$root"
jobs/install.sh tests

export HYDRA_LAUNCHER=fork   # all ranks on this machine, no ssh
jobs/build.sh build
ctest --test-dir build --output-on-failure -j "$(nproc)"
grep '^SKIPPED' build/Testing/Temporary/LastTest.log || true # why a test was skipped

jobs/build.sh build-sanitize -DCANTLE_SANITIZE=ON -DCMAKE_BUILD_TYPE=RelWithDebInfo
export ASAN_OPTIONS=detect_leaks=1:abort_on_error=0
export LSAN_OPTIONS="suppressions=$root/tests/leaks.supp:print_suppressions=0"
ctest --test-dir build-sanitize --output-on-failure -j "$(nproc)" -L sanitize
