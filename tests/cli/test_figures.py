"""cantle draw and cantle curve: what is drawn, what is printed, and that both are the map file's numbers."""
import os
import re
import shutil
import struct
import unittest
import xml.etree.ElementTree as xml

import h5py
import numpy as np

from run import InFolder, cantle

USAGE, INPUT = 2, 4
PREFIX = {"T": 1e12, "G": 1e9, "M": 1e6, "k": 1e3, "": 1.0, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15,
          "a": 1e-18}
UNIT = re.compile(r"([TGMkmunpfa]?)(Pa|N/m|N|m|J/m2|J)")
NUMBER = r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"


def factor(unit):
    """Of a unit with prefix, into SI. '1' and '' are pure numbers; angles stay in degree."""
    return 1.0 if unit in ("", "1", "degree") else PREFIX[UNIT.fullmatch(unit).group(1)]


def svg_text(path):
    return "\n".join("".join(node.itertext()) for node in xml.parse(path).iter() if node.tag.endswith("}text"))


def packed(text):
    """Titles are broken at blanks."""
    return re.sub(r"[\s\u00a0]", "", text)


def png_size(path):
    head = path.read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n" and head[12:16] == b"IHDR"
    return struct.unpack(">II", head[16:])


class WithMaps(InFolder):
    SCENE = ("--scene", "uniform", "--noise", "0.1 nm")
    RECIPE = "contact:\n  model: paraboloid\n"

    @classmethod
    def change(cls, volume):
        """What is done to the volume before it is mapped."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", *cls.SCENE, "--columns", 5, "--rows", 4, "-o", "v.h5")
        with h5py.File(cls.folder / "v.h5", "r+") as volume:
            volume["grid/present"][0, 1] = 0
            cls.change(volume)
        (cls.folder / "r.yaml").write_text(cls.RECIPE)
        cls.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "--quiet")

    def names(self):
        return {p.name for p in self.folder.iterdir()}


class Draw(WithMaps):
    def draw(self, *words, output=None):
        """The text of an SVG figure."""
        output = output or "f.svg"
        done = self.run_there("draw", "m.h5", *words, "-o", output)
        self.assertEqual(done.stderr, "")
        self.assertTrue(done.stdout.startswith(f"figure: {output} ("), done.stdout)
        return svg_text(self.folder / output)

    def test_default(self):
        before = self.names()
        done = self.run_there("draw", "m.h5")
        self.assertEqual(done.stdout, "figure: m.png (modulus, adhesion, deformation)\n")
        self.assertEqual(self.names() - before, {"m.png"})
        wide, high = png_size(self.folder / "m.png")
        self.assertGreater(wide, 900)
        self.assertGreater(high, 300)
        text = self.draw()
        for words in ("elastic modulus (MPa)", "adhesion force (", "deformation (nm)", "x (\u00b5m)", "y (\u00b5m)"):
            self.assertIn(packed(words), packed(text))

    def test_one_several_all(self):
        one = self.draw("peak_force")
        self.assertIn("peak force", one)
        self.assertNotIn("modulus", one.replace("map of modulus", ""))
        two = self.draw("contact_height", "dissipated_energy", "contact_height")
        self.assertIn("contact height (nm)", two)
        self.assertRegex(two, r"dissipated energy \([afz]J\)")
        done = self.run_there("draw", "m.h5", "all", "-o", "all.svg")
        drawn = re.search(r"\((.*)\)", done.stdout).group(1).split(", ")
        with h5py.File(self.folder / "m.h5") as f:
            maps = f["entry/maps"]
            valued = {name for name in maps if maps[name].dtype == "f4" and not name.endswith("_errors")
                      and np.isfinite(maps[name][()]).any()}
        self.assertEqual(set(drawn), valued)
        self.assertEqual(len(drawn), len(valued))

    def test_errors(self):
        plain, with_errors = self.draw("modulus"), self.draw("modulus", "samples_used", "--errors")
        self.assertNotIn("standard error", plain)
        self.assertIn("standard error of elastic modulus\n", with_errors)
        self.assertIn(packed("standard error of elastic modulus (kPa)"), packed(with_errors))
        self.assertNotIn("standard error of samples", with_errors)

    def test_range_and_scale(self):
        usual, given = self.draw("modulus"), self.draw("modulus", "--range", "1 MPa:8 MPa")
        self.assertNotEqual(usual, given)
        self.draw("modulus", "--range", ":8 MPa")
        self.draw("modulus", "--range", "1 MPa:")
        self.draw("modulus", "adhesion", "--columns", "1")
        linear = self.draw("modulus", "--linear", "--range", "1 kPa:10 GPa")
        log = self.draw("modulus", "--log", "--range", "1 kPa:10 GPa")
        self.assertNotEqual(linear, log)

    def test_wrong_wishes(self):
        before = self.names()
        for words, says in ((["--range", "5"], ["LOW:HIGH"]), (["--range", "2 MPa:1 MPa"], ["smaller"]),
                            (["--range", "1 nN:2 nN"], ["nN"]), (["--range", "1:2"], ["unit"]),
                            (["--columns", "0"], ["--columns"]), (["--columns", "2.5"], ["--columns"]),
                            (["-o", "f.gif"], [".png"]), (["-o", ".png/"], [".png"]), (["modulous"], ["modulus"]),
                            (["nothing"], ["'nothing' is not a map", "cantle manual maps"]), (["modulus_errors"], ["modulus_errors"]),
                            (["%s$(id)"], ["'%s$(id)'"])):
            with self.subTest(words):
                self.refuses("draw", "m.h5", "modulus", *words, status=USAGE, says=says)
        self.refuses("draw", "v.h5", status=INPUT, says=["v.h5"])
        self.refuses("draw", "none.h5", status=INPUT, says=["none.h5"])
        self.refuses("draw", "m.h5", "-o", "no/f.png", status=5, says=["no/f.png"])
        self.assertEqual(self.names(), before)

    def test_formats(self):
        for name, magic in (("g.png", b"\x89PNG\r\n\x1a\n"), ("g.PDF", b"%PDF-"), ("g.svg", b"<?xml")):
            with self.subTest(name):
                self.run_there("draw", "m.h5", "modulus", "-o", name)
                data = (self.folder / name).read_bytes()
                self.assertTrue(data.startswith(magic))
                self.assertGreater(len(data), 5000)


class HostileTitle(WithMaps):
    """What stands in a file is never a command."""
    TITLE = "a' ; system \"touch EVIL1\" # `touch EVIL2` $(touch EVIL3) \" \\ @x %s%n {/Symbol a} <&> ^2_3"
    SCENE = ("--scene", "uniform")

    @classmethod
    def change(cls, volume):
        volume.attrs["title"] = cls.TITLE

    def test_drawn_as_it_stands(self):
        scratch = self.folder / "scratch"
        scratch.mkdir()
        settings = {"env": {**os.environ, "TMPDIR": str(scratch)}}
        before = self.names()
        for words in (["draw", "m.h5", "modulus"], ["curve", "m.h5", "2", "2"], ["curve", "v.h5", "2", "2"]):
            for name in ("t.svg", "t.png", "t.pdf"):
                if name != "t.svg" and words[0] == "curve":
                    continue
                self.run_there(*words, "-o", name, **settings)
                self.assertEqual(self.names() - before, {name})
                if name == "t.svg" and words[0] == "draw":
                    self.assertIn(packed(self.TITLE), packed(svg_text(self.folder / name)))
                (self.folder / name).unlink()
                self.assertEqual(list(scratch.iterdir()), [], "a stray temporary file")
        self.assertIn(self.TITLE, self.run_there("describe", "m.h5").stdout)

    def test_hostile_names_of_files(self):
        name = "x'; system 'touch EVIL4'; $(touch EVIL5) %s.h5"
        shutil.copy(self.folder / "m.h5", self.folder / name)
        before = self.names()
        self.run_there("draw", name, "modulus")
        self.run_there("curve", name, "2", "2")
        made = self.names() - before
        self.assertEqual(made, {name[:-3] + ".png", name[:-3] + "-c2-r2.png"})

    def test_control_characters(self):
        with h5py.File(self.folder / "m.h5") as old, h5py.File(self.folder / "c.h5", "w") as new:
            for key in old:
                old.copy(key, new)
            new.attrs.update(old.attrs)
            del new["entry/title"]
            new["entry/title"] = np.bytes_(b"one\x1b[31m two\nthree\xff")
        self.run_there("draw", "c.h5", "modulus", "-o", "c.svg")
        text = svg_text(self.folder / "c.svg")  # is XML, so no control character is in it
        self.assertIn("one", text)
        self.assertIn("two", text)


class CurveChecks:
    """For any volume: report and columns are the map file's numbers."""
    SEGMENT = 1  # the fitted one, as in the columns

    def maps(self):
        with h5py.File(self.folder / "m.h5") as f:
            return {name: (d[()].astype(float), factor(d.attrs["units"].decode()))
                    for name, d in f["entry/maps"].items() if d.dtype == "f4"}

    def words(self):
        rows = re.findall(r"^\| `(\w+)` \| (.*?) \|", cantle("manual", "maps").stdout, re.M)
        return {words: name for name, words in rows}

    def check_report(self, report, column, row, alone=False):
        """Each printed number is the map file's, as far as it is printed. A curve alone has no slope."""
        maps, names, seen = self.maps(), self.words(), 0
        block = report.split("results, with one standard error\n")[1].split("\nstate:")[0]
        for line in block.splitlines():
            words, said = line.strip().split(": ", 1)
            name = names[words]
            value, scale = maps[name][0][row, column], maps[name][1]
            value *= scale
            seen += 1
            if said == "not known":
                self.assertTrue(np.isnan(value) or (alone and name == "surface_slope"), name)
                continue
            number, _, error, unit = re.fullmatch(rf"({NUMBER})( \+- ({NUMBER}))? ?(\S*)", said).groups()
            printed = float(number) * factor(unit)
            digit = 10.0 ** -len(number.partition(".")[2]) * factor(unit)
            slack = 0.51 * digit if error else 0.51e-3 * abs(value)
            self.assertLessEqual(abs(printed - value), slack + 1e-6 * abs(value), f"{name}: {said}, {value}")
            if error:
                stored = maps[f"{name}_errors"][0][row, column] * scale
                self.assertLessEqual(abs(float(error) * factor(unit) - stored), 0.51 * digit, f"{name}: {said}")
        self.assertEqual(seen, len([n for n in maps if not n.endswith("_errors")]))
        with h5py.File(self.folder / "m.h5") as f:
            state = f["entry/maps/state"]
            word = state.attrs["flag_meanings"].decode().split()[state[row, column]]
            flags = f["entry/maps/flags"]
            bits = int(flags[row, column])
            expected = [w for i, w in enumerate(flags.attrs["flag_meanings"].decode().split()) if bits >> i & 1]
        tail = report.split("\nstate: ")[1].splitlines()
        self.assertEqual(tail[0].split(" (")[0], word)
        self.assertEqual([line.strip().split(":")[0] for line in tail[1:] if line.startswith("  ")], expected)

    def stored_place(self, column, row):
        """Where the volume has the map's pixel."""
        return column, row

    def without_slope(self, report):
        """From what was read to the figure, less the line that needs the neighbours."""
        return re.sub(r"\n *slope of the surface: .*", "", report.split("\nread\n")[1].split("figure:")[0])

    def test_report_is_the_map(self):
        for column, row in ((2, 1), (4, 3), (0, 0), (0, 3)):
            with self.subTest(column=column, row=row):
                there = self.stored_place(column, row)
                of_maps = self.run_there("curve", "m.h5", column, row, "-o", "a.png")
                of_volume = self.run_there("curve", "v.h5", *there, "-r", "r.yaml", "-o", "b.png")
                self.assertEqual(of_maps.stderr + of_volume.stderr, "")
                self.check_report(of_maps.stdout, column, row)
                self.check_report(of_volume.stdout, column, row, alone=True)
                self.assertEqual(self.without_slope(of_maps.stdout), self.without_slope(of_volume.stdout))

    def columns(self, *words):
        text = self.run_there("curve", *words, "-o", "a.png", "--text", "-").stdout
        facts = {}
        for segment, rest in re.findall(r"^# baseline (approach|retract): (.*)$", text, re.M):
            pairs = rest.split()
            facts[segment] = {k: float(v) for k, v in zip(pairs[::2], pairs[1::2])}
        facts["k"] = float(re.search(r"^# spring_constant_N_per_m (\S+)$", text, re.M).group(1))
        return np.loadtxt(text.splitlines()), facts, text

    def test_columns(self):
        column, row = 3, 2
        table, facts, text = self.columns("m.h5", column, row)
        maps = self.maps()
        with h5py.File(self.folder / "m.h5") as f:
            self.assertEqual(facts["k"], f["entry/process_1_calibration/effective_spring_constant"][()])
        contact = maps["contact_point"][0][row, column] * maps["contact_point"][1] * 1e9
        for number, segment in ((1, "approach"), (2, "retract")):
            part, base = table[table[:, 0] == number], facts[segment]
            _, sample, z, d, force, separation, in_fit, model, residual = part.T
            np.testing.assert_array_equal(sample, np.arange(len(part)))
            self.assertTrue((np.diff(z) > 0).all())
            above = d - base["offset_nm"] - base["slope"] * (z - base["z_ref_nm"])
            np.testing.assert_allclose(force, facts["k"] * above, atol=2e-8 * np.abs(d).max())
            np.testing.assert_allclose(separation, contact - z + above, atol=1e-6 * np.abs(z).max())
            # its reference is the mean z of the samples the line went through: that says how many
            means = np.cumsum(z) / np.arange(1, len(z) + 1)
            n = np.argmin(np.abs(means - base["z_ref_nm"])) + 1
            self.assertAlmostEqual(means[n - 1], base["z_ref_nm"], 6)
            self.assertLessEqual(n, base["off_samples"])
            self.assertGreater(n, 0.8 * base["off_samples"])
            slope, offset = np.polyfit(z[:n] - base["z_ref_nm"], d[:n], 1)
            np.testing.assert_allclose(slope, base["off_slope"], rtol=1e-5, atol=1e-9)
            np.testing.assert_allclose(offset, base["off_offset_nm"], rtol=1e-5, atol=1e-8)
            if number != self.SEGMENT:
                self.assertTrue(np.isnan(model).all() and not in_fit.any())
                continue
            used = in_fit == 1
            self.assertEqual(used.sum(), maps["samples_used"][0][row, column])
            self.assertTrue(np.isfinite(model[used]).all())
            np.testing.assert_allclose(residual[used], d[used] - model[used], atol=2e-8 * np.abs(d).max())
            # of an adhesive contact, what follows the pull-off, which the fit leaves out
            inside = used & (z > contact) if number == 1 else used & (sample > sample[~used].max())
            self.assertGreater(inside.sum(), 30)
            rms = 1e-9 * facts["k"] * np.sqrt(np.mean(residual[inside] ** 2))
            stored, unit = maps["fit_residual"]
            np.testing.assert_allclose(rms, stored[row, column] * unit, rtol=1e-5)

    def test_columns_into_a_file(self):
        _, _, text = self.columns("m.h5", 3, 2)
        done = self.run_there("curve", "m.h5", 3, 2, "-o", "a.svg", "--text", "c.txt")
        self.assertEqual((self.folder / "c.txt").read_text(), text)
        self.assertIn("columns: c.txt", done.stdout)
        drawn = svg_text(self.folder / "a.svg")
        for words in ("nN", "nm"):
            self.assertIn(f"({words})", drawn)


class Curve(CurveChecks, WithMaps):
    def test_place_out_of_range(self):
        before = self.names()
        for column, row in ((5, 0), (0, 4), (4294967296, 0), (18446744073709551615, 0)):
            for name in ("m.h5", "v.h5"):
                self.refuses("curve", name, column, row, status=USAGE, says=["columns are 0 to 4, rows 0 to 3"])
        self.assertEqual(self.names(), before)

    def test_absent_pixel(self):
        with h5py.File(self.folder / "m.h5") as f:
            (row, column), = np.argwhere(f["entry/maps/state"][()] == 4)
        done = self.run_there("curve", "m.h5", column, row, "-o", "absent.png", "-t", "absent.txt")
        self.assertIn("state: absent", done.stdout)
        self.check_report(done.stdout, column, row)
        png_size(self.folder / "absent.png")
        lines = (self.folder / "absent.txt").read_text().splitlines()
        self.assertTrue(all(line.startswith("#") for line in lines))

    def test_full_disk(self):
        with open("/dev/full", "w") as full:
            done = cantle("curve", "m.h5", 3, 2, "-o", "a.png", "-t", "-", folder=self.folder, stdout=full)
        self.assertEqual(done.returncode, 5)
        self.assertEqual(len(done.stderr.splitlines()), 1)


class CurveOfReversedVolume(CurveChecks, WithMaps):
    """x and y of the volume descend: the maps are turned round, the volume is not."""

    @classmethod
    def change(cls, volume):
        for name in ("grid/x", "grid/y"):
            volume[name][...] = volume[name][()][::-1]

    def stored_place(self, column, row):
        return 4 - column, 3 - row


class CurveOfAdhesiveRetract(CurveChecks, WithMaps):
    SCENE = ("--scene", "uniform", "--model", "jkr", "--noise", "0.05 nm")
    RECIPE = "contact:\n  model: jkr\n  noise: white\n"
    SEGMENT = 2


class MovedVolume(WithMaps):
    def test_moved(self):
        away = self.folder / "away"
        away.mkdir()
        shutil.copy(self.folder / "m.h5", away / "m.h5")
        shutil.move(self.folder / "v.h5", away / "w.h5")
        self.refuses("curve", "m.h5", 2, 1, "-o", "a.png", status=INPUT, says=["m.h5", "'v.h5'", "--volume"])
        self.assertFalse((self.folder / "a.png").exists())
        told = self.run_there("curve", "m.h5", 2, 1, "-o", "a.png", "--volume", "away/w.h5").stdout
        shutil.move(away / "w.h5", away / "v.h5")
        beside = self.run_there("curve", "away/m.h5", 2, 1, "-o", "b.png").stdout
        self.assertIn("volume away/v.h5", beside)
        self.assertEqual(told.split("\nread\n")[1].split("figure:")[0],
                         beside.split("\nread\n")[1].split("figure:")[0])
        self.run_there("simulate", "--scene", "uniform", "--columns", 5, "--rows", 3, "-o", "other.h5")
        self.refuses("curve", "m.h5", 2, 1, "-o", "a.png", "-v", "other.h5", status=INPUT, says=["5 x 3", "5 x 4"])
        self.refuses("curve", "m.h5", 2, 1, "-o", "a.png", "-v", "none.h5", status=INPUT, says=["none.h5"])
        self.refuses("curve", "other.h5", 2, 1, "-v", "away/v.h5", status=USAGE, says=["--volume"])


if __name__ == "__main__":
    unittest.main()
