#!/usr/bin/python3
"""Layers of finite thickness: the judge's own solution of the integral equation against the reference table,
and curves made with it come back from cantle, with a number or a map for the thickness."""
import csv
import pathlib
import unittest

import numpy as np

import layer
import program
import scenario as sc
import volume as vol

SAMPLES = 500
TIPS = dict(layer_sphere=5e-6, layer_cone=np.radians(35.0), layer_punch=500e-9)
CASES = (("layer_sphere", False, 0.5), ("layer_sphere", True, 0.3), ("layer_cone", False, 0.5),
         ("layer_punch", False, 0.4))


def table(name):
    """Rows of a reference table with words in its cells."""
    lines = (pathlib.Path(__file__).parent.parent / "reference" / name).read_text().splitlines()
    header = [line for line in lines if line.startswith("#")][-1].lstrip("# ").split(",")
    return [dict(zip(header, row)) for row in csv.reader(line for line in lines if not line.startswith("#"))]


class Model(unittest.TestCase):
    """The judge is judged."""

    def test_table(self):
        for row in table("23_thickness_exact.csv"):
            shape, sliding = "layer_" + row["shape"], row["support"] == "free"
            nu, chi, alpha, wanted = (float(row[k]) for k in ("nu", "chi", "a_over_h", "F_over_halfspace"))
            depth, force = layer.solve(shape, sliding, nu, alpha)
            if shape == "layer_sphere":
                self.assertLess(abs(np.sqrt(depth) / chi - 1), 1e-11)
                ratio = force / (4 / 3 * depth**1.5)
            elif shape == "layer_cone":
                self.assertLess(abs(depth / chi - 1), 1e-11)
                ratio = force / (2 / np.pi * depth**2)
            else:
                ratio = force / (2 * alpha)
            self.assertLess(abs(ratio / wanted - 1), 1e-11)


def curve(case, chi, ratio, z0=0.0, share=0.45, phase=0.3, offset=1.3e-9, slope=2e-3):
    """z, d (both ascending), E*, h of an approach that ends at chi with a contact `ratio` times as stiff as the
    lever."""
    shape, sliding, nu = case
    tip, peak = TIPS[shape], sc.DEFLECTION
    reduced, h, delta = layer.contact(shape, sliding, nu, tip, chi, sc.SPRING * peak, ratio * sc.SPRING)
    top = delta + peak
    step = top / (1 - share) / (SAMPLES - 1)
    x = top - (phase + np.arange(SAMPLES)[::-1]) * step
    d = layer.deflection(shape, sliding, nu, tip, reduced, h, sc.SPRING, x)
    return x + z0, d + offset + slope * x, reduced, h


def write(path, case, curves, rows, noise=0.0, rng=None, thickness=None, number=None):
    z, d = (np.array([c[i] for c in curves]) for i in (0, 1))
    if np.any(noise):
        d = d + np.reshape(noise, (-1, 1)) * rng.standard_normal(d.shape)
    parts = {name: vol.segment(d[:, ::turn].reshape(rows, -1, SAMPLES), z[:, ::turn].reshape(rows, -1, SAMPLES))
             for name, turn in (("approach", 1), ("retract", -1))}
    tip = ("tip_half_angle", "rad") if case[0].endswith("cone") else ("tip_radius", "m")
    entries = {"spring_constant": (sc.SPRING, "N/m"), tip[0]: (TIPS[case[0]], tip[1])}
    if number is not None:
        entries["sample_thickness"] = (number, "m")
    vol.write(path, parts, entries, thickness=thickness)


def settings(case, model=None, **more):
    return sc.settings(model or case[0], "approach", sample__poisson_ratio=case[2],
                       sample__base="sliding" if case[1] else "bonded", **more)


class NoiseFree(unittest.TestCase):
    CHIS = (0.02, 0.1, 0.3, 0.7, 1.2, 1.8, 2.4, 2.9)

    def recover(self, case, space):
        curves = [curve(case, chi, 0.1 * 3 ** (i % 5), z0=17e-9 * (i - 3), phase=0.1 + 0.1 * i)
                  for i, chi in enumerate(self.CHIS)]
        h = np.array([c[3] for c in curves]).reshape(2, 4)
        with program.Folder() as folder:
            write(folder / "v.h5", case, curves, 2, thickness=h)
            maps = program.map_volume(folder, folder / "v.h5", settings(case, contact__fit_space=space))
        for i, chi in enumerate(self.CHIS):
            at = divmod(i, 4)
            with self.subTest(case=case, space=space, chi=chi):
                names = maps.names(*at)
                # in force space the baseline found beforehand is not quite the true one
                tolerance = 1e-6 if space == "deflection" else 3e-6
                self.assertLess(abs(maps["reduced_modulus"][at] / curves[i][2] - 1), tolerance, names)
                self.assertLess(abs(maps["modulus"][at] / curves[i][2] / (1 - case[2] ** 2) - 1), tolerance)
                self.assertLess(abs(maps["contact_point"][at] - 17e-9 * (i - 3)), 1e-6 * sc.DEFLECTION)
                self.assertLess(abs(maps["thickness"][at] / curves[i][3] - 1), 1e-6)
                self.assertLess(abs(maps["modulus_depth_ratio"][at] - 1), 1e-5)
                # the last sample lies a little before the end of the ramp
                self.assertTrue(0.98 * chi < maps["layer_ratio"][at] <= chi * (1 + 1e-6), maps["layer_ratio"][at])
                self.assertNotIn("too_thin", names)

    def test_deflection_space(self):
        for case in CASES:
            self.recover(case, "deflection")

    def test_force_space(self):
        for case in CASES:
            self.recover(case, "force")


class Noise(unittest.TestCase):
    """(fit - truth)/standard error has mean 0 and standard deviation 1."""

    def test_errors(self):
        for k, case in enumerate(CASES):
            rng = np.random.default_rng(k)
            curves = [curve(case, (0.2, 0.6, 1.2, 2.0)[i % 4], (0.2, 1.0, 4.0)[i % 3], z0=rng.uniform(-5e-8, 5e-8),
                            phase=rng.uniform()) for i in range(48)] * 16
            h = np.array([c[3] for c in curves]).reshape(24, -1)
            with program.Folder() as folder:
                write(folder / "v.h5", case, curves, 24, 0.004 * sc.DEFLECTION, rng, thickness=h)
                maps = program.map_volume(folder, folder / "v.h5", settings(case, contact__noise="white"))
            truth = np.array([c[2] for c in curves]).reshape(24, -1)
            z = (np.log(maps["reduced_modulus"] / truth) * maps["reduced_modulus"] /
                 maps["reduced_modulus_errors"]).ravel()
            self.assertTrue(np.isfinite(z).all(), case)
            with self.subTest(case=case):
                print(f"  {case}: mean {z.mean():+.3f}, sd {z.std(ddof=1):.3f}")
                self.assertLess(abs(z.mean()), 4 / np.sqrt(z.size))
                self.assertTrue(0.9 < z.std(ddof=1) < 1.1, z.std(ddof=1))


class Thickness(unittest.TestCase):
    CASE = ("layer_sphere", False, 0.5)

    def setUp(self):
        self.curves = [curve(self.CASE, chi, 1.0) for chi in (0.03, 0.5, 1.0, 3.5)]

    def maps(self, model=None, thickness=None, number=None, **more):
        with program.Folder() as folder:
            write(folder / "v.h5", self.CASE, self.curves, 1, thickness=thickness, number=number)
            return program.map_volume(folder, folder / "v.h5", settings(self.CASE, model, **more))

    def test_number(self):
        """One thickness for all: right where it is this pixel's."""
        maps = self.maps(number=self.curves[1][3])
        self.assertLess(abs(maps["reduced_modulus"][0, 1] / self.curves[1][2] - 1), 1e-6)
        self.assertTrue((maps["thickness"] == maps["thickness"][0, 1]).all())
        given = self.maps(sample__sample_thickness=f"{self.curves[2][3]!r} m", number=1e-6)
        self.assertLess(abs(given["reduced_modulus"][0, 2] / self.curves[2][2] - 1), 1e-6)

    def test_map_wins_and_gaps_are_rejected(self):
        h = np.array([[c[3] for c in self.curves]])
        h[0, 1] = np.nan
        maps = self.maps(thickness=h, number=1e-6)
        self.assertEqual(maps.flagged("no_thickness").tolist(), [[False, True, False, False]])
        self.assertTrue(np.isnan(maps["reduced_modulus"][0, 1]))
        self.assertTrue(np.isnan(maps["thickness"][0, 1]))
        self.assertTrue(np.isfinite(maps["peak_force"][0, 1]))
        self.assertLess(abs(maps["reduced_modulus"][0, 2] / self.curves[2][2] - 1), 1e-6)

    def test_flags(self):
        h = np.array([[c[3] for c in self.curves]])
        self.assertEqual(self.maps(thickness=h).flagged("too_thin").tolist(), [[False, False, False, True]])
        lower = self.maps(thickness=h, limits__layer_ratio=0.7)
        self.assertEqual(lower.flagged("too_thin").tolist(), [[False, False, True, True]])
        series = self.maps("layer_sphere_garcia", thickness=h)
        self.assertTrue(series.flagged("too_thin")[0, 3] and not series.flagged("too_thin")[0, :2].any())
        thick = self.maps("paraboloid", thickness=h)
        self.assertEqual(thick.flagged("substrate_felt").tolist(), [[False, True, True, True]])
        self.assertFalse(thick.flagged("no_thickness").any())
        self.assertFalse(self.maps("paraboloid").flagged("substrate_felt").any())

    def test_a_thick_model_is_wrong(self):
        """What the layer models are for: at chi = 0.5 the paraboloid says more than twice the modulus."""
        h = np.array([[c[3] for c in self.curves]])
        maps = self.maps("paraboloid", thickness=h)
        self.assertGreater(maps["reduced_modulus"][0, 1], 1.5 * self.curves[1][2])

    def test_missing(self):
        with program.Folder() as folder:
            write(folder / "v.h5", self.CASE, self.curves, 1)
            (folder / "r.yaml").write_text(program.recipe_text(settings(self.CASE)))
            done = program.run(["map", folder / "r.yaml", folder / "v.h5", "-o", folder / "m.h5"])
            self.assertNotEqual(done.returncode, 0)
            self.assertIn("sample.sample_thickness", done.stderr)

    def test_series_on_a_sliding_base(self):
        with program.Folder() as folder:
            write(folder / "v.h5", self.CASE, self.curves, 1, number=1e-6)
            (folder / "r.yaml").write_text(program.recipe_text(
                sc.settings("layer_sphere_garcia", "approach", sample__base="sliding")))
            done = program.run(["map", folder / "r.yaml", folder / "v.h5", "-o", folder / "m.h5"])
            self.assertNotEqual(done.returncode, 0)
            self.assertIn("sample.base: bonded", done.stderr)


if __name__ == "__main__":
    unittest.main()
