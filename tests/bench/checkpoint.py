#!/usr/bin/python3
"""Cost of checkpoints, see checkpoint.sh."""
import os
import pathlib
import resource
import statistics
import subprocess
import sys
import tempfile
import time

CANTLE = os.environ["CANTLE"]
INTERVALS = {"never": "1000 h", "30 s (default)": "30 s", "1 s": "1 s"}


def one(folder, interval, ranks):
    """Seconds by the clock and of the processors for one map."""
    cpu, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run(["mpiexec", "-n", str(ranks), CANTLE, "map", "v.h5", "-o", "m.h5", "-q", "--overwrite",
                    "--checkpoint-interval", interval], cwd=folder, check=True)
    wall = time.monotonic() - wall
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, now.ru_utime + now.ru_stime - cpu.ru_utime - cpu.ru_stime


def main(rounds=3, ranks=2, columns=640, rows=512):
    taken = {name: [] for name in INTERVALS}
    with tempfile.TemporaryDirectory(prefix="cantle-bench-", dir=os.environ.get("BENCH_DIR")) as scratch:
        folder = pathlib.Path(scratch)
        subprocess.run([CANTLE, "simulate", "--scene", "blend", "--columns", str(columns), "--rows", str(rows), "-o",
                        "v.h5"], cwd=folder, check=True, stdout=subprocess.DEVNULL)
        for i in range(rounds):
            # in turn, and each round begins with another, so that neither warming up nor a neighbour favours one
            names = list(INTERVALS)
            for name in names[i % 3:] + names[:i % 3]:
                taken[name].append(one(folder, INTERVALS[name], ranks))
                print(f"round {i + 1}: {name:15} {taken[name][-1][0]:7.1f} s, processors {taken[name][-1][1]:7.1f} s",
                      flush=True)
    for name in list(INTERVALS)[1:]:
        wall, cpu = (statistics.median(a[k] / b[k] for a, b in zip(taken[name], taken["never"])) for k in (0, 1))
        print(f"{name:15} against never: time {100 * (wall - 1):+.1f} %, processor time {100 * (cpu - 1):+.1f} %")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
