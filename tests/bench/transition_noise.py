#!/usr/bin/python3
"""Maugis' sphere with lambda fitted, on noisy curves of the judge's own model: are the stated errors true?
Prints the table in docs/accuracy.md, "The transition parameter".

    CANTLE=build/cantle tests/bench/transition_noise.py [NOISE IN METRES...]
"""
import pathlib
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "judge"))
import program
import scenario as sc
from test_transition import curve, write

LAMBDA, RATIOS, EACH = 0.5, (0.5, 2.0, 5.0, 10.0), 100


def pulls(maps, name, truth):
    return (maps[name].ravel() - truth) / maps[name + "_errors"].ravel()


for noise in [float(word) for word in sys.argv[1:]] or [2e-11, 5e-12]:
    rng = np.random.default_rng(72)
    curves = [curve(LAMBDA, RATIOS[i % 4], rng.uniform(-50e-9, 50e-9), rng.uniform(0.35, 0.55), rng.uniform(0, 1))
              for i in range(4 * EACH)]
    with program.Folder() as folder:
        write(folder / "v.h5", curves, 20, noise, rng)
        maps = program.map_volume(folder, folder / "v.h5", sc.settings("maugis", "retract"))
    lam = maps["transition_parameter"].ravel()
    error = maps["transition_parameter_errors"].ravel() / lam
    z_lam = np.log(lam / LAMBDA) / error
    z_e = pulls(maps, "reduced_modulus", np.array([c[2] for c in curves]))
    for k, ratio in enumerate(RATIOS):
        at = slice(k, None, 4)
        print(f"| {1e12 * noise:g} pm | {ratio:g} | {100 * np.median(error[at]):.0f} % | {z_lam[at].mean():+.2f} | "
              f"{z_lam[at].std(ddof=1):.2f} | {100 * np.mean(np.abs(z_lam[at]) < 1.96):.0f} % | {z_e[at].mean():+.2f} | "
              f"{z_e[at].std(ddof=1):.2f} | {100 * np.mean(np.abs(z_e[at]) < 1.96):.0f} % |")
