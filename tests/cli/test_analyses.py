"""A map file holds the maps of the analyses that its recipe asks for, all others bit for bit the same."""
import json
import unittest

import h5py
import numpy as np

from check_map_file import check
from resumable import check_part, differences
from run import InFolder, cantle

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


ROWS, COLUMNS, SAMPLES, DWELL = 6, 8, 300, 60
EVERYTHING = """contact: {model: paraboloid}
unloading: {analysis: power_law}
depth: {windows: 4, deepest: 300 nm}
tethers: {search: yes, chain: wlc, window: 10}
lateral: {measure: yes, crosstalk_from: contact}
viscoelastic: {model: power_law, loss_tangent: yes}
"""
SPRING, RADIUS = 0.1, 2.5e-6  # N/m, m


def lever_on(z, force):
    """Deflection d of a lever at z that solves k d = force(z - d), by halving."""
    low, high = np.zeros_like(z), np.maximum(z, 0)
    for _ in range(60):
        middle = (low + high) / 2
        above = force(np.maximum(z - middle, 0)) < SPRING * middle
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2


def write_volume(path, turned=False):
    """Curves with all that the analyses look for, and pixels that lack one thing each. turned: the same curves in
    the opposite order of pixels."""
    rng = np.random.default_rng(5)
    shape = (ROWS, COLUMNS, SAMPLES)
    z = np.linspace(-1.2e-6, 0.8e-6, SAMPLES)
    modulus = 2e3 * rng.uniform(0.5, 2, (ROWS, COLUMNS, 1))
    factor = 4 / 3 * modulus / 0.75 * np.sqrt(RADIUS)  # Hertz; nu = 0.5
    go = lever_on(np.broadcast_to(z, shape), lambda depth: factor * depth**1.5)
    peak_depth = z[-1] - go[..., -1:]
    left = 0.2 * peak_depth  # F = B (h - h_f)^1.4 that meets the approach at its end
    rise = SPRING * go[..., -1:] / (peak_depth - left)**1.4
    back = lever_on(np.broadcast_to(z, shape), lambda depth: rise * np.maximum(depth - left, 0)**1.4)
    for row in range(ROWS):  # plateaus that break
        for column in range(COLUMNS - 3):
            for place in rng.uniform(0.1e-6, 0.9e-6, rng.integers(0, 12 if column == 1 else 4)):
                back[row, column] -= np.where((z < 0) & (z > -place), 3e-9, 0)
    for column in (5, 6, 7):  # chains that break at 0.9 of their length (Marko and Siggia 1995)
        share = np.clip(-z / 0.7e-6, 0, 0.9)
        pull = 4.11e-21 / 0.4e-9 * (0.25 / (1 - share)**2 - 0.25 + share)
        back[:, column] -= np.where((z < 0) & (z > -0.63e-6), pull, 0) / SPRING
    hold = go[..., -1:] * (1 - 0.05 * np.linspace(0, 1, DWELL))
    signal = {"approach": go, "dwell": hold, "retract": back[..., ::-1]}
    signal = {name: d + 0.2e-9 * rng.standard_normal(d.shape) for name, d in signal.items()}
    lateral = {name: 1e6 * signal[name] + sign * 0.05 * (signal[name] > 5e-9) + 2e-3 * rng.standard_normal(shape)
               for name, sign in (("approach", 1), ("retract", -1))}
    length = {name: np.full((ROWS, COLUMNS), signal[name].shape[2]) for name in signal}
    length["dwell"][:, ::2] = 0
    length["dwell"][0, 1:8:2] = (1, 2, 5, 19)
    length["approach"][1, :5] = (0, 1, 7, 40, 220)
    length["retract"][2, :6] = (0, 1, 9, 30, 60, 200)
    signal["approach"][3, 0, 100:130] = np.nan
    signal["approach"][3, 1] = np.nan
    signal["retract"][3, 2, -90:-60] = np.nan
    signal["retract"][3, 3] = np.nan
    signal["dwell"][3, 5] = np.nan
    signal["dwell"][3, 7, :8] = np.nan
    lateral["approach"][3, 6, 30] = lateral["retract"][3, 4, 30] = np.nan
    signal["approach"][4, 0] = 0.2e-9 * rng.standard_normal(SAMPLES)  # never touches
    signal["retract"][4, 1] = 0.2e-9 * rng.standard_normal(SAMPLES)   # lets go at once
    signal["approach"][4, 2] = signal["approach"][4, 2, -1]           # no noise, no contact
    signal["retract"][4, 3] = signal["retract"][4, 3, :1]
    lateral["approach"][4, 4] = lateral["retract"][4, 4] = 0
    lateral["approach"][4, 5] = signal["approach"][4, 5] * 1e6       # nothing but cross-talk
    present = np.ones((ROWS, COLUMNS), "u1")
    present[5, ::3] = 0
    order = (slice(None, None, -1),) * 2 if turned else (slice(None),) * 2
    with h5py.File(path, "w") as f:
        f.attrs["layout"] = "cantle-volume-1"
        for axis in "xy":
            f.create_dataset(f"grid/pixel_size_{axis}", data=1e-6).attrs["units"] = "m"
        f.create_dataset("grid/present", data=present[order])
        for name, unit, value in (("spring_constant", "N/m", SPRING), ("tip_radius", "m", RADIUS),
                                  ("poisson_ratio", "1", 0.5)):
            f.create_dataset(f"calibration/{name}", data=value).attrs["units"] = unit
        for name, d in signal.items():
            s = f.create_dataset(f"{name}/signal", data=d[order])
            s.attrs["units"], s.attrs["stage"] = "m", "deflection"
            at = {"approach": z, "retract": z[::-1], "dwell": np.full(DWELL, z[-1])}[name]
            f.create_dataset(f"{name}/z", data=at).attrs["units"] = "m"
            f.create_dataset(f"{name}/length", data=length[name][order])
            f.create_dataset(f"{name}/sample_interval", data=1e-3).attrs["units"] = "s"
        for name, volts in lateral.items():
            f.create_dataset(f"{name}/lateral", data=volts[order]).attrs["units"] = "V"


def planes(path):
    """All maps, errors, states and flags by name."""
    with h5py.File(path) as f:
        groups = [f["entry/maps"]] + [g for name, g in f["entry"].items() if name.startswith("maps_by_")]
        return {name: d[()] for g in groups for name, d in g.items() if d.ndim > 1}


class Everything(InFolder):
    """All analyses in one run, over curves of which each lacks something else."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        (cls.folder / "all.yaml").write_text(EVERYTHING)
        write_volume(cls.folder / "v.h5")
        cls.run_there("map", "all.yaml", "v.h5", "-o", "one.h5")
        cls.maps = planes(cls.folder / "one.h5")

    def test_each_is_there(self):
        """Else the other checks would check nothing."""
        check(str(self.folder / "one.h5"))
        for name in ("depth_modulus", "event_force", "event_separation", "hardness", "unloading_modulus",
                     "lateral_at_peak", "relaxation_modulus", "hysteresis", "loss_tangent", "drag_coefficient",
                     "dwell_force_change", "chain_contour_length"):
            self.assertGreater(np.isfinite(self.maps[name]).sum(), 5, name)

    def test_nothing_without_a_curve(self):
        absent = self.maps["state"] == 4
        self.assertEqual(absent.sum(), 3)
        for name, values in self.maps.items():
            if name not in ("state", "flags"):
                self.assertTrue(np.isnan(values[absent]).all(), name)
                self.assertFalse(np.isinf(values).any(), name)

    def test_a_flag_says_why(self):
        """Where a curve has a modulus but no result of an analysis, a flag tells."""
        with h5py.File(self.folder / "one.h5") as f:
            flags = f["entry/maps/flags"]
            bits = dict(zip(flags.attrs["flag_meanings"].decode().split(), flags.attrs["flag_masks"]))
            flags = flags[()]
        for name, reasons in (("loss_tangent", "no_times relaxation_failed"), ("event_count", "no_search"),
                              ("relaxation_modulus", "no_times relaxation_failed"), ("lateral_at_peak", "no_lateral"),
                              ("hardness", "no_unloading no_unloading_modulus")):
            missing = np.isfinite(self.maps["modulus"]) & np.isnan(self.maps[name])
            self.assertGreater(missing.sum(), 0, name)
            for mask in flags[missing]:
                self.assertTrue(any(mask & bits[word] for word in reasons.split()), name)

    def test_ranks(self):
        self.run_there("map", "all.yaml", "v.h5", "-o", "three.h5", ranks=3)
        self.assertEqual(differences(self.folder / "one.h5", self.folder / "three.h5"), [])

    def test_order_of_the_curves(self):
        """What a curve gives does not hang on the curves before it. The slope of the surface does on neighbours."""
        write_volume(self.folder / "turned.h5", turned=True)
        self.run_there("map", "all.yaml", "turned.h5", "-o", "back.h5", ranks=2)
        back = planes(self.folder / "back.h5")
        self.assertEqual(set(back), set(self.maps))
        for name in set(back) - {"surface_slope"}:
            np.testing.assert_array_equal(back[name][::-1, ::-1], self.maps[name], name)

    def test_stop_and_resume(self):
        run = ["map", "all.yaml", "v.h5", "-o", "stopped.h5"]
        self.run_there(*run, "--stop-after", "1 ms", status=75)
        done = check_part(self.folder / "stopped.h5.part", self.folder / "one.h5")[0]
        self.assertLess(done.sum(), done.size)
        stops = 0
        while self.run_there_any(*run, "--resume", "--stop-after", "100 ms") == 75:
            check_part(self.folder / "stopped.h5.part", self.folder / "one.h5")
            stops += 1
            self.assertLess(stops, 200)
        self.assertEqual(differences(self.folder / "one.h5", self.folder / "stopped.h5"), [])
        with h5py.File(self.folder / "stopped.h5") as f:
            self.assertGreater(f["entry/runs/run_of_pixel"][()].max(), 1)

    def test_refit(self):
        """Other analyses after the same fit: what is known of the fit is used, and gives what a run from nothing does.
        A window of indentation that lies elsewhere is another map."""
        changed = {"depth.windows": 3, "unloading.from": "30 %", "tethers.window": 12, "lateral.crosstalk_from": "baseline",
                   "viscoelastic.drag": "keep"}
        words = [f"--set={key}={value}" for key, value in changed.items()]
        said = self.run_there("refit", *words, "one.h5", "-o", "again.h5").stdout
        self.assertIn("taken from it: baseline, noise, contact point\n", said)
        recipe = (EVERYTHING.replace("windows: 4", "windows: 3").replace("power_law}\nd", "power_law, from: 30 %}\nd")
                  .replace("window: 10", "window: 12").replace("from: contact", "from: baseline")
                  .replace("loss_tangent", "drag: keep, loss_tangent"))
        (self.folder / "fresh.yaml").write_text(recipe)
        self.run_there("map", "fresh.yaml", "v.h5", "-o", "fresh.h5")
        again, fresh = planes(self.folder / "again.h5"), planes(self.folder / "fresh.h5")
        self.assertEqual(set(again), set(fresh))
        for name in again:
            np.testing.assert_allclose(again[name], fresh[name], rtol=2e-3, atol=1e-6, err_msg=name)
        said = self.run_there("compare", "one.h5", "again.h5", "depth_modulus").stdout
        self.assertIn("none of these maps has values in both", said)
        self.assertIn("event_force:1", self.run_there("compare", "one.h5", "again.h5", "event_force").stdout)

    def test_readers(self):
        """A layer is read, drawn and written like any map."""
        described = json.loads(self.run_there("describe", "--json", "one.h5").stdout)
        self.assertEqual([name for name in described["maps"] if name.startswith("depth_modulus")],
                         [f"depth_modulus:{i}" for i in (1, 2, 3, 4)])
        values = self.maps["depth_modulus"]
        self.run_there("export", "one.h5", "depth_modulus", "-o", "depth.npy")
        np.testing.assert_array_equal(np.load(self.folder / "depth.npy"), values)
        self.run_there("export", "one.h5", "depth_modulus_errors:2", "-o", "u.npy", "--mask", "event_force:1 > 1 pN")
        chosen = self.maps["event_force"][..., 0] > 1
        self.assertGreater(chosen.sum(), 5)
        np.testing.assert_array_equal(np.load(self.folder / "u.npy"),
                                      np.where(chosen, self.maps["depth_modulus_errors"][..., 1], np.nan))
        self.run_there("draw", "one.h5", "-o", "layer.png", "depth_modulus:2", "event_force:1")
        self.run_there("report", "one.h5", "-o", "one.html")
        self.assertIn("depth_modulus:4", (self.folder / "one.html").read_text())
        self.assertIn("median", self.run_there("summary", "one.h5", "depth_modulus:2").stdout)
        self.refuses("draw", "one.h5", "-o", "no.png", "depth_modulus:5", status=2, says=["depth_modulus:5"])
        said = self.run_there("curve", "one.h5", 6, 2, "-o", "curve.png").stdout
        self.assertIn("event 1", said)
        self.assertNotIn("event 8", said)

    def run_there_any(self, *words):
        done = cantle(*words, folder=self.folder)
        self.assertIn(done.returncode, (0, 75), done.stderr)
        return done.returncode


if __name__ == "__main__":
    unittest.main()
