"""The pages in docs/ are what the program prints, links lead somewhere, and the README's lines work."""
import pathlib
import re
import shutil
import subprocess
import tempfile
import unittest

from run import CANTLE, ROOT, cantle

PAGES = {"keys": "recipe-keys", "models": "models", "maps": "maps", "flags": "flags",
         "statuses": "exit-statuses"}


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

    def test_the_readmes_lines(self):
        """The five lines for one's own data, as they stand, on a simulated volume."""
        block = re.search(r"## Your own data.*?```sh\n(.*?)```", (ROOT / "README.md").read_text(), re.S)
        lines = [line.split("#")[0].strip() for line in block.group(1).splitlines()]
        self.assertEqual(len(lines), 5)
        with tempfile.TemporaryDirectory() as folder:
            made = cantle("simulate", "--scene", "uniform", "--columns", 13, "--rows", 31, "-o",
                          "volume.h5", folder=folder)
            self.assertEqual(made.returncode, 0, made.stderr)
            (pathlib.Path(folder) / "build").mkdir()
            (pathlib.Path(folder) / "build" / "cantle").symlink_to(shutil.which(CANTLE))
            for line in lines:
                done = subprocess.run(line, shell=True, cwd=folder, capture_output=True, text=True)
                self.assertEqual(done.returncode, 0, f"{line}: {done.stderr}")
            for name in ("recipe.yaml", "maps.h5", "maps.png"):
                self.assertTrue((pathlib.Path(folder) / name).stat().st_size > 0, name)


if __name__ == "__main__":
    unittest.main()
