"""Runs that are stopped, and the files they leave: start them, find their ranks, compare results. Shared by the
tests of resuming and by the torture."""
import os
import pathlib
import subprocess
import time

import h5py
import numpy as np

from run import CANTLE

# docs/output-format.md, "What may differ": times, and who computed it where
MAY_DIFFER = {"entry/start_time", "entry/end_time", "entry/process_1_calibration/date", "entry/process_2_contact_fit/date",
              *(f"entry/run/{name}" for name in (
                  "command_line", "working_directory", "host", "ranks", "scheduler", "scheduler_job_id", "input_path",
                  "input_absolute_path", "input_modified", "input_modified_ns", "start_time", "end_time"))}
MAY_DIFFER_ATTRIBUTES = {("/", "file_time")}


def contents(path):
    """Everything in a finished file that must be the same: bytes of each dataset, and every attribute."""
    found = {}

    def take(name, thing):
        if name.startswith("entry/runs"):
            return
        for key, value in thing.attrs.items():
            if key in ("DIMENSION_LIST", "REFERENCE_LIST") or (name, key) in MAY_DIFFER_ATTRIBUTES:
                continue  # references to other objects: addresses in the file
            found[f"{name}@{key}"] = np.asarray(value).tobytes()
        if isinstance(thing, h5py.Dataset) and name not in MAY_DIFFER:
            found[name] = (str(thing.dtype), thing.shape, thing.chunks, thing[()].tobytes() if thing.shape else
                           np.asarray(thing[()]).tobytes())

    with h5py.File(path) as f:
        take("/", f["/"])
        f.visititems(take)
    return found


def differences(one, other):
    """Names of what differs; empty when the finished files are the same."""
    a, b = contents(one), contents(other)
    return sorted(name for name in a.keys() | b.keys() if a.get(name) != b.get(name))


def check_part(path, reference=None):
    """Open a .part as anybody would and read all of it. What is done must be what the undisturbed run has.
    Returns (done, run_of_pixel)."""
    with h5py.File(path) as f:
        read = {}
        f.visititems(lambda name, thing: read.__setitem__(name, thing[()]) if isinstance(thing, h5py.Dataset) else None)
        assert f.attrs["layout"] == b"cantle-maps-1", f.attrs["layout"]
    done = read["entry/maps/state"] > 0
    run = read["entry/runs/run_of_pixel"]
    assert (run[done] > 0).all(), "a pixel is done, but no run has computed it"
    if reference is not None:
        with h5py.File(reference) as f:
            for name, whole in f["entry/maps"].items():
                if name in ("x", "y", "surface_slope", "state", "flags"):
                    continue  # slope and what follows from it are made in the finish
                part = read[f"entry/maps/{name}"]
                assert part[done].tobytes() == whole[()][done].tobytes(), f"{name}: a pixel that is done differs"
    return done, run


def start(*words, ranks, folder, told=False, **options):
    """Start `cantle map WORDS` on ranks (0: without mpiexec). told: see statuses_told."""
    launch = ["mpiexec", "-n", str(ranks)] if ranks else []
    if told:
        for old in pathlib.Path(folder).glob("told.[0-9]*"):
            old.unlink()
        script = pathlib.Path(folder) / "told.sh"
        script.write_text('#!/bin/sh\n"$@"\nstatus=$?\necho $status >"told.$PMI_RANK"\nexit $status\n')
        script.chmod(0o755)
        launch.append(script)
    settings = dict(stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    return subprocess.Popen([*launch, CANTLE, "map", *map(str, words)], cwd=folder, **{**settings, **options})


def statuses_told(folder):
    """Exit statuses of the ranks themselves, of a run with `told`. When a rank ends without MPI_Finalize, mpiexec kills
    the others and makes one status of all: 75, 9 or 1, as it comes (MPICH 4.0.2). Killed ones tell nothing."""
    return [int(path.read_text()) for path in sorted(pathlib.Path(folder).glob("told.[0-9]*")) if path.read_text()]


def children(pid):
    try:
        names = pathlib.Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except (FileNotFoundError, ProcessLookupError):
        return []
    return [int(name) for name in names]


def is_cantle(pid):
    try:
        return os.path.basename(os.readlink(f"/proc/{pid}/exe")) == os.path.basename(CANTLE)
    except OSError:
        return False


def ranks_of(process):
    """Pids of the ranks of a run that `start` began: our own descendants and nobody else's."""
    found, look = [], [process.pid]
    while look:
        pid = look.pop()
        look += children(pid)
        if is_cantle(pid):
            found.append(pid)
    return sorted(found)


def wait_for(condition, process=None, seconds=120):
    """Until it holds; False when the process has ended before."""
    end = time.monotonic() + seconds
    while not condition():
        if process is not None and process.poll() is not None:
            return condition()
        if time.monotonic() > end:
            raise AssertionError("it did not happen")
        time.sleep(0.001)
    return True


def pixels_done(part):
    """Pixels of a .part that are done; 0 while there is none."""
    try:
        with h5py.File(part) as f:
            return int((f["entry/maps/state"][()] > 0).sum())
    except OSError:
        return 0
