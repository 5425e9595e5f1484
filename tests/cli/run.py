"""Call the program as a user would, in a scratch folder. Shared by the tests of this folder."""
import os
import pathlib
import subprocess
import tempfile
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
CANTLE = os.environ.get("CANTLE", str(ROOT / "build" / "cantle"))
os.environ.setdefault("HYDRA_LAUNCHER", "fork")  # MPICH: start ranks on this machine without ssh


def cantle(*words, folder=None, ranks=0, **options):
    """Run `cantle WORDS`, under mpiexec when ranks > 0; returns the completed process."""
    start = ["mpiexec", "-n", str(ranks)] if ranks else []
    settings = dict(stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, timeout=300)
    return subprocess.run([*start, CANTLE, *map(str, words)], cwd=folder, **{**settings, **options})


class InFolder(unittest.TestCase):
    """Each test class has a folder of its own, `cls.folder`, that goes away."""

    @classmethod
    def setUpClass(cls):
        scratch = tempfile.TemporaryDirectory(prefix="cantle-cli-")
        cls.addClassCleanup(scratch.cleanup)
        cls.folder = pathlib.Path(scratch.name)

    @classmethod
    def run_there(cls, *words, status=0, **options):
        """Run in the folder and insist on the exit status."""
        done = cantle(*words, folder=cls.folder, **options)
        if done.returncode != status:
            raise AssertionError(f"cantle {words}: status {done.returncode}, not {status}: {done.stderr}")
        return done

    def refuses(self, *words, status, says=(), **options):
        """It ends with the status, nothing on stdout, and one line on stderr that names things."""
        done = self.run_there(*words, status=status, **options)
        self.assertEqual(done.stdout, "", words)
        self.assertEqual(len(done.stderr.splitlines()), 1, done.stderr)
        for word in says:
            self.assertIn(str(word), done.stderr)
        return done.stderr
