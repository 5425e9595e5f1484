"""`cantle study`: what is run, kept and told, and its numbers against NumPy and SciPy.

The bootstrap is that of A. C. Davison and D. V. Hinkley, Bootstrap Methods and their Application, 1997, section 3.8
(from memory): written here once more, without looking at the program's."""
import base64
import csv
import json
import os
import re
import shutil
import subprocess
import unittest

import h5py
import numpy as np
from scipy import stats

from run import CANTLE, ROOT, InFolder, cantle

# condition, sample, cell, modulus in MPa; two volumes of one cell at the end
PLAN = [("soft", "a", "1", 1.0), ("soft", "a", "2", 1.2), ("soft", "b", "1", 1.5), ("soft", "b", "2", 1.3),
        ("hard", "c", "1", 2.0), ("hard", "c", "2", 3.1), ("hard", "d", "1", 2.6), ("hard", "d", "2", 2.2),
        ("hard", "d", "2", 2.4)]


def nested(cells):
    """{sample: [values]} -> median of medians."""
    return np.median([np.median(v) for v in cells.values()])


def bootstrap(groups, effect, draws, rng):
    """groups: list of {sample: values}; samples, then cells within them."""
    out = np.empty(draws)
    for k in range(draws):
        medians = []
        for cells in groups:
            names = list(cells)
            drawn = [cells[names[i]] for i in rng.integers(len(names), size=len(names))]
            medians.append(np.median([np.median(rng.choice(v, len(v))) for v in drawn]))
        out[k] = effect(*medians)
    return np.percentile(out, [2.5, 97.5])


class Study(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        lines = ["format: cantle-study-1", "title: 'soft & <hard>'", "recipe: recipe.yaml", "folder: out/put",
                 "maps: [modulus, adhesion]", "volumes:"]
        (cls.folder / "recipe.yaml").write_text("contact:\n  model: paraboloid\n")
        for i, (condition, sample, cell, modulus) in enumerate(PLAN):
            cls.run_there("simulate", "--scene", "uniform", "--model", "dmt", "--columns", 5, "--rows", 4,
                          "--samples", 128, "--modulus", f"{modulus} MPa", "--seed", i + 1, "-q", "-o", f"v{i}.h5")
            lines += [f"  - volume: v{i}.h5", f"    condition: {condition}", f"    sample: {sample}",
                      f"    cell: '{cell}'"]
        lines += ["    exceptions: [contact.to = 90 %]"]
        (cls.folder / "study.yaml").write_text("\n".join(lines) + "\n")
        cls.first = cls.run_there("study", "study.yaml").stdout
        cls.out = cls.folder / "out" / "put"
        cls.results = json.loads((cls.out / "study.json").read_text())

    def cells(self, name="modulus"):
        """The same tree from the map files themselves."""
        tree = {}
        for i, (condition, sample, cell, _) in enumerate(PLAN):
            with h5py.File(self.out / f"v{i}-maps.h5") as f:
                d, state = f["entry/maps"][name], f["entry/maps/state"][()]
                values = d[()][(state == 1) | (state == 2)].astype(float)
                factor = {"kPa": 1e3, "nN": 1e-9}[d.attrs["units"].decode()]
            tree.setdefault(condition, {}).setdefault(sample, {}).setdefault(cell, []).append(
                np.nanmedian(values) * factor)
        return {c: {s: np.array([np.median(v) for v in cells.values()]) for s, cells in samples.items()}
                for c, samples in tree.items()}

    def test_nested_medians_and_intervals(self):
        """Ends of a bootstrap interval scatter from seed to seed: by the spread of ten runs of NumPy's."""
        for name, effect in (("modulus", lambda a, b: b / a), ("adhesion", lambda a, b: b - a)):
            tree, told = self.cells(name), self.results["maps"][name]
            groups = [tree["soft"], tree["hard"]]
            for group, cells in zip(told["conditions"], groups):
                self.assertEqual((group["samples"], group["cells"]), (2, 4))
                self.assertAlmostEqual(group["median"] / nested(cells), 1, places=5)
                runs = [bootstrap([cells], lambda a: a, 2000, np.random.default_rng(k)) for k in range(3)]
                self.near(group["low"], group["high"], runs)
            pair = told["comparisons"][0]
            self.assertAlmostEqual(pair["effect"] / effect(nested(tree["soft"]), nested(tree["hard"])), 1, places=4)
            runs = [bootstrap(groups, effect, 2000, np.random.default_rng(k)) for k in range(3)]
            self.near(pair["low"], pair["high"], runs)
            units = [np.concatenate(list(g.values())) for g in groups]
            self.assertEqual(pair["n"], [4, 4])
            self.assertEqual(pair["unit"], "cell")
            self.assertAlmostEqual(pair["p_value"], stats.mannwhitneyu(*units, method="exact").pvalue, places=9)

    def near(self, low, high, runs):
        mean, width = np.mean(runs, axis=0), np.ptp(np.mean(runs, axis=0))
        for end, told in enumerate((low, high)):
            self.assertLess(abs(told - mean[end]), 0.08 * width, f"{told} is not {mean[end]}")

    def test_table(self):
        with open(self.out / "study.csv", newline="") as f:
            rows = list(csv.DictReader(f))
        self.assertEqual([(r["condition"], r["sample"], r["cell"]) for r in rows], [p[:3] for p in PLAN])
        for row, (_, _, _, modulus) in zip(rows, PLAN):
            self.assertLess(abs(float(row["modulus_median (Pa)"]) / (modulus * 1e6) - 1), 0.05)
            self.assertEqual(row["accepted"], "20")

    def test_page_and_figures(self):
        page = (self.out / "study.html").read_text()
        self.assertIn("<h1>soft &amp; &lt;hard&gt;</h1>", page)
        self.assertIn("Lazic", page)
        self.assertNotIn("<script", page)
        pictures = re.findall(r"<img src='data:image/png;base64,([^']+)'", page)  # nothing beside the page is needed
        self.assertEqual(page.count("<img"), len(pictures))
        self.assertEqual({base64.b64decode(p, validate=True) for p in pictures},
                         {p.read_bytes() for p in self.out.glob("study-*.png")})
        self.assertIn("smallest possible 0.029", self.first)

    def test_exception(self):
        with h5py.File(self.out / "v8-maps.h5") as f:
            self.assertIn("to: '90 %'", f["entry/process_2_contact_fit/recipe/data"][()].decode())
        with h5py.File(self.out / "v7-maps.h5") as f:
            self.assertNotIn("90 %", f["entry/process_2_contact_fit/recipe/data"][()].decode())

    def copy(self, name):
        there = self.folder / name
        shutil.copytree(self.folder, there, ignore=shutil.ignore_patterns("copy*"))
        return there

    def test_again_keeps_all(self):
        there = self.copy("copy1")
        before = {p: p.stat().st_mtime_ns for p in (there / "out/put").glob("*-maps.h5")}
        done = cantle("study", "study.yaml", "--ranks", 2, folder=there)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(done.stdout.count("kept: finished and unchanged"), len(PLAN))
        self.assertEqual(before, {p: p.stat().st_mtime_ns for p in before})

    def test_what_fails_does_not_stop_the_others(self):
        """One volume is gone, one has other samples than its maps, one was cut off before it began."""
        there = self.copy("copy2")
        (there / "v0.h5").unlink()
        made = cantle("simulate", "--scene", "uniform", "--model", "dmt", "--columns", 5, "--rows", 4, "--samples", 128,
                      "--modulus", "9 MPa", "-q", "-f", "-o", "v4.h5", folder=there)
        self.assertEqual(made.returncode, 0, made.stderr)
        (there / "out/put/v5-maps.h5").unlink()
        done = cantle("study", "study.yaml", folder=there)
        self.assertEqual(done.returncode, 9, done.stderr)
        self.assertEqual(len(done.stderr.splitlines()), 1, done.stderr)
        self.assertIn("2 of 9 volumes have no results", done.stderr)
        self.assertRegex(done.stdout, r"v0.h5: FAILED: .*v0.h5.*No such file")
        self.assertRegex(done.stdout, r"v4.h5: FAILED: .*was begun from something else")
        self.assertIn("v5.h5: mapped", done.stdout)
        told = json.loads((there / "out/put/study.json").read_text())
        self.assertEqual([v["finished"] for v in told["volumes"]], [i not in (0, 4) for i in range(9)])
        self.assertEqual(told["maps"]["modulus"]["conditions"][1]["cells"], 3)
        self.assertIn("was begun from something else", (there / "out/put/study.html").read_text())
        again = cantle("study", "study.yaml", "--overwrite", "--json", folder=there)
        self.assertEqual(again.returncode, 9)
        told = json.loads(again.stdout)
        self.assertEqual([v["finished"] for v in told["volumes"]], [i != 0 for i in range(9)])
        self.assertAlmostEqual(told["volumes"][4]["modulus"]["median"] / 9e6, 1, delta=0.05)

    def test_jobs(self):
        there = self.copy("copy3")
        done = cantle("study", "--print-jobs", "study.yaml", folder=there)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("submit-list 'out/put/volumes.tsv'", done.stdout)
        rows = [line.split("\t") for line in (there / "out/put/volumes.tsv").read_text().splitlines()]
        self.assertEqual(len(rows), len(PLAN))
        for row in rows:
            self.assertEqual(len(row), 3)
            self.assertTrue(all(os.path.isabs(path) and os.path.exists(path) for path in row), row)
        # the list is one that submit-list takes: all is finished, so it has nothing to submit
        sent = subprocess.run([ROOT / "jobs/slurm/submit-list", "out/put/volumes.tsv"], cwd=there, capture_output=True,
                              text=True)
        self.assertEqual((sent.returncode, sent.stderr), (0, "submit-list: all volumes of "
                         f"{(there / 'out/put/volumes.tsv').resolve()} are finished\n"))
        done = cantle("study", "--collect", "study.yaml", "--quiet", folder=there)
        self.assertEqual((done.returncode, done.stdout, done.stderr), (0, "", ""))

    def test_refusals(self):
        good = (self.folder / "study.yaml").read_text()
        for change, status, says in (
                (("cantle-study-1", "cantle-study-9"), 3, ["cantle-study-9"]),
                (("maps: [modulus", "maps: [modullus"), 3, ["modullus", "modulus"]),
                (("condition: soft", "colour: soft"), 3, ["line 7", "colour"]),
                (("v1.h5", "v0.h5"), 3, ["numbers 1 and 2", "twice"]),
                (("contact.to = 90 %", "contact.too = 90 %"), 3, ["number 9", "contact.too"]),
                (("contact.to = 90 %", "contact.to = 90 kg"), 3, ["number 9", "90 kg"]),
                (("contact.to = 90 %", "contact.to"), 3, ["number 9", "contact.model = cone"]),
                (("recipe: recipe.yaml", "recipe: none.yaml"), 4, ["none.yaml"]),
                (("folder: out/put", "folder: recipe.yaml/x"), 5, ["recipe.yaml"])):
            (self.folder / "wrong.yaml").write_text(good.replace(*change, 1))
            self.refuses("study", "wrong.yaml", status=status, says=says)
        self.refuses("study", "none.yaml", status=4, says=["none.yaml"])
        self.refuses("study", status=2, says=["STUDY.yaml"])
        self.refuses("study", "study.yaml", "--ranks", "0", status=2, says=["--ranks"])
        self.refuses("study", "study.yaml", ranks=2, status=2, says=["without mpiexec"])


if __name__ == "__main__":
    unittest.main()
