#!/usr/bin/python3
"""The maps are bit-identical for any number of ranks and any storage of the same volume."""
import os
import unittest

import h5py
import numpy as np
import xxhash

import program
import scenario as sc
import volume as vol

ROWS, COLUMNS, SAMPLES = 24, 17, 300


def noisy_volume(path, storage):
    """int16 detector volts, absent pixels, curves that must be rejected, padded lengths."""
    rng = np.random.default_rng(7)
    curves = [sc.curve("paraboloid", 10 ** rng.uniform(-1, 1), SAMPLES, z0=rng.uniform(-50e-9, 50e-9),
                       phase=rng.uniform(), offset=rng.uniform(-5e-9, 5e-9), slope=rng.uniform(-0.01, 0.01),
                       noise=0.3e-9) for _ in range(ROWS * COLUMNS)]
    for c in curves:
        c.work = sc.work_for("jkr", sc.SPRING * sc.DEFLECTION)
    parts = {}
    for name, model in (("approach", None), ("retract", "jkr")):
        d, z = sc.stack(curves, ROWS, name, rng, model)
        d[3, 4] = rng.normal(0, 0.3e-9, SAMPLES)      # no contact
        d[5, 6] = np.minimum(d[5, 6], 10e-9)          # a plateau
        d[7] = 1e-9 * rng.standard_normal((COLUMNS, SAMPLES)) + np.linspace(0, 30e-9, SAMPLES)  # a bad scan line
        lengths = np.full((ROWS, COLUMNS), SAMPLES)
        lengths[9, 3:9] = (20, 100, 200, 250, 299, 1)
        part = vol.segment(vol.detector(d, 50e-9, 0.2), z, units="V", stage="detector", kind="i2", lengths=lengths)
        part["stored"][11, 5, 40:60] = 32767
        part["attrs"]["_FillValue"] = np.int16(-32768)
        part["stored"][12, 5, 40:44] = -32768
        parts[name] = part
    present = np.ones((ROWS, COLUMNS), int)
    present[0, 0] = present[-1, -1] = 0
    present[15, 2:9] = 0
    vol.write(path, parts, {**sc.calibration("paraboloid"), "deflection_sensitivity": (50, "nm/V")}, present=present,
              storage=storage)


def digest(path):
    with h5py.File(path) as f:
        return f["entry/run/input_digest"][()].decode()


def digest_by_definition(path):
    """docs/output-format.md, with the xxHash library's own Python binding."""
    total = 0
    with h5py.File(path) as f:
        parts = []
        for segment in ("approach", "retract"):
            parts += [f[f"{segment}/signal"][()], f[f"{segment}/z"][()], f[f"{segment}/length"][()].astype("i8")]
    for row in range(ROWS):
        for column in range(COLUMNS):
            stored = b"".join(np.ascontiguousarray(part[row, column]).tobytes() for part in parts)
            total += xxhash.xxh3_128_intdigest(stored, seed=row * COLUMNS + column)
    return f"{total % 2**128:032x}"


class Ranks(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = program.Folder()
        cls.path = cls.holder.__enter__()
        cls.addClassCleanup(cls.holder.__exit__)
        cls.storage = {"contiguous": "contiguous", "chunked": dict(chunks=(5, 4)),
                       "cut": dict(chunks=(7, 3, 100)),
                       "deflate": dict(chunks=(4, 17), compression="gzip", compression_opts=4, shuffle=True)}
        for name, storage in cls.storage.items():
            noisy_volume(cls.path / f"{name}.h5", storage)
        cls.reference = cls.run_map("contiguous", 0)

    @classmethod
    def run_map(cls, storage, ranks, model="paraboloid", segment="approach", **options):
        name = f"{storage}-{ranks}-{model}.h5"
        maps = program.map_volume(cls.path, cls.path / f"{storage}.h5", sc.settings(model, segment), ranks, name,
                                  **options)
        return maps, digest(cls.path / name)

    def same(self, one, two):
        (a, digest_a), (b, digest_b) = one, two
        self.assertEqual(sorted(a.raw), sorted(b.raw))
        for name in a.raw:
            x, y = np.asarray(a.raw[name]), np.asarray(b.raw[name])
            self.assertEqual((x.dtype, x.shape), (y.dtype, y.shape), name)
            self.assertEqual(x.tobytes(), y.tobytes(),
                             f"{name}: {int((x.view('u1') != y.view('u1')).sum()) if x.ndim else 1} bytes differ")
        self.assertEqual(digest_a, digest_b)

    def test_something_to_compare(self):
        maps, found = self.reference
        self.assertEqual(found, digest_by_definition(self.path / "contiguous.h5"))
        self.assertEqual(maps["modulus"].shape, (ROWS, COLUMNS))
        self.assertGreater(np.isfinite(maps["modulus"]).sum(), 300)
        for word, at in (("absent", (15, 4)), ("saturated", (11, 5)), ("samples_missing", (12, 5)),
                         ("no_contact", (3, 4)), ("too_few_samples", (9, 3))):
            self.assertIn(word, maps.names(*at))

    def test_ranks(self):
        for ranks in (1, 2, 3, 4):
            with self.subTest(ranks=ranks):
                self.same(self.reference, self.run_map("contiguous", ranks))

    def test_several_machines(self):
        """Ranks that do not share memory count another way. With this control variable MPICH treats every rank
        as if it were on a machine of its own."""
        apart = dict(os.environ, MPIR_CVAR_NOLOCAL="1")
        self.same(self.reference, self.run_map("contiguous", 3, env=apart))

    def test_storage(self):
        for name in list(self.storage)[1:]:
            for ranks in (0, 3):
                with self.subTest(storage=name, ranks=ranks):
                    self.same(self.reference, self.run_map(name, ranks))

    def test_adhesive_model(self):
        self.same(self.run_map("contiguous", 0, "jkr", "retract"), self.run_map("deflate", 4, "jkr", "retract"))

    def test_digest_sees_one_sample(self):
        noisy_volume(self.path / "changed.h5", "contiguous")
        with h5py.File(self.path / "changed.h5", "r+") as f:
            f["approach/signal"][20, 3, 7] += 1
        self.assertNotEqual(self.reference[1], self.run_map("changed", 0)[1])


if __name__ == "__main__":
    unittest.main()
