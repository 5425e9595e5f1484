"""cantle describe and what it says about files that are not right.

Run as: python3 test_volume_input.py PATH_TO_CANTLE   (or with the path in the variable CANTLE)
"""
import json
import os
import re
import subprocess
import sys
import tempfile
import unittest
from pathlib import Path

import h5py
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = os.environ.get("CANTLE", "")
USAGE, INPUT = 2, 4


def run(*arguments, folder=None):
    return subprocess.run([PROGRAM, *arguments], capture_output=True, text=True, timeout=120,
                          cwd=folder)


def documented_lines():
    page = (ROOT / "docs" / "volume-format.md").read_text(encoding="utf-8")
    return re.search(r"```python\n(.*?)```", page, re.S).group(1)


class WithVolume(unittest.TestCase):
    """Each test starts from the documented volume, in a folder of its own."""

    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="cantle-input-")
        self.addCleanup(folder.cleanup)
        self.folder = Path(folder.name)
        script = subprocess.run([sys.executable, "-c", documented_lines()], cwd=self.folder,
                                capture_output=True, text=True, timeout=60)
        self.assertEqual(script.returncode, 0, script.stderr)
        self.path = self.folder / "volume.h5"

    def change(self):
        return h5py.File(self.path, "r+")

    def replace(self, name, data, units=None, **attributes):
        with self.change() as f:
            kept = dict(f[name].attrs) if name in f else {}
            if name in f:
                del f[name]
            f.create_dataset(name, data=data).attrs.update({**kept, **attributes})
            if units is not None:
                f[name].attrs["units"] = units

    def refuses(self, *words, status=INPUT, path=None):
        path = str(path or self.path)
        before = Path(path).read_bytes() if Path(path).is_file() else None
        done = run("describe", path)
        self.assertEqual(done.returncode, status, done.stderr + done.stdout)
        self.assertEqual(done.stdout, "")
        lines = done.stderr.splitlines()
        self.assertEqual(len(lines), 1, done.stderr)
        for word in (path, *words):
            self.assertIn(word, lines[0])
        if before is not None:
            self.assertEqual(before, Path(path).read_bytes())
        return lines[0]


class GoodVolumes(WithVolume):
    def describe(self, path=None):
        done = run("describe", "--json", str(path or self.path))
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(done.stderr, "")
        return json.loads(done.stdout)

    def test_documented_lines(self):
        code = documented_lines()
        self.assertLessEqual(len(code.splitlines()), 20)
        facts = self.describe()
        self.assertEqual((facts["grid"]["rows"], facts["grid"]["columns"]), (4, 6))
        self.assertAlmostEqual(facts["grid"]["pixel_x_m"], 0.5e-6, 15)
        approach = facts["segments"]["approach"]
        self.assertEqual((approach["samples"], approach["stage"], approach["type"]),
                         (512, "detector", "float32"))
        self.assertEqual(approach["z_direction"], "toward_sample")
        self.assertAlmostEqual(approach["example"]["signal"][1], 2.0, 6)
        self.assertAlmostEqual(facts["calibration"]["deflection_sensitivity"]["value"], 50e-9, 18)
        self.assertAlmostEqual(facts["calibration"]["tip_radius"]["standard_uncertainty"], 4e-9, 18)
        self.assertTrue(facts["models"]["paraboloid"]["ready"])
        self.assertEqual(facts["models"]["cone"]["missing"], ["tip_half_angle"])
        self.assertGreater(facts["memory_per_rank_bytes"], 4 * 6 * 512 * 8)

    def test_text_has_the_facts(self):
        done = run("describe", str(self.path))
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        for words in ("a rigid sample", "6 columns x 4 rows", "3 um x 2 um", "512 samples", "50 nm/V",
                      "needs tip_half_angle"):
            self.assertIn(words, done.stdout)

    def test_no_calibration_is_told(self):
        with self.change() as f:
            del f["calibration"]
        facts = self.describe()
        self.assertEqual(facts["calibration"], {})
        self.assertEqual(facts["models"]["paraboloid"]["missing"],
                         ["deflection_sensitivity", "spring_constant", "tip_radius"])

    def test_links_inside_the_file_are_followed(self):
        with self.change() as f:
            f.move("approach/signal", "kept")
            f["approach/signal"] = h5py.SoftLink("/kept")
        self.assertEqual(self.describe()["segments"]["approach"]["samples"], 512)

    def test_chunks_that_cut_curves_are_told(self):
        with self.change() as f:
            old = f["approach/signal"]
            data, attributes = old[...], dict(old.attrs)
            del f["approach/signal"]
            new = f.create_dataset("approach/signal", data=data, chunks=(4, 6, 16), compression="gzip")
            new.attrs.update(attributes)
        facts = self.describe()
        self.assertEqual(facts["segments"]["approach"]["storage"]["chunk"], [4, 6, 16])
        self.assertEqual(len(facts["advice"]), 1)
        self.assertIn("pieces", facts["advice"][0])

    def test_direction_of_z(self):
        with self.change() as f:
            for segment in ("approach", "retract"):
                f[f"{segment}/z"][...] = -f[f"{segment}/z"][...]
        self.assertEqual(self.describe()["segments"]["retract"]["z_direction"], "away_from_sample")


class BadVolumes(WithVolume):
    def test_missing_file(self):
        self.refuses("cannot be read", path=self.folder / "nothing.h5")

    def test_directory(self):
        self.refuses("is a directory", path=self.folder)

    def test_not_hdf5(self):
        self.path.write_text("z, deflection\n1, 2\n")
        self.refuses("is not an HDF5 file")

    def test_empty_file(self):
        self.path.write_bytes(b"")
        self.refuses("is not an HDF5 file")

    def test_no_layout(self):
        with self.change() as f:
            del f.attrs["layout"]
        self.refuses("layout")

    def test_other_layout(self):
        with self.change() as f:
            f.attrs["layout"] = "cantle-volume-9"
        self.refuses("cantle-volume-9")

    def test_no_approach(self):
        with self.change() as f:
            del f["approach"]
        self.refuses("/approach/signal")

    def test_wrong_shape(self):
        self.replace("approach/signal", np.zeros((24, 512), "f4"))
        self.refuses("/approach/signal", "[24,512]")

    def test_quadrants_of_the_wrong_shape(self):
        self.replace("approach/signal", np.zeros((4, 6, 512), "f4"), stage="quadrants")
        self.refuses("/approach/signal", "[ny,nx,n,4]")

    def test_retract_of_another_grid(self):
        self.replace("retract/signal", np.zeros((5, 6, 512), "f4"))
        self.refuses("/retract/signal", "[5,6,512]")

    def test_positions_that_do_not_match(self):
        self.replace("grid/x", np.arange(7.0))
        self.refuses("/grid/x", "[7]")

    def test_z_that_does_not_match(self):
        self.replace("approach/z", np.arange(100.0))
        self.refuses("/approach/z", "100")

    def test_zero_size_grid(self):
        self.replace("approach/signal", np.zeros((0, 6, 512), "f4"))
        self.refuses("/approach/signal", "[0,6,512]", "zero")

    def test_missing_unit(self):
        for name in ("approach/signal", "approach/z", "grid/x", "calibration/spring_constant"):
            with self.subTest(name):
                self.setUp()
                with self.change() as f:
                    del f[name].attrs["units"]
                self.refuses(f"/{name}: ", "units")

    def test_impossible_unit(self):
        for name in ("approach/signal", "approach/z", "grid/y", "calibration/tip_radius"):
            with self.subTest(name):
                self.setUp()
                with self.change() as f:
                    f[name].attrs["units"] = "parsec/furlong!"
                self.refuses(f"/{name}: ", "parsec/furlong!")

    def test_unit_of_another_kind(self):
        with self.change() as f:
            f["calibration/spring_constant"].attrs["units"] = "N"
        self.refuses("/calibration/spring_constant: ", "'N'")

    def test_stage_and_unit(self):
        with self.change() as f:
            f["approach/signal"].attrs["stage"] = "force"
        self.refuses("/approach/signal: ", "'V'")

    def test_unknown_stage(self):
        with self.change() as f:
            f["approach/signal"].attrs["stage"] = "photons"
        self.refuses("/approach/signal: ", "photons")

    def test_no_stage(self):
        with self.change() as f:
            del f["approach/signal"].attrs["stage"]
        self.refuses("/approach/signal: ", "stage")

    def test_z_not_monotonic(self):
        with self.change() as f:
            f["approach/z"][100] = f["approach/z"][98]
        self.refuses("/approach/z: ", "monotonic")

    def test_z_with_nan(self):
        with self.change() as f:
            f["retract/z"][100] = np.nan
        self.refuses("/retract/z: ", "100")

    def test_direction_that_is_contradicted(self):
        with self.change() as f:
            f["approach/z"].attrs["direction"] = "away_from_sample"
        self.refuses("/approach/z: ", "away_from_sample")

    def test_positions_not_monotonic(self):
        self.replace("grid/y", np.array([0.0, 1, 1, 2]))
        self.refuses("/grid/y: ")

    def test_position_nan(self):
        self.replace("grid/y", np.array([0.0, 1, np.nan, 3]))
        self.refuses("/grid/y: ", "position 2")

    def test_pixel_size_zero(self):
        with self.change() as f:
            del f["grid/x"]
        self.replace("grid/pixel_size_x", 0.0, units="um")
        self.refuses("/grid/pixel_size_x: ")

    def test_negative_spring_constant(self):
        self.replace("calibration/spring_constant", -0.35)
        self.refuses("/calibration/spring_constant: ", "-0.35")

    def test_calibration_nan(self):
        for value in (np.nan, np.inf):
            with self.subTest(value):
                self.replace("calibration/deflection_sensitivity", value)
                self.refuses("/calibration/deflection_sensitivity: ", "finite")

    def test_negative_uncertainty(self):
        with self.change() as f:
            f["calibration/tip_radius"].attrs["standard_uncertainty"] = -1.0
        self.refuses("/calibration/tip_radius: ", "standard_uncertainty")

    def test_text_where_a_number_is_wanted(self):
        self.replace("calibration/spring_constant", "0.35 N/m")
        self.refuses("/calibration/spring_constant: ", "text")

    def test_compound_where_numbers_are_wanted(self):
        self.replace("approach/signal", np.zeros((4, 6, 512), [("a", "f4"), ("b", "f4")]))
        self.refuses("/approach/signal: ", "compound")

    def test_text_in_a_numeric_attribute(self):
        with self.change() as f:
            f["approach/signal"].attrs["scale_factor"] = "0.1"
        self.refuses("/approach/signal: ", "scale_factor")

    def test_scale_factor_zero(self):
        with self.change() as f:
            f["approach/signal"].attrs["scale_factor"] = 0.0
        self.refuses("/approach/signal: ", "scale_factor")

    def test_length_beyond_the_array(self):
        lengths = np.full((4, 6), 512)
        lengths[2, 3] = 513
        self.replace("approach/length", lengths)
        self.refuses("/approach/length: ", "row 2, column 3")

    def test_external_link(self):
        with h5py.File(self.folder / "other.h5", "w") as f:
            f["signal"] = np.zeros((4, 6, 512), "f4")
        with self.change() as f:
            del f["approach/signal"]
            f["approach/signal"] = h5py.ExternalLink("other.h5", "/signal")
        self.refuses("/approach/signal: ", "external link")

    def test_external_link_behind_a_soft_link(self):
        with h5py.File(self.folder / "other.h5", "w") as f:
            f["signal"] = np.zeros((4, 6, 512), "f4")
        with self.change() as f:
            del f["approach/signal"]
            f["away"] = h5py.ExternalLink("other.h5", "/")
            f["approach/signal"] = h5py.SoftLink("/away/signal")
        self.refuses("/approach/signal: ", "external link")

    def test_broken_link(self):
        with self.change() as f:
            del f["approach/signal"]
            f["approach/signal"] = h5py.SoftLink("/nowhere")
        self.refuses("/approach/signal: ", "link")

    def test_external_storage(self):
        raw = self.folder / "samples.raw"
        raw.write_bytes(bytes(4 * 6 * 512 * 4))
        with self.change() as f:
            del f["approach/signal"]
            new = f.create_dataset("approach/signal", (4, 6, 512), "f4",
                                   external=[(str(raw), 0, h5py.h5f.UNLIMITED)])
            new.attrs.update(units="V", stage="detector")
        self.refuses("/approach/signal: ", "another file")

    def test_virtual_dataset(self):
        with h5py.File(self.folder / "other.h5", "w") as f:
            f["signal"] = np.zeros((4, 6, 512), "f4")
        layout = h5py.VirtualLayout((4, 6, 512), "f4")
        layout[...] = h5py.VirtualSource(str(self.folder / "other.h5"), "signal", (4, 6, 512))
        with self.change() as f:
            del f["approach/signal"]
            f.create_virtual_dataset("approach/signal", layout).attrs.update(units="V", stage="detector")
        self.refuses("/approach/signal: ", "another file")

    def test_huge_dims_in_a_small_file(self):
        for shape, keywords in (((100000, 100000, 1000), {}),
                                ((2**21, 64, 16), {"chunks": (1, 1, 16)}),
                                ((2**20, 2**12, 16), {"chunks": (1, 1, 16)}),
                                ((4, 6, 2**40), {"chunks": (1, 1, 2**10)})):
            with self.subTest(shape):
                self.setUp()
                with self.change() as f:
                    del f["approach/signal"]
                    new = f.create_dataset("approach/signal", shape, "f4", **keywords)
                    new.attrs.update(units="V", stage="detector")
                    if keywords:
                        new[0, 0, :16] = 1
                self.refuses("/approach/signal: ")

    def test_never_written(self):
        with self.change() as f:
            del f["approach/signal"]
            new = f.create_dataset("approach/signal", (4, 6, 512), "f4")
            new.attrs.update(units="V", stage="detector")
        self.refuses("/approach/signal: ", "never written")

    def test_truncated_file(self):
        whole = self.path.read_bytes()
        for share in (0.5, 0.9, 0.99):
            with self.subTest(share):
                self.path.write_bytes(whole[:int(len(whole) * share)])
                self.refuses("truncated")

    def test_damaged_chunks(self):
        with self.change() as f:
            old = f["approach/signal"]
            data, attributes = old[...], dict(old.attrs)
            del f["approach/signal"]
            new = f.create_dataset("approach/signal", data=data, chunks=(1, 6, 512), compression="gzip")
            new.attrs.update(attributes)
            chunks = [new.id.get_chunk_info(i) for i in range(new.id.get_num_chunks())]
        damaged = bytearray(self.path.read_bytes())
        for chunk in chunks:
            damaged[chunk.byte_offset:chunk.byte_offset + chunk.size] = b"?" * chunk.size
        self.path.write_bytes(damaged)
        self.refuses("/approach/signal: ", "damaged")


class Usage(unittest.TestCase):
    def test_no_file(self):
        done = run("describe")
        self.assertEqual(done.returncode, USAGE)
        self.assertEqual(done.stdout, "")

    def test_help(self):
        for word in ("describe", "simulate"):
            done = run(word, "--help")
            self.assertEqual((done.returncode, done.stderr), (0, ""))
            self.assertIn("--", done.stdout)


class Simulate(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="cantle-simulate-")
        self.addCleanup(folder.cleanup)
        self.folder = Path(folder.name)

    def simulate(self, name, *options):
        done = run("simulate", "-o", name, "--columns", "8", "--rows", "4", *options,
                   folder=self.folder)
        self.assertEqual(done.returncode, 0, done.stderr)
        return h5py.File(self.folder / name, "r")

    def test_scenes_can_be_described(self):
        for scene in ("blend", "gel", "uniform"):
            with self.subTest(scene), self.simulate(scene + ".h5", "--scene", scene) as f:
                self.assertEqual(f["truth/modulus"].shape, (4, 8))
                done = run("describe", scene + ".h5", folder=self.folder)
                self.assertEqual((done.returncode, done.stderr), (0, ""))
                self.assertFalse((self.folder / (scene + ".h5.part")).exists())

    def test_storage_and_seed(self):
        with self.simulate("a.h5") as a, self.simulate("b.h5", "--storage", "deflate") as b, \
                self.simulate("c.h5", "--seed", "2") as c:
            for segment in ("approach/signal", "retract/signal"):
                np.testing.assert_array_equal(a[segment], b[segment])
                self.assertTrue(np.any(a[segment][...] != c[segment][...]))

    def test_a_pixel_does_not_depend_on_the_others(self):
        with self.simulate("a.h5") as a:
            done = run("simulate", "-o", "b.h5", "--columns", "8", "--rows", "4", "--storage", "chunked",
                       "--type", "float64", folder=self.folder)
            self.assertEqual(done.returncode, 0, done.stderr)
            with h5py.File(self.folder / "b.h5", "r") as b:
                scale = a["approach/signal"].attrs["scale_factor"]
                there = a["grid/present"][...] == 1
                difference = a["approach/signal"][...] * scale - np.minimum(b["approach/signal"][...], 2)
                self.assertLessEqual(np.abs(difference[there]).max(), 0.5001 * scale)

    def test_noise_free_curve_is_the_paraboloid(self):
        with self.simulate("a.h5", "--scene", "uniform", "--noise", "0 nm", "--modulus", "3 MPa") as f:
            k, radius = f["calibration/spring_constant"][()], f["calibration/tip_radius"][()]
            sensitivity = f["calibration/deflection_sensitivity"][()]
            nu = f["calibration/poisson_ratio"][()]
            for row, col in ((0, 0), (3, 7)):
                deflection = f["approach/signal"][row, col] * sensitivity
                z0 = -f["truth/contact_height"][row, col]
                depth = f["approach/z"][...] - z0 - deflection
                inside = depth > 1e-10
                force = 4 / 3 * 3e6 / (1 - nu**2) * np.sqrt(radius) * depth[inside]**1.5
                np.testing.assert_allclose(k * deflection[inside], force, rtol=1e-6)
                self.assertGreater(inside.sum(), 50)
                np.testing.assert_array_equal(deflection[depth < -1e-10], 0)

    def test_adhesive_retract_comes_off(self):
        for model, factor in (("jkr", 1.5), ("dmt", 2.0)):
            with self.subTest(model), \
                    self.simulate(model + ".h5", "--scene", "uniform", "--noise", "0 nm", "--model", model,
                                  "--samples", "8192") as f:
                force = f["retract/signal"][0, 0] * f["calibration/deflection_sensitivity"][()] * \
                    f["calibration/spring_constant"][()]
                pull = factor * np.pi * f["calibration/tip_radius"][()] * 0.002
                self.assertAlmostEqual(-force.min() / pull, 1, 2)
                self.assertAlmostEqual(f["truth/adhesion"][0, 0] / pull, 1, 9)
                self.assertTrue(np.all(force[-2000:] == 0))

    def test_existing_file_is_kept(self):
        kept = self.folder / "kept.h5"
        kept.write_text("mine")
        done = run("simulate", "-o", str(kept), "--columns", "2")
        self.assertEqual(done.returncode, 5)
        self.assertEqual(len(done.stderr.splitlines()), 1)
        self.assertIn("--overwrite", done.stderr)
        self.assertEqual(kept.read_text(), "mine")
        done = run("simulate", "-o", str(kept), "--columns", "2", "--overwrite")
        self.assertEqual(done.returncode, 0, done.stderr)

    def test_unwritable_folder(self):
        done = run("simulate", "-o", str(self.folder / "no" / "x.h5"), "--columns", "2")
        self.assertEqual(done.returncode, 5)
        self.assertEqual(len(done.stderr.splitlines()), 1)

    def test_bad_options(self):
        for options in (("--noise", "3"), ("--noise", "1 kg"), ("--columns", "0"), ("--columns", "-3"),
                        ("--samples", "5"), ("--scene", "moon"), ("--storage", "tape"),
                        ("--scene", "uniform", "--model", "wet"), ("--modulus", "1 MPa"),
                        ("--scene", "uniform", "--spring-constant", "-1 N/m"), ("extra",), ("--nonsense",)):
            with self.subTest(options):
                done = run("simulate", "-o", str(self.folder / "x.h5"), *options)
                self.assertEqual(done.returncode, USAGE, done.stderr)
                self.assertEqual(os.listdir(self.folder), [])


if __name__ == "__main__":
    if len(sys.argv) > 1 and not sys.argv[1].startswith("-"):
        PROGRAM = sys.argv.pop(1)
    PROGRAM = os.path.abspath(PROGRAM) if PROGRAM else PROGRAM
    if not PROGRAM or not os.access(PROGRAM, os.X_OK):
        sys.exit("give the path of cantle as first argument or in the variable CANTLE")
    unittest.main()
