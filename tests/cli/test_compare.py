"""Comparisons recomputed with NumPy and SciPy from the map files themselves."""
import json
import unittest

import h5py
import numpy as np
import scipy.stats

from run import InFolder

RECIPE = "tip: {tip_half_angle: 25 degree}\n"
SI = {"Pa": 1, "kPa": 1e3, "MPa": 1e6, "nN": 1e-9, "nm": 1e-9, "pm": 1e-12, "1": 1}


class Compare(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        for name, seed in (("film", 7), ("other", 8)):
            cls.run_there("simulate", "--scene", "blend", "--columns", 16, "--rows", 14, "--samples", 256, "--seed",
                          seed, "-o", f"{name}.h5")
            (cls.folder / "a.yaml").write_text(RECIPE)
            cls.run_there("map", "a.yaml", f"{name}.h5", "-o", f"{name}-a.h5")
        cls.run_there("refit", "film-a.h5", "--model", "cone", "-o", "film-b.h5")

    def plane(self, file, name):
        with h5py.File(self.folder / file) as f:
            d = f["entry/maps"][name]
            return d[()].astype(float) * SI[d.attrs["units"].decode()] if d.dtype.kind == "f" else d[()]

    def compared(self, *words):
        return json.loads(self.run_there("compare", *words, "--json").stdout)

    def test_agreement(self):
        said = self.compared("film-a.h5", "film-b.h5")
        states = [self.plane(f, "state") for f in ("film-a.h5", "film-b.h5")]
        use = np.isin(states[0], (1, 2)) & np.isin(states[1], (1, 2))
        self.assertEqual(said["compared"], use.sum())
        self.assertTrue(said["same_curves"])
        for name in ("modulus", "indentation", "contact_height", "adhesion"):
            a, b = self.plane("film-a.h5", name)[use], self.plane("film-b.h5", name)[use]
            d, got = b - a, said["maps"][name]
            np.testing.assert_allclose(got["bias"], d.mean(), rtol=1e-9, atol=1e-25, err_msg=name)
            np.testing.assert_allclose(got["limits"], d.mean() + 1.96 * d.std(ddof=1) * np.array([-1, 1]), rtol=1e-9,
                                       atol=1e-25)
            np.testing.assert_allclose(got["correlation"], scipy.stats.pearsonr(a, b)[0], rtol=1e-9)
            u = np.hypot(self.plane("film-a.h5", f"{name}_errors")[use], self.plane("film-b.h5", f"{name}_errors")[use])
            self.assertEqual(got["beyond_joint_standard_error"],
                             {"pixels": use.sum(), "once": (abs(d) > u).sum(), "twice": (abs(d) > 2 * u).sum()})
        self.assertTrue(said["maps"]["adhesion"]["same"])
        ratio = np.log(self.plane("film-b.h5", "modulus")[use] / self.plane("film-a.h5", "modulus")[use])
        np.testing.assert_allclose(said["maps"]["modulus"]["ratio"]["mean"], np.exp(ratio.mean()), rtol=1e-9)
        np.testing.assert_allclose(said["maps"]["modulus"]["ratio"]["limits"],
                                   np.exp(ratio.mean() + 1.96 * ratio.std(ddof=1) * np.array([-1, 1])), rtol=1e-9)

    def test_flags_states_recipe(self):
        said = self.compared("film-a.h5", "film-b.h5")
        a, b = self.plane("film-a.h5", "flags"), self.plane("film-b.h5", "flags")
        with h5py.File(self.folder / "film-a.h5") as f:
            names = f["entry/maps/flags"].attrs["flag_meanings"].decode().split()
        for bit, name in enumerate(names):
            x, y = a >> np.uint64(bit) & np.uint64(1) > 0, b >> np.uint64(bit) & np.uint64(1) > 0
            if not (x | y).any():
                self.assertNotIn(name, said["flags"])
                continue
            self.assertEqual(said["flags"][name],
                             {"gained": (y & ~x).sum(), "lost": (x & ~y).sum(), "both": (x & y).sum()}, name)
        self.assertEqual(sum(n for row in said["states"].values() for n in row.values()), a.size)
        self.assertEqual(said["recipe"], [{"key": "contact.model", "old": "paraboloid", "new": "cone"}])
        text = self.run_there("compare", "film-a.h5", "film-b.h5").stdout
        for words in ("paraboloid", "cone", "contact.model", "their noise is in both", "AICc", "it does not say that",
                      "beyond the joint standard error"):
            self.assertIn(words, text)

    def test_criterion(self):
        """AICc and BIC of both models from the planes, by the formulas of their papers."""
        said = self.compared("film-a.h5", "film-b.h5")["criterion"]
        self.run_there("compare", "film-a.h5", "film-b.h5", "-o", "differences.h5", "-f")
        n = np.minimum(*(self.plane(f, "samples_effective") for f in ("film-a.h5", "film-b.h5")))
        k, values = 5, []  # contact point, scale, offset, slope; the variance
        self.assertEqual((said["unknowns_a"], said["unknowns_b"]), (4, 4))
        for file in ("film-a.h5", "film-b.h5"):
            deviance = n * np.log(self.plane(file, "residual_rms") ** 2)
            values.append((deviance + 2 * k + 2 * k * (k + 1) / (n - k - 1), deviance + k * np.log(n)))
        usable = np.isin(self.plane("film-a.h5", "state"), (1, 2)) | np.isin(self.plane("film-b.h5", "state"), (1, 2))
        for i, name in enumerate(("aicc", "bic")):
            expected = np.where(usable, values[1][i] - values[0][i], np.nan)
            with h5py.File(self.folder / "differences.h5") as f:
                got = f[f"entry/comparison/{name}_difference"][()]
            same = np.isfinite(got)
            self.assertGreater(same.sum(), 150)
            np.testing.assert_allclose(got[same], expected[same], rtol=1e-5, atol=1e-4)
            self.assertEqual(same.sum() + said["left_out"], np.isfinite(expected).sum())
            for band, low, high in (("b_clearly", -np.inf, -10), ("b_rather", -10, -2), ("neither", -2, 2),
                                    ("a_rather", 2, 10), ("a_clearly", 10, np.inf)):
                self.assertEqual(said[name][band], ((got[same] >= low) & (got[same] < high)).sum(), band)
            np.testing.assert_allclose(said[name]["median"], np.median(got[same]), rtol=1e-4)
        # the scene is made of paraboloids: they win
        self.assertGreater(said["aicc"]["a_rather"] + said["aicc"]["a_clearly"],
                           3 * (said["aicc"]["b_rather"] + said["aicc"]["b_clearly"]))
        self.assertIn("does not say", said["caution"])

    def test_file_and_figures(self):
        self.run_there("compare", "film-a.h5", "film-b.h5", "-o", "maps.h5", "-p", "figure.png")
        for name in ("figure.png", "figure-maps.png"):
            self.assertEqual((self.folder / name).read_bytes()[:4], b"\x89PNG")
        with h5py.File(self.folder / "maps.h5") as f:
            group = f["entry/comparison"]
            a, b = self.plane("film-a.h5", "modulus"), self.plane("film-b.h5", "modulus")
            scale = SI[group["modulus_difference"].attrs["units"].decode()]
            there = np.isfinite(group["modulus_difference"][()])
            np.testing.assert_allclose(group["modulus_difference"][()][there] * scale, (b - a)[there], rtol=1e-5)
            np.testing.assert_allclose(group["modulus_ratio"][()][there], (b / a)[there], rtol=1e-6)
            self.assertEqual(json.loads(f["entry/record"][()])["compared"], there.sum())
            self.assertEqual(group["modulus_ratio"].dims[1][0].name, "/entry/comparison/x")
            with h5py.File(self.folder / "film-a.h5") as old:
                np.testing.assert_allclose(group["x"][()], old["entry/maps/x"][()])
        before = (self.folder / "maps.h5").read_bytes()
        self.refuses("compare", "film-a.h5", "film-b.h5", "-o", "maps.h5", status=5, says=["maps.h5", "exists"])
        self.refuses("compare", "film-a.h5", "film-b.h5", "-o", "film-a.h5", "-f", status=5, says=["film-a.h5"])
        self.assertEqual(before, (self.folder / "maps.h5").read_bytes())

    def test_masks_and_copied_pixels(self):
        said = self.compared("film-a.h5", "film-b.h5", "--mask", "modulus < 200 MPa", "modulus")
        chosen = self.plane("film-a.h5", "modulus") < 200e6
        use = np.isin(self.plane("film-a.h5", "state"), (1, 2)) & np.isin(self.plane("film-b.h5", "state"), (1, 2))
        self.assertEqual(said["compared"], (use & chosen).sum())
        self.assertEqual(list(said["maps"]), ["modulus"])
        self.run_there("refit", "film-a.h5", "--model", "cone", "--mask", "modulus < 200 MPa", "-o", "part.h5")
        said = self.compared("film-a.h5", "part.h5")
        self.assertEqual(said["copied"], (~chosen).sum())
        self.assertLessEqual(said["compared"], chosen.sum())

    def test_two_volumes(self):
        """Agreement of other curves on the same grid is welcome; a criterion of them would mean nothing."""
        said = self.compared("film-a.h5", "other-a.h5")
        self.assertFalse(said["same_curves"])
        self.assertIn("other curves", said["criterion"]["not_given"])
        self.assertGreater(said["maps"]["modulus"]["n"], 100)
        text = self.run_there("compare", "film-a.h5", "other-a.h5").stdout
        self.assertIn("not said, since the files were made from other curves", text)

    def test_nothing_in_common(self):
        """Over no pixel nothing is the same, and a file without a digest does not say which curves it is from."""
        self.run_there("map", "a.yaml", "film.h5", "-o", "half.h5", "-f", "--stop-after", "1 ms", status=75)
        said = self.compared("half.h5.part", "film-a.h5")
        self.assertEqual(said["compared"], 0)
        self.assertIsNone(said["same_curves"])
        self.assertFalse(any(m["same"] for m in said["maps"].values()))
        self.assertIn("unfinished", said["criterion"]["not_given"])
        text = self.run_there("compare", "half.h5.part", "film-a.h5").stdout
        self.assertIn("no pixel is accepted or doubtful in both", text)
        self.assertNotIn("other curves", text)

    def test_other_samples(self):
        for model, words in (("dmt", "other samples"), ("paraboloid", "not the noise")):
            more = ["--set", "contact.fit_space=force"] if model == "paraboloid" else []
            self.run_there("refit", "film-a.h5", "--model", model, *more, "-o", "c.h5", "-f")
            self.assertIn(words, self.compared("film-a.h5", "c.h5")["criterion"]["not_given"])
        self.run_there("refit", "film-a.h5", "--set", "calibration.deflection_sensitivity=61 nm/V", "-o", "c.h5", "-f")
        said = self.compared("film-a.h5", "c.h5")
        self.assertIn("deflection_sensitivity differs", said["criterion"]["not_given"])
        self.assertIn("deflection_sensitivity as used", [x["key"] for x in said["values_used"]])

    def test_refused(self):
        self.run_there("simulate", "--columns", 8, "--rows", 7, "-o", "small.h5", "-f")
        self.run_there("map", "small.h5", "-o", "small-maps.h5", "-f")
        self.refuses("compare", "film-a.h5", "small-maps.h5", status=4, says=["16 x 14", "8 x 7"])
        self.refuses("compare", "film-a.h5", status=2, says=["two map files"])
        self.refuses("compare", "film-a.h5", "film.h5", status=4, says=["film.h5", "map file"])
        self.refuses("compare", "film-a.h5", "film-b.h5", "modulos", status=2, says=["modulus"])
        self.refuses("compare", "film-a.h5", "film-a.h5", "-p", "same.png", status=4, says=["nothing to draw"])
        self.refuses("compare", "film-a.h5", "film-b.h5", "--mask", "modulus > 2", status=2, says=["unit"])
        self.refuses("compare", "film-a.h5", "film-b.h5", "-p", "a.gif", status=2, says=["gif"])


if __name__ == "__main__":
    unittest.main()
