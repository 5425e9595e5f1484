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


if __name__ == "__main__":
    unittest.main()
