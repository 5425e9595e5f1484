"""Bias and coverage of the thermal fit on simulated records. Prints a table for docs/calibration.md.

    tests/bench/thermal.py [RECORDS [CASE...]]      (default 1000, all cases; some minutes)
"""
import os
import pathlib
import subprocess
import sys

import numpy as np

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "judge"))
import thermal_noise  # noqa: E402

PROGRAM = os.environ.get("THERMAL", str(ROOT / "build" / "tests" / "thermal"))
# medium, f0 Hz, Q, k N/m, rate Hz, seconds, white and 1/f at 1 Hz, in units of the spectrum's height at zero
CASES = [
    ("air", 18e3, 20, 0.06, 200e3, 1.0, 1e-2, 0),
    ("air", 18e3, 50, 0.06, 200e3, 5.0, 1e-2, 1e2),
    ("air", 75e3, 200, 2.8, 500e3, 1.0, 1e-1, 0),
    ("air", 75e3, 200, 2.8, 300e3, 1.5, 1e-1, 1e3),
    ("air", 300e3, 450, 27.0, 1e6, 0.25, 1.0, 0),
    ("water", 4e3, 1.8, 0.06, 50e3, 1.0, 1e-2, 0),
    ("water", 4e3, 1.8, 0.06, 50e3, 10.0, 1e-2, 1e1),
    ("water", 9e3, 3.0, 0.10, 100e3, 2.0, 3e-2, 1e1),
    ("water", 30e3, 4.5, 0.60, 200e3, 0.5, 1e-1, 1e2),
    ("air, twist", 350e3, 300, 5e-9, 1.25e6, 0.4, 1e-1, 0),
]
# mean square of the mode the sensitivity is for, in units of kB T/k, and sensitivity: m/V, or rad/V of the twist
BENDING, TWIST = (0.8174347867013557, 60e-9), (8 / np.pi**2, 2e-3)


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print("| medium | f0 | Q | seconds | ordinate's dof | bias of k | its error | u(k)/k stated | scatter | "
          "inside 1.96 u | no fit | Q bias |")
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    for number in map(int, sys.argv[2:] or range(len(CASES))):
        medium, f0, q, k, rate, seconds, white, flicker = CASES[number]
        n, rng = int(rate * seconds), np.random.default_rng(1000 + number)
        (share, s), t = TWIST if "twist" in medium else BENDING, 295.0
        area = share * thermal_noise.BOLTZMANN * t / (k * s * s)
        height = 2 * area / (np.pi * f0 * q)
        lines, left = [], count
        while left:
            some = max(1, min(left, int(2e7 / n)))
            x = thermal_noise.records(some, n, rate, k, f0, q, t, s, share, white * height, flicker * height, rng)
            done = subprocess.run([PROGRAM, str(n), str(rate)], input=np.ascontiguousarray(x).tobytes(),
                                  capture_output=True, check=True)
            lines += done.stdout.decode().splitlines()
            left -= some
        r = np.array([line.split() for line in lines], float)
        good = np.isfinite(r[:, 0])
        r = r[good]
        ratio, u = area / r[:, 0], r[:, 1]  # k over its truth
        inside = np.mean(np.abs(np.log(ratio)) < 1.96 * u)
        print(f"| {medium} | {f0 / 1e3:g} kHz | {q:g} | {seconds:g} | {r[0, 7]:.0f} | {100 * (ratio.mean() - 1):+.2f} % | "
              f"{100 * ratio.std() / np.sqrt(len(r)):.2f} % | {100 * u.mean():.2f} % | {100 * ratio.std():.2f} % | "
              f"{100 * inside:.1f} % | {int((~good).sum())} | {100 * (r[:, 4].mean() / q - 1):+.2f} % |", flush=True)


if __name__ == "__main__":
    main()
