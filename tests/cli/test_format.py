"""Layout of the code is a rule that is run, not remembered."""
import subprocess
import unittest

from run import ROOT


def sources():
    return sorted(str(p) for folder in ("src", "tests") for p in (ROOT / folder).rglob("*.[ch]"))


class Format(unittest.TestCase):
    def test_clang_format(self):
        done = subprocess.run(["clang-format", "--dry-run", "-Werror", *sources()], capture_output=True,
                              text=True)
        self.assertEqual(done.returncode, 0, done.stderr[:2000])

    def test_floors(self):
        """A floor includes only floors below it; the physics sees neither HDF5 nor MPI."""
        below = {"base": "", "recipe": "base contact", "calibration": "base recipe",
                 "contact": "base calibration", "fit": "base",
                 "curve": "base recipe calibration contact fit",
                 "review": "base curve",
                 "volume": "base calibration curve",
                 "intake": "base calibration curve volume",
                 "doctor": "base calibration curve volume",
                 "simulate": "base calibration contact curve volume",
                 "maps": "base recipe calibration curve review volume",
                 "grid": "base curve volume maps", "figure": "base",
                 "export": "base",
                 "study": "base recipe curve review maps figure",
                 "report": "base recipe calibration contact curve volume maps figure"}
        for path in sources():
            parts = path.split("/src/")
            if len(parts) < 2 or "/" not in parts[1]:
                continue
            floor = parts[1].split("/")[0]
            if floor == "command":
                continue
            for line in open(path):
                if line.startswith('#include "') and "/" in line:
                    other = line.split('"')[1].split("/")[0]
                    self.assertIn(other, [floor, *below[floor].split()], f"{path}: {line}")
                if floor in "base recipe calibration contact fit curve review export figure".split():
                    self.assertNotIn("#include <hdf5", line, path)
                    self.assertNotIn("#include <mpi", line, path)

    def test_no_forbidden_calls(self):
        """No shell, no exit below main, no unchecked number parsing, nothing left over."""
        import re
        forbidden = re.compile(r"\b(system|popen|exit|abort|atoi|atof|strcpy|strcat|sprintf|gets)\s*\(|\b(TODO|FIXME|XXX)\b")
        for path in sources():
            if "/src/" not in path:
                continue
            for number, line in enumerate(open(path), 1):
                self.assertIsNone(forbidden.search(line), f"{path}:{number}: {line}")


if __name__ == "__main__":
    unittest.main()
