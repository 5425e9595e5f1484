#!/usr/bin/python3
"""Rupture events and chains, modulus against depth, a brush on an elastic body and the lateral signal: what
the judge's own forward models put in comes out, with the standard errors that are stated."""
import unittest

import h5py
import numpy as np

import brush
import cells
import forward as fw
import program
import tethers
from test_forward import table


def settings(**more):
    return {key.replace("__", "."): value for key, value in more.items()}


class Model(unittest.TestCase):
    """The judge is judged: against the reference tables."""

    def test_chains(self):
        for row in table("80_wlc.csv"):
            force = tethers.wlc(row["x_m"], row["L_m"], row["Lp_m"], row["T_K"])
            self.assertLess(abs(force / row["F_Bouchiat_N"] - 1), 1e-11)
        for row in table("81_fjc.csv"):
            x = tethers.fjc_extension(row["F_N"], row["L_m"], row["b_m"], row["T_K"])
            self.assertLess(abs(x / row["x_m"] - 1), 1e-11)

    def test_brush(self):
        x = np.linspace(1e-8, 1.5e-6, 40)
        d = brush.deflection(x, 0.03, 2e3, 2.5e-6, 600e-9, 3e14)
        np.testing.assert_allclose(brush.displacement(0.03 * d, 0.03, 2e3, 2.5e-6, 600e-9, 3e14), x, rtol=1e-9)


class Case(unittest.TestCase):
    def setUp(self):
        self.box = program.Folder()
        self.folder = self.box.__enter__()
        self.addCleanup(self.box.__exit__)
        self.rng = np.random.default_rng(11)
        self.volume, self.maps = self.folder / "v.h5", self.folder / "maps.h5"

    def map(self, **keys):
        return program.map_volume(self.folder, self.volume, settings(**keys))

    def normal(self, z, what):
        """Standardised errors: mean 0, sd 1 within five standard errors of both, 4.5 % tails at most doubled."""
        n = z.size
        self.assertGreater(n, 60, what)
        self.assertLess(abs(z.mean()), 5 / np.sqrt(n), what)
        self.assertLess(abs(z.std() - 1), 5 / np.sqrt(2 * n), what)


class Tethers(Case):
    def test_events(self):
        z, go, back, breaks, pull = cells.tether_curves(self.rng, 120, apart=0.15e-6)
        cells.write(self.volume, z, go, back)
        self.map(tethers__search="yes", tethers__false_alarms="1 %")
        z_force, z_place, hits, false = cells.match(self.maps, breaks, pull)
        self.assertGreater(hits, 0.97 * breaks.size)
        self.assertLess(false, 8)  # 1.2 expected
        self.normal(z_force, "force")
        self.assertGreater((abs(z_place) < 1.96).mean(), 0.9)
        self.assertLess(abs(np.median(z_place)), 0.3)

    def test_false_alarms(self):
        z, go, back, _, _ = cells.tether_curves(self.rng, 300, n=800, forces=(0, 1e-30))
        cells.write(self.volume, z, go, back)
        maps = self.map(tethers__search="yes", tethers__false_alarms="10 %")
        alarms = (maps["event_count"] > 0).sum()
        self.assertLess(alarms, 30 + 5 * np.sqrt(27))
        self.assertGreater(alarms, 30 - 5 * np.sqrt(27))  # it is the rate, not a bound far above

    def test_extremes(self):
        """first, last and largest are those of the list."""
        z, go, back, _, _ = cells.tether_curves(self.rng, 30, apart=0.2e-6)
        cells.write(self.volume, z, go, back)
        maps = self.map(tethers__search="yes")
        force, _, place, _ = cells.found_events(self.maps)
        count = maps["event_count"].ravel()
        for pixel in range(30):
            n = int(count[pixel])
            self.assertEqual(n, np.isfinite(force[pixel]).sum())
            self.assertTrue((np.diff(place[pixel, :n]) > 0).all())
            for word, at in (("first", 0), ("last", n - 1), ("largest", int(np.nanargmax(force[pixel])))):
                self.assertAlmostEqual(maps[f"{word}_event_force"].ravel()[pixel] / force[pixel, at], 1, 6)
                self.assertAlmostEqual(maps[f"{word}_event_separation"].ravel()[pixel] / place[pixel, at], 1, 6)

    def chain(self, kind, contour, unit):
        z, go, back = cells.chain_curves(self.rng, 80, kind, contour, unit)
        cells.write(self.volume, z, go, back)
        maps = self.map(tethers__search="yes", tethers__false_alarms="0.1 %", tethers__chain=kind)
        self.assertGreater(np.isfinite(maps["chain_contour_length"]).sum(), 76)
        for name, truth in (("chain_contour_length", contour), ("chain_unit_length", unit)):
            z = ((maps[name] - truth) / maps[name + "_errors"]).ravel()
            self.normal(z[np.isfinite(z)], name)
        self.assertLess(abs(np.nanmedian(maps["chain_chi_square"]) - 1), 0.1)
        maps = self.map(tethers__search="yes", tethers__false_alarms="0.1 %", tethers__chain=kind,
                        tethers__chain_unit=f"{unit * 1e9} nm")
        self.assertTrue(np.isnan(maps["chain_unit_length_errors"]).all())  # given: no error of its own
        z = ((maps["chain_contour_length"] - contour) / maps["chain_contour_length_errors"]).ravel()
        self.normal(z[np.isfinite(z)], "contour length at a known unit")

    def test_worm_like_chain(self):
        self.chain("wlc", 300e-9, 0.4e-9)

    def test_freely_jointed_chain(self):
        self.chain("fjc", 250e-9, 0.8e-9)


class Depth(Case):
    WINDOWS = dict(depth__windows="8", depth__deepest="400 nm")

    def test_homogeneous(self):
        z, go = cells.two_layer_curves(self.rng, 150, cells.MODULUS, cells.MODULUS, 1.0)
        cells.write(self.volume, z, go)
        maps = self.map(**self.WINDOWS)
        value, error, depth = cells.depth_maps(self.maps)
        np.testing.assert_allclose(depth, (np.arange(8) + 0.5) * 50e-9, rtol=1e-12)
        for j in range(8):
            self.normal((value[:, j] - cells.MODULUS) / error[:, j], f"window {j}")
        self.assertFalse(maps.flagged("depth_dependent").any())

    def test_two_layers(self):
        """Almost no noise, contact point held by the shallow layer: each window has its own modulus."""
        z, go = cells.two_layer_curves(self.rng, 4, 1e3, 3e3, 200e-9, noise=1e-13)
        cells.write(self.volume, z, go)
        # only what lies above the turn is fitted, so that the contact point is right
        at_150_nm = cells.SPRING * cells.hertz(1e3)(150e-9)
        self.map(contact__to=f"{at_150_nm} N", **self.WINDOWS)
        value, _, depth = cells.depth_maps(self.maps)
        np.testing.assert_allclose(value[:, :3], 1e3, rtol=0.01)
        np.testing.assert_allclose(value[:, 5:], 3e3, rtol=0.01)

    def test_stiff_contact_is_not_biased(self):
        """Force and indentation share the noise: least squares of one on the other would be low."""
        z, go = cells.two_layer_curves(self.rng, 100, 60e3, 60e3, 1.0, noise=1e-9, n=4000, z_end=0.4e-6)
        cells.write(self.volume, z, go)
        self.map(depth__windows="3", depth__deepest="75 nm")
        value, error, _ = cells.depth_maps(self.maps)
        for j in range(3):
            z = (value[:, j] - 60e3) / error[:, j]
            self.normal(z[np.isfinite(z)], f"window {j}")

    def test_what_is_not_reached_is_not_there(self):
        z, go = cells.two_layer_curves(self.rng, 3, cells.MODULUS, cells.MODULUS, 1.0)
        cells.write(self.volume, z, go)
        self.map(depth__windows="4", depth__deepest="4 um")
        value, error, _ = cells.depth_maps(self.maps)
        self.assertTrue(np.isnan(value).all() and np.isnan(error).all())


class Brush(Case):
    def test_recovery(self):
        z, go = cells.brush_curves(self.rng, 70, 600e-9)
        cells.write(self.volume, z, go)
        maps = self.map(contact__model="brush")
        for name, truth in (("modulus", cells.MODULUS), ("brush_length", 600e-9), ("contact_point", 0.0)):
            self.normal(((maps[name] - truth) / maps[name + "_errors"]).ravel(), name)
        force = cells.SPRING * cells.brush_curves(self.rng, 1, 600e-9, noise=0)[1][0, -1]
        body = (force / (4 / 3 * fw.reduced(cells.MODULUS, 0.5) * np.sqrt(cells.RADIUS))) ** (2 / 3)
        self.normal(((maps["elastic_indentation"] - body) / maps["elastic_indentation_errors"]).ravel(), "body")

    def test_without_noise(self):
        z, go = cells.brush_curves(self.rng, 2, 400e-9, noise=1e-14)
        cells.write(self.volume, z, go)
        for space in ("deflection", "force"):
            maps = self.map(contact__model="brush", contact__fit_space=space)
            self.assertLess(abs(maps["modulus"] / cells.MODULUS - 1).max(), 2e-4, space)
            self.assertLess(abs(maps["brush_length"] / 400e-9 - 1).max(), 2e-4, space)

    def test_a_plain_model_sees_what_is_wrong(self):
        z, go = cells.brush_curves(self.rng, 5, 600e-9)
        cells.write(self.volume, z, go)
        maps = self.map(contact__model="paraboloid")
        self.assertTrue(maps.flagged("depth_dependent").all() and maps.flagged("residual_structure").all())
        self.assertNotIn("brush_length", maps.value)


class Lateral(Case):
    def check(self, scene, how, **keys):
        maps = self.map(lateral__measure="yes", lateral__crosstalk_from=how, **keys)
        for name, truth in scene.truth().items():
            if how == "given" and name == "lateral_crosstalk":
                continue
            z = ((maps[name] - truth) / maps[name + "_errors"]).ravel()
            self.normal(z, f"{how}: {name}")
        return maps

    def test_three_ways(self):
        scene = cells.Lateral(self.rng, 120)
        scene.write(self.volume)
        self.check(scene, "baseline")
        self.check(scene, "contact")
        maps = self.check(scene, "given", lateral__crosstalk=f"{scene.crosstalk} V/m",
                          lateral__crosstalk_u="0 V/m", lateral__torsional_sensitivity="0.5 mrad/V",
                          lateral__torsional_constant="1e-8 N m", tip__tip_height="12 um")
        per_volt = 1e-8 * 0.5e-3 / 12e-6  # torque over height
        for name in ("at_peak", "on_approach", "on_retract", "half_difference"):
            np.testing.assert_allclose(maps[f"lateral_force_{name}"], per_volt * maps[f"lateral_{name}"], rtol=1e-6)

    def test_quadrants(self):
        scene = cells.Lateral(self.rng, 80)
        scene.write(self.volume, quadrants=True)
        self.check(scene, "contact")

    def test_noise_of_the_detector_makes_it_small(self):
        """As docs/lateral.md says: by the detector's share of the baseline's variance."""
        scene = cells.Lateral(self.rng, 200, thermal=0.14e-9, detector=0.14e-9)
        scene.write(self.volume)
        maps = self.map(lateral__measure="yes")
        self.assertLess(abs(maps["lateral_crosstalk"].mean() / scene.crosstalk - 0.5), 0.05)


class Rules(Case):
    def refuse(self, words, **keys):
        recipe = self.folder / "r.yaml"
        recipe.write_text(program.recipe_text(settings(**keys)))
        done = program.run(["map", recipe, self.volume, "-o", self.folder / "x.h5"])
        self.assertNotEqual(done.returncode, 0)
        self.assertEqual(done.stderr.count("\n"), 1, done.stderr)
        self.assertIn(words, done.stderr)
        self.assertFalse((self.folder / "x.h5").exists())

    def test_refusals(self):
        z, go, back, _, _ = cells.tether_curves(self.rng, 2, n=400)
        cells.write(self.volume, z, go, back)
        self.refuse("depth.deepest must say", depth__windows="3")
        self.refuse("depth.windows is 0", depth__deepest="3 nm")
        self.refuse("whose modulus is its only unknown", depth__windows="3", depth__deepest="1 nm",
                    contact__model="brush")
        self.refuse("tethers.search is no", tethers__window="20")
        self.refuse("at least 6", tethers__search="yes", tethers__window="3")
        self.refuse("tethers.chain_unit must be", tethers__search="yes", tethers__chain_unit="-1 nm",
                    tethers__temperature="300 K")
        self.refuse("between 0 and 1", tethers__search="yes", tethers__false_alarms="100 %")
        self.refuse("lateral.measure is no", lateral__crosstalk="1 V/m")
        self.refuse("go together", lateral__measure="yes", lateral__crosstalk="1 V/m")
        self.refuse("give all three", lateral__measure="yes", lateral__torsional_constant="1e-8 N m")
        self.refuse("no /approach/lateral in V", lateral__measure="yes")
        self.refuse("does not use it", sample__grafting_density="100 um-2")

    def test_flags(self):
        z = np.linspace(-3e-6, 0.5e-6, 4000)
        base = cells.lever_on(z, cells.hertz())
        steps = np.linspace(0.2e-6, 2.2e-6, 10)
        many = base + tethers.plateaus(-z, steps, np.full(10, 100e-12), cells.SPRING)
        # a pull that grows as no chain does, and one that is there for a few samples only
        odd = base - np.where((-z > 0) & (-z < 1e-6), 150e-12 * np.sqrt(np.maximum(-z, 0) / 1e-6), 0) / cells.SPRING
        short = base - np.where((-z > 0.05e-6) & (-z < 0.057e-6), 2e-9, 0)
        shape = (3, z.size)
        back = np.array([many, odd, short]) + cells.normal(self.rng, shape)
        cells.write(self.volume, z, np.tile(base, (3, 1)) + cells.normal(self.rng, shape), back)
        maps = self.map(tethers__search="yes", tethers__chain="wlc", tethers__window="8")
        self.assertTrue(maps.flagged("more_events")[0, 0])
        self.assertEqual(maps["event_count"][0, 0], 10)
        self.assertTrue(maps.flagged("no_chain")[0, 1])
        self.assertTrue(maps.flagged("chain_misfit")[0, 2])
        self.assertFalse(maps.flagged("no_search").any())

    def test_not_looked_for(self):
        """No count is no zero: there is none, and a flag says so."""
        z, go, back, _, _ = cells.tether_curves(self.rng, 3, n=400)
        back[1] = np.nan                                # no retract
        go[2] = cells.normal(self.rng, go[2].shape)     # no contact point
        cells.write(self.volume, z, go, back)
        maps = self.map(tethers__search="yes")
        self.assertEqual(list(maps.flagged("no_search")[0]), [False, True, True])
        self.assertEqual(list(np.isnan(maps["event_count"][0])), [False, True, True])
        self.assertTrue(self.map(tethers__search="yes", tethers__window="200").flagged("no_search").all())

    def test_lateral_that_is_not_there(self):
        scene = cells.Lateral(self.rng, 3)
        d, volts = scene.parts["approach"]
        volts[1, 30] = np.nan
        scene.write(self.volume)
        maps = self.map(lateral__measure="yes", lateral__crosstalk_from="contact")
        self.assertEqual(list(maps.flagged("no_lateral")[0]), [False, True, False])
        self.assertTrue(np.isnan(maps["lateral_at_peak"][0, 1]) and np.isfinite(maps["modulus"][0, 1]))

    def test_nothing_asked_nothing_there(self):
        z, go, back, _, _ = cells.tether_curves(self.rng, 2, n=400)
        cells.write(self.volume, z, go, back)
        maps = self.map()
        for name in ("event_count", "lateral_at_peak", "brush_length"):
            self.assertNotIn(name, maps.value)
        with h5py.File(self.maps, "r") as f:
            self.assertFalse([name for name in f["entry"] if "_by_" in name])


if __name__ == "__main__":
    unittest.main()
