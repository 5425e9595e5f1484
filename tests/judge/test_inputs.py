#!/usr/bin/python3
"""One physical volume in every form that docs/volume-format.md allows gives one map; and every flag of
the map file can be provoked."""
import pathlib
import re
import unittest

import numpy as np

import forward as fw
import program
import scenario as sc
import test_unloading as tu
import test_viscoelastic as tv
import unloading as ul
import viscoelastic as ve
import volume as vol

ROWS, COLUMNS, SAMPLES = 3, 4, 256
SENSITIVITY, QUADRANT = 50e-9, 2e-6
ALL = {**sc.calibration("paraboloid"), "deflection_sensitivity": (50, "nm/V"), "quadrant_sensitivity": (2, "um")}
SETTINGS = sc.settings("paraboloid", "approach")


class OneVolume(unittest.TestCase):
    """Noise-free curves on a z ramp of equal steps, shared by all pixels."""

    @classmethod
    def setUpClass(cls):
        cls.holder = program.Folder()
        cls.path = cls.holder.__enter__()
        cls.addClassCleanup(cls.holder.__exit__)
        rng = np.random.default_rng(3)
        cls.step = 0.4e-9
        cls.z = np.arange(SAMPLES) * cls.step
        cls.truth = np.geomspace(3e5, 3e6, ROWS * COLUMNS).reshape(ROWS, COLUMNS)
        cls.z0 = rng.uniform(50e-9, 60e-9, (ROWS, COLUMNS))
        cls.d, cls.slope = {}, 1e-3
        for name, z in (("approach", cls.z), ("retract", cls.z[::-1])):
            cls.d[name] = np.array([[fw.deflection("paraboloid", z - cls.z0[i, j], sc.SPRING,
                                                   fw.reduced(cls.truth[i, j], sc.POISSON), sc.TIPS["paraboloid"])
                                     + 2e-9 + cls.slope * z for j in range(COLUMNS)] for i in range(ROWS)])
        cls.amplitude = np.ptp(cls.d["approach"])

    def parts(self, convert=lambda d: d, z=None, **more):
        out = {}
        for name, zz in (("approach", self.z), ("retract", self.z[::-1])):
            out[name] = vol.segment(convert(self.d[name]), zz if z is None else z(zz, name), **more)
        return out

    def maps(self, parts, settings=SETTINGS, calibration=ALL, **more):
        vol.write(self.path / "v.h5", parts, calibration, **more)
        return program.map_volume(self.path, self.path / "v.h5", settings)

    def check(self, maps, error=0.0, flip=(1, 1)):
        """error: largest rounding of a stored sample, in metres of deflection; see `gain`."""
        truth = self.truth[::flip[0], ::flip[1]]
        got = maps["modulus"] / truth - 1
        tolerance = 1e-6 + error * self.gain()
        self.assertLessEqual(np.abs(got).max(), tolerance, f"tolerance {tolerance:.1e} at {error:.1e} m")
        self.assertLessEqual(np.abs(maps["contact_point"] - self.z0[::flip[0], ::flip[1]]).max(),
                             1e-13 + 40 * error)

    def gain(self):
        """Relative error of E per metre of rounding: rounding is uniform and uncorrelated, its standard
        deviation is error/sqrt(3), and the fit answers like to white noise; six standard deviations."""
        worst = 0.0
        for i in range(ROWS):
            for j in range(COLUMNS):
                c = sc.Curve("paraboloid", fw.reduced(self.truth[i, j], sc.POISSON), 0.0, self.z0[i, j],
                             self.z - self.z0[i, j])
                worst = max(worst, sc.Problem(c, "approach", self.z, self.d["approach"][i, j]).sd(1.0)[0])
        return 6.0 * worst / np.sqrt(3.0)

    def rounding(self, kind):
        if kind == "f8":
            return 1e-16 * self.amplitude
        if kind == "f4":
            return 2.0**-24 * np.abs(self.d["approach"]).max()
        return self.amplitude / 2 / (0.9 * vol.INTEGERS[kind]) / 2

    def test_detector_types(self):
        for kind in ("f8", "f4", "i4", "i2"):
            with self.subTest(kind):
                maps = self.maps(self.parts(lambda d: vol.detector(d, SENSITIVITY, 0.0), units="V",
                                            stage="detector", kind=kind))
                self.check(maps, self.rounding(kind))

    def test_millivolts(self):
        self.check(self.maps(self.parts(lambda d: vol.detector(d, SENSITIVITY) * 1e3, units="mV", stage="detector")))

    def test_unsigned_and_8_bit(self):
        for kind, top in (("u2", 65535), ("u1", 255), ("i1", 127)):
            with self.subTest(kind):
                parts = self.parts(lambda d: vol.detector(d, SENSITIVITY), units="V", stage="detector")
                low, high = parts["approach"]["stored"].min(), parts["approach"]["stored"].max()
                scale = (high - low) / (top - 3)
                for part in parts.values():
                    part["stored"] = np.rint((part["stored"] - low) / scale + 1).astype(kind)
                    part["attrs"].update(scale_factor=scale, add_offset=low - scale)
                self.check(self.maps(parts), scale * SENSITIVITY / 2)

    def test_quadrants(self):
        for kind in ("f8", "f4"):
            with self.subTest(kind):
                parts = self.parts(lambda d: vol.quadrants(d, QUADRANT), units="V", stage="quadrants", kind=kind)
                # float32 of quadrants near 1 V: 2^-24 V of 4 V each, times four quadrants
                self.check(self.maps(parts), 0.0 if kind == "f8" else 2 * 2.0**-24 * QUADRANT)

    def test_deflection_units(self):
        for unit, factor in (("nm", 1e9), ("um", 1e6), ("m", 1.0), ("pm", 1e12)):
            with self.subTest(unit):
                self.check(self.maps(self.parts(lambda d: d * factor, units=unit)))

    def test_force(self):
        self.check(self.maps(self.parts(lambda d: d * sc.SPRING * 1e9, units="nN", stage="force")))

    def test_repulsion_negative(self):
        for stage, convert, units in (("deflection", lambda d: -d, "m"), ("force", lambda d: -d * sc.SPRING, "N"),
                                      ("detector", lambda d: -d / SENSITIVITY, "V"),
                                      ("quadrants", lambda d: vol.quadrants(-d, QUADRANT), "V")):
            with self.subTest(stage):
                self.check(self.maps(self.parts(convert, units=units, stage=stage,
                                                signal_attrs={"repulsion": "negative"})))

    def test_z_forms(self):
        def each(zz, name):
            return np.tile(zz, (ROWS, COLUMNS, 1))

        def start_step(zz, name):
            return {"start": np.float64(zz[0]), "step": np.float64(zz[1] - zz[0])}

        def start_step_each(zz, name):
            shape = (ROWS, COLUMNS)
            return {"start": np.full(shape, zz[0]), "step": np.full(shape, zz[1] - zz[0])}

        for form in (each, start_step, start_step_each):
            with self.subTest(form.__name__):
                self.check(self.maps(self.parts(z=form)))
        with self.subTest("micrometres"):
            self.check(self.maps(self.parts(z=lambda zz, name: zz * 1e6, z_units="um")))

    def test_z_the_other_way(self):
        """Numbers that fall toward the sample: z' = -z."""
        self.check(self.maps(self.parts(z=lambda zz, name: -zz)))
        for word, sign in (("toward_sample", 1), ("away_from_sample", -1)):
            with self.subTest(word):
                self.check(self.maps(self.parts(z=lambda zz, name: sign * zz, z_attrs={"direction": word})))

    def test_z_offset(self):
        offset = np.linspace(-1e-6, 1e-6, ROWS * COLUMNS).reshape(ROWS, COLUMNS)
        maps = self.maps(self.parts(z=lambda zz, name: np.tile(zz, (ROWS, COLUMNS, 1)) - offset[..., None]),
                         z_offset=offset)
        self.check(maps)
        maps = self.maps(self.parts(), z_offset=offset)
        self.assertLessEqual(np.abs(maps["contact_point"] - self.z0 - offset).max(), 2e-13)

    def test_padded_lengths(self):
        parts = self.parts()
        rng = np.random.default_rng(1)
        for name, part in parts.items():
            garbage = rng.normal(0, 1e-6, (ROWS, COLUMNS, 40))
            part["stored"] = np.concatenate([part["stored"], garbage], axis=2)
            padding = np.full((ROWS, COLUMNS, 40), np.nan)
            part["z"] = np.concatenate([np.tile(part["z"], (ROWS, COLUMNS, 1)), padding], axis=2)
            part["lengths"] = np.full((ROWS, COLUMNS), SAMPLES)
        maps = self.maps(parts)
        self.check(maps)
        self.assertTrue((maps["samples_used"] <= SAMPLES).all())

    def test_descending_axes(self):
        x, y = np.arange(COLUMNS) * 1e-7, np.arange(ROWS) * 1e-7
        for flip in ((1, 1), (-1, 1), (1, -1), (-1, -1)):
            with self.subTest(flip):
                maps = self.maps(self.parts(), x=x[::flip[1]], y=y[::flip[0]])
                self.assertTrue((np.diff(maps.raw["x"]) > 0).all() and (np.diff(maps.raw["y"]) > 0).all())
                self.check(maps, flip=flip)

    def test_retract_missing(self):
        parts = self.parts()
        del parts["retract"]
        maps = self.maps(parts)
        self.check(maps)
        self.assertTrue(maps.flagged("no_retract").all())
        for name in ("adhesion", "adhesion_energy", "dissipated_energy"):
            self.assertTrue(np.isnan(maps[name]).all(), name)

    def test_dwell_present(self):
        parts = self.parts()
        hold = np.repeat(self.d["approach"][..., -1:], 50, axis=2)
        parts["dwell"] = vol.segment(hold, np.full((ROWS, COLUMNS, 50), self.z[-1]))
        self.check(self.maps(parts))
        parts["dwell"] = vol.segment(hold, {"start": np.float64(self.z[-1]), "step": np.float64(0.0)})
        self.check(self.maps(parts))

    def test_missing_samples(self):
        for name, spoil in (("NaN", np.nan), ("fill", -999.0)):
            with self.subTest(name):
                parts = self.parts()
                for part in parts.values():
                    part["stored"][..., 30:36] = spoil
                    part["stored"][..., 200] = spoil
                    if name == "fill":
                        part["attrs"]["_FillValue"] = -999.0
                maps = self.maps(parts)
                self.check(maps)
                self.assertTrue(maps.flagged("samples_missing").all())

    def test_saturated(self):
        parts = self.parts(lambda d: vol.detector(d, SENSITIVITY), units="V", stage="detector", kind="i2")
        limit = int(np.median(parts["approach"]["stored"].max(axis=2)))
        for part in parts.values():
            part["attrs"]["valid_max"] = np.int16(limit)
        maps = self.maps(parts)
        wanted = (parts["approach"]["stored"] >= limit).any(axis=2)
        self.assertTrue(wanted.any() and not wanted.all())
        self.assertTrue((maps.flagged("saturated") == wanted).all())

    def test_lateral_and_interval_do_not_matter(self):
        extra = dict(lateral=(np.zeros((ROWS, COLUMNS, SAMPLES)), "V"))
        self.check(self.maps(self.parts(**extra)))

    def test_recipe_wins_over_the_volume(self):
        wrong = {**ALL, "spring_constant": (sc.SPRING * 3, "N/m"), "tip_radius": (1, "um"), "poisson_ratio": (0.1, "1")}
        for tip in ("10 um", "10000 nm"):
            settings = {**SETTINGS, "calibration.spring_constant": "500 mN/m", "tip.tip_radius": tip}
            self.check(self.maps(self.parts(), settings, wrong))

    def test_tilt(self):
        tilted = {**ALL, "spring_constant": (sc.SPRING * np.cos(np.radians(20)) ** 2, "N/m"), "tilt": (20, "degree")}
        self.check(self.maps(self.parts(), {**SETTINGS, "calibration.tilt_correction": "cosine_squared"}, tilted))
        self.check(self.maps(self.parts(), SETTINGS, {**ALL, "tilt": (20, "degree")}))
        self.check(self.maps(self.parts(), {**SETTINGS, "calibration.tilt_correction": "contained"},
                             {**ALL, "tilt": (20, "degree")}))

    def test_tilt_with_tip_height(self):
        """Factors of tests/reference/66_tilt.csv, last row; forces that were recorded with the bare k grow by the
        factor once, those from deflections likewise."""
        factors = {"cosine_squared": 1.132474331431794, "heim": 1.221383801072883, "hutter": 1.267048003996669,
                   "beam": 1.265641087677821}
        for name, factor in factors.items():
            bare = sc.SPRING / factor
            tilted = {**ALL, "spring_constant": (bare, "N/m"), "tilt": (20, "degree"), "tip_height": (10, "um"),
                      "lever_length": (0.1, "mm")}
            settings = {**SETTINGS, "calibration.tilt_correction": name}
            with self.subTest(correction=name):
                self.check(self.maps(self.parts(), settings, tilted))
                forces = self.parts(lambda d: d * bare, units="N", stage="force")
                self.check(self.maps(forces, settings, tilted))


class Flags(unittest.TestCase):
    """Each flag at least once, and not on a curve without fault."""

    seen = {"more_events", "no_chain", "chain_misfit", "no_lateral", "no_search"}  # provoked in test_cells.py

    @classmethod
    def setUpClass(cls):
        cls.holder = program.Folder()
        cls.path = cls.holder.__enter__()
        cls.addClassCleanup(cls.holder.__exit__)

    def pair(self, spoil=None, model="paraboloid", segment="approach", ratio=2.0, n=SAMPLES, retract="jkr",
             noise=0.05e-9, present=(1, 1), retract_there=True, approach_model=None,
             thickness=None, **more):
        """Two pixels: a good curve and a spoilt one. spoil(parts) changes pixel [0, 1]."""
        rng = np.random.default_rng(2)
        curves = [sc.curve(model, ratio, n, phase=0.3, noise=noise) for _ in range(2)]
        for c in curves:
            c.work = sc.work_for("jkr" if model not in fw.ADHESIVE else model, sc.SPRING * sc.DEFLECTION)
        parts = {}
        for name, other in (("approach", approach_model or "paraboloid"), ("retract", retract)):
            d, z = sc.stack(curves, 1, name, rng, other if model not in fw.ADHESIVE else None)
            parts[name] = vol.segment(d, z)
        if spoil:
            spoil(parts)
        if not retract_there:
            del parts["retract"]
        vol.write(self.path / "v.h5", parts, sc.calibration(model), present=np.array([present]),
                  thickness=thickness)
        settings = {"contact.model": model, "contact.segment": segment, "sample.poisson_ratio": sc.POISSON,
                    "limits.contact_to_pitch": "1e9",
                    **{key.replace("__", "."): value for key, value in more.items()}}
        return program.map_volume(self.path, self.path / "v.h5", settings)

    def wants(self, maps, word, good=True):
        """The spoilt pixel has the flag, the good one has not (good=False: both are spoilt)."""
        type(self).seen.add(word)
        self.assertIn(word, maps.names(0, 1))
        if good:
            self.assertNotIn(word, maps.names(0, 0))

    def test_good(self):
        self.assertEqual(self.pair().names(0, 0), [])

    def test_absent(self):
        maps = self.pair(present=(1, 0))
        self.wants(maps, "absent")
        self.assertTrue(np.isnan(maps["modulus"][0, 1]))

    def test_too_few_samples(self):
        def short(parts):
            for part in parts.values():
                part["lengths"] = np.array([[SAMPLES, 20]])
        self.wants(self.pair(short), "too_few_samples")

        def holes(parts):
            parts["approach"]["stored"][0, 1, 50:80] = np.nan
        self.wants(self.pair(holes), "too_few_samples")

    def test_samples_missing(self):
        def holes(parts):
            parts["approach"]["stored"][0, 1, 50:53] = np.nan
        self.wants(self.pair(holes), "samples_missing")

    def test_saturated(self):
        def clip(parts):
            parts["approach"]["stored"][0, 1] = np.minimum(parts["approach"]["stored"][0, 1], 20e-9)
            parts["approach"]["stored"][0, 0] = np.minimum(parts["approach"]["stored"][0, 0], 19.9e-9)
            parts["approach"]["attrs"]["valid_max"] = 20e-9
        self.wants(self.pair(clip), "saturated")

    def test_z_not_monotonic(self):
        def back(parts):
            z = parts["approach"]["z"][0, 1]
            z[100:130] = z[100] - 0.1 * (z[-1] - z[0])
        self.wants(self.pair(back), "z_not_monotonic")

    def test_short_baseline(self):
        """Contact after a twentieth of the samples."""
        def late(parts):
            c = sc.curve("paraboloid", 2.0, SAMPLES, share=0.05)
            noise = np.random.default_rng(1).normal(0, 0.05e-9, SAMPLES)
            for name, way in (("approach", 1), ("retract", -1)):
                parts[name]["stored"][0, 1], parts[name]["z"][0, 1] = c.true(name) + noise[::way], c.z(name)
        self.wants(self.pair(late), "no_baseline")

    def test_no_baseline(self):
        """Contact before the first sample: rejected, no modulus to be trusted."""
        def cut(parts):
            c = sc.curve("paraboloid", 2.0, SAMPLES)
            x = np.linspace(5e-9, c.x[-1], SAMPLES)
            d = fw.deflection("paraboloid", x, sc.SPRING, c.reduced, sc.TIPS["paraboloid"])
            noise = np.random.default_rng(1).normal(0, 0.05e-9, SAMPLES)
            for name, way in (("approach", 1), ("retract", -1)):
                parts[name]["stored"][0, 1], parts[name]["z"][0, 1] = (d + noise)[::way], x[::way]
        maps = self.pair(cut)
        self.assertEqual(program.STATES[maps.raw["state"][0, 1]], "rejected")
        self.assertEqual(program.STATES[maps.raw["state"][0, 0]], "accepted")

    def test_noisy_baseline(self):
        def shake(parts):
            parts["approach"]["stored"][0, 1] += np.random.default_rng(1).normal(0, 1e-9, SAMPLES)
        self.wants(self.pair(shake, limits__force_noise="0.2 nN"), "noisy_baseline")

    def test_sloped_baseline(self):
        def lean(parts):
            parts["approach"]["stored"][0, 1] += 0.2 * parts["approach"]["z"][0, 1]
        self.wants(self.pair(lean), "sloped_baseline")

    def test_no_contact(self):
        def flat(parts):
            for part in parts.values():
                part["stored"][0, 1] = np.random.default_rng(1).normal(0, 0.05e-9, SAMPLES)
        maps = self.pair(flat)
        self.wants(maps, "no_contact")
        self.assertTrue(np.isnan(maps["modulus"][0, 1]))

    def test_peak_too_low(self):
        def weak(parts):
            for part in parts.values():
                part["stored"][0, 1] *= 0.3
        self.wants(self.pair(weak, limits__peak_force="10 nN"), "peak_too_low")

    def test_at_bound_or_failed(self):
        """Shapes that no contact has: the fit must say so by one of its flags, never give a clean number."""
        ramp = np.arange(SAMPLES)

        def step(parts):   # one jump to a plateau: no finite modulus fits
            parts["approach"]["stored"][0, 1] = np.where(ramp > 150, 40e-9, 0.0)

        def last(parts):   # contact in the last two samples only
            parts["approach"]["stored"][0, 1] = np.where(ramp > SAMPLES - 3, 40e-9, 0.0)

        def steep(parts):  # deflection grows faster than the piezo moves
            parts["approach"]["stored"][0, 1] = np.maximum(0.0, ramp - 150) * 2e-9

        def bend(parts):   # curved from the first sample on
            parts["approach"]["stored"][0, 1] = 40e-9 * (ramp / SAMPLES) ** 2

        words = ("at_bound", "fit_failed")
        for spoil in (step, last, steep, bend):
            for noise in (0.0, 0.05e-9):
                with self.subTest(shape=spoil.__name__, noise=noise):
                    def noisy(parts):
                        spoil(parts)
                        parts["approach"]["stored"][0, 1] += np.random.default_rng(1).normal(0, 1, SAMPLES) * noise
                    maps = self.pair(noisy)
                    names = maps.names(0, 1)
                    type(self).seen.update(w for w in words if w in names)
                    print(f"  {spoil.__name__} noise {noise}: {names} E {maps['modulus'][0, 1]:.3g} Pa")
                    self.assertTrue(names)

    def test_too_shallow(self):
        self.wants(self.pair(limits__depth_to_uncertainty="1e4"), "too_shallow", good=False)

    def test_hard_sample_and_noisy_detector(self):
        """The true indentation, 0.6 nm, is about as large as the standard error of its zero, 0.5 nm, and E
        has a standard error of more than 200 %: not one such pixel may pass without a flag."""
        maps = self.pair(noise=2e-9, ratio=100.0, limits__stiffness_ratio_high="1e4",
                         limits__baseline_slope="1")
        for col in (0, 1):
            with self.subTest(pixel=col):
                self.assertIn("too_shallow", maps.names(0, col))

    def test_depth_dependent_and_residual_structure(self):
        """A cone's force, quadratic in depth, fitted by a paraboloid's power 3/2."""
        maps = self.pair(approach_model="cone", noise=5e-12, limits__depth_change="5 %")
        self.wants(maps, "depth_dependent", good=False)
        self.wants(maps, "residual_structure", good=False)

    def test_high_pressure(self):
        self.wants(self.pair(limits__pressure="1 Pa"), "high_pressure", good=False)

    def test_pixels_overlap(self):
        self.wants(self.pair(limits__contact_to_pitch="1e-6"), "pixels_overlap", good=False)

    def test_jump(self):
        def slip(parts):  # the lever falls back by a third of its deflection near the end
            d = parts["approach"]["stored"][0, 1]
            d[-20:] -= 0.3 * d[-20]
        maps = self.pair(slip)
        self.wants(maps, "jump")
        self.assertGreater(maps["jump_force"][0, 1], 0)
        self.assertTrue(np.isnan(maps["jump_force"][0, 0]))

    def test_spikes(self):
        def wild(parts):
            parts["approach"]["stored"][0, 1, [40, 90, SAMPLES - 30]] += [9e-9, -7e-9, 9e-9]
        maps = self.pair(wild)
        self.wants(maps, "spikes")
        good, spoilt = maps["modulus"][0]
        self.assertLess(abs(spoilt - good), 4 * maps["modulus_errors"][0, 0])
        self.assertEqual(maps["samples_used"][0, 0] - maps["samples_used"][0, 1], 3)

    def test_other_segment(self):
        """The approach is fitted; the retract's troubles are told too, and its numbers left out when clipped."""
        def holes(parts):
            parts["retract"]["stored"][0, 1, 50:53] = np.nan
        self.wants(self.pair(holes), "other_samples_missing")

        def clip(parts):
            d = parts["retract"]["stored"]
            d[0, 1] = np.maximum(d[0, 1], 0.5 * d[0, 1].min())
            parts["retract"]["attrs"]["valid_min"] = float(d[0, 1].min())
            d[0, 0] = np.maximum(d[0, 0], 0.99 * d[0, 1].min())
        maps = self.pair(clip)
        self.wants(maps, "other_saturated")
        self.assertTrue(np.isnan(maps["adhesion"][0, 1]))
        self.assertGreater(maps["modulus"][0, 1], 0)

    def test_one_sample_pull_off_is_no_spike(self):
        def sharp(parts):
            d = parts["retract"]["stored"][0, 1]
            d[:] = np.maximum(d, -0.02e-9)
            d[len(d) // 2] = -20e-9
        maps = self.pair(sharp, noise=0.0)
        self.assertNotIn("adhesion_in_noise", maps.names(0, 1))

    def test_standing_z_at_the_turn(self):
        """The piezo stands still over the last samples: no slope there, but a curve as good as any."""
        def stand(parts):
            parts["approach"]["z"][0, 1, -6:] = parts["approach"]["z"][0, 1, -6]
            parts["approach"]["stored"][0, 1, -6:] = parts["approach"]["stored"][0, 1, -6]
        maps = self.pair(stand)
        self.assertEqual(maps.names(0, 1), [])

    def test_wrong_transition(self):
        maps = self.pair(model="jkr", segment="retract", limits__tabor_jkr="1e12")
        self.wants(maps, "wrong_transition", good=False)

    def test_uncertain(self):
        self.wants(self.pair(limits__modulus_error="0.01 %"), "uncertain", good=False)

    def test_stiff_and_noisy_keeps_its_baseline(self):
        """Noise of a tenth of the peak and few samples: block by block the line could follow the contact."""
        for ratio in (10.0, 50.0):
            maps = self.pair(noise=4e-9, ratio=ratio, n=256, limits__baseline_slope="1", limits__modulus_error="1e9",
                             limits__stiffness_ratio_high="1e9")
            for col in (0, 1):
                self.assertNotIn("no_contact", maps.names(0, col))
                self.assertLess(abs(maps["baseline_slope"][0, col]), 0.1)  # the truth is below 0.01

    def test_steep(self):
        """The spoilt pixel lies lower by the pixel's width: the line between the two falls by 45 degrees."""
        def lower(parts):
            for part in parts.values():
                part["z"][0, 1] += 1e-7  # as vol.write has it
        for limit, flagged in (("44 degree", True), ("46 degree", False)):
            maps = self.pair(lower, limits__surface_slope=limit)
            for col in (0, 1):
                self.assertAlmostEqual(maps["surface_slope"][0, col], np.pi / 4, delta=0.002)
                self.assertEqual("steep" in maps.names(0, col), flagged)
        self.wants(self.pair(lower, limits__surface_slope="44 degree"), "steep", good=False)

    def test_outside_model(self):
        maps = self.pair(limits__depth_to_radius="0.001")
        self.wants(maps, "outside_model", good=False)

    def test_attractive(self):
        self.assertNotIn("attractive", self.pair(limits__snap_in="10 %").names(0, 1))
        maps = self.pair(approach_model="jkr", limits__snap_in="10 %")
        self.wants(maps, "attractive", good=False)

    def test_stiffness_ratio(self):
        self.wants(self.pair(limits__stiffness_ratio_high="1.5"), "stiffness_ratio", good=False)
        self.wants(self.pair(limits__stiffness_ratio_low="3"), "stiffness_ratio", good=False)

    def test_biased_fit(self):
        self.wants(self.pair(contact__fit_space="force"), "biased_fit", good=False)
        self.assertNotIn("biased_fit", self.pair(ratio=0.5, contact__fit_space="force").names(0, 0))

    def test_large_residual(self):
        def wave(parts):
            z = parts["approach"]["z"][0, 1]
            parts["approach"]["stored"][0, 1] += 8e-9 * np.sin(z * 2 * np.pi / 15e-9) * (z > 0)
        self.wants(self.pair(wave), "large_residual")

    def test_implausible(self):
        self.wants(self.pair(limits__modulus_low="1 GPa"), "implausible", good=False)
        self.wants(self.pair(limits__modulus_high="1 Pa"), "implausible", good=False)

    def test_no_retract(self):
        self.wants(self.pair(retract_there=False), "no_retract", good=False)

    def test_adhesion_in_noise(self):
        self.wants(self.pair(retract="paraboloid"), "adhesion_in_noise", good=False)

    def test_no_adhesion_to_fit(self):
        def clean(parts):
            c = sc.curve("paraboloid", 2.0, SAMPLES, phase=0.3)
            noise = np.random.default_rng(1).normal(0, 0.05e-9, SAMPLES)
            parts["retract"]["stored"][0, 1] = c.true("retract") + noise
            parts["retract"]["z"][0, 1] = c.z("retract")
        for model in fw.ADHESIVE:
            with self.subTest(model):
                self.wants(self.pair(clean, model=model, segment="retract"), "no_adhesion_to_fit")

    def test_thickness(self):
        layer = {"contact__model": "layer_sphere"}
        self.wants(self.pair(thickness=[[1e-3, 1e-6]]), "substrate_felt")
        self.wants(self.pair(thickness=[[1e-3, 1e-7]], **layer), "too_thin")
        self.wants(self.pair(thickness=[[1e-3, np.nan]], **layer), "no_thickness")

    def test_bare_substrate(self):
        """Column 0 stands on the substrate, column 1 is substrate that nobody marked, the rest is marked."""
        curves = [sc.curve("paraboloid", 2.0, SAMPLES, z0=-1e-6 if i == 0 else 0.0, phase=0.3, noise=0.05e-9)
                  for i in range(14)]
        sc.write(self.path / "v.h5", curves, 1, np.random.default_rng(4), substrate=[[0, 0] + 12 * [1]])
        maps = program.map_volume(self.path, self.path / "v.h5", sc.settings(
            "paraboloid", "approach", sample__thickness_from="substrate"))
        self.wants(maps, "bare_substrate")
        self.assertTrue(maps.flagged("bare_substrate")[0, 2:].all())
        self.assertLess(abs(maps["thickness"][0, 0] - 1e-6), 5 * maps["thickness_errors"][0, 0])

    def unloading(self, spoil, more=None, **curves):
        """A good plastic contact and one that is changed: {field: value}."""
        good = tu.GLASS
        pixels = [ul.Plastic(**good), ul.Plastic(**{**good, **spoil})]
        tu.write(self.path / "v.h5", pixels, 2, noise=0.02e-9, rng=np.random.default_rng(3), **curves)
        return program.map_volume(self.path, self.path / "v.h5",
                                  tu.settings(pixels[0], limits__residual_depth="0.95", **(more or {})))

    def test_unloading(self):
        """Where Oliver and Pharr's method does not hold, or has nothing to fit."""
        maps = self.unloading(dict(e_sample=450e9), {"unloading.from": "60 %"})
        self.wants(maps, "no_unloading")  # so stiff that fewer than ten samples are in the window
        self.assertTrue(np.isnan(maps["hardness"][0, 1]) and np.isfinite(maps["hardness"][0, 0]))
        self.wants(self.unloading(dict(m=3.6)), "unloading_exponent")
        elastic = dict(m=1.5, n=1.5, tip=dict(shape="paraboloid", radius=200e-9), e_sample=4.5e9)
        c = ul.Plastic(**{**tu.GLASS, **elastic, "h_c": 20e-9})
        # the force at which a Hertzian contact of this tip has half its depth in contact
        peak = 4 / 3 * c.e_r * np.sqrt(200e-9) * (40e-9) ** 1.5
        self.wants(self.unloading({**elastic, "h_c": 20e-9, "peak": peak}), "no_plastic_depth")
        self.wants(self.unloading(dict(e_sample=30e9), {"limits.residual_depth": "0.93"}), "pile_up")
        # a tip of 20 GPa is stiffer than the one, and softer than what the other claims to be
        self.wants(self.unloading(dict(e_sample=60e9, hardness=1e9), {"tip.tip_modulus": "20 GPa"}),
                   "no_unloading_modulus")
        maps = self.unloading(dict(), {"limits.unloading_adhesion": "10 %"}, adhesion=(0.0, 5e-7))
        self.wants(maps, "unloading_adhesion")

    def test_tip_changed(self):
        """A third more adhesion from row 9 of 20 on: every pixel from there, none before. Off: none at all."""
        made = program.run(["simulate", "--scene", "uniform", "--model", "dmt", "--columns", 12, "--rows", 20,
                            "--samples", 256, "--tip-change", 9, "--tip-radius", 1, "--tip-adhesion", 1.33,
                            "-o", self.path / "tip.h5"])
        self.assertEqual(made.returncode, 0, made.stderr)
        type(self).seen.add("tip_changed")
        flagged = program.map_volume(self.path, self.path / "tip.h5", {}).flagged("tip_changed")
        self.assertTrue(flagged[9:].all())
        self.assertFalse(flagged[:9].any())
        quiet = program.map_volume(self.path, self.path / "tip.h5", {"limits.tip_change": "0"})
        self.assertFalse(quiet.flagged("tip_changed").any())

    def test_in_time(self):
        """Flags of the analyses that need time: provoked one by one in test_viscoelastic.py, once more here."""
        def stick(name, signal):
            if name == "retract":
                signal[..., 200:230] -= 10e-9

        slow = ve.Scene(ve.linear_solid(2500.0, 800.0, 3.0), samples=300)
        fluid = ve.Scene(ve.power_law(1500.0, 0.98), samples=300)  # beyond the range that is searched
        for word, scene, law, how in (("no_times", tv.power(samples=300), "power_law", dict(interval=False)),
                                      ("relaxation_misfit", tv.linear(dwell_s=0.2), "power_law", {}),
                                      ("relaxation_unseen", slow, "standard_linear_solid", dict(noise=0.02e-9)),
                                      ("adhesive_loop", tv.power(), "power_law", dict(change=stick)),
                                      ("relaxation_failed", fluid, "power_law", dict(noise=0.01e-9))):
            with self.subTest(flag=word):
                maps = tv.fit(scene, law, side=2, **how)
                self.assertTrue(maps.flagged(word).any())
                type(self).seen.add(word)

    def test_zz_every_flag(self):
        """Runs last: the flags of the map file against those provoked above."""
        maps = self.pair()
        header = (pathlib.Path(__file__).resolve().parents[2] / "src/curve/result.h").read_text()
        listed = re.findall(r"^\s+F\((\w+),", header, re.M)
        self.assertEqual(maps.words, listed)
        self.assertEqual([int(m) for m in maps.masks], [1 << i for i in range(len(listed))])
        self.assertEqual(sorted(set(listed) - self.seen), [], "never provoked")


if __name__ == "__main__":
    unittest.main()
