#!/usr/bin/python3
"""Unloading after plastic deformation: cantle gets back stiffness, contact depth, area, hardness and modulus
that unloading.py put in, with error bars that are true; flags where the method does not hold."""
import unittest

import numpy as np

import program
import unloading as ul
import volume as vol

N = 400
CONE = dict(shape="cone", half_angle=np.radians(70.3))
CUBE = dict(shape="cone", half_angle=np.radians(42.28))
OPEN = {"limits.depth_to_radius": "1e6", "limits.stiffness_ratio_low": "1e-9", "limits.stiffness_ratio_high": "1e9",
        "limits.baseline_slope": "1", "limits.residual": "100", "limits.surface_slope": "90 degree",
        "limits.contact_to_pitch": "1e9"}


def truth(p):
    return dict(hardness=p.hardness, unloading_modulus=p.e_sample, unloading_reduced_modulus=p.e_r,
                unloading_stiffness=p.stiffness, unloading_exponent=p.m, unloading_force=p.peak,
                unloading_depth=p.h_max, residual_depth=p.h_f, residual_depth_ratio=p.h_f / p.h_max,
                contact_depth=p.h_c, contact_area=p.area)


def settings(p, **more):
    """The contact model reads a cone; its result does not matter here."""
    out = {"calibration.spring_constant": f"{p.k!r} N/m", "contact.model": "cone", "sample.poisson_ratio": f"{p.nu}",
           "tip.tip_half_angle": "70.3 degree", "unloading.analysis": "power_law",
           "unloading.area": p.tip["shape"], "unloading.epsilon": f"{p.epsilon!r}", "unloading.beta": f"{p.beta!r}",
           "unloading.zero_to": "100 %", "calibration.monte_carlo_draws": "0"}
    if "half_angle" in p.tip:
        out["tip.tip_half_angle"] = f"{p.tip['half_angle']!r} rad"
    if "radius" in p.tip:
        out["tip.tip_radius"] = f"{p.tip['radius']!r} m"
    if "face_angle" in p.tip:
        out["tip.tip_face_angle"] = f"{p.tip['face_angle']!r} rad"
    if "coefficients" in p.tip:
        a, b, c = p.tip["coefficients"]
        out.update({"unloading.area": "function", "tip.tip_area_quadratic": f"{a!r}",
                    "tip.tip_area_linear": f"{b!r} m", "tip.tip_area_constant": f"{c!r} m2"})
    if np.isfinite(p.e_tip):
        out.update({"tip.tip_modulus": f"{p.e_tip!r} Pa", "tip.tip_poisson_ratio": f"{p.nu_tip!r}"})
    out.update(OPEN)
    out.update({k.replace("__", "."): v for k, v in more.items()})
    return out


def write(path, pixels, columns, noise=0.0, rng=None, share=0.45, n=N, baseline=(0.0, 0.0), adhesion=0.0):
    """share of the ramp is in contact; z0 falls anywhere; the offset and slope are artefacts."""
    rows = len(pixels) // columns
    rng = rng or np.random.default_rng(1)
    z, d = (np.empty((2, len(pixels), n)) for _ in range(2))
    adhesion = np.broadcast_to(adhesion, len(pixels))
    for i, p in enumerate(pixels):
        end = p.x_peak()
        x = end - end / share * np.arange(n)[::-1] / (n - 1)
        z0 = rng.uniform(-0.2, 0.2) * end
        for s, segment in enumerate(("approach", "retract")):
            xs = x if s == 0 else x[::-1]
            true = p.deflection(xs, segment)
            if s and adhesion[i]:
                true = true - adhesion[i] / p.k * np.exp(-np.square((xs - p.h_f) / (0.05 * end)))
            z[s, i] = xs + z0
            d[s, i] = true + baseline[0] + baseline[1] * xs + noise * rng.standard_normal(n)
    shape = (rows, columns, n)
    parts = {seg: vol.segment(d[s].reshape(shape), z[s].reshape(shape)) for s, seg in enumerate(("approach", "retract"))}
    vol.write(path, parts)


def run(pixels, columns, folder=None, more=None, **curves):
    with program.Folder() as folder:
        write(folder / "v.h5", pixels, columns, **curves)
        return program.map_volume(folder, folder / "v.h5", settings(pixels[0], **(more or {})))


GLASS = dict(k=200.0, peak=2e-6, e_sample=4.5e9, hardness=0.25e9, tip=CUBE, nu=0.35)


class NoiseFree(unittest.TestCase):
    """Every area function, exponents, constants, an elastic tip: all results to 1e-6."""

    CASES = (dict(), dict(tip=CONE, m=1.25, beta=1.034), dict(tip=dict(shape="berkovich"), m=1.7, n=1.9),
             dict(tip=dict(shape="pyramid", face_angle=np.radians(35.0)), epsilon=0.72),
             dict(tip=dict(shape="paraboloid", radius=200e-9), n=1.6, m=1.5),
             dict(tip=dict(shape="sphere", radius=200e-9), n=1.6, m=1.5),
             dict(tip=dict(shape="function", coefficients=(4.2, 90e-9, 1e-16)), n=1.8),
             dict(e_tip=1.141e12, nu_tip=0.07, e_sample=400e9, hardness=20e9, peak=20e-6),
             dict(k=20.0), dict(k=4000.0))

    def test_every_case(self):
        for case in self.CASES:
            p = ul.Plastic(**{**GLASS, **case})
            maps = run([p], 1, baseline=(2e-9, 1e-3))
            for name, wanted in truth(p).items():
                with self.subTest(case=case, map=name):
                    got = maps[name][0, 0]
                    self.assertLessEqual(abs(got / wanted - 1), 1e-6, f"{got:.9g}, wanted {wanted:.9g}")
            with self.subTest(case=case):
                wrong = [w for w in maps.names(0, 0) if "unload" in w or w in ("no_plastic_depth", "pile_up")]
                self.assertEqual(wrong, ["pile_up"] if p.h_f > 0.7 * p.h_max else [])


def coverage(pixels, count, noise, seed, more=None, **curves):
    """{map: (bias in standard errors, spread in standard errors, share within 1.96 of them)}"""
    rng = np.random.default_rng(seed)
    maps = run([pixels] * count, int(count**0.5), noise=noise, rng=rng, more=more, **curves)
    out = {}
    for name, wanted in truth(pixels).items():
        t = ((maps[name] - wanted) / maps[f"{name}_errors"]).ravel()
        out[name] = (np.isfinite(t).mean(), t.mean(), t.std(ddof=1), float(np.mean(np.abs(t) <= 1.96)),
                     float(np.median(maps[f"{name}_errors"]) / abs(wanted)))
    return out, maps


class Noise(unittest.TestCase):
    """400 curves: truth lies within 1.96 standard errors in 95 of 100. Long form: bench/unloading.py."""

    CASES = (("stiff lever", dict(), 0.05e-9), ("soft lever", dict(k=20.0), 0.07e-9))

    def test_coverage(self):
        for i, (words, case, noise) in enumerate(self.CASES):
            got, _ = coverage(ul.Plastic(**{**GLASS, **case}), 400, noise, 11 + i)
            for name, (there, mean, sd, share, u) in got.items():
                print(f"  {words}: {name}: mean {mean:+.2f}, sd {sd:.3f}, {share:.1%} within, u {u:.2%}")
                with self.subTest(words, map=name):
                    self.assertEqual(there, 1.0)
                    # three standard deviations of 400 draws of 0.95
                    self.assertTrue(0.917 <= share <= 0.983, f"{share:.1%}")
                    self.assertLess(abs(mean), 0.25)


if __name__ == "__main__":
    unittest.main()
