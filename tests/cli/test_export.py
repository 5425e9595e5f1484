"""`cantle export`: files read back by others: Pillow, NumPy, the csv module, an XML parser."""
import base64
import csv
import json
import re
import subprocess
import unittest
import xml.etree.ElementTree as ElementTree

import h5py
import numpy as np
from PIL import Image

from run import InFolder

ROWS, COLUMNS, LAYERS = 9, 14, 3


class Export(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--columns", COLUMNS, "--rows", ROWS, "--samples", 64,
                      "-o", "v.h5")
        cls.run_there("recipe", "v.h5", "-o", "r.yaml")
        cls.run_there("map", "-q", "r.yaml", "v.h5", "-o", "maps.h5")
        rng = np.random.default_rng(5)
        with h5py.File(cls.folder / "maps.h5", "r+") as f:
            maps = f["entry/maps"]
            wild = rng.lognormal(3, 2, (ROWS, COLUMNS)).astype(np.float32)
            wild[2, 3], wild[0, 0], wild[8, 13] = np.nan, np.inf, -0.0
            maps["modulus"][...] = wild
            maps["flags"][1, 1] = 2**63 + 5
            maps.create_dataset("layered", data=rng.normal(size=(ROWS, COLUMNS, LAYERS)).astype("f4"))
            maps["layered"].attrs["units"] = "Pa s"
            cls.map = {name: maps[name][...] for name in ("modulus", "adhesion", "modulus_errors", "state", "flags",
                                                          "layered")}
            cls.x, cls.y = maps["x"][...], maps["y"][...]

    def same_bits(self, a, b):
        self.assertEqual(np.asarray(a, np.float32).tobytes(), np.asarray(b, np.float32).tobytes())

    def test_tiff(self):
        self.run_there("export", "maps.h5", "--map", "modulus", "adhesion", "layered", "state", "-o", "a.tif")
        with Image.open(self.folder / "a.tif") as image:
            self.assertEqual(image.n_frames, 2 + LAYERS + 1)
            pages = []
            for page in range(image.n_frames):
                image.seek(page)
                self.assertEqual(image.mode, "F")
                pages.append(np.array(image))
                # pixels per centimetre (unit 3), TIFF 6.0, section 3
                self.assertEqual(image.tag_v2[296], 3)
                self.assertAlmostEqual(float(image.tag_v2[282]) * (self.x[1] - self.x[0]) / 1e4, 1, places=6)
                self.assertAlmostEqual(float(image.tag_v2[283]) * (self.y[1] - self.y[0]) / 1e4, 1, places=6)
                self.assertEqual(image.tag_v2[339], (3,))  # IEEE floating point, section 19
                self.assertIn(f"map: {('modulus', 'adhesion', 'layered')[min(page, 2)] if page < 5 else 'state'}\n",
                              image.tag_v2[270])
                if page < 2:
                    self.assertIn(("unit: kPa\n", "unit: nN\n")[page], image.tag_v2[270])
        self.same_bits(pages[0], self.map["modulus"][::-1])
        self.same_bits(pages[1], self.map["adhesion"][::-1])
        for layer in range(LAYERS):
            self.same_bits(pages[2 + layer], self.map["layered"][::-1, :, layer])
        np.testing.assert_array_equal(pages[-1], self.map["state"][::-1])

    def test_tiff_by_libtiff(self):
        """The tools of another build of the library read every page without a warning."""
        self.run_there("export", "maps.h5", "modulus", "adhesion", "-o", "b.tiff")
        try:
            done = subprocess.run(["tiffinfo", "-D", "b.tiff"], cwd=self.folder, capture_output=True, text=True)
        except FileNotFoundError:
            self.skipTest("tiffinfo (libtiff-tools) is not installed")
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.assertEqual(done.stdout.count("Sample Format: IEEE floating point"), 2)

    def test_csv(self):
        self.run_there("export", "maps.h5", "modulus", "modulus_errors", "flags", "-o", "a.csv")
        with open(self.folder / "a.csv", newline="") as f:
            rows = list(csv.reader(f))
        self.assertEqual(rows[0], ["x (um)", "y (um)", "modulus (kPa)", "modulus_errors (kPa)", "flags"])
        self.assertEqual(len(rows), 1 + ROWS * COLUMNS)
        number = np.array(rows[1:])
        np.testing.assert_allclose(number[:, 0].astype(float), np.tile(self.x, ROWS), rtol=1e-11)
        np.testing.assert_allclose(number[:, 1].astype(float), np.repeat(self.y, COLUMNS), rtol=1e-11)
        self.same_bits(number[:, 2].astype(np.float32), self.map["modulus"].ravel())
        self.same_bits(number[:, 3].astype(np.float32), self.map["modulus_errors"].ravel())
        self.assertEqual([int(v) for v in number[:, 4]], [int(v) for v in self.map["flags"].ravel()])
        self.assertIn("NaN", number[:, 2])

    def test_csv_of_layers(self):
        self.run_there("export", "maps.h5", "layered", "-o", "l.csv")
        with open(self.folder / "l.csv", newline="") as f:
            rows = list(csv.reader(f))
        self.assertEqual(rows[0], ["x (um)", "y (um)", "layer", "layered (Pa s)"])
        self.same_bits([float(row[3]) for row in rows[1:]], self.map["layered"].ravel())
        self.assertEqual([int(row[2]) for row in rows[1:4]], [0, 1, 2])

    def test_csv_grid(self):
        self.run_there("export", "maps.h5", "modulus", "--grid", "-o", "g.csv")
        with open(self.folder / "g.csv", newline="") as f:
            rows = list(csv.reader(f))
        self.assertIn("modulus (kPa)", rows[0][0])
        np.testing.assert_allclose([float(v) for v in rows[0][1:]], self.x, rtol=1e-11)
        np.testing.assert_allclose([float(row[0]) for row in rows[1:]], self.y, rtol=1e-11)
        self.same_bits([[float(v) for v in row[1:]] for row in rows[1:]], self.map["modulus"])

    def test_npy(self):
        for name in ("modulus", "state", "flags", "layered"):
            self.run_there("export", "maps.h5", name, "-o", f"{name}.npy")
            array = np.load(self.folder / f"{name}.npy", allow_pickle=False)
            self.assertEqual(array.dtype, self.map[name].dtype)
            self.assertEqual(array.shape, self.map[name].shape)
            self.assertEqual(array.tobytes(), self.map[name].tobytes())
            # numpy.lib.format: the header ends at a multiple of 64
            raw = (self.folder / f"{name}.npy").read_bytes()
            self.assertEqual((10 + int.from_bytes(raw[8:10], "little")) % 64, 0)

    def vti(self, name):
        """By the text of VTK's file formats: length as UInt64, then the numbers, in one base64 text."""
        image = ElementTree.parse(self.folder / name).getroot()
        self.assertEqual(image.attrib, {"type": "ImageData", "version": "1.0", "byte_order": "LittleEndian",
                                        "header_type": "UInt64"})
        data = image.find("ImageData")
        extent = [int(v) for v in data.get("WholeExtent").split()]
        self.assertEqual(data.find("Piece").get("Extent"), data.get("WholeExtent"))
        shape = [extent[5] + 1, extent[3] + 1, extent[1] + 1]
        kinds = {"Float32": "<f4", "UInt8": "u1", "UInt64": "<u8"}
        arrays = {}
        for array in data.iter("DataArray"):
            raw = base64.b64decode(array.text.strip(), validate=True)
            self.assertEqual(int.from_bytes(raw[:8], "little"), len(raw) - 8)
            arrays[array.get("Name")] = np.frombuffer(raw[8:], kinds[array.get("type")]).reshape(shape)
        return data, arrays

    def test_vti(self):
        self.run_there("export", "maps.h5", "modulus", "flags", "state", "-o", "a.vti")
        data, arrays = self.vti("a.vti")
        self.assertEqual(list(arrays), ["modulus (kPa)", "flags", "state"])
        self.assertEqual(data.find("Piece/PointData").get("Scalars"), "modulus (kPa)")
        self.same_bits(arrays["modulus (kPa)"][0], self.map["modulus"])
        np.testing.assert_array_equal(arrays["flags"][0], self.map["flags"])
        np.testing.assert_array_equal(arrays["state"][0], self.map["state"])
        spacing = [float(v) for v in data.get("Spacing").split()]
        origin = [float(v) for v in data.get("Origin").split()]
        np.testing.assert_allclose(spacing[:2], [self.x[1] - self.x[0], self.y[1] - self.y[0]], rtol=1e-9)
        np.testing.assert_allclose(origin[:2], [self.x[0], self.y[0]], atol=1e-12)

    def test_vti_of_layers(self):
        self.run_there("export", "maps.h5", "/entry/maps/layered", "-o", "l.vti")
        _, arrays = self.vti("l.vti")
        self.same_bits(arrays["/entry/maps/layered (Pa s)"], np.moveaxis(self.map["layered"], 2, 0))

    def test_mask_leaves_nan(self):
        self.run_there("export", "maps.h5", "modulus", "--mask", "rectangle(-1 -1, 0.001 99)", "-o", "m.npy")
        array = np.load(self.folder / "m.npy")
        self.same_bits(array[:, 0], self.map["modulus"][:, 0])
        self.assertTrue(np.isnan(array[:, 1:]).all())

    def test_all_and_json(self):
        said = json.loads(self.run_there("export", "maps.h5", "all", "-o", "all.vti", "--json").stdout)
        _, arrays = self.vti("all.vti")
        self.assertEqual(len(said["maps"]), len(arrays))
        self.assertIn({"name": "modulus", "unit": "kPa", "layers": 1}, said["maps"])

    def test_what_is_there_stays(self):
        (self.folder / "there.csv").write_text("mine")
        self.refuses("export", "maps.h5", "modulus", "-o", "there.csv", status=5, says=["there.csv exists"])
        self.assertEqual((self.folder / "there.csv").read_text(), "mine")
        self.run_there("export", "maps.h5", "modulus", "-o", "there.csv", "--overwrite")
        self.assertIn("modulus", (self.folder / "there.csv").read_text())
        before = (self.folder / "maps.h5").read_bytes()
        (self.folder / "link.npy").symlink_to("maps.h5")
        self.refuses("export", "maps.h5", "modulus", "-o", "link.npy", "-f", status=5, says=["itself an input"])
        self.assertEqual((self.folder / "maps.h5").read_bytes(), before)

    def test_a_full_disk_leaves_nothing(self):
        """A limit on the size of files stands for the full disk (8 MiB: MPI's own files need less). The arrays of the
        first two do not fit at all, those of the others do, but not as text."""
        (self.folder / "large.h5").write_bytes((self.folder / "maps.h5").read_bytes())
        with h5py.File(self.folder / "large.h5", "r+") as f:
            for name, layers in (("more", 20000), ("less", 15000)):
                f["entry/maps"].create_dataset(name, shape=(ROWS, COLUMNS, layers), dtype="f4", compression=1,
                                               data=np.zeros((ROWS, COLUMNS, layers), "f4"))
        for ending, name in (("tif", "more"), ("npy", "more"), ("csv", "less"), ("vti", "less")):
            before = sorted(self.folder.iterdir())
            done = self.run_there("export", "large.h5", name, "-o", f"full.{ending}", status=5,
                                  preexec_fn=limit_files)
            self.assertEqual(len(done.stderr.splitlines()), 1, done.stderr)
            self.assertIn(f"full.{ending}", done.stderr)
            self.assertIn("File too large", done.stderr)
            self.assertEqual(sorted(self.folder.iterdir()), before)

    def test_refusals(self):
        self.refuses("export", "maps.h5", "modulus", status=2, says=["-o FILE"])
        self.refuses("export", "maps.h5", "-o", "x.tif", status=2, says=["which map"])
        self.refuses("export", "maps.h5", "modulos", "-o", "x.tif", status=2, says=["did you mean modulus?"])
        self.refuses("export", "maps.h5", "modulus", "-o", "x.png", status=2, says=[".tif", "cantle draw"])
        self.refuses("export", "maps.h5", "flags", "-o", "x.tif", status=2, says=["32-bit"])
        self.refuses("export", "maps.h5", "modulus", "adhesion", "-o", "x.npy", status=2, says=["one array"])
        self.refuses("export", "maps.h5", "modulus", "layered", "-o", "x.csv", status=2, says=["layers"])
        self.refuses("export", "maps.h5", "modulus", "layered", "-o", "x.vti", status=2, says=["layers"])
        self.refuses("export", "maps.h5", "modulus", "--grid", "-o", "x.npy", status=2, says=["--grid"])
        self.refuses("export", "maps.h5", "/entry/title", "-o", "x.npy", status=4, says=["/entry/title"])
        self.refuses("export", "maps.h5", "/entry/maps/x", "-o", "x.npy", status=4, says=["rows and columns"])
        self.refuses("export", "v.h5", "modulus", "-o", "x.npy", status=4, says=["not a map file"])
        self.assertFalse([p for p in self.folder.iterdir() if re.match(r"x\.", p.name)])

    def test_uneven_rows(self):
        data = (self.folder / "maps.h5").read_bytes()
        (self.folder / "uneven.h5").write_bytes(data)
        with h5py.File(self.folder / "uneven.h5", "r+") as f:
            f["entry/maps/y"][...] = np.arange(ROWS) ** 1.5
        for ending in ("tif", "vti"):
            self.refuses("export", "uneven.h5", "modulus", "-o", f"u.{ending}", status=2,
                         says=["rows", "not evenly spaced", ".csv"])
        self.run_there("export", "uneven.h5", "modulus", "-o", "u.csv")


def limit_files():
    import resource
    resource.setrlimit(resource.RLIMIT_FSIZE, (8 << 20, 8 << 20))


if __name__ == "__main__":
    unittest.main()
