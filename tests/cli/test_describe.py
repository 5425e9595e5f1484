"""cantle describe --json says of a file what h5py says of it."""
import json
import math
import unittest

import h5py
import numpy as np

from run import InFolder

PREFIX = {"G": 1e9, "M": 1e6, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15, "a": 1e-18}


def factor(unit, si_unit):
    """Of a unit that is the SI unit or has one letter before it, or degree."""
    if (unit, si_unit) == ("degree", "rad"):
        return math.pi / 180
    assert unit == si_unit or unit[1:] == si_unit, (unit, si_unit)
    return 1.0 if unit == si_unit else PREFIX[unit[0]]


def words(value):
    return value.decode() if isinstance(value, bytes) else str(value)


class Describe(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "blend", "--columns", 11, "--rows", 7, "--storage", "deflate",
                      "-o", "v.h5")
        with h5py.File(cls.folder / "v.h5", "r+") as f:
            f["grid/present"][2, 3:5] = 0
            f["grid/y"][...] = f["grid/y"][()][::-1]
        (cls.folder / "r.yaml").write_text("output:\n  modulus_unit: MPa\n  compression: 0\n")
        cls.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "-q", ranks=2)

    def described(self, name):
        done = self.run_there("describe", "--json", name)
        self.assertEqual(done.stderr, "")
        plain = self.run_there("describe", name)
        self.assertEqual(plain.stderr, "")
        self.assertGreater(len(plain.stdout.splitlines()), 10)
        return json.loads(done.stdout)

    def test_volume(self):
        facts = self.described("v.h5")
        with h5py.File(self.folder / "v.h5") as f:
            ny, nx, n = f["approach/signal"].shape
            self.assertEqual((facts["kind"], facts["path"], facts["title"]),
                             ("volume", "v.h5", words(f.attrs["title"])))
            self.assertEqual((facts["grid"]["rows"], facts["grid"]["columns"]), (ny, nx))
            unit = factor(words(f["grid/x"].attrs["units"]), "m")
            self.assertAlmostEqual(facts["grid"]["pixel_x_m"] / (abs(np.diff(f["grid/x"][:2])[0]) * unit), 1, 9)
            absent = int((f["grid/present"][()] == 0).sum())
            self.assertEqual((facts["absent"], facts["curves"]), (absent, ny * nx - absent))
            self.assertEqual(set(facts["segments"]), {"approach", "retract"})
            for name, told in facts["segments"].items():
                signal = f[f"{name}/signal"]
                self.assertEqual((told["samples"], told["stage"], told["type"], told["units"]),
                                 (n, words(signal.attrs["stage"]), signal.dtype.name, words(signal.attrs["units"])))
                self.assertEqual(told["storage"]["chunk"], list(signal.chunks))
                self.assertEqual((told["storage"]["deflate"], told["storage"]["shuffle"]),
                                 (signal.compression == "gzip", signal.shuffle))
                self.assertEqual(told["storage"]["bytes"], signal.id.get_storage_size())
                seen = told["example"]
                raw = signal[seen["row"], seen["column"]]
                scale = signal.attrs.get("scale_factor", 1.0)
                offset = signal.attrs.get("add_offset", 0.0)
                kind = np.iinfo(raw.dtype) if raw.dtype.kind in "iu" else None
                inside = raw[(raw > kind.min) & (raw < kind.max)] if kind else raw
                self.assertEqual(seen["clipped"], raw.size - inside.size)
                np.testing.assert_allclose(seen["signal"], [raw.min() * scale + offset, raw.max() * scale + offset],
                                           rtol=1e-9)
            self.assertEqual(set(facts["calibration"]), set(f["calibration"]))
            for name, told in facts["calibration"].items():
                stored = f[f"calibration/{name}"]
                into_si = told["value"] / stored[()]
                uncertainty = stored.attrs["standard_uncertainty"] * into_si
                self.assertAlmostEqual(told["standard_uncertainty"] / uncertainty, 1, 9)
        self.assertEqual(facts["bytes"], (self.folder / "v.h5").stat().st_size)
        self.assertTrue(facts["models"]["paraboloid"]["ready"])

    def test_map_file(self):
        facts = self.described("m.h5")
        with h5py.File(self.folder / "m.h5") as f:
            entry, maps = f["entry"], f["entry/maps"]
            self.assertEqual((facts["kind"], facts["title"], facts["finished"]),
                             ("maps", words(entry["title"][()]), True))
            grid = facts["grid"]
            self.assertEqual((grid["rows"], grid["columns"]), maps["modulus"].shape)
            for axis in "xy":
                np.testing.assert_allclose(grid[f"{axis}_m"], maps[axis][()][[0, -1]] * 1e-6, rtol=1e-9)
            self.assertEqual((grid["rows_reversed"], grid["columns_reversed"]), (True, False))
            self.assertEqual(facts["digest"], words(entry["run/input_digest"][()]))
            for name, told in facts["run"].items():
                stored = entry[f"run/{name}"][()]
                self.assertEqual(told, stored if np.issubdtype(type(stored), np.integer) else words(stored), name)
            self.assertEqual(set(facts["run"]), set(entry["run"]))
            fit = entry["process_2_contact_fit"]
            self.assertEqual([facts["fit"][k] for k in ("model", "segment", "space")],
                             [words(fit[k][()]) for k in ("model", "segment", "fit_space")])
            for name, told in facts["calibration"].items():
                stored = entry[f"process_1_calibration/{name}"]
                self.assertEqual((told["unit"], told["origin"]),
                                 (words(stored.attrs["units"]), words(stored.attrs["origin"])))
                self.assertAlmostEqual(told["value"] / stored[()], 1, 10)
            state, flags = maps["state"], maps["flags"]
            meanings = words(state.attrs["flag_meanings"]).split()
            self.assertEqual(facts["states"], {w: int((state[()] == i).sum()) for i, w in enumerate(meanings)})
            meanings = words(flags.attrs["flag_meanings"]).split()
            self.assertEqual(facts["flags"], {w: int((flags[()] >> i & 1).sum()) for i, w in enumerate(meanings)})
            self.assertEqual(facts["states"]["absent"], facts["flags"]["absent"])
            self.check_maps(facts["maps"], maps)

    def check_maps(self, told_maps, maps):
        kept = np.isin(maps["state"][()], (1, 2))
        self.assertEqual(set(told_maps), {n for n in maps if maps[n].dtype == "f4" and not n.endswith("_errors")})
        for name, told in told_maps.items():
            unit = words(maps[name].attrs["units"])
            self.assertEqual((told["unit_in_file"], told["errors"]), (unit, f"{name}_errors" in maps))
            values = maps[name][()][kept].astype(float) * factor(unit, told["unit"])
            values = values[np.isfinite(values)]
            self.assertEqual(told["n"], values.size, name)
            for key, q in (("q02", 0.02), ("q25", 0.25), ("median", 0.5), ("q75", 0.75), ("q98", 0.98)):
                if values.size:
                    np.testing.assert_allclose(told[key], np.quantile(values, q), rtol=1e-6, err_msg=name)
                else:
                    self.assertIsNone(told[key], name)


if __name__ == "__main__":
    unittest.main()
