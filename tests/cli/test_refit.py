"""A refit is a fresh map of the new recipe, remembers what it came from, and refuses what it cannot stand for."""
import json
import os
import shutil
import unittest

import h5py
import numpy as np

from check_map_file import check
from run import InFolder, cantle

BASE = "tip: {tip_half_angle: 25 degree}\nadhesion: {work_from: jkr}\n"


def planes(path):
    with h5py.File(path) as file:
        return {name: d[()] for name, d in file["entry/maps"].items() if d.ndim == 2}


def record(path):
    with h5py.File(path) as file:
        return json.loads(file["entry/refit/record"][()])


class Refit(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "blend", "--columns", 24, "--rows", 20, "--samples", 256, "--seed", 7,
                      "-o", "film.h5")
        (cls.folder / "base.yaml").write_text(BASE)
        cls.run_there("map", "base.yaml", "film.h5", "-o", "base.h5")

    def there(self, name):
        return str(self.folder / name)

    def same_as_fresh(self, recipe, options, reused, parent="base.h5"):
        """All planes of a refit against those of a map from nothing with that recipe."""
        (self.folder / "fresh.yaml").write_text(recipe)
        self.run_there("map", "fresh.yaml", "film.h5", "-o", "fresh.h5", "-f")
        said = self.run_there("refit", parent, "-o", "refit.h5", "-f", *options).stdout
        self.assertIn(f"taken from it: {reused}\n", said)
        fresh, refit = planes(self.there("fresh.h5")), planes(self.there("refit.h5"))
        self.assertEqual(set(fresh), set(refit))
        for name, old in fresh.items():
            new = refit[name]
            if old.dtype.kind != "f":
                self.assertTrue((old == new).all(), name)
                continue
            self.assertTrue((np.isnan(old) == np.isnan(new)).all(), name)
            differs = ~((old == new) | np.isnan(old))
            # bit for bit but for the odd pixel whose contact begins on a sample: there the search ends 1e-4 standard
            # errors off at most, and the maps that follow from it as little
            self.assertLessEqual(differs.sum(), 5, name)
            if name == "modulus":
                u = fresh["modulus_errors"]
                self.assertLess(np.max(np.abs((new - old) / u)[differs], initial=0), 1e-4)
        usable = np.isin(fresh["state"], (1, 2))
        self.assertGreater(usable.sum(), 300)
        return fresh, refit

    def test_another_model(self):
        self.same_as_fresh(BASE + "contact: {model: cone}\n", ["--model", "cone"], "baseline, noise, contact point")
        self.assertEqual(record(self.there("refit.h5"))["changed"],
                         [{"key": "contact.model", "old": "paraboloid", "new": "cone"}])

    def test_another_value_of_tip_and_sample(self):
        self.same_as_fresh("tip: {tip_half_angle: 25 degree, tip_radius: 30 nm}\nsample: {poisson_ratio: 0.3}\n"
                           "adhesion: {work_from: jkr}\n",
                           ["--set", "tip.tip_radius=30 nm", "--set", "sample.poisson_ratio=0.3"],
                           "baseline, noise, contact point")

    def test_another_range_by_a_file(self):
        (self.folder / "changes.yaml").write_text("contact:\n  to: 60 %\nlimits: {residual: 2 %}\n")
        self.same_as_fresh(BASE + "contact: {to: 60 %}\nlimits: {residual: 2 %}\n", ["changes.yaml"],
                           "baseline, noise")

    def test_another_segment_and_an_adhesive_model(self):
        self.same_as_fresh(BASE + "contact: {model: dmt}\n", ["--model", "dmt"], "baseline")

    def test_what_leaves_nothing(self):
        self.same_as_fresh(BASE + "baseline: {order: offset}\n", ["--set", "baseline.order=offset"], "nothing")

    def test_ranks_and_resume(self):
        """Two ranks, stopped and gone on with: the bits of one rank."""
        self.run_there("refit", "base.h5", "--model", "cone", "-o", "one.h5", "-f")
        self.run_there("refit", "base.h5", "--model", "cone", "-o", "two.h5", "-f", "--stop-after", "1 ms", ranks=2,
                       status=75)
        self.assertTrue((self.folder / "two.h5.part").exists())
        self.refuses("refit", "base.h5", "--model", "sphere", "-o", "two.h5", "--resume", status=5,
                     says=["contact.model", "cone", "sphere"])
        self.run_there("refit", "base.h5", "--model", "cone", "-o", "two.h5", "--resume", ranks=2)
        one, two = planes(self.there("one.h5")), planes(self.there("two.h5"))
        for name in one:
            self.assertEqual(one[name].tobytes(), two[name].tobytes(), name)
        again = self.run_there("refit", "base.h5", "--model", "cone", "-o", "two.h5", "--resume").stdout
        self.assertIn("finished already", again)
        check(self.there("two.h5"))

    def test_only_some_pixels(self):
        self.run_there("refit", "base.h5", "--set", "contact.to=70 %", "--mask", "is doubtful or is rejected",
                       "-o", "part.h5", "-f")
        before, after = planes(self.there("base.h5")), planes(self.there("part.h5"))
        with h5py.File(self.there("part.h5")) as file:
            run = file["entry/runs/run_of_pixel"][()]
            self.assertIn("copied", file["entry/runs/run_of_pixel"].attrs["long_name"].decode())
            pixels = file["entry/runs/pixels"][()]
        chosen = np.isin(before["state"], (2, 3))
        self.assertTrue(0 < chosen.sum() < chosen.size)
        self.assertTrue((chosen == (run > 0)).all())
        self.assertEqual(pixels.sum(), chosen.sum())
        for name in before:
            if name not in ("surface_slope", "flags", "state"):  # these follow from neighbours and lines too
                self.assertEqual(before[name][~chosen].tobytes(), after[name][~chosen].tobytes(), name)
        self.assertFalse((before["samples_used"][chosen] == after["samples_used"][chosen]).all())
        check(self.there("part.h5"))
        # a mask of another program, and a second generation: pixels that were copied begin from nothing
        with h5py.File(self.there("mask.h5"), "w") as file:
            file["mask"] = chosen
        self.run_there("refit", "base.h5", "--set", "contact.to=70 %", "--mask", "dataset(mask.h5:/mask)",
                       "-o", "masked.h5", "-f")
        for name, plane in planes(self.there("masked.h5")).items():
            self.assertEqual(plane.tobytes(), after[name].tobytes(), name)
        self.same_as_fresh(BASE + "contact: {model: cone}\n", ["--model", "cone", "--set", "contact.to="],
                           "baseline, noise", parent="part.h5")

    def test_the_chain(self):
        self.run_there("refit", "base.h5", "--model", "cone", "-o", "second.h5", "-f")
        self.run_there("refit", "second.h5", "--set", "tip.tip_half_angle=30 degree", "-o", "third.h5", "-f")
        last = record(self.there("third.h5"))
        self.assertEqual(last["generation"], 2)
        self.assertEqual(last["parent"]["path"], "second.h5")
        self.assertEqual(last["changed"], [{"key": "tip.tip_half_angle", "old": "25 degree", "new": "30 degree"}])
        self.assertEqual(last["before"], record(self.there("second.h5")))
        self.assertEqual(last["before"]["generation"], 1)
        self.assertEqual(last["before"]["changed"][0]["new"], "cone")
        self.assertEqual(len(last["parent"]["digest"]), 32)
        with h5py.File(self.there("base.h5")) as a, h5py.File(self.there("third.h5")) as b:
            self.assertEqual(a["entry/run/input_digest"][()], b["entry/run/input_digest"][()])
        said = self.run_there("describe", "third.h5").stdout
        self.assertIn("tip.tip_half_angle: 25 degree -> 30 degree", said)
        self.assertIn("contact.model: paraboloid -> cone", said)
        self.assertEqual(json.loads(self.run_there("describe", "--json", "third.h5").stdout)["refit"], last)
        self.run_there("curve", "third.h5", 3, 4, "-o", "curve.png")  # its recipe is a whole one

    def test_the_input(self):
        """Elsewhere is fine, other samples are not, and neither is another grid."""
        os.makedirs(self.folder / "away", exist_ok=True)
        shutil.copy(self.there("film.h5"), self.there("away/moved.h5"))
        self.run_there("refit", "base.h5", "--volume", "away/moved.h5", "--model", "cone", "-o", "moved.h5", "-f")
        with h5py.File(self.there("away/moved.h5"), "r+") as file:
            signal = file["approach/signal"]
            signal[3, 4, 100] = signal[3, 4, 100] + 1
        self.refuses("refit", "base.h5", "--volume", "away/moved.h5", "--model", "cone", "-o", "no.h5", status=4,
                     says=["input_digest", "moved.h5"])
        with h5py.File(self.there("away/moved.h5"), "r+") as file:
            file["grid/x"][...] = file["grid/x"][()] * 2
        self.refuses("refit", "base.h5", "--volume", "away/moved.h5", "--model", "cone", "-o", "no.h5", status=4,
                     says=["volume.axes_units_and_masks", "moved.h5"])
        self.run_there("simulate", "--columns", 5, "--rows", 4, "-o", "small.h5", "-f")
        self.refuses("refit", "base.h5", "--volume", "small.h5", "--model", "cone", "-o", "no.h5", status=4,
                     says=["5 x 4", "24 x 20"])
        self.refuses("refit", "base.h5", "--volume", "none.h5", "--model", "cone", "-o", "no.h5", status=4,
                     says=["none.h5"])
        # one that changes while it keeps size and time is found when its samples are read
        shutil.copy(self.there("film.h5"), self.there("sly.h5"))
        self.run_there("map", "base.yaml", "sly.h5", "-o", "sly-maps.h5", "-f")
        facts = os.stat(self.there("sly.h5"))
        with h5py.File(self.there("sly.h5"), "r+") as file:
            file["approach/signal"][3, 4, 100] += 1
        os.utime(self.there("sly.h5"), ns=(facts.st_atime_ns, facts.st_mtime_ns))
        self.assertEqual(os.stat(self.there("sly.h5")).st_size, facts.st_size)
        self.refuses("refit", "sly-maps.h5", "--model", "cone", "-o", "no.h5", status=4, says=["input_digest"])
        self.assertFalse((self.folder / "no.h5").exists())

    def test_refused(self):
        film = (self.folder / "base.h5").read_bytes()
        self.refuses("refit", "base.h5", "--model", "cone", "-o", "base.h5", status=5, says=["base.h5", "exists"])
        self.refuses("refit", "base.h5", "--model", "jrk", "-o", "no.h5", status=3, says=["contact.model", "jkr"])
        self.refuses("refit", "base.h5", "--set", "contact.modl=jkr", "-o", "no.h5", status=2, says=["contact.model"])
        self.refuses("refit", "base.h5", "--set", "tip", "-o", "no.h5", status=2, says=["section.key=value"])
        self.refuses("refit", "base.h5", "--model", "pyramid", "-o", "no.h5", status=3, says=["tip_face_angle"])
        self.refuses("refit", "film.h5", "--model", "cone", "-o", "no.h5", status=4, says=["film.h5", "map file"])
        self.refuses("refit", "base.h5", "--mask", "has nothing", "-o", "no.h5", status=2, says=["nothing"])
        self.refuses("refit", "base.h5", "--mask", "has no_thickness", "-o", "no.h5", status=4,
                     says=["chooses no pixel"])
        self.refuses("refit", "base.h5", "--mapping", "a.yaml", "-o", "no.h5", status=2, says=["--mapping"])
        self.refuses("refit", "--model", "cone", "-o", "no.h5", status=2, says=["no map file"])
        self.refuses("refit", "base.h5", "--model", "cone", status=2, says=["-o"])
        for name in ("base.h5", "film.h5"):  # what it is made from is never replaced
            self.refuses("refit", "base.h5", "--set", "sample.poisson_ratio=0.4", "-o", name, "--overwrite", status=5,
                         says=[name, "input"])
        usage = self.run_there("refit", "--help").stdout
        self.assertNotIn("RECIPE.yaml", usage)
        self.assertEqual(film, (self.folder / "base.h5").read_bytes())
        self.run_there("map", "base.yaml", "film.h5", "-o", "half.h5", "-f", "--stop-after", "1 ms", status=75)
        self.refuses("refit", "half.h5.part", "--model", "cone", "-o", "no.h5", status=4, says=["not finished"])
        left = [p.name for p in self.folder.iterdir() if p.name.startswith("no.h5")]
        self.assertEqual(left, [])


if __name__ == "__main__":
    unittest.main()
