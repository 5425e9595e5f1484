"""Whatever can take over two seconds shows progress on standard error: under a clock that runs a hundred thousand times as fast."""
import json
import os
import re
import subprocess
import unittest

from run import CANTLE, InFolder
from test_run import CLOCK

STUDY = """format: cantle-study-1
recipe: recipe.yaml
folder: results
volumes:
"""


@unittest.skipIf(b"libasan" in subprocess.run(["ldd", CANTLE], capture_output=True).stdout,
                 "the sanitizer wants to be the first library")
class Progress(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.env = cls.clock(100000)
        cls.run_there("simulate", "--scene", "blend", "--columns", 40, "--samples", 64, "-o", "v.h5", "-q")
        cls.run_there("map", "v.h5", "-o", "a.h5", "-q")
        cls.run_there("refit", "a.h5", "--model", "sphere", "-o", "b.h5", "-q")

    @classmethod
    def clock(cls, times):
        """Surroundings in which the monotonic clock runs so many times as fast."""
        source, library = cls.folder / f"clock{times}.c", cls.folder / f"clock{times}.so"
        source.write_text(CLOCK.replace("* 1000;", f"* {times};"))
        subprocess.run(["cc", "-shared", "-fPIC", "-o", library, source], check=True)
        return {**os.environ, "LD_PRELOAD": str(library)}

    def lines(self, what, *words):
        """All of standard error is progress of these things, in the format of base/progress.h; with -q there is none."""
        done = self.run_there(*words, env=self.env)
        found = []
        for line in done.stderr.splitlines():
            match = re.fullmatch(r" *(\d+) %  (\d+) of (\d+) ([a-z ]+)  \d+ \4/s  .+ left", line)
            self.assertTrue(match, line)
            self.assertLessEqual(int(match[2]), int(match[3]))
            found.append(match[4])
        for one in what:
            self.assertIn(one, found, words)
        calm = self.run_there(*words)  # in true time it is silent
        self.assertEqual(calm.stderr, "", words)
        self.assertEqual(self.run_there(*words, "-q", env=self.env).stderr, "", words)
        return done

    def test_summary(self):
        self.lines(["mixtures fitted", "draws"], "summary", "a.h5")

    def test_compare(self):
        self.lines(["maps compared", "maps of differences"], "compare", "a.h5", "b.h5", "all", "-o", "c.h5", "--overwrite", "--json")

    def test_export(self):
        self.lines(["rows"], "export", "a.h5", "all", "-o", "a.csv", "--overwrite")

    def test_report(self):
        self.lines(["curves"], "report", "a.h5", "-o", "a.html", "--overwrite")

    def test_map_and_its_uncertainty(self):
        done = self.lines(["pixels", "draws of the uncertainty"], "map", "v.h5", "-o", "m.h5", "--overwrite",
                          "--no-progress-limit", "0 s", "--json")
        self.assertEqual(json.loads(done.stdout)["pixels"], 1600)  # nothing but the object

    def test_samples_read_for_the_digest(self):
        os.utime(self.folder / "v.h5")  # the samples are no longer taken at their word
        self.lines(["pixels", "tiles read for the digest"], "refit", "a.h5", "--set", "contact.to=90 %",
                   "--set", "contact.drift_from=curve", "-o", "r.h5",  # no first pass that reads them
                   "--overwrite", "--no-progress-limit", "0 s")

    def test_study(self):
        """While a volume is at work its name, its time, and what its log said last."""
        (self.folder / "recipe.yaml").write_text("contact:\n  model: paraboloid\n")
        for name in "xy":
            os.link(self.folder / "v.h5", self.folder / f"{name}.h5")
        volumes = "".join(f"  - {{volume: {name}.h5, condition: {name}}}\n" for name in "xy")
        (self.folder / "study.yaml").write_text(STUDY + volumes)
        env = self.clock(1000)  # the volumes' own runs give up after 10 min without a sign of life
        done = self.run_there("study", "study.yaml", "--json", env=env)
        self.assertRegex(done.stderr, r"(?m)^1 of 2  \S*x.h5, for \d+ s")
        self.assertEqual(json.loads(done.stdout)["volumes"][0]["condition"], "x")
        again = self.run_there("study", "study.yaml", "--overwrite", "-q", env=env)
        self.assertEqual((again.stdout, again.stderr), ("", ""))


if __name__ == "__main__":
    unittest.main()
