"""The slope of the surface and its flag, against NumPy on the heights of the finished map, for 1 and 3 ranks."""
import unittest

import h5py
import numpy as np

from run import InFolder

ACCEPTED, DOUBTFUL = 1, 2


def along(height, position, axis):
    """Central differences; beside a hole or an edge from the pixel to the neighbour that is left."""
    height, out = np.moveaxis(height, axis, 0), []
    for i in range(len(position)):
        low = np.where(np.isnan(height[i - 1]), i, i - 1) if i else np.full(height.shape[1], i)
        high = np.full(height.shape[1], i)
        if i + 1 < len(position):
            high = np.where(np.isnan(height[i + 1]), i, i + 1)
        line = np.arange(height.shape[1])
        with np.errstate(invalid="ignore", divide="ignore"):
            out.append((height[high, line] - height[low, line]) / (position[high] - position[low]))
    return np.moveaxis(np.array(out), 0, axis)


class Surface(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "blend", "--columns", 24, "--rows", 20, "--samples", 256, "-o", "film.h5")
        (cls.folder / "steep.yaml").write_text("limits: {surface_slope: 0.01 degree}")
        for ranks in (1, 3):
            cls.run_there("map", "steep.yaml", "film.h5", "-o", f"steep{ranks}.h5", ranks=ranks)
        cls.run_there("map", "film.h5", "-o", "flat.h5")

    def maps(self, name):
        with h5py.File(self.folder / name) as f:
            maps = {key: np.array(value) for key, value in f["entry/maps"].items()}
            names = f["entry/maps/flags"].attrs["flag_meanings"].decode().split()
            maps["steep"] = (maps["flags"] >> np.uint64(names.index("steep")) & np.uint64(1)) == 1
            maps["counted"] = f["entry/pixel_counts/flag_steep"][()], f["entry/pixel_counts/state_doubtful"][()]
            self.assertEqual(f["entry/maps/surface_slope"].attrs["units"].decode(), "degree")
        return maps

    def test_against_numpy(self):
        maps = self.maps("flat.h5")
        usable = np.isin(maps["state"], (ACCEPTED, DOUBTFUL))
        self.assertTrue(0 < np.count_nonzero(~usable) < usable.size / 2)
        height = np.where(usable, maps["contact_height"].astype(float) * 1e-3, np.nan)  # um, as x and y
        want = np.degrees(np.arctan(np.hypot(along(height, maps["y"], 0), along(height, maps["x"], 1))))
        want[~usable] = np.nan
        np.testing.assert_allclose(maps["surface_slope"], want, rtol=1e-6, atol=1e-9)
        self.assertFalse(maps["steep"].any())

    def test_flag_and_state(self):
        flat, steep = self.maps("flat.h5"), self.maps("steep1.h5")
        over = flat["surface_slope"] > 0.01
        self.assertTrue(over.any())
        np.testing.assert_array_equal(steep["steep"], over)
        want = np.where(over & (flat["state"] == ACCEPTED), DOUBTFUL, flat["state"])
        np.testing.assert_array_equal(steep["state"], want)
        self.assertEqual(steep["counted"], (np.count_nonzero(over), np.count_nonzero(want == DOUBTFUL)))

    def test_ranks(self):
        one, three = self.maps("steep1.h5"), self.maps("steep3.h5")
        for name in ("surface_slope", "flags", "state"):
            self.assertEqual(one[name].tobytes(), three[name].tobytes(), name)

    def test_one_curve_knows_what_the_map_says(self):
        steep = self.maps("steep1.h5")
        row, column = np.argwhere(steep["steep"])[0]
        text = self.run_there("curve", "steep1.h5", column, row, "-o", "curve.png").stdout
        self.assertIn("  steep: ", text)
        self.assertIn(f"slope of the surface: {steep['surface_slope'][row, column]:.4g} degree", text)
        self.assertIn("state: doubtful", text)


if __name__ == "__main__":
    unittest.main()
