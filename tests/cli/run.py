"""Call the program as a user would, in a scratch folder. Shared by the tests of this folder."""
import os
import pathlib
import subprocess

ROOT = pathlib.Path(__file__).resolve().parents[2]
CANTLE = os.environ.get("CANTLE", str(ROOT / "build" / "cantle"))


def cantle(*words, folder=None, ranks=0):
    """Run `cantle WORDS`, under mpiexec when ranks > 0; returns the completed process."""
    start = ["mpiexec", "-n", str(ranks)] if ranks else []
    return subprocess.run([*start, CANTLE, *map(str, words)], cwd=folder, capture_output=True,
                          text=True, timeout=300)
