"""Bias and coverage of the unloading analysis on simulated plastic contacts, and what it costs. Prints the
tables of docs/unloading.md.

    tests/bench/unloading.py [CURVES]      (default 1024 a case; some minutes)
"""
import os
import pathlib
import resource
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "judge"))
os.environ.setdefault("CANTLE", str(ROOT / "build" / "cantle"))
import numpy as np  # noqa: E402
import program  # noqa: E402
import test_unloading as tu  # noqa: E402
import unloading as ul  # noqa: E402

# words, changes of tu.GLASS, noise of the deflection, samples a segment
CASES = (("film, S/k 3", dict(), 0.02e-9, 400), ("the same, noisier", dict(), 0.05e-9, 400),
         ("the same, 2000 samples", dict(), 0.05e-9, 2000), ("soft lever, S/k 26", dict(k=20.0), 0.05e-9, 400),
         ("stiff lever, S/k 0.13", dict(k=4000.0), 0.005e-9, 400),
         ("blunt tip, m 1.25", dict(tip=tu.CONE, m=1.25), 0.05e-9, 400),
         ("paraboloid, m 1.5, loading to the 1.5", dict(tip=dict(shape="paraboloid", radius=200e-9), m=1.5, n=1.5),
          0.05e-9, 400))
SHOWN = ("unloading_stiffness", "contact_depth", "hardness", "unloading_modulus", "unloading_exponent")


def cost(samples=1000, columns=32):
    """CPU seconds of a map with and without the analysis, per sample of both segments."""
    pixels = [ul.Plastic(**tu.GLASS)] * columns**2
    seconds = []
    with program.Folder() as folder:
        tu.write(folder / "v.h5", pixels, columns, noise=0.03e-9, n=samples)
        for word in ("none", "power_law"):
            settings = {k: v for k, v in tu.settings(pixels[0]).items() if word != "none" or "unloading" not in k}
            before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
            for _ in range(3):
                program.map_volume(folder, folder / "v.h5", settings)
            seconds.append((resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before) / 3)
    n = 2 * samples * columns**2
    print(f"\n{n / seconds[0] / 1e6:.2f} million samples a second of CPU without the analysis (program start included), "
          f"{n / seconds[1] / 1e6:.2f} with it")


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1024
    count = int(count**0.5) ** 2
    print("| contact | map | u stated | bias, in u | scatter, in u | inside 1.96 u | not fitted |\n|---|---|---|---|---|---|---|")
    for i, (words, case, noise, n) in enumerate(CASES):
        got, maps = tu.coverage(ul.Plastic(**{**tu.GLASS, **case}), count, noise, 101 + i, n=n)
        lost = int((~np.isfinite(maps["hardness"])).sum())
        for name in SHOWN:
            there, mean, sd, share, u = got[name]
            print(f"| {words} | {name} | {u:.1%} | {mean:+.2f} | {sd:.2f} | {share:.1%} | {lost} |", flush=True)
    cost()


if __name__ == "__main__":
    main()
