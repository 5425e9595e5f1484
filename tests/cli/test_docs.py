"""The pages in docs/ are what the program prints, links lead somewhere, and the README's lines work."""
import json
import os
import pathlib
import re
import shutil
import subprocess
import tempfile
import unittest

from run import CANTLE, ROOT, cantle

PAGES = {"keys": "recipe-keys", "import": "import-keys", "models": "models", "maps": "maps", "flags": "flags",
         "statuses": "exit-statuses", "reuse": "reuse"}


class Docs(unittest.TestCase):
    def test_reference_pages_are_current(self):
        for word, page in PAGES.items():
            printed = cantle("manual", word)
            self.assertEqual(printed.returncode, 0, printed.stderr)
            self.assertEqual(printed.stdout, (ROOT / "docs" / f"{page}.md").read_text(),
                             f"docs/{page}.md is old: run tests/refresh-docs.sh")

    def test_links_lead_somewhere(self):
        for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")]:
            for target in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
                if "://" not in target:
                    self.assertTrue((page.parent / target).exists(), f"{page.name}: {target}")

    def test_every_map_and_model_is_explained(self):
        methods = (ROOT / "docs" / "methods.md").read_text()
        for model in ("paraboloid", "cone", "pyramid", "flat punch", "DMT", "JKR"):
            self.assertIn(model, methods)

    def test_every_field_of_the_lever_file_is_explained(self):
        page = (ROOT / "docs" / "calibration.md").read_text()
        table = (ROOT / "src" / "calibration" / "lever_file.h").read_text()
        fields = re.findall(r"^    [FE]\((\w+), ", table, re.M)
        self.assertGreater(len(fields), 15)
        for field in fields:
            self.assertIn(f"`{field}`", page)

    def test_the_readmes_lines(self):
        """The five lines for one's own data, as they stand, on a simulated volume."""
        section = re.search(r"## Your own data.*?\n## ", (ROOT / "README.md").read_text(), re.S).group()
        blocks = [block.splitlines() for block in re.findall(r"```sh\n(.*?)```", section, re.S)]
        lines = [line.split("#")[0].strip() for block in blocks for line in block]
        self.assertEqual(len(blocks[0]), 5)
        with tempfile.TemporaryDirectory() as folder:
            made = cantle("simulate", "--scene", "uniform", "--columns", 13, "--rows", 31, "-o",
                          "volume.h5", folder=folder)
            self.assertEqual(made.returncode, 0, made.stderr)
            (pathlib.Path(folder) / "build").mkdir()
            (pathlib.Path(folder) / "build" / "cantle").symlink_to(shutil.which(CANTLE))
            for line in lines:
                done = subprocess.run(line, shell=True, cwd=folder, capture_output=True, text=True)
                self.assertEqual(done.returncode, 0, f"{line}: {done.stderr}")
            for name in ("recipe.yaml", "maps.h5", "maps.png", "histogram.png", "maps.tif"):
                self.assertTrue((pathlib.Path(folder) / name).stat().st_size > 0, name)

    def test_the_readmes_second_look(self):
        """Refit and compare as README has them, on what its five lines leave."""
        block = re.search(r"## A second look.*?```sh\n(.*?)```", (ROOT / "README.md").read_text(), re.S)
        lines = [line.split("#")[0].strip() for line in block.group(1).splitlines()]
        self.assertEqual(len(lines), 2)
        with tempfile.TemporaryDirectory() as folder:
            for words in (["simulate", "--scene", "uniform", "--columns", 9, "--rows", 7, "-o", "volume.h5"],
                          ["map", "volume.h5", "-o", "maps.h5"]):
                self.assertEqual(cantle(*words, folder=folder).returncode, 0)
            (pathlib.Path(folder) / "build").mkdir()
            (pathlib.Path(folder) / "build" / "cantle").symlink_to(shutil.which(CANTLE))
            for line in lines:
                done = subprocess.run(line, shell=True, cwd=folder, capture_output=True, text=True)
                self.assertEqual(done.returncode, 0, f"{line}: {done.stderr}")
            self.assertIn("which model describes a pixel better: A paraboloid", done.stdout)
            for name in ("cone.h5", "cone.png", "cone-maps.png"):
                self.assertTrue((pathlib.Path(folder) / name).stat().st_size > 0, name)

    def test_the_refit_page(self):
        """docs/refit-and-compare.md from an empty folder, block by block as it stands."""
        page = (ROOT / "docs" / "refit-and-compare.md").read_text()
        blocks = re.findall(r"^```sh\n(.*?)^```", page, re.S | re.M)
        self.assertEqual(len(blocks), 5)
        with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as programs:
            os.symlink(shutil.which(CANTLE), pathlib.Path(programs) / "cantle")
            path = {**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"}
            said = ""
            for block in blocks:
                done = subprocess.run(["bash", "-e", "-c", block], cwd=folder, env=path, capture_output=True, text=True)
                self.assertEqual(done.returncode, 0, f"{block}: {done.stderr}")
                said += done.stdout
            numbers = json.loads((pathlib.Path(folder) / "numbers.json").read_text())
        for words in ("taken from it: baseline, noise, contact point\n", "taken from it: baseline, noise\n",
                      "contact.two_depths: yes -> no", "limits", "figure: differences-maps.png"):
            self.assertIn(words, said)
        self.assertGreater(numbers["criterion"]["aicc"]["pixels"], 100)

    def test_the_unloading_page(self):
        """docs/unloading.md from an empty folder: its recipe, its commands, and the medians that it tells."""
        page = (ROOT / "docs" / "unloading.md").read_text()
        blocks = re.findall(r"^```sh\n(.*?)^```", page, re.S | re.M)
        self.assertEqual(len(blocks), 1)
        with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as programs:
            os.symlink(shutil.which(CANTLE), pathlib.Path(programs) / "cantle")
            done = subprocess.run(["bash", "-e", "-c", blocks[0]], cwd=folder, capture_output=True, text=True,
                                  env={**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"})
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertTrue((pathlib.Path(folder) / "unloading.png").stat().st_size > 0)
            maps = json.loads(cantle("describe", "--json", "maps.h5", folder=folder).stdout)["maps"]
        told = re.search(r"gives (\S+) GPa for the film; the unloading gives (\S+) GPa \(.*?\) and a\s+hardness of "
                         r"(\d+) MPa", page, re.S)
        for name, value in zip(("modulus", "unloading_modulus", "hardness"), told.groups()):
            scale = 1e6 if name == "hardness" else 1e9
            self.assertAlmostEqual(maps[name]["median"] / scale / float(value), 1, delta=0.01, msg=name)

    def test_the_unloading_page_is_complete(self):
        """Every map and flag of the analysis, every key and area function."""
        page = (ROOT / "docs" / "unloading.md").read_text()
        maps = re.findall(r"^\| `(\w+)` .*\| `unloading` \|", (ROOT / "docs" / "maps.md").read_text(), re.M)
        self.assertEqual(len(maps), 13)
        keys = (ROOT / "docs" / "recipe-keys.md").read_text().split("## unloading\n")[1].split("\n## ")[0]
        names = re.findall(r"^\| `(\w+)` ", keys, re.M)
        self.assertEqual(len(names), 7)
        areas = re.search(r"one of: auto, ([\w, ]+\w)", keys).group(1).split(", ")
        flags = ("no_unloading", "unloading_exponent", "no_plastic_depth", "pile_up", "no_unloading_modulus",
                 "unloading_adhesion")
        for word in (*maps, *names, *areas, *flags):
            self.assertIn(f"`{word}`", page)

    def test_the_import_walk_through(self):
        """docs/import.md from an empty folder, block by block as it stands; the modulus that its script puts in."""
        page = (ROOT / "docs" / "import.md").read_text()
        blocks = re.findall(r"^```sh\n(.*?)^```", page, re.S | re.M)
        self.assertEqual(len(blocks), 4)
        with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as programs:
            os.symlink(shutil.which(CANTLE), pathlib.Path(programs) / "cantle")
            os.symlink("/usr/bin/python3", pathlib.Path(programs) / "python3")
            path = {**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"}
            for block in blocks:
                said = re.search(r"ends with status (\d)", block)
                done = subprocess.run(["bash", "-e", "-c", block], cwd=folder, env=path, capture_output=True, text=True)
                self.assertEqual(done.returncode, int(said.group(1)) if said else 0, f"{block}: {done.stderr}")
                self.assertNotIn("warning", done.stdout)
            described = json.loads(cantle("describe", "--json", "maps.h5", folder=folder).stdout)
            self.assertTrue((pathlib.Path(folder) / "maps.png").stat().st_size > 0)
        text = json.dumps(described)
        self.assertAlmostEqual(described["maps"]["modulus"]["median"] / 10e3, 1, delta=0.02, msg=text[:2000])

    def test_the_descriptions_in_the_import_page(self):
        """The fragments of YAML are descriptions that can be read: only the source is missing."""
        page = (ROOT / "docs" / "import.md").read_text()
        with tempfile.TemporaryDirectory() as folder:
            (pathlib.Path(folder) / "box3-no7.yaml").write_text("format: cantle-lever-1\nvalues: []\n")
            for block in re.findall(r"^```yaml\n(.*?)^```", page, re.S | re.M):
                (pathlib.Path(folder) / "a.yaml").write_text(block)
                done = cantle("import", "a.yaml", "none.h5", "-o", "b.h5", folder=folder)
                self.assertEqual(done.returncode, 4, done.stderr)
                self.assertIn("none.h5: cannot be read", done.stderr)

    def test_the_demos_of_cells_and_lateral(self):
        """In a small size: the figures their pages show, and the rows of the lateral table."""
        page = (ROOT / "docs" / "lateral.md").read_text()
        for name, figures in (("cells", ("cells-maps", "cells-curve", "cells-depth")), ("lateral", ("lateral",))):
            with tempfile.TemporaryDirectory() as folder:
                done = subprocess.run([ROOT / "jobs" / f"demo-{name}.sh", folder, "5"], capture_output=True, text=True,
                                      env={**os.environ, "CANTLE": shutil.which(CANTLE)})
                self.assertEqual(done.returncode, 0, done.stderr)
                for figure in figures:
                    self.assertTrue((pathlib.Path(folder) / f"{figure}.png").stat().st_size > 0, figure)
            for row in re.findall(r"^\| `\w+` ", done.stdout, re.M):
                self.assertIn(row, page)
        self.assertEqual(len(re.findall(r"^\| `\w+` ", done.stdout, re.M)), 6)

    def test_the_study_lines(self):
        """The README's lines on a study, as they stand; the page of results and its figures are there."""
        block = re.search(r"## A study in one command.*?```sh\n(.*?)```", (ROOT / "README.md").read_text(), re.S)
        with tempfile.TemporaryDirectory() as folder:
            (pathlib.Path(folder) / "build").mkdir()
            (pathlib.Path(folder) / "build" / "cantle").symlink_to(shutil.which(CANTLE))
            (pathlib.Path(folder) / "jobs").symlink_to(ROOT / "jobs")
            done = subprocess.run(["bash", "-e", "-c", block.group(1)], cwd=folder, capture_output=True, text=True)
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertEqual(done.stdout.count(": mapped\n"), 12)
            results = json.loads((pathlib.Path(folder) / "study/results/study.json").read_text())
            for name in ("study.html", "study.csv", "study-modulus.png", "study-adhesion.png"):
                self.assertTrue((pathlib.Path(folder) / "study/results" / name).stat().st_size > 0, name)
        modulus = results["maps"]["modulus"]["comparisons"]
        self.assertEqual([(c["first"], c["second"]) for c in modulus],
                         [("plain", "filled"), ("plain", "softened"), ("filled", "softened")])
        self.assertTrue(1.4 < modulus[0]["effect"] < 1.9)  # 3.1 to 3.7 MPa over 1.9 to 2.25 MPa

    def test_the_models_demo(self):
        """jobs/demo-models.sh in a small size: the same rows as on its page, and what the page says of them."""
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run([ROOT / "jobs" / "demo-models.sh", folder, "4"], capture_output=True, text=True,
                                  env={**os.environ, "CANTLE": shutil.which(CANTLE)})
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertTrue((pathlib.Path(folder) / "dmt.png").stat().st_size > 0)
        table = [line.split(" | ") for line in done.stdout.splitlines()]
        page = (ROOT / "docs" / "choosing-a-model.md").read_text()
        on_page = [line.split(" | ") for line in page.splitlines() if line.startswith("| ")]
        self.assertEqual([row[0] for row in table if "---" not in row[0]], [row[0] for row in on_page])
        cells = {row[0].strip("| `"): row[1:] for row in table}
        number = {name: [float(re.match(r"[-\d.e]+", cell).group()) for cell in row]
                  for name, row in cells.items() if name not in ("flags", "median [quartiles]") and "---" not in name}
        paraboloid, dmt, jkr = range(3)
        self.assertLess(max(number["adhesion"]) - min(number["adhesion"]), 0.05)
        for model in (paraboloid, jkr):
            self.assertAlmostEqual(number["modulus"][model], 50, delta=0.5)
            self.assertAlmostEqual(number["work_of_adhesion"][model], 50, delta=1)
            self.assertAlmostEqual(number["reduced_chi_square"][model], 1, delta=0.3)
        self.assertAlmostEqual(number["work_of_adhesion"][dmt], 0.735 * 50, delta=1)
        self.assertTrue(0.9 < number["modulus"][dmt] / 50 < 0.96)
        self.assertTrue(all(value > 5 for value in number["tabor_parameter"]))
        self.assertIn("`wrong_transition` 16", cells["flags"][dmt])
        self.assertEqual(cells["flags"][jkr].strip("| "), "none")

    def test_the_demo_of_relaxing_cells(self):
        """jobs/demo-relaxing-cells.sh in a small size: what its page says of elastic and viscoelastic modulus."""
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run([ROOT / "jobs" / "demo-relaxing-cells.sh", folder, "12"], capture_output=True, text=True,
                                  env={**os.environ, "CANTLE": shutil.which(CANTLE)})
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertTrue((pathlib.Path(folder) / "cells-maps.png").stat().st_size > 0)
            described = json.loads(cantle("describe", "--json", "cells-maps.h5", folder=folder).stdout)["maps"]
        ratio = described["modulus"]["median"] / described["relaxation_modulus"]["median"]
        self.assertTrue(2 < ratio < 4, ratio)
        self.assertTrue(0.12 < described["relaxation_exponent"]["median"] < 0.34)
        self.assertAlmostEqual(described["drag_coefficient"]["median"] / 2.4e-6, 1, delta=0.1)


if __name__ == "__main__":
    unittest.main()
