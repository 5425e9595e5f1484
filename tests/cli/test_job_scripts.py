"""All shell scripts can be read by bash; the batch systems' lines stand where they are looked for."""
import subprocess
import unittest

from run import ROOT


def scripts():
    found = [p for folder in ("jobs", "tests") for p in (ROOT / folder).rglob("*") if p.is_file()]
    return [p for p in found if p.suffix == ".sh" or p.parent.name in ("slurm", "pbs") and p.suffix in (".sbatch", ".pbs", "")]


class JobScripts(unittest.TestCase):
    def test_syntax(self):
        names = {p.name for p in scripts()}
        self.assertLessEqual({"map.sbatch", "collect.sbatch", "map.pbs", "collect.pbs", "submit-list", "install.sh"}, names)
        for path in scripts():
            done = subprocess.run(["bash", "-n", path], capture_output=True, text=True)
            self.assertEqual((done.returncode, done.stderr), (0, ""), path)

    def test_directives_come_first(self):
        """sbatch and qsub stop to look for their lines at the first command."""
        for path in scripts():
            sign = {".sbatch": "#SBATCH ", ".pbs": "#PBS "}.get(path.suffix)
            if not sign:
                continue
            lines = path.read_text().splitlines()
            first = next(i for i, line in enumerate(lines) if line and not line.startswith("#"))
            self.assertTrue(any(line.startswith(sign) for line in lines[:first]), path)
            self.assertFalse(any(line.startswith(sign) for line in lines[first:]), path)


if __name__ == "__main__":
    unittest.main()
