#!/usr/bin/python3
"""Are the standard errors of the viscoelastic analyses true, and from which contact stiffness on are they not? Curves
by the brute-force model of tests/judge/viscoelastic.py, white noise of a given share of the peak deflection; prints
the table of docs/viscoelastic.md. Some minutes.
    CANTLE=build/cantle tests/bench/viscoelastic.py [SIDE]      SIDE x SIDE curves a row (32)"""
import pathlib
import sys

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "judge"))
import program
import test_viscoelastic as tv
import viscoelastic as ve

SIDE = int(sys.argv[1]) if len(sys.argv) > 1 else 32
POWER = dict(relaxation_modulus=1500.0, relaxation_exponent=0.2)
LINEAR = dict(modulus_instant=2500.0, modulus_relaxed=800.0, relaxation_time=0.05)


def row(words, scene, law, truths, noise, seed, **how):
    top = max(d.max() for _, d in scene.parts.values())
    settings = {"limits.contact_to_pitch": "1e9", **how.pop("settings", {})}
    maps = tv.fit(scene, law, side=SIDE, noise=noise * top, seed=seed, settings=settings, **how)
    cells = [words, f"{np.nanmedian(maps['stiffness_ratio']):.2g}", f"{100 * noise:.2g} %"]
    for name, truth in {"contact_point_in_time": scene.contact, **truths}.items():
        value, error = maps[name], maps[name + "_errors"]
        good = np.isfinite(value) & np.isfinite(error)
        bias = np.mean(value[good] - truth) / np.std(value[good])
        inside = np.mean(np.abs(value[good] - truth) < 1.96 * error[good])
        size = np.median(error[good]) / (truth if name != "contact_point_in_time" else 1e-9)
        unit = f"{100 * size:.2g} %" if name != "contact_point_in_time" else f"{size:.2g} nm"
        lost = "" if good.all() else f", {100 * np.mean(~good):.1f} % without a value"
        cells.append(f"{unit}; {bias:+.2f}; {100 * inside:.1f} %{lost}")
    print("| " + " | ".join(cells) + " |", flush=True)


def head(law, names):
    print(f"\n{law}\n\n| curves | kc/k | noise | Z0 | " + " | ".join(f"`{n}`" for n in names) + " |")
    print("|---" * (4 + len(names)) + "|", flush=True)


def main():
    power, linear = ve.power_law(1500.0, 0.2), ve.linear_solid(2500.0, 800.0, 0.05)
    head("Power law", POWER)
    for seed, k in enumerate((0.5, 0.05, 0.01, 2e-3, 4e-4)):
        row("approach, retract", ve.Scene(power, k=k), "power_law", POWER, 4e-3, seed)
    row("approach, retract", ve.Scene(power, k=0.05), "power_law", POWER, 4e-2, 10)
    row("approach alone", ve.Scene(power), "power_law", POWER, 4e-3, 11,
        settings={"viscoelastic.segments": "approach"})
    row("approach, dwell, retract", ve.Scene(power, dwell_s=0.3), "power_law", POWER, 4e-3, 12)
    row("cone, retract slower", ve.Scene(power, model="cone", tip=0.5, back=2e-6), "power_law", POWER, 4e-3, 13,
        model="cone")
    row("with drag of 2 uN s/m", ve.Scene(power, drag=2e-6), "power_law", POWER, 4e-3, 14)
    row("noise with memory 0.5", ve.Scene(power), "power_law", POWER, 4e-3, 15, rho=0.5)
    row("exponent 0.45", ve.Scene(ve.power_law(1500.0, 0.45)), "power_law",
        dict(POWER, relaxation_exponent=0.45), 4e-3, 16)
    head("Standard linear solid", LINEAR)
    for seed, k in enumerate((0.5, 0.05, 0.01, 2e-3, 4e-4)):
        row("approach, retract", ve.Scene(linear, k=k), "standard_linear_solid", LINEAR, 4e-3, 20 + seed)
    row("approach, retract", ve.Scene(linear, k=0.05), "standard_linear_solid", LINEAR, 4e-2, 30)
    row("approach, dwell, retract", ve.Scene(linear, dwell_s=0.3), "standard_linear_solid", LINEAR, 4e-3, 31)
    print("\nLoss tangent from hysteresis\n\n| curves | kc/k | noise | Z0 | `loss_tangent` |\n|---|---|---|---|---|")
    for seed, (words, k, contact, exponent) in enumerate((("power law 0.2", 0.5, 0.8e-6, 0.2),
                                                          ("power law 0.2", 0.05, 0.8e-6, 0.2),
                                                          ("power law 0.2", 0.01, 0.6e-6, 0.2),
                                                          ("power law 0.05", 0.05, 0.8e-6, 0.05),
                                                          ("power law 0.45", 0.05, 0.8e-6, 0.45))):
        row(words, ve.Scene(ve.power_law(1500.0, exponent), k=k, contact=contact), "power_law",
            dict(loss_tangent=np.tan(np.pi / 2 * exponent)), 4e-3, 40 + seed, loss=True)


main()
