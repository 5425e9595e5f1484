"""Tips whose volumes the simulator makes and whose model the command line fits: what was put in comes back, with
true errors. The formulas behind both have tables of their own (tests/unit/test_contact*.c) and judges
(tests/judge/blunt.py, adhesive.py)."""
import unittest

import h5py
import numpy as np

from run import InFolder

# what the summary of 36 pixels must give back: map, truth
TIPS = {
    "hyperboloid": dict(modulus=1e6),
    "adhesive_cone": dict(modulus=1e6, work_of_adhesion=5e-3),
    "adhesive_punch": dict(modulus=1e6, work_of_adhesion=5e-3),
}


class Tips(InFolder):
    def test_what_was_put_in_comes_back(self):
        for model, truth in TIPS.items():
            for space in ("deflection", "force"):
                with self.subTest(model=model, space=space):
                    self.one(model, space, truth)

    def one(self, model, space, truth):
        self.run_there("simulate", "--scene", "uniform", "--columns", 6, "--model", model, "--modulus", "1 MPa", "--work",
                       "5 mJ/m2", "--half-angle", "35 degree", "--noise", "20 pm", "-o", "v.h5", "-f")
        (self.folder / "r.yaml").write_text(f"contact:\n  model: {model}\n  fit_space: {space}\n")
        self.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "-f", "-q")
        with h5py.File(self.folder / "m.h5") as f:
            maps = f["entry/maps"]
            kept = {1} if space == "deflection" else {1, 2}  # force space is marked as biased where it is
            self.assertLessEqual(set(np.unique(maps["state"][...])), kept)
            for name, value in truth.items():
                unit = {"modulus": 1e3, "work_of_adhesion": 1e-3}[name]
                found, error = maps[name][...] * unit, maps[name + "_errors"][...] * unit
                z = (found - value) / error
                self.assertLess(abs(z.mean()), 3 / 6, name)  # three standard errors of 36
                self.assertTrue(0.65 < z.std(ddof=1) < 1.35, (name, z.std(ddof=1)))
                self.assertLess(np.median(error), 0.02 * value)


if __name__ == "__main__":
    unittest.main()
