#!/usr/bin/python3
"""Curves of the interpolation between DMT and JKR, made by the judge's own model, come back from cantle, with lambda
given and with lambda fitted; on noisy curves the stated errors are right."""
import unittest

import numpy as np

import carpick
import program
import scenario as sc
from test_forward import table
from test_transition import RADIUS, SAMPLES, write

# alpha 0.1 to 0.98: beyond, the interpolation has no further lambda
LAMBDAS = (0.1, 0.3, 0.6, 1.0, 2.0)
RATIOS = (0.1, 0.5, 2.0, 10.0)


class Model(unittest.TestCase):
    """The judge is judged: against the reference tables."""

    def test_parameters(self):
        rows = table("16_cos_parameters.csv")
        self.assertGreaterEqual(len(rows), 10)
        for row in rows:
            values = list(row.values())
            alpha = row["alpha"]
            a0, pull, _, _ = carpick.numbers(alpha)
            self.assertTrue(any(abs(v / a0 - 1) < 1e-12 for v in values), row)
            self.assertTrue(any(abs(v / pull - 1) < 1e-12 for v in values), row)

    def test_jkr_is_a_limit(self):
        """alpha = 1: S = 2/3 and beta = 1/2 to the digits of the coefficients, F_ad = 1.5 pi R w."""
        a0, pull, share, beta = carpick.numbers(1.0)
        self.assertAlmostEqual(pull, 1.5, delta=1e-12)
        self.assertAlmostEqual(share, 2 / 3, delta=1e-3)
        self.assertAlmostEqual(beta, 0.5, delta=4e-3)
        self.assertAlmostEqual(a0, 6 ** (1 / 3), delta=3e-3)

    def test_lever_balances(self):
        m = carpick.Carpick(3e6, RADIUS, 0.03, 0.5, 0.1)
        x = np.linspace(m.x_off + 1e-10, 1e-6, 50)
        d = m.deflection(x)
        root = np.sqrt(1 + 0.1 * d / m.pull)  # above the force minimum
        self.assertLess(np.abs(m.depth(root) + d - x)[5:].max(), 1e-15)


def curve(lam, ratio, z0=0.0, share=0.45, phase=0.3, pull_share=0.3):
    """As test_transition.curve: z, d of a retract, E*, w."""
    force = sc.SPRING * sc.DEFLECTION
    work = pull_share * force / (1.7 * np.pi * RADIUS)
    depth = 1.5 * force * (1 + pull_share) / (ratio * sc.SPRING)
    reduced = 0.75 * force * (1 + pull_share) / np.sqrt(RADIUS) / depth**1.5
    m = carpick.Carpick(reduced, RADIUS, work, lam, sc.SPRING)
    top = m.x_at_force(force)
    step = (top - m.x_off) / (1 - share) / (SAMPLES - 1)
    x = top - (phase + np.arange(SAMPLES)) * step
    return x + z0, m.deflection(x), reduced, work


class NoiseFree(unittest.TestCase):
    def recover(self, lam, space="deflection", **more):
        curves = [curve(lam, r, z0=17e-9 * i, phase=0.1 + 0.2 * i) for i, r in enumerate(RATIOS)]
        with program.Folder() as folder:
            write(folder / "v.h5", curves, 1)
            return curves, program.map_volume(folder, folder / "v.h5", sc.settings(
                "carpick", "retract", contact__fit_space=space, **more))

    def check(self, lam, curves, maps):
        for i, (z, d, reduced, work) in enumerate(curves):
            with self.subTest(lam=lam, ratio=RATIOS[i]):
                names = maps.names(0, i)
                self.assertLessEqual(abs(maps["reduced_modulus"][0, i] / reduced - 1), 1e-5, names)
                self.assertLessEqual(abs(maps["work_of_adhesion"][0, i] / work - 1), 1e-5, names)
                self.assertLessEqual(abs(maps["contact_point"][0, i] - 17e-9 * i), 1e-6 * sc.DEFLECTION, names)

    def test_lambda_given(self):
        for space in ("deflection", "force"):
            for lam in LAMBDAS:
                self.check(lam, *self.recover(lam, space, sample__maugis_parameter=lam))

    def test_lambda_fitted(self):
        for lam in LAMBDAS:
            curves, maps = self.recover(lam)
            self.check(lam, curves, maps)
            for i in range(len(RATIOS)):
                with self.subTest(lam=lam, ratio=RATIOS[i]):
                    self.assertLessEqual(abs(maps["transition_parameter"][0, i] / lam - 1), 1e-4)


class Noise(unittest.TestCase):
    """(fit - truth)/standard error: mean 0, standard deviation 1, over 400 curves."""

    def recover(self, lam, noise, ratios, seed, **more):
        rng = np.random.default_rng(seed)
        curves = [curve(lam, ratios[i % len(ratios)], rng.uniform(-50e-9, 50e-9), rng.uniform(0.35, 0.55),
                        rng.uniform(0, 1)) for i in range(400)]
        with program.Folder() as folder:
            write(folder / "v.h5", curves, 20, noise, rng)
            return curves, program.map_volume(folder, folder / "v.h5", sc.settings(
                "carpick", "retract", contact__noise="white", **more))

    def normal(self, maps, name, truth, what):
        z = ((maps[name] - truth) / maps[name + "_errors"]).ravel()
        print(f"  {what} {name}: mean {np.nanmean(z):+.3f}  sd {np.nanstd(z, ddof=1):.3f}  nan {np.isnan(z).sum()}")
        with self.subTest(what, map=name):
            self.assertLessEqual(np.isnan(z).sum(), 5)
            self.assertLess(abs(np.nanmean(z)), 0.16)  # three standard errors of 400
            self.assertTrue(0.85 <= np.nanstd(z, ddof=1) <= 1.15)

    def check(self, lam, curves, maps, what):
        for name, index in (("reduced_modulus", 2), ("work_of_adhesion", 3)):
            self.normal(maps, name, np.array([c[index] for c in curves]).reshape(20, 20), what)

    def test_lambda_given(self):
        for lam in (0.1, 0.5, 2.0):
            self.check(lam, *self.recover(lam, 0.05e-9, RATIOS, 81, sample__maugis_parameter=lam), f"lambda {lam}")

    def test_lambda_fitted(self):
        """With little noise, where lambda can be told: the fit is linear enough for its errors then."""
        curves, maps = self.recover(0.5, 0.01e-9, (0.5, 2.0), 82)
        self.check(0.5, curves, maps, "lambda 0.5 fitted,")
        self.normal(maps, "transition_parameter", 0.5, "lambda 0.5 fitted,")


if __name__ == "__main__":
    unittest.main()
