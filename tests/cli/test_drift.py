"""Drift that no single curve shows, learnt from many: NumPy draws a random walk of known step onto the curves of a
simulated volume, so that step and moduli are known. Coverage of 95 % intervals: JCGM 100:2008, 6.2."""
import json
import unittest

import h5py
import numpy as np

from run import InFolder

STEP, SIDE = 3e-12, 24  # m a sample; the volume's white noise has 50 pm


class Drift(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--type", "float32", "--columns", SIDE, "--samples", 512,
                      "-o", "quiet.h5")
        cls.run_there("simulate", "--scene", "uniform", "--type", "float32", "--columns", SIDE, "--samples", 512,
                      "-o", "walks.h5")
        draw = np.random.default_rng(7)
        with h5py.File(cls.folder / "walks.h5", "r+") as f:
            metres = f["calibration/deflection_sensitivity"][()]  # a volt
            for name in ("approach", "retract"):
                signal = f[name]["signal"]
                walk = np.cumsum(draw.normal(0, STEP, signal.shape), axis=-1) / metres
                signal[...] = (signal[...] + walk).astype("f4")
        (cls.folder / "alone.yaml").write_text("contact: {drift_from: curve}")
        (cls.folder / "stated.yaml").write_text("contact: {drift: 3 pm}")
        cls.told = {}
        for name, words in {"quiet": ("quiet.h5",), "learnt": ("walks.h5",), "alone": ("alone.yaml", "walks.h5"),
                            "stated": ("stated.yaml", "walks.h5")}.items():
            cls.told[name] = cls.map(name, *words)

    @classmethod
    def map(cls, name, *words, ranks=1):
        return json.loads(cls.run_there("map", *words, "--json", "-o", f"{name}-maps.h5", ranks=ranks).stdout)

    def numbers(self, name):
        with h5py.File(self.folder / f"{name}-maps.h5") as f, h5py.File(self.folder / "walks.h5") as v:
            value, error = (f[f"entry/maps/{key}"][...].astype(float) for key in ("modulus", "modulus_errors"))
            scale = {b"Pa": 1, b"kPa": 1e3, b"MPa": 1e6, b"GPa": 1e9}[f["entry/maps/modulus"].attrs["units"]]
            return value * scale, error * scale, v["truth/modulus"][...]

    def test_step_is_found(self):
        told = self.told["learnt"]["drift"]
        self.assertLess(abs(told["step_m"] / STEP - 1), 0.1)
        self.assertTrue(240 <= told["curves"] <= 256)
        self.assertGreater(told["likelihood_gain"], 10)

    def test_nothing_is_learnt_where_nothing_is(self):
        self.assertEqual(self.told["quiet"]["drift"]["step_m"], 0)
        self.assertIsNone(self.told["alone"]["drift"])
        self.assertIsNone(self.told["stated"]["drift"])

    def test_intervals_hold(self):
        """576 curves: 95 % of them inside, to three standard deviations of a binomial count."""
        inside = {}
        for name in ("learnt", "alone"):
            value, error, truth = self.numbers(name)
            inside[name] = np.mean(np.abs(value - truth) <= 1.96 * error)
        self.assertLess(abs(inside["learnt"] - 0.95), 3 * np.sqrt(0.95 * 0.05 / SIDE**2))
        self.assertLess(inside["alone"], 0.9, "the test says nothing")

    def test_as_if_stated(self):
        (_, learnt, _), (_, stated, _) = self.numbers("learnt"), self.numbers("stated")
        self.assertLess(abs(np.median(learnt / stated) - 1), 0.1)

    def test_ranks_and_refit(self):
        self.map("three", "walks.h5", ranks=3)
        self.run_there("refit", "learnt-maps.h5", "-o", "again-maps.h5")
        want = self.numbers("learnt")
        for name in ("three", "again"):
            np.testing.assert_array_equal(self.numbers(name), want)
        self.run_there("refit", "learnt-maps.h5", "--set", "contact.drift_from=curve", "-o", "single-maps.h5")
        np.testing.assert_array_equal(self.numbers("single"), self.numbers("alone"))

    def test_it_is_told(self):
        self.run_there("map", "walks.h5", "-o", "told-maps.h5")
        words = self.run_there("describe", "told-maps.h5").stdout
        self.assertRegex(words, r"the deflection walks by [23]\.\d* pm \(rms\) a sample")
        with h5py.File(self.folder / "told-maps.h5") as f:
            step = f["entry/process_2_contact_fit/drift_step"]
            self.assertEqual(step.attrs["units"], b"m")
            self.assertAlmostEqual(step[()] / self.told["learnt"]["drift"]["step_m"], 1, delta=1e-9)
        told = json.loads(self.run_there("describe", "--json", "quiet-maps.h5").stdout)["fit"]
        self.assertEqual(told["drift_step_m"], 0)


if __name__ == "__main__":
    unittest.main()
