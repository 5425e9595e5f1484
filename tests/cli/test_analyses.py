"""A map file holds the maps of the analyses that its recipe asks for, all others bit for bit the same."""
import json
import unittest

import h5py
import numpy as np

from check_map_file import check
from run import InFolder

SHALLOW = {"modulus_half_depth", "modulus_half_depth_errors", "modulus_depth_ratio", "modulus_depth_ratio_errors"}


class WithoutShallow(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "blend", "--columns", 12, "--rows", 9, "--samples", 256, "-o", "film.h5")
        (cls.folder / "once.yaml").write_text("contact: {two_depths: no}\n")
        cls.run_there("map", "film.h5", "-o", "both.h5")
        cls.run_there("map", "once.yaml", "film.h5", "-o", "once.h5", ranks=2)

    def test_maps(self):
        check(str(self.folder / "once.h5"))
        with h5py.File(self.folder / "both.h5") as both, h5py.File(self.folder / "once.h5") as once:
            full, part = both["entry/maps"], once["entry/maps"]
            self.assertEqual(set(full) - set(part), SHALLOW)
            self.assertFalse(set(part) - set(full))
            for name in set(part) - {"flags", "state"}:  # the shallow half has a flag of its own
                self.assertEqual(part[name][()].tobytes(), full[name][()].tobytes(), name)
            self.assertFalse(SHALLOW & {x.decode() for x in part.attrs["auxiliary_signals"]})
            self.assertNotIn("modulus_half_depth", once["entry/statistics"])
            self.assertTrue(np.isfinite(full["modulus_half_depth"][()]).any())

    def test_readers(self):
        maps = json.loads(self.run_there("describe", "--json", "once.h5").stdout)["maps"]
        self.assertIn("modulus", maps)
        self.assertFalse(SHALLOW & set(maps))
        self.assertNotIn("shallow half", self.run_there("curve", "once.h5", 3, 4, "-o", "curve.png").stdout)
        self.run_there("draw", "once.h5", "-o", "all.png", "all")
        wrong = self.run_there("draw", "once.h5", "-o", "no.png", "modulus_half_depth", status=2)
        self.assertIn("has no map 'modulus_half_depth'", wrong.stderr)


if __name__ == "__main__":
    unittest.main()
