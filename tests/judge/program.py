"""Runs cantle as a user does: recipe text, command line, map file."""
import os
import pathlib
import shutil
import subprocess
import tempfile

import h5py
import numpy as np

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
CANTLE = os.path.abspath(os.environ.get("CANTLE", str(ROOT / "build" / "cantle")))
os.environ.setdefault("HYDRA_LAUNCHER", "fork")  # MPICH: start ranks on this machine without ssh
MPIEXEC = os.environ.get("MPIEXEC", "mpiexec")
STATES = ("pending", "accepted", "doubtful", "rejected", "absent")
TO_SI = {"1": 1.0, "Pa": 1.0, "kPa": 1e3, "MPa": 1e6, "GPa": 1e9, "N": 1.0, "nN": 1e-9, "pN": 1e-12, "m": 1.0, "pm": 1e-12, "m2": 1.0, "nm2": 1e-18,
         "nm": 1e-9, "um": 1e-6, "J": 1.0, "aJ": 1e-18, "fJ": 1e-15, "J/m2": 1.0, "mJ/m2": 1e-3, "N/m": 1.0,
         "degree": 0.017453292519943295, "s": 1.0, "ms": 1e-3, "N s/m": 1.0, "uN s/m": 1e-6}


class Folder:
    """A private folder that goes away."""

    def __enter__(self):
        self.path = pathlib.Path(tempfile.mkdtemp(prefix="cantle-judge-"))
        return self.path

    def __exit__(self, *_):
        shutil.rmtree(self.path, ignore_errors=True)


def recipe_text(settings):
    """{'contact.model': 'jkr'} -> YAML with sections."""
    sections = {}
    for name, value in settings.items():
        section, key = name.split(".")
        sections.setdefault(section, []).append(f"  {key}: {value}\n")
    return "".join(f"{section}:\n{''.join(lines)}" for section, lines in sections.items())


def run(arguments, ranks=0, timeout=170, **options):
    """Run cantle. ranks = 0: without mpiexec."""
    if not os.access(CANTLE, os.X_OK):
        raise FileNotFoundError(f"{CANTLE} is not there: build it, or say where it is in CANTLE")
    front = [MPIEXEC, "-n", str(ranks)] if ranks else []
    return subprocess.run(front + [CANTLE] + [str(a) for a in arguments], stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, text=True, timeout=timeout, **options)


class Maps:
    """A map file in SI. maps['modulus'] is a float64 array [ny, nx]."""

    def __init__(self, path):
        self.path = str(path)
        self.value, self.raw = {}, {}
        with h5py.File(path, "r") as f:
            for name, dataset in f["entry/maps"].items():
                self.raw[name] = dataset[()]
                unit = dataset.attrs.get("units", "1")
                unit = unit.decode() if isinstance(unit, bytes) else str(unit)
                if np.ndim(self.raw[name]) == 2 and self.raw[name].dtype.kind == "f":
                    self.value[name] = self.raw[name].astype(float) * TO_SI[unit]
            self.flag_name = self._flag_name(f["entry/maps"])
            dataset = f["entry/maps"][self.flag_name]
            words = dataset.attrs["flag_meanings"]
            self.words = (words.decode() if isinstance(words, bytes) else str(words)).split()
            self.masks = np.atleast_1d(dataset.attrs["flag_masks"]).astype("u8")
            self.flags = dataset[()].astype("u8")

    @staticmethod
    def _flag_name(group):
        names = [name for name, d in group.items() if "flag_masks" in d.attrs]
        if len(names) != 1:
            raise AssertionError(f"{len(names)} datasets with flag_masks: {names}")
        return names[0]

    def __getitem__(self, name):
        return self.value[name]

    def flagged(self, word):
        return (self.flags & self.masks[self.words.index(word)]) != 0

    def names(self, row, col):
        return [w for w, m in zip(self.words, self.masks) if self.flags[row, col] & m]


def map_volume(folder, volume, settings, ranks=0, name="maps.h5", fail_ok=(0, 6), **options):
    """Write a recipe, run `cantle map`, read the maps."""
    recipe, output = folder / f"{name}.yaml", folder / name
    recipe.write_text(recipe_text(settings))
    done = run(["map", recipe, volume, "-o", output, "--overwrite"], ranks, **options)
    if done.returncode not in fail_ok:
        raise AssertionError(f"exit status {done.returncode}: {done.stderr.strip()}")
    return Maps(output)
