"""The uncertainty of a whole map: in the file, in words, and the same for any number of ranks."""
import json
import unittest

import h5py
import numpy as np

import check_map_file
from run import InFolder

RESULTS = ("modulus", "adhesion", "work_of_adhesion")


def words(value):
    return value.decode() if isinstance(value, bytes) else str(value)


def table(path):
    """Everything in the group, by name."""
    found = {}
    with h5py.File(path) as f:
        f["entry/uncertainty"].visititems(
            lambda name, obj: found.update({name: obj[()]}) if isinstance(obj, h5py.Dataset) else None)
    return found


class Uncertainty(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "blend", "--columns", 12, "--rows", 9, "-o", "v.h5")
        with h5py.File(cls.folder / "v.h5", "r+") as f:
            f["grid/y"][...] = f["grid/y"][()][::-1]
        cls.recipe("jkr.yaml", "contact:\n  model: jkr\n")
        cls.said = cls.run_there("map", "jkr.yaml", "v.h5", "-o", "m.h5").stdout

    @classmethod
    def recipe(cls, name, text):
        (cls.folder / name).write_text(text)

    def test_the_file_keeps_its_rules(self):
        check_map_file.check(self.folder / "m.h5")

    def test_sums(self):
        t = table(self.folder / "m.h5")
        names = [words(n) for n in t["input"]]
        for wanted in ("deflection_sensitivity", "spring_constant", "tip_radius", "poisson_ratio"):
            self.assertIn(wanted, names)
        with h5py.File(self.folder / "v.h5") as f:
            for name, value, u in zip(names, t["value"], t["standard_uncertainty"]):
                stored = f[f"calibration/{name}"]
                self.assertAlmostEqual(u / value, stored.attrs["standard_uncertainty"] / stored[()], 9, name)
        per = np.where(np.array([words(s) for s in t["coefficient_scale"]]) == "logarithmic", t["value"], 1.0)
        for result in RESULTS:
            share, part = t[f"{result}/share"], t[f"{result}/contribution"]
            self.assertAlmostEqual(share.sum(), 1, 12)
            np.testing.assert_allclose(part, np.abs(t[f"{result}/coefficient"]) * t["standard_uncertainty"] / per,
                                       rtol=1e-12, atol=1e-15)
            combined = t[f"{result}/combined"]
            self.assertAlmostEqual(np.sqrt((part**2).sum()) / combined, 1, 12)
            np.testing.assert_allclose(share, part**2 / combined**2, rtol=1e-9, atol=1e-12)
            self.assertEqual((t[f"{result}/complete"], t[f"{result}/monte_carlo_draws"]), (1, 2000))
            low, high = t[f"{result}/monte_carlo_interval"]
            self.assertTrue(low < 1 < high)
            self.assertEqual(bool(t[f"{result}/differs"]),
                             bool(abs(t[f"{result}/monte_carlo_uncertainty"] - combined) > 0.1 * combined))
        at = names.index("tip_radius")
        self.assertAlmostEqual(t["modulus/coefficient"][at], -0.5, 5)
        self.assertAlmostEqual(t["work_of_adhesion/coefficient"][at], -1, 5)
        self.assertAlmostEqual(t["adhesion/contribution"][names.index("spring_constant")], 0.05, 6)

    def test_typical_pixel(self):
        t = table(self.folder / "m.h5")
        with h5py.File(self.folder / "m.h5") as f:
            modulus, state = f["entry/maps/modulus"][()].astype(float), f["entry/maps/state"][()]
            error = f["entry/maps/modulus_errors"][()]
        median = np.median(modulus[((state == 1) | (state == 2)) & np.isfinite(modulus)])
        off = np.where(state == 1, np.abs(modulus - median), np.inf)
        row, column = t["row"], t["column"]
        self.assertEqual(off[row, column], np.nanmin(off))
        self.assertEqual((t["volume_row"], t["volume_column"]), (modulus.shape[0] - 1 - row, column))
        # kPa; the budget takes the noise as white
        self.assertLess(abs(t["modulus/value"] / 1e3 - modulus[row, column]), 3 * error[row, column])

    def test_any_number_of_ranks(self):
        alone = table(self.folder / "m.h5")
        for ranks in (2, 3):
            self.run_there("map", "jkr.yaml", "v.h5", "-o", "n.h5", "-f", "-q", ranks=ranks)
            shared = table(self.folder / "n.h5")
            self.assertEqual(set(alone), set(shared))
            for name, value in alone.items():
                self.assertEqual(np.asarray(value).tobytes(), np.asarray(shared[name]).tobytes(), name)

    def test_words(self):
        t = table(self.folder / "m.h5")
        line, = [s for s in self.said.splitlines() if s.startswith("calibration:")]
        self.assertIn(f"E of the whole map +- {100 * t['modulus/combined']:.2g} %", line)
        self.assertIn("tip radius 5 %", line)
        self.assertIn("common to all pixels, not in the error bars", line)
        self.assertNotIn("at least", line)
        told = self.run_there("describe", "m.h5").stdout
        self.assertIn("no statistics over pixels makes it smaller", told)
        self.assertIn(f"relative standard uncertainty {100 * t['modulus/combined']:.3g} %", told)
        facts = json.loads(self.run_there("describe", "--json", "m.h5").stdout)["uncertainty"]
        for result in RESULTS:
            self.assertAlmostEqual(facts[result]["combined"], t[f"{result}/combined"], 10)
            self.assertEqual([i["input"] for i in facts[result]["inputs"]], [words(n) for n in t["input"]])
            np.testing.assert_allclose([i["share"] for i in facts[result]["inputs"]], t[f"{result}/share"],
                                       rtol=1e-9, atol=1e-12)
            np.testing.assert_allclose(facts[result]["monte_carlo"]["high"], t[f"{result}/monte_carlo_interval"][1],
                                       rtol=1e-9)

    def test_not_stated_and_nominal(self):
        """Values given without an uncertainty; the maker's spring constant."""
        self.recipe("n.yaml", "calibration:\n  spring_constant: 2 N/m\n  spring_constant_from: nominal\n"
                    "  monte_carlo_draws: 0\ntip:\n  tip_radius: 30 nm\n")
        said = self.run_there("map", "n.yaml", "v.h5", "-o", "n.h5", "-f").stdout
        line, = [s for s in said.splitlines() if s.startswith("calibration:")]
        self.assertRegex(line, r"\+- at least [\d.]+ % \(spring constant 20 %, .*; not stated: tip radius\)")
        t = table(self.folder / "n.h5")
        names = [words(n) for n in t["input"]]
        known = dict(zip(names, [words(k) for k in t["knowledge"]]))
        self.assertEqual((known["spring_constant"], known["tip_radius"], known["poisson_ratio"]),
                         ("assumed", "not stated", "stated"))
        self.assertEqual((t["modulus/complete"], t["modulus/monte_carlo_draws"]), (0, 0))
        self.assertTrue(np.isnan(t["modulus/contribution"][names.index("tip_radius")]))
        self.assertTrue(np.isnan(t["modulus/monte_carlo_uncertainty"]))
        self.assertAlmostEqual(np.nansum(t["modulus/share"]), 1, 12)
        self.assertEqual(words(t["spring_constant_from"]), "nominal")
        told = self.run_there("describe", "n.h5").stdout
        for part in ("at least", "not stated", "* assumed"):
            self.assertIn(part, told)
        facts = json.loads(self.run_there("describe", "--json", "n.h5").stdout)["uncertainty"]
        radius, = [i for i in facts["modulus"]["inputs"] if i["input"] == "tip_radius"]
        self.assertIsNone(radius["standard_uncertainty"])
        self.assertIsNone(radius["share"])

    def test_nothing_accepted(self):
        self.recipe("none.yaml", "limits:\n  peak_force: 1 N\n")
        self.run_there("map", "none.yaml", "v.h5", "-o", "none.h5", status=6)
        with h5py.File(self.folder / "none.h5") as f:
            self.assertNotIn("uncertainty", f["entry"])
        self.assertIsNone(json.loads(self.run_there("describe", "--json", "none.h5").stdout)["uncertainty"])

    def test_damaged_group(self):
        for name, data in (("modulus/share", np.zeros(99)), ("input", np.full(4, b"nonsense")), ("value", np.zeros(3))):
            (self.folder / "d.h5").write_bytes((self.folder / "m.h5").read_bytes())
            with h5py.File(self.folder / "d.h5", "r+") as f:
                group = f["entry/uncertainty"]
                del group[name]
                group[name] = data
            self.refuses("describe", "d.h5", status=4, says=["d.h5", "/entry/uncertainty", name])


if __name__ == "__main__":
    unittest.main()
