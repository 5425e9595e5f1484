# Shared by the scripts of this folder that measure speed: packages, a fresh build, where things lie.
# Source it; it leaves `root`, `build` and `cantle`.
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/../.." && pwd)
build=$root/build
cantle=$build/cantle
export HYDRA_LAUNCHER=fork # ranks on this machine, no ssh
# a script with NumPy must not start threads of its own: processes are compared with ranks
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
bench_ready() {
  "$root/jobs/install.sh" bench
  "$root/jobs/build.sh" "$build"
}
