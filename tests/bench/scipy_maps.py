"""Modulus, adhesion and deformation as a scientist's script would make them: SciPy's curve_fit on every
pixel. The other side of a race, not an example to follow.

    scipy_maps.py VOLUME [PIXELS [PROCESSES]]

Prints one line of JSON: seconds for the pixels done (reading and fitting; starting Python and importing
SciPy are not counted), and medians of what it found.
"""
import json
import multiprocessing
import sys
import time

import h5py
import numpy as np
from scipy.optimize import curve_fit

SCALE = {"m": 1e9, "um": 1e3, "nm": 1.0}  # to nm


class Volume:
    """Just enough of the file for the script: lengths in nm, forces in nN."""

    def __init__(self, path):
        self.file = h5py.File(path, "r")
        known = self.file["calibration"]
        self.sensitivity = in_nm(known["deflection_sensitivity"])
        self.spring = known["spring_constant"][()]
        self.radius = in_nm(known["tip_radius"])
        self.poisson = known["poisson_ratio"][()] if "poisson_ratio" in known else 0.5
        self.signal = {s: self.file[s]["signal"] for s in ("approach", "retract")}
        self.z = {s: in_nm(self.file[s]["z"]) for s in ("approach", "retract")}
        if self.z["approach"][-1] < self.z["approach"][0]:
            self.z = {s: -z for s, z in self.z.items()}

    def curve(self, segment, pixel):
        """z and deflection, nm."""
        signal = self.signal[segment]
        volts = signal[pixel[0], pixel[1]] * signal.attrs.get("scale_factor", 1.0) + signal.attrs.get("add_offset", 0.0)
        return self.z[segment], volts * self.sensitivity


def in_nm(dataset):
    """m, um, nm, or these for each volt."""
    unit = dataset.attrs["units"]
    unit = unit.decode() if isinstance(unit, bytes) else str(unit)
    return dataset[()] * SCALE[unit.split("/")[0]]


def hertz(depth, modulus, contact, offset, slope, radius):
    """Paraboloid; modulus here is E*, nN/nm^2 = GPa."""
    inside = np.clip(depth - contact, 0, None)
    return offset + slope * depth + 4 / 3 * modulus * np.sqrt(radius) * inside**1.5


def analyse(volume, pixel):
    z, d = volume.curve("approach", pixel)
    line = np.polyfit(z[: len(z) // 4], d[: len(z) // 4], 1)
    flat = d - np.polyval(line, z)
    force, depth = volume.spring * flat, z - flat
    noise = np.std(force[: len(z) // 4])
    touched = np.nonzero(force < 5 * noise)[0]
    start = depth[touched[-1]] if len(touched) else depth[0]
    deepest = max(depth[-1] - start, 1e-3)
    guess = [max(force[-1], 1e-6) / (4 / 3 * np.sqrt(volume.radius) * deepest**1.5), start, 0.0, 0.0]
    try:
        found, _ = curve_fit(lambda x, *p: hertz(x, *p, volume.radius), depth, force, p0=guess)
    except RuntimeError:
        found = [np.nan] * 4
    z, d = volume.curve("retract", pixel)
    line = np.polyfit(z[-len(z) // 4:], d[-len(z) // 4:], 1)
    adhesion = -volume.spring * np.min(d - np.polyval(line, z))
    return found[0] * (1 - volume.poisson**2) * 1e3, adhesion, depth[-1] - found[1]  # MPa, nN, nm


def work(job):
    path, pixels = job
    volume = Volume(path)
    return [analyse(volume, p) for p in pixels]


def main():
    path = sys.argv[1]
    many = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    processes = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    with h5py.File(path, "r") as f:
        ny, nx, _ = f["approach/signal"].shape
    chosen = np.unique(np.linspace(0, ny * nx - 1, many).astype(int))
    pixels = [divmod(int(i), nx) for i in chosen]
    if processes == 1:
        work((path, pixels[:3]))  # warm
        start = time.perf_counter()
        results = work((path, pixels))
        took = time.perf_counter() - start
    else:
        with multiprocessing.Pool(processes) as pool:
            pool.map(work, [(path, pixels[:3])] * processes)
            start = time.perf_counter()
            parts = pool.map(work, [(path, pixels[i::processes]) for i in range(processes)])
            took = time.perf_counter() - start
        results = [r for part in parts for r in part]
    modulus, adhesion, deformation = (float(np.nanmedian(column)) for column in np.array(results).T)
    print(json.dumps({"pixels": len(pixels), "of": ny * nx, "seconds": took, "processes": processes,
                      "modulus_MPa": modulus, "adhesion_nN": adhesion, "deformation_nm": deformation}))


if __name__ == "__main__":
    main()
