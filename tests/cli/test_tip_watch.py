"""A tip that changes in the middle of a map: seen by `cantle map`, kept in the file, told by `describe`."""
import json
import shutil
import unittest

import h5py
import numpy as np
from scipy import stats

from run import InFolder

ROW, ADHESION, HEIGHT = 9, 1.4, 5e-9
FLAG = "tip_changed"


def flagged(path):
    with h5py.File(path) as f:
        flags = f["entry/maps/flags"]
        words, masks = flags.attrs["flag_meanings"].decode().split(), flags.attrs["flag_masks"]
        return (flags[()] & masks[words.index(FLAG)]) != 0, f["entry/maps/state"][()]


class TipWatch(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        size = ("--scene", "uniform", "--model", "dmt", "--columns", 12, "--rows", 24, "--samples", 256)
        cls.run_there("simulate", *size, "-o", "clean.h5")
        cls.run_there("simulate", *size, "--tip-change", ROW, "--tip-radius", 1, "--tip-adhesion", ADHESION,
                      "--tip-height", "5 nm", "-o", "changed.h5")
        cls.run_there("recipe", "clean.h5", "-o", "recipe.yaml")
        for name in ("clean", "changed"):
            done = cls.run_there("map", "recipe.yaml", f"{name}.h5", "-o", f"{name}-maps.h5")
            setattr(cls, name, done.stdout)

    def tip(self, name):
        return json.loads(self.run_there("describe", "--json", name).stdout)["tip"]

    def test_said_at_the_end(self):
        self.assertNotIn("warning: tip", self.clean)
        self.assertIn(f"warning: tip: a step that all pixels share before row {ROW}", self.changed)
        self.assertIn(f"before row {ROW} ", self.run_there("describe", "changed-maps.h5").stdout)
        self.assertIn("no change seen", self.run_there("describe", "clean-maps.h5").stdout)

    def test_table(self):
        """The truth is what simulate was told; the interval is one of 95 %, so twice its width is allowed."""
        table = self.tip("changed-maps.h5")
        self.assertTrue(table["judged"])
        self.assertEqual([c["volume_row"] for c in table["changes"]], [ROW])
        change = table["changes"][0]
        self.assertLess(change["p_value"], 0.01)
        for name, truth in (("adhesion_factor", ADHESION), ("contact_height_step_m", HEIGHT)):
            found = change[name]
            self.assertLess(abs(found["value"] - truth), found["high"] - found["low"], name)
            self.assertTrue(found["low"] < found["value"] < found["high"])
        with h5py.File(self.folder / "changed-maps.h5") as f:
            watch = f["entry/tip_watch"]
            self.assertEqual(watch["volume_row"][0], ROW)
            self.assertAlmostEqual(watch["adhesion_factor"][0], change["adhesion_factor"]["value"], places=9)

    def test_flags(self):
        flags, state = flagged(self.folder / "changed-maps.h5")
        self.assertTrue(flags[ROW:].all())
        self.assertFalse(flags[:ROW].any())
        self.assertTrue((state[ROW:] != 1).all())  # no accepted one is left
        self.assertFalse(flagged(self.folder / "clean-maps.h5")[0].any())

    def test_rows_that_descend(self):
        """The order of scanning is that of the volume; the map file turns such rows round."""
        shutil.copy(self.folder / "changed.h5", self.folder / "down.h5")
        with h5py.File(self.folder / "down.h5", "r+") as f:
            f["grid/y"][...] = f["grid/y"][()][::-1].copy()
        self.run_there("map", "recipe.yaml", "down.h5", "-o", "down-maps.h5")
        flags, _ = flagged(self.folder / "down-maps.h5")
        self.assertTrue(flags[:24 - ROW].all())
        self.assertFalse(flags[24 - ROW:].any())
        self.assertEqual(self.tip("down-maps.h5")["changes"][0]["volume_row"], ROW)
        with h5py.File(self.folder / "down-maps.h5") as f:
            self.assertEqual(f["entry/tip_watch/row"][0], 23 - ROW)

    def test_one_curve_keeps_the_flag(self):
        self.assertIn(FLAG, self.run_there("curve", "changed-maps.h5", 3, ROW + 1).stdout)
        self.assertNotIn(FLAG, self.run_there("curve", "changed-maps.h5", 3, ROW - 1).stdout)

    def test_drift(self):
        """The slope is that of SciPy's theilslopes; the standard error by its formula (src/review/drift.h)."""
        told = json.loads(self.run_there("describe", "--json", "changed-maps.h5").stdout)["drift"]
        with h5py.File(self.folder / "changed-maps.h5") as f:
            maps = f["entry/maps"]
            for name, si in (("modulus", 1e3), ("adhesion", 1e-9), ("baseline_slope", 1.0)):
                line = np.nanmedian(maps[name][()].astype(float), axis=1) * si
                number = np.arange(line.size)
                slope = stats.theilslopes(line, number).slope
                self.assertAlmostEqual(told[name]["change"] / (slope * (line.size - 1)), 1, places=6)
                rest = line - slope * number
                rest -= np.median(rest)
                memory = np.clip((rest[1:] * rest[:-1]).sum() / (rest**2).sum(), 0, 0.95)
                error = 1.4826 * np.median(abs(rest)) / np.sqrt(((number - number.mean())**2).sum())
                error *= np.sqrt((1 + memory) / (1 - memory)) * (line.size - 1)
                self.assertAlmostEqual(told[name]["standard_error"] / error, 1, places=6)
        self.assertRegex(self.run_there("describe", "changed-maps.h5").stdout, r"drift +baseline_slope .* \+- ")

    def test_no_sensitivity_from_a_soft_sample(self):
        told = json.loads(self.run_there("describe", "--json", "changed-maps.h5").stdout)["drift"]
        self.assertIn("baseline_offset", told)
        with h5py.File(self.folder / "changed-maps.h5") as f:
            self.assertLess(np.nanmax(f["entry/maps/contact_slope"][()]), 0.9)
        self.assertNotIn("contact_slope", told)
        self.assertNotIn("the steepest of each line", self.run_there("describe", "changed-maps.h5").stdout)

    def test_ranks(self):
        self.run_there("map", "recipe.yaml", "changed.h5", "-o", "three.h5", ranks=3)
        with h5py.File(self.folder / "three.h5") as a, h5py.File(self.folder / "changed-maps.h5") as b:
            for group in ("entry/maps", "entry/tip_watch"):
                for name in a[group]:
                    np.testing.assert_array_equal(a[group][name][()], b[group][name][()], name)

    def test_switched_off_and_refused(self):
        (self.folder / "off.yaml").write_text("limits:\n  tip_change: 0\n")
        self.run_there("map", "off.yaml", "changed.h5", "-o", "off.h5")
        self.assertFalse(flagged(self.folder / "off.h5")[0].any())
        self.assertIsNone(self.tip("off.h5"))
        (self.folder / "wrong.yaml").write_text("limits:\n  tip_change: 2\n")
        self.refuses("map", "wrong.yaml", "changed.h5", "-o", "wrong.h5", status=3, says=["tip_change", "line 2"])
        self.refuses("simulate", "--tip-radius", 2, "-o", "v.h5", status=2, says=["--tip-change"])
        self.refuses("simulate", "--rows", 8, "--tip-change", 8, "-o", "v.h5", status=2, says=["8 rows"])

    def test_a_spoilt_table(self):
        for name, value in (("changes", 9), ("volume_row", -1.0)):
            shutil.copy(self.folder / "changed-maps.h5", self.folder / "spoilt.h5")
            with h5py.File(self.folder / "spoilt.h5", "r+") as f:
                f["entry/tip_watch"][name][...] = value
            self.refuses("describe", "spoilt.h5", status=4, says=["/entry/tip_watch", name])


class Sensitivity(InFolder):
    """A stiff sample, whose detector signal grows by 2 % along the scan, and its zero by 3 nm."""

    ROWS, GROWS, MOVES = 24, 0.02, 3e-9

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--modulus", "1 GPa", "--peak-force", "20 nN", "--columns", 12,
                      "--rows", cls.ROWS, "--samples", 256, "-o", "stiff.h5")
        with h5py.File(cls.folder / "stiff.h5", "r+") as f:
            for name in f["calibration"]:  # an uncertainty of so stiff a contact takes long, and is not asked for
                f[f"calibration/{name}"].attrs.pop("standard_uncertainty", None)
            cls.per_volt = float(f["calibration/deflection_sensitivity"][()])
            share = np.linspace(0, 1, cls.ROWS)[:, None, None]
            for segment in ("approach", "retract"):
                signal = f[segment]["signal"]
                signal[...] = signal[()] * (1 + cls.GROWS * share) + cls.MOVES / cls.per_volt * share
            cls.z, cls.d = f["approach/z"][()], f["approach/signal"][()] * cls.per_volt
            cls.spring = float(f["calibration/spring_constant"][()])
        cls.run_there("map", "stiff.h5", "-o", "maps.h5", "-q")
        with h5py.File(cls.folder / "maps.h5") as f:
            names = ("contact_slope", "baseline_offset", "baseline_slope", "force_noise")
            cls.map = {n: f[f"entry/maps/{n}"][()].astype(float) for n in names}
            cls.usable = np.isin(f["entry/maps/state"][()], (1, 2))  # accepted, doubtful
            cls.error = {n: f[f"entry/maps/{n}_errors"][()].astype(float) for n in names[:3]}
        for name in ("baseline_offset", "force_noise"):
            cls.map[name] *= 1e-9 if name == "baseline_offset" else 1e-12

    def test_slope_is_that_of_a_line(self):
        """NumPy's straight line through the later half of the samples after the last one within three times the noise."""
        for i, j in np.ndindex(self.map["contact_slope"].shape):
            at = {n: m[i, j] for n, m in self.map.items()}
            flat = self.d[i, j] - at["baseline_offset"] - at["baseline_slope"] * (self.z - self.z[0])
            noise = at["force_noise"] / self.spring
            last = np.flatnonzero(flat <= 3 * noise)[-1]
            first = last + 1 + (len(flat) - 1 - last) // 2
            z = self.z[first:]
            self.assertAlmostEqual(at["contact_slope"] / np.polyfit(z - z.mean(), flat[first:], 1)[0], 1, places=5)
            error = np.hypot(noise / np.sqrt(((z - z.mean())**2).sum()), self.error["baseline_slope"][i, j])
            self.assertAlmostEqual(self.error["contact_slope"][i, j] / error, 1, places=4)

    def test_errors_are_the_scatter(self):
        """All pixels of a line are alike but for noise: 264 degrees of freedom, so 1 +- 0.044."""
        for name, unit in (("contact_slope", 1), ("baseline_offset", 1e-9)):
            score = (self.map[name] - self.map[name].mean(1, keepdims=True)) / (self.error[name] * unit)
            rows, columns = score.shape
            self.assertLess(abs(np.sqrt((score**2).sum() / (rows * (columns - 1))) - 1), 0.2, name)

    def test_drift(self):
        told = json.loads(self.run_there("describe", "--json", "maps.h5").stdout)["drift"]
        number = np.arange(self.ROWS)
        for name, share in (("contact_slope", 0.95), ("baseline_offset", 0.5)):
            line = np.nanquantile(np.where(self.usable, self.map[name], np.nan), share, axis=1)
            slope = stats.theilslopes(line, number).slope
            found = told[name]
            self.assertEqual(found["line_quantile"], share)
            self.assertAlmostEqual(found["change"] / (slope * (self.ROWS - 1)), 1, places=5)
            self.assertAlmostEqual(found["typical"] / np.median(line), 1, places=5)
        slope, offset = told["contact_slope"], told["baseline_offset"]
        self.assertLess(abs(slope["change"] / slope["typical"] - self.GROWS),
                        4 * slope["standard_error"] / slope["typical"])
        self.assertLess(slope["standard_error"], 0.1 * self.GROWS)
        self.assertLess(abs(offset["change"] - self.MOVES), 4 * offset["standard_error"])
        self.assertLess(offset["standard_error"], 0.1 * self.MOVES)

    def test_words(self):
        """A signal that grows by 2 %: as many nm/V fewer."""
        self.assertRegex(self.run_there("describe", "maps.h5").stdout, r"contact_slope .* \+- .*\n.*sensitivity -(1\.[89]|2|2\.[012]) %")


if __name__ == "__main__":
    unittest.main()
