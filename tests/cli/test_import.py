"""Round trips: a volume is written as text, NumPy, raw and foreign HDF5 by Python, imported again, and gives the
maps of the volume it came from, bit by bit."""
import json
import os
import resource
import signal
import tarfile
import unittest

import h5py
import numpy as np
import xxhash
import yaml

import preload
from run import InFolder, cantle

SEGMENTS = ("approach", "retract")
INPUT, OUTPUT, RECIPE, USAGE = 4, 5, 3, 2
CALIBRATION = {"deflection_sensitivity": "m/V", "spring_constant": "N/m", "tip_radius": "m", "poisson_ratio": "1"}


def number(x):
    return f"{x:.17g}"


class Import(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--model", "jkr", "--work", "20 mJ/m2", "--columns", 6,
                      "--rows", 5, "--samples", 128, "-o", "ramp.h5")
        cls.run_there("simulate", "--scene", "gel", "--columns", 6, "--rows", 5, "--samples", 128, "-o", "step.h5")
        cls.run_there("simulate", "--scene", "blend", "--columns", 6, "--rows", 5, "--samples", 128, "-o", "packed.h5")
        for name in ("ramp", "step", "packed"):
            cls.maps(f"{name}.h5", f"{name}-maps.h5")

    @classmethod
    def maps(cls, volume, output, *options):
        """Whatever becomes of the pixels: all maps are compared."""
        done = cantle("map", volume, "-o", output, "-f", "-q", *options, folder=cls.folder)
        if done.returncode not in (0, 6):
            raise AssertionError(done.stderr)

    def same_maps(self, one, other, but=()):
        with h5py.File(self.folder / one) as a, h5py.File(self.folder / other) as b:
            self.assertEqual(set(a["entry/maps"]), set(b["entry/maps"]))
            compared = 0
            for name in a["entry/maps"]:
                if a[f"entry/maps/{name}"].ndim == 2 and name not in but:
                    np.testing.assert_array_equal(a[f"entry/maps/{name}"][...], b[f"entry/maps/{name}"][...], name)
                    compared += 1
            self.assertGreater(compared, 50)
            self.assertGreater(np.isfinite(a["entry/maps/modulus"][...]).sum(), 20)

    def write(self, name, sections):
        (self.folder / name).write_text(yaml.safe_dump(sections, width=1000, sort_keys=False))
        return name

    def describe(self, kind, volume, **more):
        """A description with what the volume says of itself; more: sections by name."""
        with h5py.File(self.folder / volume) as f:
            calibration = {name: f"{number(f['calibration'][name][()])} {unit}".removesuffix(' 1') for name, unit in CALIBRATION.items()}
            for name in CALIBRATION:
                if "standard_uncertainty" in f["calibration"][name].attrs:
                    u = f["calibration"][name].attrs["standard_uncertainty"]
                    calibration[f"{name}_u"] = f"{number(u)} {CALIBRATION[name]}".removesuffix(" 1")
            pitch = {f"pixel_size_{a}": f"{number(f['grid'][a][1] - f['grid'][a][0])} um" for a in "xy"}
        sections = {"source": {"kind": kind}, "signal": {"stage": "detector", "repulsion": "positive"},
                    "z": {"direction": "away_from_sample" if volume == "step.h5" else "toward_sample"},
                    "grid": pitch, "calibration": calibration}
        for name, keys in more.items():
            sections[name] = {**sections.get(name, {}), **keys}
        return sections

    def arrays(self, volume):
        with h5py.File(self.folder / volume) as f:
            return {s: f[f"{s}/signal"][...] for s in SEGMENTS}, {
                s: f[f"{s}/z"][...] if "z" in f[s] else None for s in SEGMENTS}, {
                s: f[f"{s}/sample_interval"][()] for s in SEGMENTS}

    def round_trip(self, description, source, volume, but=(), direct=True):
        """Import and map; where it can be, map the source itself as well."""
        stem = volume[:-3]
        self.run_there("import", description, source, "-o", "again.h5", "-f", "-q")
        self.maps("again.h5", "again-maps.h5")
        self.same_maps(f"{stem}-maps.h5", "again-maps.h5", but)
        if direct:
            self.maps(source, "direct-maps.h5", "--mapping", description)
            self.same_maps(f"{stem}-maps.h5", "direct-maps.h5", but)
        with h5py.File(self.folder / "again.h5") as f:
            return {key: value.decode() for key, value in f["provenance"].attrs.items()}

    # --- HDF5 -----------------------------------------------------------------------------------

    def test_hdf5_of_another_layout(self):
        """Samples first, both segments in one array, units in an attribute of another name."""
        signal, z, interval = self.arrays("ramp.h5")
        with h5py.File(self.folder / "foreign.h5", "w") as f:
            both = np.stack([np.moveaxis(signal[s], 2, 0) for s in SEGMENTS], axis=1)
            f.create_dataset("run/channel", data=both, chunks=(128, 1, 2, 3), compression="gzip").attrs["in"] = "V"
            for s in SEGMENTS:
                f[f"run/{s}/height"] = z[s]
            f["run"].attrs["dt_us"] = interval["approach"] * 1e6
        segment = {"signal": "/run/channel in @in", "interval": "/run@dt_us in us"}
        name = self.write("foreign.yaml", self.describe("hdf5", "ramp.h5", approach={
            **segment, "axes": "sample 0 row column", "z": "/run/approach/height in m"}, retract={
            **segment, "axes": "sample 1 row column", "z": "/run/retract/height in m"}))
        provenance = self.round_trip(name, "foreign.h5", "ramp.h5")
        data = (self.folder / "foreign.h5").read_bytes()
        self.assertEqual(provenance["source_digest"], xxhash.xxh3_128_hexdigest(data))
        self.assertEqual(int(provenance["source_bytes"]), len(data))
        self.assertEqual(provenance["description"], (self.folder / name).read_text())

    def test_hdf5_list_of_curves_with_both_segments_in_one(self):
        """Approach and retract follow each other, the retract is stored against time; a list along columns, every
        second one backwards."""
        signal, z, interval = self.arrays("step.h5")
        both = np.concatenate([signal["approach"], signal["retract"][..., ::-1]], axis=2)
        columns = [both[::-1, x] if x % 2 else both[:, x] for x in range(6)]
        with h5py.File(self.folder / "step.h5") as f, h5py.File(self.folder / "list.h5", "w") as g:
            g.create_dataset("curves", data=np.concatenate(columns)).attrs["units"] = "V"
            for s in SEGMENTS:
                start = f[f"{s}/z_start"][...]
                g[f"start_{s}"] = np.concatenate([start[::-1, x] if x % 2 else start[:, x] for x in range(6)])
                g[f"start_{s}"].attrs["units"] = "m"
            steps = {s: number(f[f"{s}/z_step"][()]) for s in SEGMENTS}
        common = {"signal": "/curves", "axes": "curve sample", "interval": f"{number(interval['approach'])} s"}
        name = self.write("list.yaml", self.describe(
            "hdf5", "step.h5", grid={"rows": 5, "columns": 6, "order": "by_columns", "serpentine": "yes"},
            approach={**common, "samples": "0..127", "z_start": "/start_approach", "z_step": f"{steps['approach']} m"},
            retract={**common, "samples": "255..128", "z_start": "/start_retract", "z_step": f"{steps['retract']} m"}))
        self.round_trip(name, "list.h5", "step.h5")

    def test_hdf5_ragged_curves(self):
        """One long array and offsets, against a volume with lengths and padding."""
        signal, z, interval = self.arrays("ramp.h5")
        rng = np.random.default_rng(3)
        length = rng.integers(122, 129, (5, 6))
        with h5py.File(self.folder / "ramp.h5") as f, h5py.File(self.folder / "padded.h5", "w") as g:
            for name in ("grid", "calibration"):
                f.copy(name, g)
            g.attrs["layout"] = "cantle-volume-1"
            for s in SEGMENTS:
                d = g.create_dataset(f"{s}/signal", data=signal[s])
                d.attrs.update(units="V", stage="detector")
                g.create_dataset(f"{s}/z", data=np.broadcast_to(z[s], (5, 6, 128))).attrs["units"] = "m"
                g[f"{s}/length"] = length
                g.create_dataset(f"{s}/sample_interval", data=interval[s]).attrs["units"] = "s"
        with h5py.File(self.folder / "ragged.h5", "w") as g:
            for s in SEGMENTS:
                pieces = [signal[s][i // 6, i % 6, :length[i // 6, i % 6]] for i in range(30)]
                g[f"{s}/v"] = np.concatenate(pieces)
                g[f"{s}/h"] = np.concatenate([z[s][:len(p)] for p in pieces])
                g[f"{s}/first"] = np.concatenate([[0], np.cumsum([len(p) for p in pieces])])
        self.maps("padded.h5", "padded-maps.h5")
        sections = self.describe("hdf5", "ramp.h5", grid={"rows": 5, "columns": 6, "order": "by_rows"})
        for s in SEGMENTS:
            sections[s] = {"signal": f"/{s}/v in V", "z": f"/{s}/h in m", "starts": f"/{s}/first",
                           "interval": f"{number(interval[s])} s"}
        self.round_trip(self.write("ragged.yaml", sections), "ragged.h5", "padded.h5")

    def test_hdf5_packed_numbers_stay_packed(self):
        with h5py.File(self.folder / "packed.h5") as f, h5py.File(self.folder / "other.h5", "w") as g:
            for s in SEGMENTS:
                d = g.create_dataset(f"{s}_v", data=f[f"{s}/signal"][...].transpose(1, 0, 2))
                d.attrs.update({k: f[f"{s}/signal"].attrs[k] for k in ("scale_factor", "add_offset")})
                g[f"{s}_z"] = f[f"{s}/z"][...]
            g["there"] = f["grid/present"][...].T
            g["offset"] = f["grid/z_offset"][...].T
            interval = f["approach/sample_interval"][()]
        sections = self.describe("hdf5", "packed.h5", grid={"present": "/there", "z_offset": "/offset in m"})
        for s in SEGMENTS:
            sections[s] = {"signal": f"/{s}_v in V", "axes": "column row sample", "z": f"/{s}_z in m",
                           "interval": f"{number(interval)} s"}
        self.round_trip(self.write("other.yaml", sections), "other.h5", "packed.h5")
        with h5py.File(self.folder / "again.h5") as f:
            self.assertEqual(f["approach/signal"].dtype, np.int16)

    def test_hdf5_attribute_of_the_file_itself(self):
        signal, z, _ = self.arrays("ramp.h5")
        for i, place in enumerate(("@lever in N/m", "/@lever in N/m", "@stiffness", "/group@lever in N/m")):
            with h5py.File(self.folder / "root.h5", "w") as f:
                f["v"], f["z"] = signal["approach"], z["approach"]
                f.attrs.update(lever=0.25, stiffness="0.25 N/m")
                f.create_group("group").attrs["lever"] = 0.25
            sections = self.describe("hdf5", "ramp.h5", approach={
                "signal": "/v in V", "axes": "row column sample", "z": "/z in m"}, calibration={"spring_constant": place})
            self.run_there("import", self.write("root.yaml", sections), "root.h5", "-o", "rooted.h5", "-f", "-q")
            with h5py.File(self.folder / "rooted.h5") as f:
                self.assertEqual(f["calibration/spring_constant"][()], 0.25, place)

    def test_direct_maps_on_ranks_and_one_of_their_curves(self):
        """The map file remembers the description, so a curve can be followed without saying it again."""
        signal, z, interval = self.arrays("ramp.h5")
        np.save(self.folder / "v.npy", np.stack([signal[s] for s in SEGMENTS]))
        np.save(self.folder / "z.npy", z["approach"])
        np.save(self.folder / "back.npy", z["retract"])
        sections = self.describe("npy", "ramp.h5")
        for i, s in enumerate(SEGMENTS):
            sections[s] = {"signal": "data in V", "axes": f"{i} row column sample", "interval": f"{number(interval[s])} s",
                           "z": f"file {('z', 'back')[i]}.npy in m", "z_axes": "sample"}
        self.write("npy.yaml", sections)
        done = cantle("map", "v.npy", "--mapping", "npy.yaml", "-o", "two.h5", "-q", folder=self.folder, ranks=2)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.same_maps("ramp-maps.h5", "two.h5")
        text = self.run_there("curve", "two.h5", 2, 3, "-t", "-").stdout
        direct = self.run_there("curve", "v.npy", 2, 3, "--mapping", "npy.yaml", "-t", "-").stdout
        other = self.run_there("curve", "ramp-maps.h5", 2, 3, "-t", "-").stdout
        numbers = [[line for line in lines.splitlines() if not line.startswith("#")] for lines in (text, direct, other)]
        self.assertGreater(len(numbers[0]), 200)
        self.assertEqual(numbers[0], numbers[2])
        self.assertEqual(numbers[1], numbers[2])
        self.assertIn("6 columns x 5 rows", self.run_there("describe", "v.npy", "--mapping", "npy.yaml").stdout)
        self.assertIn("calibration:", self.run_there("recipe", "v.npy", "--mapping", "npy.yaml").stdout)

    # --- NumPy and raw --------------------------------------------------------------------------

    def numpy_trip(self, change, suffix):
        signal, z, interval = self.arrays("ramp.h5")
        folder = self.folder / f"arrays{suffix}"
        folder.mkdir()
        for s in SEGMENTS:
            np.save(folder / f"{s}.npy", change(signal[s]))
            np.save(folder / f"{s}_z.npy", z[s].astype(change(z[s]).dtype))
        sections = self.describe("npy", "ramp.h5")
        for s in SEGMENTS:
            sections[s] = {"signal": f"file {s}.npy in V", "axes": "row column sample", "z": f"file {s}_z.npy in m",
                           "interval": f"{number(interval[s])} s"}
        self.round_trip(self.write(f"npy{suffix}.yaml", sections), f"arrays{suffix}", "ramp.h5")

    def test_numpy_c_order(self):
        self.numpy_trip(lambda a: a, "c")

    def test_numpy_fortran_order(self):
        self.numpy_trip(np.asfortranarray, "f")

    def test_numpy_big_endian(self):
        self.numpy_trip(lambda a: a.astype(">f8"), "b")

    def test_npz(self):
        signal, z, interval = self.arrays("ramp.h5")
        for save, name in ((np.savez, "plain.npz"), (np.savez_compressed, "packed.npz")):
            save(self.folder / name, **{f"{s}_v": signal[s] for s in SEGMENTS}, **{f"{s}_z": z[s] for s in SEGMENTS})
            sections = self.describe("npy", "ramp.h5")
            for s in SEGMENTS:
                sections[s] = {"signal": f"member {s}_v in V", "axes": "row column sample", "z": f"member {s}_z in m",
                               "interval": f"{number(interval[s])} s"}
            self.round_trip(self.write("npz.yaml", sections), name, "ramp.h5")
        sections["approach"]["signal"] = "member nothing in V"
        self.refuses("import", self.write("bad.yaml", sections), name, "-o", "no.h5", status=INPUT,
                     says=("nothing", "approach_v"))

    def test_raw(self):
        """One file with a header, samples before pixels; big and little endian."""
        signal, z, interval = self.arrays("ramp.h5")
        for order, code in (("big", ">f8"), ("little", "<f8")):
            blocks = [np.moveaxis(signal[s], 2, 0).astype(code).tobytes() for s in SEGMENTS]
            ramps = [z[s].astype(code).tobytes() for s in SEGMENTS]
            (self.folder / "raw.bin").write_bytes(b"header!" + b"".join(blocks + ramps))
            size = len(blocks[0])
            sections = self.describe("raw", "ramp.h5", source={"type": "float64", "byte_order": order, "header_bytes": 7},
                                     grid={"rows": 5, "columns": 6})
            for i, s in enumerate(SEGMENTS):
                sections[s] = {"signal": f"data at {7 + i * size} in V", "axes": "sample row column",
                               "sample_count": 128, "z": f"data at {7 + 2 * size + i * 1024} in m", "z_axes": "sample",
                               "interval": f"{number(interval[s])} s"}
            self.round_trip(self.write("raw.yaml", sections), "raw.bin", "ramp.h5")
        (self.folder / "raw.bin").write_bytes(b"short")
        self.refuses("import", "raw.yaml", "raw.bin", "-o", "no.h5", status=INPUT, says=("too few", "raw.bin"))

    # --- text -----------------------------------------------------------------------------------

    def write_curves(self, folder, line, head="", name="c{row}-{column}.dat", base=0):
        """line(approach and retract rows of one curve) -> text."""
        signal, z, _ = self.arrays("ramp.h5")
        (self.folder / folder).mkdir()
        for row in range(5):
            for column in range(6):
                curve = [np.column_stack([z[s], signal[s][row, column]]) for s in SEGMENTS]
                path = self.folder / folder / name.format(row=row + base, column=column + base)
                path.write_text(head.format(x=column * 1.5, y=row * 1.5) + line(*curve))

    def text_sections(self, segments, **more):
        _, _, interval = self.arrays("ramp.h5")
        sections = self.describe("text", "ramp.h5", grid={"row": "name c([0-9]+)-", "column": "name -([0-9]+)",
                                                          "counted_from": 0}, **more)
        sections["source"]["segments"] = segments
        for s in SEGMENTS:
            sections[s] = {**sections.get(s, {}), "interval": f"{number(interval[s])} s"}
        return sections

    def test_text_in_one_list(self):
        """Blanks, comments, the turning point tells the segments; folder and tar give the same."""
        self.write_curves("list", lambda a, r: "".join(f"{number(z)} {number(v)}\n" for z, v in np.concatenate([a, r])),
                          head="# a curve\n\n")
        name = self.write("list-text.yaml", self.text_sections(
            "turn", approach={"signal": "column 2 in V", "z": "column 1 in m"}))
        self.round_trip(name, "list", "ramp.h5", direct=False)
        with tarfile.open(self.folder / "list.tar.gz", "w:gz") as tar:
            for path in sorted((self.folder / "list").iterdir(), reverse=True):
                tar.add(path, f"data/{path.name}")
        self.round_trip(name, "list.tar.gz", "ramp.h5", direct=False)
        self.refuses("map", "list", "--mapping", name, "-o", "no.h5", status=USAGE, says=("cantle import",))

    def test_tar_with_names_beyond_ascii(self):
        """Whatever the locale: the header of POSIX.1-2001 (pax) has such names as UTF-8."""
        self.write_curves("names", lambda a, r: "".join(f"{number(z)} {number(v)}\n" for z, v in np.concatenate([a, r])))
        name = self.write("names.yaml", self.text_sections("turn", approach={"signal": "column 2 in V", "z": "column 1 in m"}))
        with tarfile.open(self.folder / "names.tar", "w", format=tarfile.PAX_FORMAT) as tar:
            for path in sorted((self.folder / "names").iterdir()):
                tar.add(path, f"M\u00fcnchen/\u00b5{path.name}")
        for locale in ("C", "C.UTF-8"):
            self.run_there("import", name, "names.tar", "-o", "names.h5", "-f", "-q", env={**os.environ, "LC_ALL": locale})
            with h5py.File(self.folder / "names.h5") as f, h5py.File(self.folder / "ramp.h5") as g:
                np.testing.assert_array_equal(f["approach/signal"][...], g["approach/signal"][...])

    def test_text_side_by_side_with_names_and_decimal_comma(self):
        def side(a, r):
            rows = [";".join(map(number, (*x, *y))) for x, y in zip(a, r)]
            return "\n".join(rows).replace(".", ",") + "\n"
        head = "Rate;0,5;Hz\nheight in;signal in;height out;signal out\n"
        self.write_curves("side", side, head=head, base=1)
        sections = self.text_sections("separate", source={"separator": "semicolon", "decimal": "comma", "names_line": 2,
                                                          "header_lines": 1},
                                      approach={"signal": "column signal in in V", "z": "column height in in m"},
                                      retract={"signal": "column signal out in V", "z": "column height out in m"})
        sections["grid"]["counted_from"] = 1
        self.round_trip(self.write("side.yaml", sections), "side", "ramp.h5", direct=False)

    def test_text_in_blocks_with_positions_in_the_header(self):
        def blocks(a, r):
            return "".join(f"# {word}\n" + "".join(f"{number(z)}\t{number(v)}\n" for z, v in part)
                           for word, part in (("going in", a), ("coming out", r)))
        self.write_curves("blocks", blocks, head="# x = {x} um, y = {y} um\n# lever 0.5 N/m\n")
        sections = self.text_sections("blocks", source={"separator": "tab"},
                                      approach={"signal": "column 2 in V", "z": "column 1 in m", "begins": "going in"},
                                      retract={"begins": "coming out"})
        sections["grid"] = {"x": "header x = ([0-9.]+) (um)", "y": "header y = ([0-9.]+) (um)"}
        sections["calibration"]["spring_constant"] = "header lever ([0-9.]+) in N/m"
        self.round_trip(self.write("blocks.yaml", sections), "blocks", "ramp.h5", direct=False,
                        but=("contact_to_pitch", "surface_slope"))
        with h5py.File(self.folder / "again.h5") as f:
            np.testing.assert_allclose(f["grid/x"], np.arange(6) * 1.5e-6, rtol=1e-12)

    def test_text_with_a_marker_and_a_table(self):
        def marked(a, r):
            return "".join(f"{number(z)},{number(v)},{i}\n" for i, part in enumerate((a, r)) for z, v in part)
        self.write_curves("marked", marked)
        table = "file,row,column\n" + "".join(f"c{r}-{c}.dat,{r},{c}\n" for r in range(5) for c in range(6))
        (self.folder / "table.csv").write_text("#" + table)
        sections = self.text_sections("marker", source={"separator": "comma", "marker": "column 3"},
                                      approach={"signal": "column 2 in V", "z": "column 1 in m", "marker_is": 0},
                                      retract={"marker_is": 1})
        sections["grid"].update(row="table 2", column="table 3", table="table.csv")
        self.round_trip(self.write("marked.yaml", sections), "marked", "ramp.h5", direct=False)

    def test_text_of_different_lengths_and_a_missing_curve(self):
        self.write_curves("uneven", lambda a, r: "".join(
            f"{number(z)} {number(v)}\n" for z, v in np.concatenate([a, r])))
        (self.folder / "uneven" / "c4-5.dat").unlink()
        short = self.folder / "uneven" / "c0-1.dat"
        short.write_text("".join(short.read_text().splitlines(True)[:-20]))
        name = self.write("uneven.yaml", self.text_sections(
            "turn", approach={"signal": "column 2 in V", "z": "column 1 in m"}))
        self.run_there("import", name, "uneven", "-o", "uneven.h5", "-q")
        with h5py.File(self.folder / "uneven.h5") as f:
            self.assertEqual(f["grid/present"][4, 5], 0)
            self.assertEqual(f["grid/present"][...].sum(), 29)
            self.assertEqual(f["retract/length"][0, 1], 108)
            self.assertEqual(f["retract/length"][0, 0], 128)

    # --- joining, cropping, thinning ------------------------------------------------------------

    def test_split_and_joined_again(self):
        for volume in ("ramp.h5", "step.h5", "packed.h5"):
            for i, rows in enumerate(("0..0", "1..3", "4..4")):
                self.run_there("import", volume, "--rows", rows, "-o", f"part{i}.h5", "-f", "-q")
            self.run_there("import", "part0.h5", "part1.h5", "part2.h5", "-o", "joined.h5", "-f", "-q")
            self.maps("joined.h5", "joined-maps.h5")
            self.same_maps(f"{volume[:-3]}-maps.h5", "joined-maps.h5")

    def test_what_stands_at_each_pixel_survives(self):
        rng = np.random.default_rng(5)
        thickness, bare = rng.uniform(1, 2, (5, 6)), rng.integers(0, 2, (5, 6))
        (self.folder / "marked.h5").write_bytes((self.folder / "ramp.h5").read_bytes())
        with h5py.File(self.folder / "marked.h5", "r+") as f:
            f.create_dataset("grid/thickness", data=thickness).attrs["units"] = "um"
            f["grid/substrate"] = bare
        for i, rows in enumerate(("0..1", "2..4")):
            self.run_there("import", "marked.h5", "--rows", rows, "-o", f"marked{i}.h5", "-q")
        self.run_there("import", "marked0.h5", "marked1.h5", "-o", "marked-again.h5", "-q")
        with h5py.File(self.folder / "marked-again.h5") as f:
            np.testing.assert_allclose(f["grid/thickness"][...], thickness * 1e-6, rtol=1e-15)
            np.testing.assert_array_equal(f["grid/substrate"][...], bare)
            self.assertEqual(f["grid/substrate"].dtype.kind, "u")

    def test_joined_side_by_side(self):
        self.write("across.yaml", {"source": {"kind": "volume"}, "join": {"along": "columns"}})
        self.run_there("import", "ramp.h5", "--columns", "0..3", "-o", "left.h5", "-q")
        self.run_there("import", "ramp.h5", "--columns", "4..5", "-o", "right.h5", "-q")
        self.run_there("import", "across.yaml", "left.h5", "right.h5", "-o", "wide.h5", "-q")
        self.maps("wide.h5", "wide-maps.h5")
        self.same_maps("ramp-maps.h5", "wide-maps.h5")
        self.refuses("import", "left.h5", "right.h5", "-o", "no.h5", status=INPUT, says=("right.h5", "columns"))

    def test_single_rows_of_numpy_files(self):
        """Rows without a place of their own: their distance is asked for. Each has its own ramp."""
        signal, z, interval = self.arrays("ramp.h5")
        sections = self.describe("npy", "ramp.h5")
        for i, s in enumerate(SEGMENTS):
            sections[s] = {"signal": "data in V", "axes": f"{i} column sample", "interval": f"{number(interval[s])} s",
                           "z": f"file {s}_z.npy in m", "z_axes": "sample"}
        for row in range(5):
            np.save(self.folder / f"row{row}.npy", np.stack([signal[s][row] for s in SEGMENTS]))
        for s in SEGMENTS:
            np.save(self.folder / f"{s}_z.npy", z[s])
        rows = [f"row{row}.npy" for row in range(5)]
        self.run_there("import", self.write("rows.yaml", sections), *rows, "-o", "rows.h5", "-q")
        self.maps("rows.h5", "rows-maps.h5")
        self.same_maps("ramp-maps.h5", "rows-maps.h5", but=("contact_to_pitch",))
        del sections["grid"]["pixel_size_y"]
        self.refuses("import", self.write("rows2.yaml", sections), *rows, "-o", "no.h5", status=RECIPE,
                     says=("pixel_size_y",))

    def test_parts_with_ramps_of_their_own(self):
        names = []
        for i in range(2):
            self.run_there("import", "ramp.h5", "--rows", f"{2 * i}..{2 * i + 1}", "-o", f"own{i}.h5", "-q")
            names.append(f"own{i}.h5")
        with h5py.File(self.folder / "own1.h5", "r+") as f:
            for s in SEGMENTS:
                f[f"{s}/z"][...] += 1e-7
        self.run_there("import", *names, "-o", "own.h5", "-q")
        with h5py.File(self.folder / "own.h5") as f, h5py.File(self.folder / "ramp.h5") as g:
            for s in SEGMENTS:
                np.testing.assert_array_equal(f[f"{s}/z"][0, 0], g[f"{s}/z"][...])
                np.testing.assert_array_equal(f[f"{s}/z"][3, 5], g[f"{s}/z"][...] + 1e-7)
                np.testing.assert_array_equal(f[f"{s}/signal"][...], g[f"{s}/signal"][:4])

    def test_parts_that_disagree(self):
        self.run_there("import", "ramp.h5", "--rows", "0..1", "-o", "one.h5", "-q")
        self.run_there("import", "ramp.h5", "--rows", "2..3", "-o", "two-k.h5", "-q")
        with h5py.File(self.folder / "two-k.h5", "r+") as f:
            f["calibration/spring_constant"][...] *= 2
        self.refuses("import", "one.h5", "two-k.h5", "-o", "no.h5", status=INPUT, says=("two-k.h5", "spring constant"))

    def test_crop_and_thin(self):
        self.run_there("import", "step.h5", "--rows", "1..4", "--columns", "2..5", "--every-row", 2, "--every-sample", 3,
                       "-o", "thin.h5", "-q")
        with h5py.File(self.folder / "thin.h5") as f, h5py.File(self.folder / "step.h5") as g:
            np.testing.assert_array_equal(f["approach/signal"][...], g["approach/signal"][1:5:2, 2:6, ::3])
            np.testing.assert_array_equal(f["retract/z_start"][...], g["retract/z_start"][1:5:2, 2:6])
            self.assertAlmostEqual(f["retract/z_step"][()] / g["retract/z_step"][()], 3, 12)
            self.assertAlmostEqual(f["approach/sample_interval"][()] / g["approach/sample_interval"][()], 3, 12)
            np.testing.assert_allclose(f["grid/y"], g["grid/y"][1:5:2] * 1e-6, rtol=1e-12)
        self.refuses("import", "step.h5", "--rows", "0..9", "-o", "no.h5", status=USAGE, says=("--rows", "5"))

    def test_storage_makes_no_difference(self):
        for storage in ("chunked", "deflate"):
            self.run_there("import", "packed.h5", "--storage", storage, "-o", "stored.h5", "-f", "-q")
            self.maps("stored.h5", "stored-maps.h5")
            self.same_maps("packed-maps.h5", "stored-maps.h5")

    def test_sensitivity_measured_elsewhere(self):
        name = self.write("merge.yaml", {"calibration": {"deflection_sensitivity": "47.5 nm/V",
                                                         "deflection_sensitivity_u": "0.6 nm/V"}})
        self.run_there("import", name, "ramp.h5", "-o", "merged.h5", "-q")
        with h5py.File(self.folder / "merged.h5") as f, h5py.File(self.folder / "ramp.h5") as g:
            self.assertAlmostEqual(f["calibration/deflection_sensitivity"][()], 47.5e-9, 20)
            self.assertAlmostEqual(f["calibration/deflection_sensitivity"].attrs["standard_uncertainty"], 0.6e-9, 20)
            self.assertEqual(f["calibration/spring_constant"][()], g["calibration/spring_constant"][()])

    # --- a lever file ---------------------------------------------------------------------------

    LEVER = """format: cantle-lever-1
lever: box 3, no. 7
values:
- quantity: deflection_sensitivity
  value: 47.5 nm/V
  u: 0.475 nm/V
  method: contact line
- quantity: spring_constant
  value: 0.42 N/m
  u: 0.0126 N/m
  method: thermal
  tilt: contained
  correlated_with: deflection_sensitivity
  correlated_value: 47.5 nm/V
  correlation: -0.666667
- quantity: tip_height
  value: 11 um
- quantity: torsional_constant
  value: 2e-8 N m
"""

    def test_lever_file_and_what_wins(self):
        """Keys of the description, then its lever file, then the volume; the recipe over all of them."""
        (self.folder / "sub").mkdir(exist_ok=True)
        (self.folder / "sub/lever.yaml").write_text(self.LEVER)
        whole = self.write("sub/whole.yaml", {"calibration": {"lever_file": "lever.yaml"}})
        own = self.write("sub/own.yaml", {"calibration": {"lever_file": "lever.yaml", "spring_constant": "0.5 N/m",
                                                          "deflection_sensitivity_u": "2 nm/V"}})
        self.run_there("import", whole, "ramp.h5", "-o", "whole-lever.h5", "-q")
        self.run_there("import", own, "ramp.h5", "-o", "own-lever.h5", "-q")
        with h5py.File(self.folder / "whole-lever.h5") as f, h5py.File(self.folder / "ramp.h5") as g:
            k, s = f["calibration/spring_constant"], f["calibration/deflection_sensitivity"]
            self.assertAlmostEqual(k[()], 0.42, 12)
            self.assertAlmostEqual(k.attrs["standard_uncertainty"], 0.0126, 12)
            self.assertAlmostEqual(k.attrs["correlation"], -0.666667, 12)
            self.assertEqual((bytes(k.attrs["tilt"]), bytes(k.attrs["method"])), (b"contained", b"thermal"))
            self.assertAlmostEqual(s[()], 47.5e-9, 18)
            self.assertAlmostEqual(f["calibration/tip_height"][()], 11e-6, 15)
            self.assertEqual(f["calibration/tip_radius"][()], g["calibration/tip_radius"][()])
            self.assertIn(self.LEVER, bytes(f["provenance"].attrs["description"]).decode())
        with h5py.File(self.folder / "own-lever.h5") as f:
            k, s = f["calibration/spring_constant"], f["calibration/deflection_sensitivity"]
            self.assertEqual((k[()], set(k.attrs)), (0.5, {"units"}))  # its u and tilt belonged to the other value
            self.assertAlmostEqual(s.attrs["standard_uncertainty"], 2e-9, 18)
        # the map of it: as if the recipe had named the lever file, and the recipe's own keys over it
        (self.folder / "plain.yaml").write_text("contact:\n  model: jkr\ncalibration:\n  tilt_correction: contained\n")
        (self.folder / "named.yaml").write_text((self.folder / "plain.yaml").read_text() + "  lever_file: sub/lever.yaml\n")
        for recipe, volume, out in (("plain", "whole-lever", "by-volume"), ("named", "ramp", "by-recipe")):
            done = cantle("map", f"{recipe}.yaml", f"{volume}.h5", "-o", f"{out}.h5", "-q", "-f", folder=self.folder)
            self.assertIn(done.returncode, (0, 6), done.stderr)
        self.same_maps("by-volume.h5", "by-recipe.h5")
        with h5py.File(self.folder / "by-volume.h5") as a, h5py.File(self.folder / "by-recipe.h5") as b:
            for f in (a, b):
                calibration = f["entry/process_1_calibration"]
                self.assertEqual(calibration["tilt_in_spring_constant"][()].decode(), "contained")
                self.assertEqual(f["entry/uncertainty/spring_constant_from"][()].decode(), "thermal")
            self.assertAlmostEqual(a["entry/uncertainty/spring_constant_exponent"][()],
                                   b["entry/uncertainty/spring_constant_exponent"][()], 9)
            self.assertAlmostEqual(a["entry/uncertainty/spring_constant_exponent"][()], -0.666667 * 3, 4)
        # the tilt is in this k already, and that is not forgotten on the way through a volume
        (self.folder / "twice.yaml").write_text("contact:\n  model: jkr\ncalibration:\n  tilt: 11 degree\n"
                                                "  tilt_correction: cosine_squared\n")
        self.refuses("map", "twice.yaml", "whole-lever.h5", "-o", "no.h5", status=3, says=["twice", "contained"])
        # a sensitivity of its own later: the pair is no pair any more
        name = self.write("later.yaml", {"calibration": {"deflection_sensitivity": "45 nm/V"}})
        self.run_there("import", name, "whole-lever.h5", "-o", "later.h5", "-q")
        with h5py.File(self.folder / "later.h5") as f:
            attributes = f["calibration/spring_constant"].attrs
            self.assertEqual(set(attributes), {"units", "standard_uncertainty", "tilt"})
        # parts of it keep it, and joined parts
        self.run_there("import", "whole-lever.h5", "--rows", "0..1", "-o", "lever-a.h5", "-q")
        self.run_there("import", "whole-lever.h5", "--rows", "2..4", "-o", "lever-b.h5", "-q")
        self.run_there("import", "lever-a.h5", "lever-b.h5", "-o", "lever-ab.h5", "-q")
        with h5py.File(self.folder / "lever-ab.h5") as f:
            self.assertAlmostEqual(f["calibration/spring_constant"].attrs["correlation"], -0.666667, 12)
            self.assertEqual(bytes(f["calibration/spring_constant"].attrs["tilt"]), b"contained")

    def test_lever_file_without_a_copy(self):
        """--mapping takes the lever file too, and the map file keeps it: its curves need no other file."""
        signal, z, _ = self.arrays("ramp.h5")
        np.save(self.folder / "lever.npy", signal["approach"])
        np.save(self.folder / "lever-z.npy", z["approach"])
        (self.folder / "box.yaml").write_text(self.LEVER)
        sections = self.describe("npy", "ramp.h5", approach={"signal": "data in V", "axes": "row column sample",
                                                             "z": "file lever-z.npy in m", "z_axes": "sample"})
        for key in [key for key in sections["calibration"] if key.startswith(("spring", "deflection"))]:
            del sections["calibration"][key]
        sections["calibration"]["lever_file"] = "box.yaml"
        self.write("lever-npy.yaml", sections)
        (self.folder / "direct.yaml").write_text("calibration:\n  tilt_correction: contained\ncontact:\n  segment: approach\n")
        for volume, mapping, out in (("lever.npy", ["--mapping", "lever-npy.yaml"], "direct-lever"), ("copy.h5", [], "copied")):
            if not mapping:
                self.run_there("import", "lever-npy.yaml", "lever.npy", "-o", "copy.h5", "-q")
            done = cantle("map", "direct.yaml", volume, *mapping, "-o", f"{out}.h5", "-q", "-f", folder=self.folder)
            self.assertIn(done.returncode, (0, 6), done.stderr)
        with h5py.File(self.folder / "direct-lever.h5") as a, h5py.File(self.folder / "copied.h5") as b:
            self.assertAlmostEqual(a["entry/process_1_calibration/spring_constant"][()], 0.42, 12)
            for name in ("modulus", "contact_point"):
                if name in a["entry/maps"]:
                    np.testing.assert_array_equal(a[f"entry/maps/{name}"][...], b[f"entry/maps/{name}"][...])
        (self.folder / "box.yaml").unlink()
        self.run_there("curve", "direct-lever.h5", 2, 3, "-t", "-")
        self.refuses("map", "direct.yaml", "lever.npy", "--mapping", "lever-npy.yaml", "-o", "no.h5", status=4,
                     says=["lever-npy.yaml: calibration.lever_file", "box.yaml"])
        # a volume with a mapping that only calibrates
        (self.folder / "box.yaml").write_text(self.LEVER)
        self.write("only.yaml", {"calibration": {"lever_file": "box.yaml"}})
        done = cantle("map", "direct.yaml", "ramp.h5", "--mapping", "only.yaml", "-o", "only.h5", "-q", "-f", folder=self.folder)
        self.assertIn(done.returncode, (0, 6), done.stderr)
        with h5py.File(self.folder / "only.h5") as f:
            self.assertAlmostEqual(f["entry/process_1_calibration/spring_constant"][()], 0.42, 12)

    def test_bad_lever_files(self):
        (self.folder / "bad-lever.yaml").write_text(self.LEVER.replace("0.42 N/m", "0.42 nN"))
        (self.folder / "no-lever.yaml").write_text("source: {}\n")
        (self.folder / "nul-lever.yaml").write_bytes(b"format: cantle-lever-1\0")
        (self.folder / "long-lever.yaml").write_text(self.LEVER + "#" * 60000)
        for file, status, says in (("bad-lever.yaml", 3, ["line 2", "bad-lever.yaml", "spring_constant"]),
                                   ("no-lever.yaml", 3, ["line 2", "no-lever.yaml"]),
                                   ("nul-lever.yaml", 3, ["NUL"]), ("long-lever.yaml", 3, ["59000"]),
                                   ("missing-lever.yaml", 4, ["missing-lever.yaml", "cannot open"])):
            (self.folder / "refused.yaml").write_text(f"calibration:\n  lever_file: {file}\n")
            self.refuses("import", "refused.yaml", "ramp.h5", "-o", "refused.h5", status=status, says=says)
            self.assertFalse((self.folder / "refused.h5").exists())

    # --- what is asked for, and what is refused -------------------------------------------------

    def foreign(self):
        signal, z, _ = self.arrays("ramp.h5")
        with h5py.File(self.folder / "ask.h5", "w") as f:
            f["v"], f["z"] = signal["approach"], z["approach"]
        return self.describe("hdf5", "ramp.h5", approach={"signal": "/v in V", "axes": "row column sample", "z": "/z in m"})

    def test_each_missing_line_is_asked_for(self):
        whole = self.foreign()
        self.run_there("import", self.write("ask.yaml", whole), "ask.h5", "-o", "asked.h5", "-q", "-f")
        for section, key in (("signal", "repulsion"), ("signal", "stage"), ("z", "direction"), ("approach", "axes"),
                             ("approach", "z"), ("approach", "signal"), ("grid", "pixel_size_x"),
                             ("grid", "pixel_size_y"), ("source", "kind")):
            sections = {name: {k: v for k, v in keys.items() if (name, k) != (section, key)}
                        for name, keys in whole.items()}
            said = self.refuses("import", self.write("ask.yaml", sections), "ask.h5", "-o", "no.h5", status=RECIPE)
            self.assertIn(f"under '{section}:' the line '{key}: ", said)
            self.assertFalse((self.folder / "no.h5").exists())

    def test_units_are_asked_for(self):
        for key in ("signal", "z"):
            sections = self.foreign()
            sections["approach"][key] = sections["approach"][key].split(" in ")[0]
            said = self.refuses("import", self.write("unit.yaml", sections), "ask.h5", "-o", "no.h5", status=RECIPE)
            self.assertIn(f"approach.{key}: its unit is not known", said)
            self.assertRegex(said, r"line \d+:")
        sections = self.foreign()
        sections["approach"]["z"] = "/z in V"
        self.refuses("import", self.write("unit.yaml", sections), "ask.h5", "-o", "no.h5", status=RECIPE,
                     says=("approach.z", "'V'"))

    def test_unknown_keys_and_bad_values_name_their_line(self):
        (self.folder / "bad.yaml").write_text("source:\n  kind: hdf5\n  knid: text\n")
        self.refuses("import", "bad.yaml", "ramp.h5", "-o", "no.h5", status=RECIPE, says=("line 3", "knid", "'kind'"))
        for text, says in (("source:\n  kind: hdf6\n", "hdf5"), ("approach:\n  axes: row row\n", "axes"),
                           ("approach:\n  z_step: 3\n", "z_step"), ("source:\n  files: '('\n", "pattern"),
                           ("grid:\n  row: header abc\n", "group"), ("grid:\n  rows: -1\n", "rows"),
                           ("approach:\n  signal: somewhere\n", "place"), ("nothing:\n  a: b\n", "nothing"),
                           ("- a\n", "sections")):
            (self.folder / "bad.yaml").write_text(text)
            self.refuses("import", "bad.yaml", "ramp.h5", "-o", "no.h5", status=RECIPE, says=("bad.yaml: line", says))

    def test_contradicted_direction(self):
        sections = self.foreign()
        sections["z"]["direction"] = "away_from_sample"
        self.refuses("import", self.write("turned.yaml", sections), "ask.h5", "-o", "no.h5", status=INPUT,
                     says=("direction", "/approach/z"))

    def test_order_of_a_list_is_asked_for(self):
        signal, z, _ = self.arrays("ramp.h5")
        with h5py.File(self.folder / "flat.h5", "w") as f:
            f["v"], f["z"] = signal["approach"].reshape(30, 128), z["approach"]
        sections = self.foreign()
        sections["approach"]["axes"] = "curve sample"
        self.refuses("import", self.write("flat.yaml", sections), "flat.h5", "-o", "no.h5", status=RECIPE,
                     says=("grid", "30 curves"))
        sections["grid"].update(rows=5, columns=6)
        self.refuses("import", self.write("flat.yaml", sections), "flat.h5", "-o", "no.h5", status=RECIPE,
                     says=("by_rows",))
        sections["grid"].update(rows=4, order="by_rows")
        self.refuses("import", self.write("flat.yaml", sections), "flat.h5", "-o", "no.h5", status=INPUT,
                     says=("4 x 6",))

    def test_bad_text_names_file_and_line(self):
        folder = self.folder / "badtext"
        folder.mkdir()
        sections = self.text_sections("turn", approach={"signal": "column 2 in V", "z": "column 1 in um"})
        name = self.write("badtext.yaml", sections)
        for text, says in (("1 2\n2 3\nx 4\n", ("c0-0.dat: line 3", "'x'")), ("1 2\n3\n", ("line 2", "columns")),
                           ("1,5 2,5\n", ("decimal: comma",)), ("", ("no line of numbers",)),
                           ("height signal\n1 2\n", ("header_lines",)), ("1 2\0\n", ("NUL",))):
            (folder / "c0-0.dat").write_text(text)
            self.refuses("import", name, "badtext", "-o", "no.h5", status=INPUT, says=says)
        (folder / "c0-0.dat").write_text("1 2\n2 3\n1 2\n")
        (folder / "notes.txt").write_text("hello")
        self.refuses("import", name, "badtext", "-o", "no.h5", status=INPUT, says=("notes.txt", "source.files"))
        (folder / "notes.txt").unlink()
        (folder / "xc0-0.dat").write_text("1 2\n2 3\n1 2\n")
        self.refuses("import", name, "badtext", "-o", "no.h5", status=INPUT, says=("one pixel",))

    def test_existing_output_is_kept(self):
        kept = self.folder / "kept.h5"
        kept.write_text("mine")
        self.refuses("import", "ramp.h5", "-o", "kept.h5", status=OUTPUT, says=("--overwrite",))
        self.assertEqual(kept.read_text(), "mine")
        self.run_there("import", "ramp.h5", "-o", "kept.h5", "--overwrite", "-q")
        self.refuses("import", "ramp.h5", "-o", "ramp.h5", "--overwrite", status=OUTPUT, says=("ramp.h5",))
        self.refuses("import", "ramp.h5", "-o", "no/where.h5", status=OUTPUT, says=("no folder",))
        self.assertEqual([p.name for p in self.folder.glob("*.part")], [])

    def test_damaged_source_leaves_nothing(self):
        self.run_there("import", "packed.h5", "--storage", "deflate", "-o", "broken.h5", "-q")
        with h5py.File(self.folder / "broken.h5") as f:
            d = f["approach/signal"].id
            chunks = [d.get_chunk_info(i) for i in range(d.get_num_chunks())]
        data = bytearray((self.folder / "broken.h5").read_bytes())
        data[chunks[-1].byte_offset:chunks[-1].byte_offset + chunks[-1].size] = b"?" * chunks[-1].size
        (self.folder / "broken.h5").write_bytes(data)
        self.refuses("import", "broken.h5", "-o", "no.h5", status=INPUT, says=("/approach/signal", "damaged"))
        self.assertEqual(list(self.folder.glob("no.h5*")), [])

    def test_damaged_arrays_and_archives_end_orderly(self):
        """Cut and changed bytes of .npy, .npz and tar: a volume, or one line and nothing left."""
        samples = np.zeros((3, 4, 64), "<f4")
        samples[..., 40:] = np.arange(24) * 0.1
        np.save(self.folder / "d.npy", samples)
        np.savez(self.folder / "d.npz", v=samples)
        np.save(self.folder / "d-ramp.npy", np.linspace(0, 1, 64))
        (self.folder / "d-text").mkdir()
        for i in range(4):
            (self.folder / "d-text" / f"c{i}.txt").write_text("# k = 0.06 N/m\n" + "".join(
                f"{x:.3f} {max(0, x - 0.7):.4f}\n" for x in np.linspace(0, 1, 64)))
        with tarfile.open(self.folder / "d.tar", "w") as tar:
            tar.add(self.folder / "d-text", "curves")
        common = {"signal": {"stage": "detector", "repulsion": "positive"}, "z": {"direction": "toward_sample"}}
        pitch = {"pixel_size_x": "1 um", "pixel_size_y": "1 um"}
        array = {"axes": "row column sample", "z": "file d-ramp.npy in um"}
        self.write("d.npy.yaml", {"source": {"kind": "npy"}, **common, "grid": pitch,
                                  "approach": {"signal": "data in V", **array}})
        self.write("d.npz.yaml", {"source": {"kind": "npy"}, **common, "grid": pitch,
                                  "approach": {"signal": "member v in V", **array}})
        self.write("d.tar.yaml", {"source": {"kind": "text"}, **common,
                                  "grid": {**pitch, "rows": 2, "columns": 2, "order": "by_rows"},
                                  "calibration": {"spring_constant": "header k = ([0-9.]+) (N/m)"},
                                  "approach": {"signal": "column 2 in V", "z": "column 1 in um"}})
        rng = np.random.default_rng(11)
        refused = 0
        for name, head in (("d.npy", 128), ("d.npz", 400), ("d.tar", 3000)):
            whole = (self.folder / name).read_bytes()
            for i in range(14):
                data = bytearray(whole)
                if i % 3 == 0:
                    del data[rng.integers(len(data)):]
                for at in rng.integers(0, head if i % 3 == 1 else len(whole), 4 if i % 3 else 0):
                    data[at] = rng.choice([0, 255, 39, 40, 32, rng.integers(256)])
                (self.folder / f"x{name[1:]}").write_bytes(data)
                done = cantle("import", f"{name}.yaml", f"x{name[1:]}", "-o", "damaged.h5", "-f", "-q",
                              folder=self.folder)
                self.assertIn(done.returncode, (0, RECIPE, INPUT), done.stderr)
                self.assertEqual(len(done.stderr.splitlines()), 1 if done.returncode else 0, done.stderr)
                refused += done.returncode != 0
        self.assertGreater(refused, 15)

    def test_full_disk(self):
        """A limit on the size of files stands for a full disk; the source is read all the same."""
        def limit():
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (8 << 20, 8 << 20))
        self.run_there("simulate", "--scene", "uniform", "--columns", 26, "--samples", 1024, "-o", "large.h5")
        self.refuses("import", "large.h5", "-o", "no.h5", status=OUTPUT, says=("no.h5.part",), preexec_fn=limit)
        self.assertEqual(list(self.folder.glob("no.h5*")), [])

    # --- dry run --------------------------------------------------------------------------------

    def test_dry_run(self):
        whole = self.foreign()
        text = self.run_there("import", "--dry-run", self.write("dry.yaml", whole), "ask.h5").stdout
        self.assertIn("6 columns x 5 rows", text)
        done = json.loads(self.run_there("import", "--dry-run", "--json", "dry.yaml", "ask.h5").stdout)
        self.assertEqual((done["grid"]["columns"], done["segments"]["approach"]["samples"]), (6, 128))
        self.assertEqual(done["warnings"], [])
        self.assertFalse((self.folder / "no.h5").exists())

    def test_dry_run_without_a_description(self):
        self.foreign()
        done = self.run_there("import", "--dry-run", "ask.h5", status=RECIPE)
        self.assertIn("/v  [5,6,128] of float64", done.stdout)
        for word in ("kind: ", "repulsion: ", "direction: ", "stage: "):
            self.assertIn(word, done.stdout)
        self.assertEqual(len(done.stderr.splitlines()), 1)
        done = json.loads(self.run_there("import", "--dry-run", "--json", "ask.h5", status=RECIPE).stdout)
        self.assertEqual(done["complete"], False)
        self.assertIn({"signal.repulsion"}, [{f"{m['section']}.{m['key']}"} for m in done["missing"]])

    def test_dry_run_shows_the_first_lines_of_text(self):
        folder = self.folder / "shown"
        folder.mkdir()
        (folder / "a.txt").write_text("# hello\n1 2\n")
        text = self.run_there("import", "--dry-run", "shown", status=RECIPE).stdout
        self.assertIn("1: # hello", text)
        self.assertIn("2: 1 2", text)

    # --- what goes wrong -------------------------------------------------------------------------

    @unittest.skipIf(preload.SANITIZED, "the sanitizer wants to be the first library, and reports crashes itself")
    def test_file_that_crashes_the_library_is_named(self):
        name = self.write("crash.yaml", self.foreign())
        env = preload.library(self.folder, "crashing", preload.CRASHING_LIBRARY)
        for at, words in (("/v", ("import", name, "ask.h5", "-o", "no.h5")), ("/z", ("import", "-n", name, "ask.h5")),
                          ("/v", ("map", "ask.h5", "--mapping", name, "-o", "no.h5"))):
            said = self.refuses(*words, status=INPUT, says=("cantle: ask.h5: ", "crashed"), env={**env, "CRASH_AT": at})
            self.assertNotIn("report it", said)
        done = cantle("import", "-n", "ask.h5", folder=self.folder, env={**env, "CRASH_AT": "/v"})
        self.assertEqual((done.returncode, len(done.stderr.splitlines())), (INPUT, 1))
        self.assertIn("cantle: ask.h5: ", done.stderr)

    def test_one_wrong_number_makes_no_huge_grid(self):
        """An index of 1000000 x 2000 pixels would take 16 GB, for one curve."""
        (self.folder / "far.txt").write_text("# row 999999 column 1999\n0 0\n1 0\n2 1\n")
        sections = self.describe("text", "ramp.h5", grid={"row": "header row ([0-9]+)", "counted_from": 0,
                                                          "column": "header column ([0-9]+)"},
                                 approach={"signal": "column 2 in V", "z": "column 1 in nm"})
        self.refuses("import", self.write("far.yaml", sections), "far.txt", "-o", "no.h5", status=INPUT,
                     says=("1000000 rows", "2000 columns", "grid.rows"))

    def test_usage(self):
        for words in ((), ("a.yaml",), ("ramp.h5",), ("ramp.h5", "-o", "x", "--every-row", "0"),
                      ("ramp.h5", "-o", "x", "--json"), ("ramp.h5", "-o", "x", "--storage", "tape")):
            self.refuses("import", *words, status=USAGE)


class Still(InFolder):
    """A z that does not move tells no direction: what the description states goes into the volume."""

    def test_direction_is_kept(self):
        np.arange(32, dtype=">i2").tofile(self.folder / "still.raw")
        (self.folder / "still.yaml").write_text(
            "source: {kind: raw, type: int16, byte_order: big}\nsignal: {stage: detector, repulsion: positive}\n"
            "z: {direction: away_from_sample}\ngrid: {rows: 1, columns: 1}\n"
            "approach: {signal: data in V, axes: sample row column, sample_count: 32, z_start: 0 nm, z_step: 0 nm}\n")
        self.run_there("import", "still.yaml", "still.raw", "-o", "still.h5")
        with h5py.File(self.folder / "still.h5") as f:
            self.assertEqual(f["approach/z_start"].attrs["direction"].decode(), "away_from_sample")
        self.run_there("describe", "still.h5")


if __name__ == "__main__":
    unittest.main()
