"""Real curves from outside: N. F. Laeubli et al., Nature Communications 12 (2021), doi 10.1038/s41467-021-22718-8,
indentation of lily pollen by a force sensor (source data of Fig. 2f, repository laeublin/3D-Indentation). The data stay
outside of this repository: the variable CANTLE_OPENDATA says where the folder lily_pollen_indentation is."""
import os
import pathlib
import sys
import unittest

import h5py
import numpy as np

from run import InFolder

DATA = pathlib.Path(os.environ.get("CANTLE_OPENDATA", "")) / "lily_pollen_indentation"
SKIPPED = 77

DESCRIPTION = """
source:
  kind: text
  separator: comma
  names_line: 1
  segments: turn
signal:
  stage: force
  repulsion: positive
z:
  direction: toward_sample
approach:
  signal: column force_uN in uN
  z: column distance_um in um
calibration:
  # the sensor hardly gives way: a thousand times stiffer than the grains
  spring_constant: 14000 N/m
  tip_radius: 1 um
  poisson_ratio: 0.5
"""
# window (um) and slope (N/m) of the published lines of Fig. 2f
PUBLISHED = {"exine": (1.316, 1.603, 14.278), "intine": (1.397, 1.898, 8.090)}


class Pollen(InFolder):
    def take_in(self, region):
        (self.folder / "pollen.yaml").write_text(DESCRIPTION)
        self.run_there("import", "pollen.yaml", DATA / f"fig2f_{region}_curve.csv", "-o", f"{region}.h5", "-q", "-f")

    def test_slopes_in_the_published_window(self):
        """Least squares over the samples of the approach in the window, as published: within 1 %."""
        for region, (low, high, slope) in PUBLISHED.items():
            self.take_in(region)
            with h5py.File(self.folder / f"{region}.h5") as f:
                z, force = (f[f"approach/{name}"][0, 0] for name in ("z", "signal"))
                n = f["approach/length"][0, 0] if "length" in f["approach"] else len(z)
            z, force = z[:n], force[:n]
            inside = (z >= low) & (z <= high)
            self.assertGreater(inside.sum(), 20)
            found = np.polyfit(z[inside], force[inside], 1)[0]
            self.assertAlmostEqual(found / slope, 1, delta=0.01, msg=region)

    def test_numbers_are_those_of_the_file(self):
        self.take_in("exine")
        rows = np.loadtxt(DATA / "fig2f_exine_curve.csv", delimiter=",", skiprows=1)
        with h5py.File(self.folder / "exine.h5") as f:
            n = [f[f"{s}/signal"].shape[2] for s in ("approach", "retract")]
            z = np.concatenate([f[f"{s}/z"][0, 0] for s in ("approach", "retract")])
        self.assertEqual(sum(n), len(rows))
        np.testing.assert_array_equal(z, rows[:, 0])

    def test_stiffness_found_by_the_program(self):
        """A flat punch has a constant stiffness. Told 50 % to 90 % of the peak force as in the paper, it finds contact
        and slope by itself: within 5 %. The published lines go through the curve as it is, so no slope of the baseline
        is taken off; that of the intine (some 1 N/m) is no clean one, and the pixel is rejected for it."""
        (self.folder / "recipe.yaml").write_text("baseline:\n  order: offset\ncontact:\n  model: flat_punch\n  from: 50 %\n  to: 90 %\n"
                                                 "limits:\n  stiffness_ratio_low: 0\n")
        for region, (_, _, slope) in PUBLISHED.items():
            self.take_in(region)
            self.run_there("map", "recipe.yaml", f"{region}.h5", "-o", f"{region}-maps.h5", "-q", "-f",
                           status=6 if region == "intine" else 0)
            with h5py.File(self.folder / f"{region}-maps.h5") as f:
                found = f["entry/maps/contact_stiffness"][0, 0]
            self.assertAlmostEqual(found / slope, 1, delta=0.05, msg=region)


if __name__ == "__main__":
    if not DATA.is_dir():
        print("SKIPPED: CANTLE_OPENDATA does not name a folder with lily_pollen_indentation")
        sys.exit(SKIPPED)
    unittest.main()
