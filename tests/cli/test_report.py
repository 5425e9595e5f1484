"""cantle report: what is in the file, what is left out, and that nothing of it is markup. The page itself: test_report_page.py."""
import base64
import hashlib
import json
import os
import re
import shutil
import subprocess
import unittest

import h5py
import numpy as np

from run import CANTLE, ROOT, InFolder

USAGE, INPUT, OUTPUT = 2, 4, 5
HOSTILE = "</script><img onerror=\"window.hacked=1\" src=x><script>window.hacked=2</script> \u2028 <!-- &lt; '"


def read(path):
    """Facts and blocks of a report, from its text alone."""
    text = path.read_text()
    blocks = dict(re.findall(r'<script type="text/plain" id="([\w:-]+)">([A-Za-z0-9+/=]*)</script>', text))
    facts = json.loads(re.search(r'<script type="application/json" id="facts">(.*?)</script>', text, re.S).group(1))
    return facts, {name: base64.b64decode(data, validate=True) for name, data in blocks.items()}, text


def maps_of(path):
    """All maps of a map file as planes, name -> (values, unit); layers of a further axis count from 1: NAME:1. Also state, flags."""
    out = {}
    with h5py.File(path) as f:
        for group in (g for g in f["entry"] if g.startswith("maps")):
            for name, d in f["entry"][group].items():
                unit = d.attrs["units"].decode() if "units" in d.attrs else ""
                if d.ndim == 2:
                    out[name] = d[()], unit
                elif d.ndim == 3:
                    stem, errors = (name[:-7], "_errors") if name.endswith("_errors") else (name, "")
                    for layer in range(d.shape[2]):
                        out[f"{stem}:{layer + 1}{errors}"] = d[:, :, layer], unit
    return out


class WithReport(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--noise", "0.1 nm", "--columns", 12, "--rows", 9, "-o", "v.h5")
        with h5py.File(cls.folder / "v.h5", "r+") as volume:
            volume["grid/present"][0, 1] = 0
            volume["grid/y"][...] = volume["grid/y"][()][::-1]  # the maps are turned round
            volume.attrs["title"] = HOSTILE
            signal = volume["approach/signal"]
            signal[3, 4] = signal[3, 4][0] + 0 * signal[3, 4]  # no contact
        (cls.folder / "r.yaml").write_text(f"# {HOSTILE.replace(chr(0x2028), '')}\ncontact:\n  model: paraboloid\ndepth:\n  windows: 3\n  deepest: 9 nm\n")
        cls.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "--quiet")


class Content(WithReport):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.said = cls.run_there("report", "m.h5", "-o", "r.html", "--curves", 5, "--pixel", "2,3", "--pixel", "11,8").stdout
        cls.facts, cls.blocks, cls.text = read(cls.folder / "r.html")

    def test_what_is_said(self):
        size = (self.folder / "r.html").stat().st_size / 1e6
        self.assertEqual(self.said, f"report: r.html ({size:.1f} MB, {len(self.facts['maps'])} maps, "
                                    f"{len(self.facts['curves'])} curves)\n")

    def test_planes_are_the_map_file(self):
        maps, seen = maps_of(self.folder / "m.h5"), 0
        for about in self.facts["maps"]:
            for name in (about["name"], about["name"] + "_errors")[:1 + about["errors"]]:
                plane = np.frombuffer(self.blocks[f"plane-{name}"], "<f4").reshape(9, 12)
                np.testing.assert_array_equal(plane, maps[name][0])
                self.assertEqual(about["unit"], maps[name][1])
                seen += 1
        self.assertGreater(seen, 40)
        with_value = {n for n, (d, _) in maps.items() if d.dtype == "f4" and not n.endswith("_errors") and np.isfinite(d).any()}
        self.assertEqual({about["name"] for about in self.facts["maps"]}, with_value)
        self.assertIn("depth_modulus:3", with_value)
        np.testing.assert_array_equal(np.frombuffer(self.blocks["plane-state"], "u1").reshape(9, 12), maps["state"][0])
        np.testing.assert_array_equal(np.frombuffer(self.blocks["plane-flags"], "<u8").reshape(9, 12), maps["flags"][0])
        with h5py.File(self.folder / "m.h5") as f:
            np.testing.assert_allclose(self.facts["x_um"], f["entry/maps/x"][()], atol=1e-6)

    def test_which_curves(self):
        """Typical, best, worst, one for each flag, those asked for, and five more."""
        with h5py.File(self.folder / "m.h5") as f:
            maps = f["entry/maps"]
            modulus, error, state = maps["modulus"][()].astype(float), maps["modulus_errors"][()].astype(float), maps["state"][()]
            flags, names = maps["flags"][()], maps["flags"].attrs["flag_meanings"].decode().split()
        reasons = [r["name"] for r in self.facts["reasons"]]
        place = {}
        for curve in self.facts["curves"]:
            for r in curve["reasons"]:
                place.setdefault(reasons[r], []).append((curve["row"], curve["column"]))
        usable = np.where((state == 1) | (state == 2), modulus, np.nan)
        accepted = np.where(state == 1, modulus, np.nan)
        median = np.nanmedian(usable)
        self.assertEqual(abs(accepted[place["typical"][0]] - median), np.nanmin(abs(accepted - median)))
        self.assertEqual((error / modulus)[place["best"][0]], np.nanmin(error / accepted))
        self.assertEqual((error / modulus)[place["worst"][0]], np.nanmax(error / usable))
        self.assertEqual(set(place["asked"]), {(3, 2), (8, 11)})
        self.assertEqual(len(place["spread"]), 5)
        stood_for = set()
        for curve in self.facts["curves"]:
            for bit in curve["flags"]:
                stood_for.add(bit)
                self.assertTrue(int(flags[curve["row"], curve["column"]]) >> bit & 1)
        present = {bit for bit in range(len(names)) if (flags & np.uint64(1 << bit)).any() and names[bit] != "absent"}
        self.assertEqual(stood_for, present)
        self.assertGreaterEqual(len(present), 2)
        self.assertNotIn((8, 1), [(c["row"], c["column"]) for c in self.facts["curves"]])  # absent, the first row of the volume

    def test_nothing_is_markup(self):
        """Outside the program's own page and script no '<' comes from a file, and no address is loaded."""
        own = [(ROOT / "src/report/page" / "page.html").read_text(), (ROOT / "src/report/uplot/uPlot.iife.min.js").read_text()]
        for piece in own[1:]:
            self.assertIn(piece, self.text)
        self.assertNotIn("<img", self.text)
        self.assertNotIn("onerror=\"", self.text)
        self.assertEqual(self.text.count("<script"), own[0].count("<script") + 1 + len(self.blocks))
        self.assertEqual(self.text.count("</script"), self.text.count("<script"))
        self.assertEqual(self.facts["about"]["title"].replace("\u2028", ""), HOSTILE.replace("\u2028", ""))
        self.assertIn("</script><img", self.facts["recipe"])
        self.assertIsNone(re.search(r"(src|href)\s*=\s*[\"'](?!#)", self.text.split("<script")[0]))

    def test_the_policy_names_the_script(self):
        policy = re.search(r'Content-Security-Policy" content="(.*?)"', self.text).group(1)
        script = re.search(r"<script>(.*)</script>\n</body>", self.text, re.S).group(1)
        style = re.search(r"<style>(.*?)</style>", self.text, re.S).group(1)
        for what, text in (("script-src", script), ("style-src", style)):
            digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
            self.assertIn(f"{what} 'sha256-{digest}'", policy)
        self.assertTrue(policy.startswith("default-src 'none'; "))
        self.assertNotIn("unsafe", policy)

    def test_library_is_the_published_one(self):
        folder = ROOT / "src/report/uplot"
        for digest, name in re.findall(r"^    ([0-9a-f]{64})  (\S+)$", (folder / "README.md").read_text(), re.M):
            self.assertEqual(hashlib.sha256((folder / name).read_bytes()).hexdigest(), digest, name)

    def test_cautions(self):
        cautions = " ".join(self.facts["cautions"])
        self.assertRegex(cautions, r"1 of 108 pixels \(0\.926 %\) are rejected")
        self.assertIn("common factor", cautions)
        self.assertIn("standard error", cautions)
        self.assertNotIn("left out", cautions)
        self.assertNotIn("another one", cautions)


class Limits(WithReport):
    def report(self, *words):
        said = self.run_there("report", "m.h5", "-o", "l.html", "--overwrite", *words).stdout
        return *read(self.folder / "l.html")[:2], said

    def test_maps_asked_for(self):
        facts, blocks, _ = self.report("adhesion", "modulus", "adhesion", "depth_modulus:2", "--curves", 0)
        self.assertEqual([m["name"] for m in facts["maps"]], ["adhesion", "modulus", "depth_modulus:2"])
        self.assertFalse(any("spread" in facts["reasons"][r]["name"] for c in facts["curves"] for r in c["reasons"]))

    def test_all_curves(self):
        facts, blocks, _ = self.report("modulus", "--curves", "all")
        self.assertEqual(len({(c["row"], c["column"]) for c in facts["curves"]}), 12 * 9 - 1)
        self.assertEqual(len(facts["curves"]), 12 * 9 - 1)

    def test_size(self):
        """Never above the limit; what is left out is counted, in the page and on the screen."""
        everything, _, _ = self.report("--curves", "all")
        whole = (self.folder / "l.html").stat().st_size
        for share in (0.9, 0.5, 0.2):
            limit = round(share * whole / 1e6, 3)
            facts, _, said = self.report("--curves", "all", "--max-size", limit)
            size = (self.folder / "l.html").stat().st_size
            self.assertLessEqual(size, limit * 1e6)
            self.assertGreater(size, 0.8 * limit * 1e6)
            left = len(everything["curves"]) - len(facts["curves"])
            maps_left = len(everything["maps"]) - len(facts["maps"])
            self.assertIn(f"left out for size: {maps_left} maps, {left} curves; --max-size", said)
            self.assertIn(f"{left} of {len(everything['curves'])} curves found no room", " ".join(facts["cautions"]))
            self.assertEqual(facts["maps"][0]["name"], "modulus")
        self.refuses("report", "m.h5", "-o", "s.html", "--max-size", 0.05, status=USAGE, says=["--max-size 0.05 MB", "needs"])
        self.assertFalse((self.folder / "s.html").exists())

    def test_without_the_volume(self):
        away = self.folder / "away"
        away.mkdir()
        shutil.copy(self.folder / "m.h5", away / "m.h5")
        (self.folder / "v.h5").rename(away / "w.h5")
        try:
            facts, _, said = self.report()
            self.assertEqual(facts["curves"], [])
            self.assertEqual(len(said.splitlines()), 2)
            self.assertRegex(said, r"\nwithout curves: m\.h5: its volume 'v\.h5' is neither there nor beside")
            self.assertIn("None of the curves is in this report: m.h5: its volume", " ".join(facts["cautions"]))
            facts, _, said = self.report("--volume", "away/w.h5")
            self.assertGreater(len(facts["curves"]), 30)
            self.refuses("report", "m.h5", "-o", "s.html", "-v", "none.h5", status=INPUT, says=["none.h5"])
        finally:
            (away / "w.h5").rename(self.folder / "v.h5")

    def test_another_volume(self):
        """Same grid, other samples: the curves are shown, and the page says that they are not those of the maps."""
        self.run_there("simulate", "--scene", "uniform", "--noise", "0.1 nm", "--columns", 12, "--rows", 9, "--seed", 5, "-o", "w.h5")
        facts, _, said = self.report("-v", "w.h5", "--curves", 3)
        n = len(facts["curves"])
        self.assertIn(f"caution: {n} curves, computed again, do not give the numbers of the map file", said)
        self.assertIn(f"{n} of {n} curves, computed again", " ".join(facts["cautions"]))

    def test_long_curves_are_thinned(self):
        self.run_there("simulate", "--scene", "uniform", "--columns", 2, "--rows", 2, "--samples", 9000, "-o", "long.h5")
        self.run_there("map", "r.yaml", "long.h5", "-o", "long-maps.h5", "--quiet")
        self.run_there("report", "long-maps.h5")
        facts, blocks, _ = read(self.folder / "long-maps.html")
        for curve, about in enumerate(facts["curves"]):
            self.assertEqual([(s["n"], s["step"], s["samples"]) for s in about["segments"]], [(3000, 3, 9000)] * 2)
            self.assertEqual(len(blocks[f"curve-{curve}"]), 4 * 6 * 3000)
        self.assertIn(f"Of {len(facts['curves'])} curves not all samples", " ".join(facts["cautions"]))

    def test_wrong_wishes(self):
        before = {p.name for p in self.folder.iterdir()}
        for words, says in ((["--max-size", "big"], ["--max-size 'big'"]), (["--max-size", "-1"], ["'-1'"]),
                            (["--max-size", "nan"], ["'nan'"]), (["--curves", "some"], ["or all"]), (["--pixel", "3"], ["12,30"]),
                            (["--pixel", "12,0"], ["columns are 0 to 11"]), (["--pixel", "1,8"], ["no curve was taken"]),
                            (["modulous"], ["did you mean modulus"])):
            with self.subTest(words):
                self.refuses("report", "m.h5", "-o", "s.html", *words, status=USAGE, says=says)
        self.refuses("report", status=USAGE, says=["MAPS.h5"])
        self.refuses("report", "v.h5", "-o", "s.html", status=INPUT, says=["v.h5"])
        self.refuses("report", "none.h5", "-o", "s.html", status=INPUT, says=["none.h5"])
        self.refuses("report", "m.h5", "-o", "no/s.html", status=OUTPUT, says=["no/s.html"])
        volume = (self.folder / "v.h5").read_bytes()
        for name in ("m.h5", "v.h5"):
            self.refuses("report", "m.h5", "-o", name, "--overwrite", status=OUTPUT, says=[name, "input"])
        self.assertEqual((self.folder / "v.h5").read_bytes(), volume)
        self.assertEqual({p.name for p in self.folder.iterdir()}, before)
        (self.folder / "there.html").write_text("mine")
        self.refuses("report", "m.h5", "-o", "there.html", status=OUTPUT, says=["there.html", "--overwrite"])
        self.assertEqual((self.folder / "there.html").read_text(), "mine")

    def test_an_unfinished_file(self):
        shutil.copy(self.folder / "m.h5", self.folder / "part.h5")
        with h5py.File(self.folder / "part.h5", "r+") as f:
            f["entry/maps/state"][2:, :] = 0
        self.run_there("report", "part.h5", "--curves", 2)
        cautions = " ".join(read(self.folder / "part.html")[0]["cautions"])
        self.assertRegex(cautions, "not finished: 84 of 108 pixels")
        self.assertNotIn("computed again", cautions)

    def test_what_a_killed_run_left(self):
        """A report that was cut off while it was written does not stand in the way of the next."""
        (self.folder / "cut.html.part").write_text("<!DOCTYPE html>")
        self.run_there("report", "m.h5", "-o", "cut.html", "--curves", 2)
        self.assertEqual((self.folder / "cut.html.part").read_text(), "<!DOCTYPE html>")

    def test_pixels_that_a_refit_copied(self):
        """Their numbers are by another recipe than the curve: that is said, and is not taken for another volume."""
        self.run_there("refit", "m.h5", "--set", "sample.poisson_ratio=0.3", "--mask", "rectangle(0 0, 0.5 9)",
                       "-o", "some.h5")
        with h5py.File(self.folder / "some.h5") as f:
            copied = f["entry/runs/run_of_pixel"][()] == 0
        said = self.run_there("report", "some.h5", "-o", "some.html", "--curves", "all").stdout
        cautions = " ".join(read(self.folder / "some.html")[0]["cautions"])
        self.assertTrue(0 < copied.sum() < copied.size)
        self.assertRegex(cautions, r"of 107 curves are of pixels that a refit copied")
        self.assertNotIn("computed again", cautions + said)


class Lines(WithReport):
    def blocks(self, path, heading):
        text = (ROOT / path).read_text().split(heading, 1)[1].split("\n## ")[0]
        return re.findall(r"^```sh\n(.*?)^```", text, re.S | re.M)

    def run_block(self, block):
        build = self.folder / "build"
        build.mkdir(exist_ok=True)
        if not (build / "cantle").exists():
            (build / "cantle").symlink_to(shutil.which(CANTLE))
            shutil.copy(self.folder / "m.h5", self.folder / "maps.h5")
        return subprocess.run(["bash", "-ec", "set -o pipefail; PATH=$PWD/build:$PATH\n" + block], cwd=self.folder, capture_output=True,
                              text=True, env={**os.environ, "MANPAGER": "cat", "LC_ALL": "C.UTF-8"})

    def test_readme(self):
        report, manual = self.blocks("README.md", "## A report for the browser")
        done = self.run_block(report)
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.assertTrue(read(self.folder / "report.html")[0]["curves"])
        done = self.run_block(manual + "complete -p cantle")
        if shutil.which("man"):
            self.assertEqual((done.returncode, done.stderr), (0, ""))
            self.assertIn("cantle map [OPTION...]", done.stdout)
            self.assertIn("-F _cantle cantle", done.stdout)

    def test_page(self):
        short, long = self.blocks("docs/report.md", "# A report")[0], self.blocks("docs/report.md", "## How large")[0]
        for block in (short + "rm report.html", long):
            done = self.run_block(block)
            self.assertEqual((done.returncode, done.stderr), (0, ""), block)
        facts = read(self.folder / "large.html")[0]
        self.assertEqual([m["name"] for m in facts["maps"]], ["modulus", "adhesion"])
        self.assertEqual(len(facts["curves"]), 107)


if __name__ == "__main__":
    unittest.main()
