#!/usr/bin/python3
"""The viscoelastic analyses get back what viscoelastic.py puts in, with standard errors that are true. Long runs of
the same kind: tests/bench/viscoelastic.py."""
import unittest

import numpy as np

import program
import viscoelastic as ve
import volume

POWER = dict(modulus=1500.0, exponent=0.2)
LINEAR = dict(instant=2500.0, relaxed=800.0, tau=0.05)


def power(**scene):
    return ve.Scene(ve.power_law(**POWER), **scene)


def linear(**scene):
    return ve.Scene(ve.linear_solid(**LINEAR), **scene)


def memory(rng, shape, rho):
    """First-order autoregressive noise of unit variance along the last axis."""
    white = rng.normal(size=shape)
    out = np.empty(shape)
    out[..., 0] = white[..., 0]
    for i in range(1, shape[-1]):
        out[..., i] = rho * out[..., i - 1] + np.sqrt(1 - rho**2) * white[..., i]
    return out


def write(path, scene, side, noise, seed, rho=0.0, interval=True, parts=None, change=None):
    """side x side pixels with one truth and noise of their own, that runs on from segment to segment."""
    rng = np.random.default_rng(seed)
    parts = {name: p for name, p in scene.parts.items() if parts is None or name in parts}
    total = sum(len(d) for _, d in parts.values())
    error = noise * memory(rng, (side, side, total), rho)
    segments, at = {}, 0
    for name, (z, d) in parts.items():
        signal = d + error[..., at:at + len(d)]
        at += len(d)
        if change:
            change(name, signal)
        extra = {"sample_interval": (scene.dt, "s")} if interval else {}
        segments[name] = volume.segment(signal, z, **extra)
    return volume.write(path, segments, scene.calibration)


def fit(scene, law, side=12, noise=0.3e-9, seed=1, model="paraboloid", loss=False, **how):
    settings = {"contact.model": model, "viscoelastic.model": law}
    settings.update(how.pop("settings", {}))
    if loss:
        settings["viscoelastic.loss_tangent"] = "yes"
    with program.Folder() as folder:
        write(folder / "v.h5", scene, side, noise, seed, **how)
        return program.map_volume(folder, folder / "v.h5", settings)


class Recovery(unittest.TestCase):
    """Bias within four standard errors of the mean, scores with a standard deviation near 1: for 144 curves that
    of the standard deviation is 6 %, so that 0.8 .. 1.22 is three of it and some."""

    def check(self, maps, least=0.8, **truths):
        for name, truth in truths.items():
            with self.subTest(map=name):
                score = (maps[name] - truth) / maps[name + "_errors"]
                self.assertTrue(np.isfinite(score).all(), f"{np.isnan(score).sum()} without a value")
                self.assertLess(abs(score.mean()), 4 / np.sqrt(score.size), "biased")
                self.assertTrue(least < score.std() < 1.22, f"scores scatter by {score.std():.2f}")

    def power(self, maps, scene, least=0.8):
        self.check(maps, least, relaxation_modulus=POWER["modulus"], relaxation_exponent=POWER["exponent"],
                   contact_point_in_time=scene.contact)

    def linear(self, maps, scene):
        self.check(maps, modulus_instant=LINEAR["instant"], modulus_relaxed=LINEAR["relaxed"],
                   relaxation_time=LINEAR["tau"], contact_point_in_time=scene.contact)

    def test_power_law(self):
        scene = power()
        maps = fit(scene, "power_law", loss=True)
        self.power(maps, scene)
        self.check(maps, loss_tangent=np.tan(np.pi / 2 * POWER["exponent"]), drag_coefficient=0.0)
        self.assertFalse(maps.flagged("relaxation_misfit").any())
        self.assertFalse(maps.flagged("relaxation_failed").any())
        # what the solution says of itself: when the tip comes off
        self.assertLess(abs(maps["detach_time"].mean() - scene.lost), scene.dt)

    def test_soft_lever(self):
        """Lever and contact alike in stiffness: the indentation is far from a triangle."""
        scene = power(k=0.01, contact=0.6e-6)
        maps = fit(scene, "power_law", noise=1e-9, loss=True)
        self.assertGreater(np.median(maps["stiffness_ratio"]), 0.8)
        self.power(maps, scene)
        self.check(maps, loss_tangent=np.tan(np.pi / 2 * POWER["exponent"]))

    def test_cone_and_unequal_speeds(self):
        scene = power(model="cone", tip=0.5, back=2e-6)
        self.power(fit(scene, "power_law", model="cone", noise=0.05e-9), scene)

    def test_linear_solid(self):
        scene = linear()
        self.linear(fit(scene, "standard_linear_solid", seed=2), scene)

    def test_approach_alone(self):
        scene = power()
        maps = fit(scene, "power_law", seed=3, settings={"viscoelastic.segments": "approach"})
        self.power(maps, scene)
        self.assertTrue(np.isnan(maps["detach_time"]).all())

    def test_dwell(self):
        """z held; the whole cycle, then approach and dwell alone."""
        scene = linear(dwell_s=0.2)
        self.linear(fit(scene, "standard_linear_solid", seed=4), scene)
        maps = fit(scene, "standard_linear_solid", seed=4, settings={"viscoelastic.segments": "approach_dwell"})
        self.linear(maps, scene)
        z, d = scene.parts["dwell"]
        tenth = len(d) // 10
        change = d[-tenth:].mean() - d[:tenth].mean()
        self.check(maps, dwell_force_change=scene.k * change, dwell_indentation_change=-change)

    def test_creep(self):
        """z follows, so that the indentation goes on growing in the dwell."""
        scene = power(dwell_s=0.2, dwell_rate=0.3e-6)
        self.power(fit(scene, "power_law", seed=5), scene)

    def test_drag(self):
        """2 uN s/m moves the lever by 200 pm: taken off where asked, and wrong where kept."""
        scene = power(drag=2e-6, dwell_s=0.1)
        maps = fit(scene, "power_law", noise=0.05e-9, seed=6)
        self.power(maps, scene)
        self.check(maps, drag_coefficient=2e-6)
        kept = fit(scene, "power_law", noise=0.05e-9, seed=6, settings={"viscoelastic.drag": "keep"})
        score = (kept["relaxation_exponent"] - POWER["exponent"]) / kept["relaxation_exponent_errors"]
        self.assertGreater(abs(score.mean()), 3)

    def test_noise_with_a_memory(self):
        """Errors may be too large here: the search for slow noise, which is that of the contact fit, takes some
        of what has a short memory for slow."""
        scene = power()
        self.power(fit(scene, "power_law", seed=7, rho=0.5), scene, least=0.65)

    def test_missing_samples(self):
        def spoil(name, signal):
            signal[..., 350:360] = np.nan
            signal[..., ::37] = np.nan

        scene = power()
        self.power(fit(scene, "power_law", seed=8, change=spoil), scene)

    def test_dwell_alone(self):
        """With the contact point of the contact fit: biased by that, so only near: 5.4 % off here."""
        scene = power(dwell_s=0.3)
        maps = fit(scene, "power_law", seed=9, settings={"viscoelastic.segments": "dwell"})
        self.assertLess(abs(maps["relaxation_exponent"].mean() / POWER["exponent"] - 1), 0.08)
        self.assertTrue(np.isnan(maps["contact_point_in_time"]).all())

    def test_long_curves_are_averaged_in_blocks(self):
        scene = power(samples=9001)
        self.power(fit(scene, "power_law", side=6, noise=1e-9, seed=10), scene)


class Flags(unittest.TestCase):
    """Each flag of these analyses, and none on a curve as it should be."""

    OURS = ("no_times", "relaxation_failed", "relaxation_misfit", "relaxation_unseen", "adhesive_loop")

    def flags(self, scene, law, **how):
        maps = fit(scene, law, side=4, **how)
        return {w for w in self.OURS if maps.flagged(w).all()}, maps

    def test_none(self):
        self.assertEqual(self.flags(power(), "power_law", loss=True)[0], set())

    def test_no_times(self):
        found, maps = self.flags(power(), "power_law", interval=False, loss=True)
        self.assertEqual(found, {"no_times"})
        self.assertTrue(np.isnan(maps["relaxation_modulus"]).all() and np.isnan(maps["drag_coefficient"]).all())

    def test_loss_with_a_dwell(self):
        found, maps = self.flags(power(dwell_s=0.1), "none", loss=True)
        self.assertEqual(found, {"no_times"})
        self.assertTrue(np.isnan(maps["loss_tangent"]).all())

    def test_elastic(self):
        """No relaxation: exponents scatter about zero, and most say that nothing was seen (two standard errors)."""
        scene = ve.Scene(ve.power_law(POWER["modulus"], 1e-9))
        maps = fit(scene, "power_law", side=12, loss=True)
        score = maps["relaxation_exponent"] / maps["relaxation_exponent_errors"]
        self.assertTrue((maps.flagged("relaxation_unseen") == (score < 2)).all())
        self.assertGreater(maps.flagged("relaxation_unseen").mean(), 0.9)
        for name in ("relaxation_exponent", "loss_tangent"):
            score = maps[name] / maps[name + "_errors"]
            self.assertLess(abs(score.mean()), 4 / 12)
            self.assertTrue(0.75 < score.std() < 1.22, score.std())

    def test_wrong_law(self):
        found, _ = self.flags(linear(dwell_s=0.2), "power_law", noise=0.1e-9)
        self.assertIn("relaxation_misfit", found)

    def test_relaxation_too_slow_to_see(self):
        scene = ve.Scene(ve.linear_solid(2500.0, 800.0, 3.0))
        maps = self.flags(scene, "standard_linear_solid", noise=0.02e-9)[1]
        unseen, failed = maps.flagged("relaxation_unseen"), maps.flagged("relaxation_failed")
        self.assertTrue((unseen | failed).all())
        self.assertGreater(unseen.mean(), 0.8)

    def test_adhesion(self):
        def stick(name, signal):
            if name == "retract":
                signal[..., 200:230] -= 10e-9

        self.assertIn("adhesive_loop", self.flags(power(), "power_law", change=stick, loss=True)[0])
        found, _ = self.flags(power(), "power_law", change=stick, settings={"viscoelastic.segments": "approach"})
        self.assertEqual(found, set())


class Refusals(unittest.TestCase):
    def refused(self, parts=None, **settings):
        settings = {key.replace("__", "."): value for key, value in settings.items()}
        with program.Folder() as folder:
            write(folder / "v.h5", self.scene, 2, 0.3e-9, 1, parts=parts)
            (folder / "r.yaml").write_text(program.recipe_text(settings))
            done = program.run(["map", folder / "r.yaml", folder / "v.h5", "-o", folder / "m.h5"])
            self.assertFalse((folder / "m.h5").exists())
        self.assertNotEqual(done.returncode, 0)
        self.assertEqual(len(done.stderr.strip().splitlines()), 1, done.stderr)
        return done.stderr

    @classmethod
    def setUpClass(cls):
        cls.scene = power(samples=200)

    def test_model_without_a_power(self):
        said = self.refused(contact__model="sphere", viscoelastic__model="power_law")
        self.assertIn("'sphere'", said)
        self.assertIn("paraboloid", said)

    def test_segment_that_is_not_there(self):
        said = self.refused(viscoelastic__model="power_law", viscoelastic__segments="approach_dwell")
        self.assertIn("viscoelastic.segments", said)
        self.assertIn("no dwell", said)
        said = self.refused(parts=("approach",), viscoelastic__model="power_law",
                            viscoelastic__segments="approach_retract")
        self.assertIn("no retract", said)
        said = self.refused(parts=("approach",), viscoelastic__loss_tangent="yes")
        self.assertIn("viscoelastic.loss_tangent needs a retract", said)

    def test_keys_without_effect(self):
        said = self.refused(viscoelastic__drag="keep")
        self.assertIn("viscoelastic.drag is given, but viscoelastic.model is none", said)

    def test_time_of_zero(self):
        said = self.refused(viscoelastic__model="power_law", viscoelastic__reference_time="0 s")
        self.assertIn("reference_time", said)


class Ranks(unittest.TestCase):
    def test_same_bits_on_three_ranks(self):
        with program.Folder() as folder:
            write(folder / "v.h5", power(dwell_s=0.1), 6, 0.3e-9, 1)
            settings = {"viscoelastic.model": "power_law"}
            maps = [program.map_volume(folder, folder / "v.h5", settings, ranks, name=f"{ranks}.h5")
                    for ranks in (0, 3)]
        for name in ("relaxation_modulus", "relaxation_exponent", "relaxation_modulus_errors"):
            self.assertTrue(np.array_equal(maps[0].raw[name], maps[1].raw[name], equal_nan=True), name)


if __name__ == "__main__":
    unittest.main()
