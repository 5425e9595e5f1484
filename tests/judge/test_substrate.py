#!/usr/bin/python3
"""Thickness from the volume's own heights: steps of a gel on a tilted hard substrate that is bare along one side.
The judge knows the plane, each thickness and the modulus; cantle has the curves and where the substrate is bare."""
import re
import unittest

import h5py
import numpy as np
from scipy.interpolate import CubicSpline

import forward as fw
import layer
import program
import scenario as sc
import volume as vol

ROWS, COLUMNS, SAMPLES, BARE = 12, 20, 400, 5
RADIUS, SPRING, PEAK, GLASS = 5e-6, 0.05, 60e-9, 70e9
PIXEL = (0.5e-6, 0.4e-6)
STEPS = np.array([0.8e-6, 1.5e-6, 3e-6])  # thickness of the three terraces
REDUCED = 20e3 / 0.75                      # 20 kPa, nu = 0.5
SETTINGS = {"contact.model": "layer_sphere", "contact.noise": "white", "output.modulus_unit": "Pa",
            "sample.thickness_from": "substrate", "calibration.monte_carlo_draws": 0, **sc.OPEN}


def glass():
    """The lever's deflection at a displacement past the contact point, and the displacement of the peak."""
    return lambda x: fw.deflection("paraboloid", x, SPRING, fw.reduced(GLASS, 0.2), RADIUS), PEAK


def gel(h, reduced=REDUCED):
    """Likewise: the layer's curve, its parameter a/h as a spline in the root of the displacement."""
    one, length, c = layer.layer("layer_sphere", False, 0.5), h * h / RADIUS, reduced * h / SPRING
    alpha = np.linspace(0, 4, 8001)
    x, d = length * (one.depth(alpha) + c * one.force(alpha)), length * c * one.force(alpha)
    last = np.argmax(d > 1.05 * PEAK)
    spline = CubicSpline(np.sqrt(x[:last]), alpha[:last])
    return lambda at: length * c * one.force(spline(np.sqrt(np.maximum(at, 0)))), np.interp(PEAK, d, x)


class Scene:
    """debris: rows of the bare strip on which something lies."""

    def __init__(self, noise=0.0, seed=1, rows=ROWS, debris=()):
        rng = np.random.default_rng(seed)
        x, y = np.arange(COLUMNS) * PIXEL[0], np.arange(rows) * PIXEL[1]
        self.plane = 2e-6 + 0.03 * x[None, :] - 0.02 * y[:, None]  # 1.7 and 1.1 degree
        self.thickness = np.zeros((rows, COLUMNS))
        for k, h in enumerate(STEPS):
            self.thickness[:, BARE + 5 * k:BARE + 5 * (k + 1)] = h
        self.substrate = np.zeros((rows, COLUMNS), "u1")
        self.substrate[:, :BARE] = 1
        height = self.plane + self.thickness
        for row in debris:
            height[row, 1] += 0.7e-6
        self.d, self.z = np.empty((2, rows, COLUMNS, SAMPLES))
        for h in np.unique(self.thickness):
            here = self.thickness == h
            true, top = glass() if h == 0 else gel(h)
            at = top * np.linspace(-0.8, 1, SAMPLES) + rng.uniform(0, 1e-10, (here.sum(), 1))
            self.z[here] = at - height[here][:, None]
            self.d[here] = true(at) + 2e-9 + 1e-3 * at
        self.d += noise * rng.standard_normal(self.d.shape)

    def write(self, path, mask=True, **more):
        parts = {name: vol.segment(self.d[:, :, ::turn], self.z[:, :, ::turn])
                 for name, turn in (("approach", 1), ("retract", -1))}
        vol.write(path, parts, {"spring_constant": (SPRING, "N/m"), "tip_radius": (RADIUS, "m", 0.02 * RADIUS),
                                "poisson_ratio": (0.5, "1")}, pixel=PIXEL,
                  substrate=self.substrate if mask else None, **more)

    def maps(self, mask=True, **more):
        with program.Folder() as folder:
            self.write(folder / "v.h5", mask)
            return program.map_volume(folder, folder / "v.h5",
                                      {**SETTINGS, **{k.replace("__", "."): v for k, v in more.items()}})


class NoiseFree(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scene = Scene()
        cls.maps = cls.scene.maps()
        cls.gel = cls.scene.substrate == 0

    def test_thickness(self):
        h = self.scene.thickness[self.gel]
        self.assertLess(np.abs(self.maps["thickness"][self.gel] / h - 1).max(), 1e-6)

    def test_modulus(self):
        self.assertLess(np.abs(self.maps["reduced_modulus"][self.gel] / REDUCED - 1).max(), 1e-5)
        self.assertFalse(self.maps.flagged("bare_substrate")[self.gel].any())
        self.assertFalse(self.maps.flagged("fit_failed")[self.gel].any())

    def test_bare_pixels(self):
        bare = ~self.gel
        self.assertTrue(self.maps.flagged("bare_substrate")[bare].all())
        self.assertFalse(self.maps.flagged("no_thickness").any())
        self.assertTrue(np.isnan(self.maps["modulus"][bare]).all())
        self.assertTrue(np.isnan(self.maps["layer_ratio"][bare]).all())
        self.assertLess(np.abs(self.maps["thickness"][bare]).max(), 1e-12)
        self.assertLess(np.abs(self.maps["contact_height"] - self.scene.plane)[bare].max(), 1e-12)

    def test_a_thick_model_gets_the_height_too(self):
        """Without the layer the contact point is off, and so is the thickness; the flag says that it matters."""
        maps = self.scene.maps(contact__model="paraboloid")
        self.assertTrue(maps.flagged("substrate_felt")[self.gel].all())
        self.assertTrue(maps.flagged("bare_substrate")[~self.gel].all())
        off = maps["thickness"][self.gel] / self.scene.thickness[self.gel] - 1
        self.assertTrue(((off < -1e-3) & (off > -0.3)).all(), (off.min(), off.max()))

    def test_unmarked_substrate_is_no_layer(self):
        """A rectangle that covers two of the five bare columns; the others are found by their height."""
        maps = self.scene.maps(mask=False, sample__substrate_x_to="0.6 um")
        self.assertTrue(maps.flagged("bare_substrate")[~self.gel].all())
        self.assertFalse(maps.flagged("bare_substrate")[self.gel].any())
        self.assertLess(np.abs(maps["thickness"][self.gel] / self.maps["thickness"][self.gel] - 1).max(), 1e-6)

    def test_recipe_wins_over_the_mask(self):
        """A rectangle on the highest terrace makes that the substrate: nothing is above it."""
        maps = self.scene.maps(sample__substrate_x_from="7.6 um")
        self.assertTrue(maps.flagged("bare_substrate")[:, 15:].all())
        self.assertTrue((maps["thickness"][:, :BARE] < -2.9e-6).all())

    def test_debris(self):
        maps = Scene(debris=(2, 3, 7)).maps()
        self.assertLess(np.abs(maps["thickness"][self.gel] / self.scene.thickness[self.gel] - 1).max(), 1e-5)
        self.assertLess(abs(maps["thickness"][3, 1] - 0.7e-6), 1e-10)


class Noise(unittest.TestCase):
    NOISE = 0.4e-9

    @classmethod
    def setUpClass(cls):
        cls.scene = Scene(cls.NOISE, 5, rows=40)
        cls.maps = cls.scene.maps()

    def test_errors(self):
        """(fit - truth)/standard error, each terrace for itself: mean 0 and standard deviation 1. The errors are
        those of the curve; 200 bare pixels know the plane much better."""
        for k, h in enumerate(STEPS):
            part = np.s_[:, BARE + 5 * k:BARE + 5 * (k + 1)]
            for name, truth in (("thickness", h), ("reduced_modulus", REDUCED)):
                value, error = self.maps[name][part], self.maps[name + "_errors"][part]
                z = ((value - truth) / error).ravel()
                print(f"  h {1e6 * h:.1f} um, {name}: error {np.median(error / truth):.2e}, mean {z.mean():+.3f}, "
                      f"sd {z.std(ddof=1):.3f}")
                with self.subTest(thickness=h, map=name):
                    self.assertTrue(np.isfinite(z).all())
                    self.assertLess(abs(z.mean()), 4.5 / np.sqrt(z.size))
                    self.assertTrue(0.87 < z.std(ddof=1) < 1.13, z.std(ddof=1))

    @staticmethod
    def predicted(h):
        """Standard errors of ln E* (thickness given), of ln E* and of h (thickness from the height), from the judge's
        own derivatives. At a given thickness the fit's unknowns ln E*, Z0, offset, slope follow noise e and a change
        of the thickness as J+ (e - g dh); with dh = -dZ0 that is solved for dZ0."""
        _, top = gel(h)
        x = top * np.linspace(-0.8, 1, SAMPLES)
        step, move = 1e-4, 1e-12
        by_e = (gel(h, REDUCED * np.exp(step))[0](x) - gel(h, REDUCED * np.exp(-step))[0](x)) / (2 * step)
        by_z0 = (gel(h)[0](x - move) - gel(h)[0](x + move)) / (2 * move)
        g = (gel(h * (1 + step))[0](x) - gel(h * (1 - step))[0](x)) / (2 * step * h)
        scale = np.array([1, 1e-9, 1e-9, 1])  # E, nm, nm
        j = np.column_stack([by_e, by_z0, np.ones_like(x), x / top * 1e-9]) * scale / np.array([1, 1, 1e-9, 1])
        inverse = np.linalg.pinv(j, rcond=1e-14) * scale[:, None]
        e, z0, toward = inverse[0], inverse[1], inverse @ g
        dz0 = z0 / (1 - toward[1])     # dZ0 = z0 e - toward dh, dh = -dZ0
        de = e + toward[0] * dz0
        return [Noise.NOISE * np.linalg.norm(v) for v in (e, de, dz0)]

    def test_carried(self):
        """What a thickness found by the height does to the errors, against the judge's own algebra. It makes E a
        little surer: a contact point that noise puts too deep makes E too high, and the thickness too small, which
        lowers E."""
        with program.Folder() as folder:
            self.scene.write(folder / "v.h5", thickness=self.scene.thickness)
            given = program.map_volume(folder, folder / "v.h5", {**SETTINGS, "sample.thickness_from": "given"})
        self.assertTrue(np.isnan(given["thickness_errors"]).all())
        for k, h in enumerate(STEPS):
            part = np.s_[:, BARE + 5 * k:BARE + 5 * (k + 1)]
            relative = [m["reduced_modulus_errors"][part] / m["reduced_modulus"][part] for m in (given, self.maps)]
            got = [np.median(v) for v in (*relative, self.maps["thickness_errors"][part])]
            wanted = self.predicted(h)
            print(f"  h {1e6 * h:.1f} um: errors of E {got[0]:.3e} (given h), {got[1]:.3e}, of h {got[2]:.3e}; "
                  f"predicted {wanted[0]:.3e}, {wanted[1]:.3e}, {wanted[2]:.3e}")
            with self.subTest(thickness=h):
                for a, b in zip(got, wanted):
                    self.assertLess(abs(a / b - 1), 0.03)  # 200 estimates of the noise from 400 samples each
                self.assertLess(abs(np.median(relative[1] / relative[0]) / (wanted[1] / wanted[0]) - 1), 5e-3)
                self.assertLess(abs(got[1] / got[0] - 1), 0.1)


class Program(unittest.TestCase):
    def run_map(self, folder, scene, settings=(), mask=True, ranks=0, name="m.h5"):
        scene.write(folder / "v.h5", mask)
        (folder / "r.yaml").write_text(program.recipe_text({**SETTINGS, **dict(settings)}))
        return program.run(["map", folder / "r.yaml", folder / "v.h5", "-o", folder / name, "--overwrite"], ranks)

    def test_ranks(self):
        scene, whole = Scene(0.4e-9, 8), []
        with program.Folder() as folder:
            for ranks in (1, 2, 3):
                self.assertEqual(self.run_map(folder, scene, ranks=ranks).returncode, 0)
                with h5py.File(folder / "m.h5") as f:
                    kept = [d[()].tobytes() for d in f["entry/maps"].values()]
                    kept += [d[()].tobytes() for name, d in f["entry/process_2_contact_fit"].items()
                             if name.startswith("substrate_")]
                    whole.append(kept)
        self.assertGreater(len(whole[0]), 20)
        self.assertEqual(whole[0], whole[1])
        self.assertEqual(whole[0], whole[2])

    def test_what_is_written(self):
        scene = Scene(0.4e-9, 8)
        with program.Folder() as folder:
            done = self.run_map(folder, scene, {"calibration.monte_carlo_draws": 200})
            self.assertIn("substrate: plane through 60 contact heights", done.stdout)
            with h5py.File(folder / "m.h5") as f:
                fit, whole = f["entry/process_2_contact_fit"], f["entry/uncertainty"]
                self.assertEqual(fit["substrate_pixels"][()], 60)
                x0, y0, scale = fit["substrate_frame"][()]
                c, u = fit["substrate_plane"][()], fit["substrate_plane_errors"][()]
                truth = (2e-6 + 0.03 * x0 - 0.02 * y0, 0.03 * scale, -0.02 * scale)
                for got, error, wanted in zip(c, u, truth):
                    self.assertLess(abs(got - wanted), 4 * error)
                    self.assertLess(error, 0.2e-9)
                inputs = [name.decode() for name in whole["input"][()]]
                at = inputs.index("sample_thickness")
                self.assertGreater(whole["modulus/contribution"][at], 0)
                self.assertLess(whole["modulus/contribution"][at], 1e-3)
                spread = whole["modulus/monte_carlo_uncertainty"][()] / whole["modulus/combined"][()]
                self.assertLess(abs(spread - 1), 0.2)  # 200 draws
            # one pixel by itself
            done = program.run(["curve", folder / "m.h5", "7", "3", "-o", folder / "c.png"])
            self.assertEqual(done.returncode, 0, done.stderr)
            maps = program.Maps(folder / "m.h5")
            shown = re.search(r"sample thickness: ([\d.]+) \+- [\d.]+ (\w+)", done.stdout)
            self.assertIsNotNone(shown, done.stdout)
            self.assertLess(abs(float(shown.group(1)) * program.TO_SI[shown.group(2)] - maps["thickness"][3, 7]), 1e-10)

    def test_bad_input(self):
        scene = Scene()
        few, line = Scene(), Scene()
        few.substrate[:] = 0
        few.substrate[:3, :3] = 1
        line.substrate[:, 1:] = 0
        cases = ((scene, {}, False, "nothing says where the substrate is bare"),
                 (scene, {"sample.sample_thickness": "1 um"}, True, "remove one of them"),
                 (scene, {"sample.thickness_from": "given", "sample.substrate_x_to": "1 um"}, True,
                  "sample.substrate_x_to is given"),
                 (scene, {"sample.substrate_x_from": "2 um", "sample.substrate_x_to": "1 um"}, True,
                  "must be below sample.substrate_x_to"),
                 (scene, {"sample.substrate_x_from": "1 m"}, True, "from 0 of its 0 pixels"),
                 (few, {}, True, "at least 10 heights, there are 9"),
                 (line, {}, True, "one row or column"))
        for one, settings, mask, words in cases:
            for ranks in (0, 2):
                with self.subTest(words=words, ranks=ranks), program.Folder() as folder:
                    (folder / "m.h5").write_bytes(b"mine")
                    done = self.run_map(folder, one, settings, mask, ranks)
                    self.assertNotEqual(done.returncode, 0)
                    self.assertIn(words, done.stderr)
                    self.assertEqual(len(done.stderr.strip().splitlines()), 1, done.stderr)
                    self.assertEqual((folder / "m.h5").read_bytes(), b"mine")
                    self.assertFalse((folder / "m.h5.part").exists())

    def test_wrong_mask(self):
        for bad in (np.zeros((3, 3), "u1"), np.zeros((ROWS, COLUMNS))):
            with program.Folder() as folder:
                Scene().write(folder / "v.h5", mask=False)
                with h5py.File(folder / "v.h5", "a") as f:
                    f["grid/substrate"] = bad
                done = program.run(["describe", folder / "v.h5"])
                self.assertNotEqual(done.returncode, 0)
                self.assertIn("/grid/substrate", done.stderr)


if __name__ == "__main__":
    unittest.main()
