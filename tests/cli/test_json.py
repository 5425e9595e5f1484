"""`--json` of map, refit and curve: one object, nothing else on standard output, the numbers of the map file."""
import json
import unittest

import h5py
import numpy as np

from run import InFolder

USABLE = (1, 2)  # states accepted, doubtful (docs/output-format.md)


class Json(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--columns", 6, "--rows", 5, "--samples", 128, "-o", "v.h5")
        cls.mapped = cls.run_there("map", "v.h5", "-o", "m.h5", "--json", ranks=2)
        cls.told = json.loads(cls.mapped.stdout)

    def in_file(self, name, path="m.h5"):
        """The usable pixels' values in SI, by the factor of the unit."""
        factor = {"modulus": 1e3, "adhesion": 1e-9, "contact_slope": 1.0}[name]
        with h5py.File(self.folder / path) as f:
            usable = np.isin(f["entry/maps/state"][()], USABLE)
            return f[f"entry/maps/{name}"][()].astype(float)[usable] * factor

    def test_map(self):
        told = self.told
        self.assertEqual((told["output"], told["status"], told["exit_status"], told["finished_already"]), ("m.h5", "OK", 0, False))
        self.assertEqual((told["pixels"], told["pixels_by_earlier_runs"], told["ranks"], told["run"]), (30, 0, 2, 1))
        self.assertGreater(told["seconds"], 0)
        with h5py.File(self.folder / "m.h5") as f:
            state, flags = f["entry/maps/state"][()], f["entry/maps/flags"]
            for number, name in enumerate(("pending", "accepted", "doubtful", "rejected", "absent")):
                self.assertEqual(told["states"][name], (state == number).sum(), name)
            for name, mask in zip(flags.attrs["flag_meanings"].decode().split(), flags.attrs["flag_masks"]):
                self.assertEqual(told["flags"][name], ((flags[()] & mask) != 0).sum(), name)
        for name in ("modulus", "adhesion", "contact_slope"):
            value, found = self.in_file(name), told["maps"][name]
            self.assertEqual(found["n"], np.isfinite(value).sum())
            for share, key in ((0.5, "median"), (0.25, "q25"), (0.75, "q75")):
                self.assertAlmostEqual(found[key], np.nanquantile(value, share), delta=1e-5 * abs(np.nanmedian(value)) + 1e-20)
        self.assertEqual(told["fit"], {"model": "paraboloid", "segment": "approach", "space": "deflection"})
        self.assertIsNone(told["refit"])

    def test_quiet_too(self):
        done = self.run_there("map", "v.h5", "-o", "quiet.h5", "-q", "-j")
        self.assertEqual(json.loads(done.stdout)["states"], self.told["states"])
        self.assertEqual(done.stderr, "")

    def test_finished_already(self):
        again = json.loads(self.run_there("map", "v.h5", "-o", "m.h5", "--resume", "--json").stdout)
        self.assertTrue(again["finished_already"])
        self.assertIsNone(again["run"])
        for name in ("states", "flags", "fit"):
            self.assertEqual(again[name], self.told[name], name)
        for name, found in self.told["maps"].items():
            self.assertEqual(again["maps"][name]["n"], found["n"], name)
            if found["n"]:
                self.assertAlmostEqual(again["maps"][name]["median"], found["median"], delta=1e-6 * abs(found["median"]))

    def test_all_rejected(self):
        (self.folder / "r.yaml").write_text("limits:\n  modulus_high: 2 kPa\n  modulus_low: 1 kPa\n")
        done = self.run_there("map", "r.yaml", "v.h5", "-o", "rejected.h5", "-j", status=6)
        told = json.loads(done.stdout)
        self.assertEqual((told["status"], told["exit_status"], told["states"]["rejected"]), ("ALL_REJECTED", 6, 30))
        self.assertEqual(told["maps"]["modulus"]["n"], 0)
        self.assertIsNone(told["maps"]["modulus"]["median"])
        self.assertEqual(len(done.stderr.splitlines()), 1)

    def test_refit(self):
        told = json.loads(self.run_there("refit", "m.h5", "--model", "sphere", "-o", "sphere.h5", "--json").stdout)
        self.assertEqual((told["refit"]["parent"], told["refit"]["pixels_chosen"]), ("m.h5", 30))
        self.assertEqual(told["fit"]["model"], "sphere")

    def test_failure_leaves_stdout_empty(self):
        self.refuses("map", "v.h5", "-o", "m.h5", "--json", status=5, says=["m.h5"])
        self.refuses("curve", "m.h5", 99, 0, "--json", status=2, says=["99"])
        self.refuses("curve", "m.h5", 0, 0, "--json", "--text", "-", status=2, says=["--json", "--text"])

    def test_curve(self):
        told = json.loads(self.run_there("curve", "m.h5", 2, 3, "-j", "-o", "c.svg", "--text", "c.txt").stdout)
        self.assertEqual((told["file"], told["place"]["column"], told["place"]["row"]), ("m.h5", 2, 3))
        self.assertEqual((told["figure"], told["columns"]), ("c.svg", "c.txt"))
        self.assertTrue((self.folder / "c.svg").exists() and (self.folder / "c.txt").exists())
        with h5py.File(self.folder / "m.h5") as f:
            for name, factor in (("modulus", 1e3), ("adhesion", 1e-9), ("contact_point", 1e-9), ("baseline_slope", 1)):
                for key, data in (("value", name), ("standard_error", f"{name}_errors")):
                    want = float(f[f"entry/maps/{data}"][3, 2]) * factor
                    self.assertAlmostEqual(told["results"][name][key], want, delta=1e-6 * abs(want))
            state, flags = f["entry/maps/state"][3, 2], f["entry/maps/flags"]
            names = flags.attrs["flag_meanings"].decode().split()
            raised = [n for n, mask in zip(names, flags.attrs["flag_masks"]) if flags[3, 2] & mask]
        self.assertEqual(told["state"], ("pending", "accepted", "doubtful", "rejected", "absent")[state])
        self.assertEqual(told["flags"], raised)
        with h5py.File(self.folder / "v.h5") as f:
            self.assertEqual(told["calibration"]["spring_constant"]["value"], f["calibration/spring_constant"][()])
            self.assertEqual(told["segments"]["approach"]["samples"], f["approach/signal"].shape[-1])
        columns = np.loadtxt(self.folder / "c.txt")
        approach = columns[columns[:, 0] == 1]
        self.assertEqual(told["fit"]["samples"], approach[:, 6].sum())
        line, at = told["segments"]["approach"]["baseline"], approach[0, 2] * 1e-9
        force = (approach[0, 3] * 1e-9 - line["offset_m"] - line["slope"] * (at - line["z_ref_m"])) * 0.5
        self.assertAlmostEqual(force, approach[0, 4] * 1e-9, delta=1e-16)

    def test_curve_of_a_volume(self):
        told = json.loads(self.run_there("curve", "v.h5", 2, 3, "--json", "-o", "v.svg").stdout)
        self.assertIsNone(told["columns"])
        self.assertEqual(told["segments"]["approach"]["stage"], "detector")


if __name__ == "__main__":
    unittest.main()
