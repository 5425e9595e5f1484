#!/usr/bin/python3
"""The job scripts of jobs/slurm under a real SLURM: a time limit strikes, nodes fail, volumes are broken, and what
comes out is compared with undisturbed runs, bit by bit."""
import os
import pathlib
import re
import subprocess
import sys
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "cli")]
import cluster  # noqa: E402
import resumable as r  # noqa: E402
from run import CANTLE, ROOT, cantle  # noqa: E402

os.environ.pop("HYDRA_LAUNCHER", None)  # mpiexec starts its ranks through SLURM
JOBS = ROOT / "jobs" / "slurm"
PATIENCE_S = 900  # the machine may be busy with other things
PASS_S = 30  # slurmctld looks at time limits so often (PERIODIC_TIMEOUT in its source)
# Some ms a curve: this model has no closed form. The long volume must outlast what happens to its job, a minute; how many
# curves that are is tried.
SLOW = "calibration:\n  monte_carlo_draws: 0\ncontact:\n  model: maugis\nadhesion:\n  work_from: model\n"
COLUMNS, TRIAL_ROWS = 48, 8
LONG_S, MIDDLE_S = 65, 8  # on one rank


def call(*words, **options):
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True, timeout=120, **options)
    assert done.returncode == 0, (words, done.stdout, done.stderr)
    return done.stdout.strip()


def job_facts(job):
    return dict(word.split("=", 1) for word in call("scontrol", "show", "job", job).split() if "=" in word)


def in_queue(job):
    return bool(call("squeue", "-h", "-j", job, "-o", "%T"))


def wait_for(what, condition):
    end = time.monotonic() + PATIENCE_S
    while not (value := condition()):
        if time.monotonic() > end:
            raise AssertionError(f"{what}: not after {PATIENCE_S} s")
        time.sleep(0.2)
    return value


def nodes_of(job):
    return call("scontrol", "show", "hostnames", job_facts(job)["NodeList"]).split()


class Node(cluster.Node):
    def ranks(self):
        return [pid for pid in self.processes() if r.is_cantle(pid)]


class Jobs(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = pathlib.Path(os.environ["SLURM_TEST_DIR"], "volumes")  # goes with the cluster
        cls.folder.mkdir()
        cls.begin = time.monotonic()
        (cls.folder / "slow.yaml").write_text(SLOW)
        (cls.folder / "quick.yaml").write_text("contact:\n  model: jkr\nadhesion:\n  work_from: model\n")
        row_s = cls.time_of_a_row()
        cls.long_rows = int(LONG_S / row_s) + 1
        cls.simulate("long.h5", COLUMNS, cls.long_rows)
        cls.simulate("middle.h5", COLUMNS, int(MIDDLE_S / row_s) + 1)
        cls.simulate("short.h5", 8, 8)
        cls.references = {name: cls.undisturbed(recipe, name) for name, recipe in (
            ("short", "quick.yaml"), ("middle", "slow.yaml"), ("long", "slow.yaml"))}

    @classmethod
    def time_of_a_row(cls):
        cls.simulate("trial.h5", COLUMNS, TRIAL_ROWS)
        begin = time.monotonic()
        done = cantle("map", "-q", "slow.yaml", "trial.h5", "-o", "trial-maps.h5", folder=cls.folder)
        assert done.returncode == 0, done.stderr
        return (time.monotonic() - begin) / TRIAL_ROWS

    @classmethod
    def simulate(cls, name, columns, rows):
        done = cantle("simulate", "--scene", "uniform", "--model", "jkr", "--modulus", "50 MPa", "--poisson", "0.45",
                      "--work", "50 mJ/m2", "--radius", "100 nm", "--spring-constant", "5 N/m", "--peak-force",
                      "40 nN", "--noise", "0.03 nm", "--samples", "256", "--columns", columns, "--rows", rows, "-q",
                      "-o", name, folder=cls.folder)
        assert done.returncode == 0, done.stderr

    @classmethod
    def undisturbed(cls, recipe, name):
        """On one rank without SLURM, in the background. The other tests go on meanwhile."""
        run = subprocess.Popen([CANTLE, "map", "-q", recipe, f"{name}.h5", "-o", f"{name}-undisturbed.h5"], cwd=cls.folder)
        cls.addClassCleanup(lambda: (run.kill(), run.wait()))
        return run

    @classmethod
    def note(cls, words):
        print(f"{time.monotonic() - cls.begin:6.1f} s  {words}", flush=True)

    @classmethod
    def note_lines(cls, title, text):
        cls.note(title)
        print("".join(f"          | {line}\n" for line in text.splitlines()), end="", flush=True)

    def submit(self, *words, **environment):
        return call("sbatch", "--parsable", *words, cwd=self.folder,
                    env={**os.environ, "CANTLE": CANTLE, **environment})

    def log(self, name):
        """What the script, the launcher and errors say, without progress and summary."""
        lines = (self.folder / name).read_text().replace("\r", "\n").splitlines(keepends=True)
        return "".join(line for line in lines if re.match(r"cantle |srun: |slurmstepd|maps: ", line))

    def ended(self, job):
        wait_for(f"job {job} ends", lambda: not in_queue(job))
        return job_facts(job)

    def same(self, output, name):
        self.assertEqual(self.references[name].wait(timeout=PATIENCE_S), 0)
        self.assertEqual(r.differences(self.folder / output, self.folder / f"{name}-undisturbed.h5"), [])
        self.assertFalse((self.folder / f"{output}.part").exists())
        with r.h5py.File(self.folder / output) as f:
            pixels, run = f["entry/runs/pixels"][()], f["entry/runs/run_of_pixel"][()]
        self.assertEqual(int(pixels.sum()), run.size)
        self.note(f"{output} is the undisturbed result, bit by bit; pixels by run: {list(map(int, pixels))}")
        return pixels

    def test_1_list(self):
        """Three volumes under mpiexec: one is well, one is broken, one is interrupted, comes back by itself, is interrupted
        again and may not come back a second time. The report says so and submits the last alone; after mending, the
        list is submitted once more."""
        whole = (self.folder / "short.h5").read_bytes()
        (self.folder / "broken one.h5").write_bytes(whole[:len(whole) // 2])
        (self.folder / "cells.tsv").write_text(
            "# recipe\tvolume\toutput\nquick.yaml\tshort.h5\ta.h5\n\n"
            "quick.yaml\tbroken one.h5\tc c.h5\nslow.yaml\tmiddle.h5\tb.h5")
        settings = dict(cwd=self.folder, env={**os.environ, "CANTLE": CANTLE, "CANTLE_LAUNCH": "mpiexec",
                                              "CANTLE_RESTARTS": "1"})
        submit = (JOBS / "submit-list", "cells.tsv", "--ntasks=2", "--time=60")
        said = call(*submit, **settings)
        self.note_lines("submit-list cells.tsv", said)
        array = re.search(r"array (\d+) \(lines 2,4,5 of ", said)[1]
        log = f"cantle-{array}_5.log"
        wait_for("the file of line 5", lambda: (self.folder / "b.h5.part").exists())
        time.sleep(1)  # the whole takes some 6 s on two idle cores
        call("scancel", "--signal=USR1", f"{array}_5")
        wait_for("line 5 comes back", lambda: "run 2 on" in self.log(log))
        wait_for("its ranks", lambda: any(n.ranks() for n in map(Node, nodes_of(f"{array}_5"))))
        time.sleep(0.5)
        call("scancel", "--signal=USR1", f"{array}_5")
        report = self.folder / "cells.tsv.report"
        wait_for("two reports", lambda: report.exists() and report.read_text().count("volumes are finished") == 2)
        wait_for("all jobs end", lambda: not call("squeue", "-h"))
        text = report.read_text()
        self.note_lines("line 5", self.log(log))
        self.note_lines("cells.tsv.report", text)
        self.assertNotIn("run 2", self.log(f"cantle-{array}_2.log") + self.log(f"cantle-{array}_4.log"))
        first, second = re.split(r"(?=^[\d-]+ [\d:]+ array )", text, flags=re.M)[1:]
        self.assertIn(f"array {array}: 1 of 3 volumes are finished", first)
        self.assertRegex(first, r"line 5, middle.h5: may go on: stopped: .* pixels are left; given up after 2 runs")
        self.assertRegex(first, r"line 4, broken one.h5: needs you: failed: exit status 4")
        self.assertRegex(first, r"cantle map: broken one.h5: .*")
        self.assertIn("(lines 5 of ", first)
        self.assertIn("1 of 1 volumes are finished", second)
        self.assertNotIn("line ", second)
        self.assertIn("not finished:\n  broken one.h5\n", second)
        self.same("a.h5", "short")
        self.assertEqual(len(self.same("b.h5", "middle")), 3)

        (self.folder / "broken one.h5").write_bytes(whole)
        self.assertIn("(lines 4 of ", call(*submit, **settings))
        wait_for("all jobs end", lambda: not call("squeue", "-h"))
        self.same("c c.h5", "short")
        self.assertTrue(report.read_text().endswith("cells.tsv are finished\n"))
        self.assertIn("all volumes", subprocess.run(submit, capture_output=True, text=True, **settings).stderr)

    def test_2_cancelled(self):
        """Who is cancelled saves and does not come back."""
        job = self.submit("--ntasks=2", "--output=cancelled.log", JOBS / "map.sbatch", "slow.yaml", "long.h5", "d.h5")
        wait_for("its file", lambda: (self.folder / "d.h5.part").exists())
        time.sleep(1)
        call("scancel", job)
        facts = self.ended(job)
        self.assertEqual((facts["JobState"], facts["Restarts"]), ("CANCELLED", "0"))
        self.note_lines("scancel", self.log("cancelled.log"))
        self.assertFalse((self.folder / "d.h5").exists())
        r.check_part(self.folder / "d.h5.part")

    def test_3_time_limit_and_nodes(self):
        """The time limit of a job over two nodes strikes, then the node without its script loses power. The node of
        another job loses contact, but computes on, so that its lost ranks and its next run write at once."""
        clock = pathlib.Path(os.environ["SLURM_TEST_DIR"], "slurmctld.pid").stat().st_mtime
        time.sleep((14 - (time.time() - clock)) % PASS_S)  # so that the warning comes some 15 s after the start
        job = self.submit("--nodes=2", "--exclusive", "--ntasks=2", "--time=1", "--signal=USR1@60", "--output=limit.log",
                          JOBS / "map.sbatch", "slow.yaml", "long.h5", "e.h5")
        other = self.submit("--ntasks=1", "--time=60", "--output=contact.log", JOBS / "map.sbatch", "slow.yaml",
                            "long.h5", "f.h5", CANTLE_LAUNCH="mpiexec")
        wait_for("the job is requeued", lambda: int(job_facts(job)["Restarts"]) > 0)
        call("scontrol", "update", f"JobId={job}", "TimeLimit=60")
        before = r.pixels_done(self.folder / "e.h5.part")
        self.note_lines(f"time limit; pixels done: {before}", self.log("limit.log"))
        self.assertRegex(self.log("limit.log"), rf"cantle map: stopped, since SIGUSR1 came: {before} of {COLUMNS * self.long_rows} pixels")
        self.assertGreater(before, 0)

        wait_for("the second run has begun", lambda: self.log("limit.log").count(": run 2 on") == 1)
        time.sleep(3)
        script, power = nodes_of(job)
        self.assertEqual(job_facts(job)["BatchHost"], script)
        (contact,) = nodes_of(other)
        power, contact = Node(power), Node(contact)
        power.lose_power()
        contact.lose_contact()
        self.note(f"{power.name} lost power, {contact.name} lost contact")
        for node in (power, contact):
            wait_for(f"{node.name} is down", lambda: node.state().startswith("down"))
        self.note("both nodes are down")
        power.start()
        wait_for("the other job's next run", lambda: self.log("contact.log").count(": run 2 on") == 1
                 or job_facts(other)["JobState"] == "COMPLETED")
        self.assertIn(": run 2 on", self.log("contact.log"), "it had finished before its node was lost: a longer volume")
        computing = contact.ranks()
        self.note(f"the other job runs again, while of its lost ranks {len(computing)} computes on")
        wait_for("lost ranks stop by themselves", lambda: not contact.ranks())
        for each, log in ((job, "limit.log"), (other, "contact.log")):
            facts = self.ended(each)
            self.note_lines(f"job {each}: {facts['JobState']} after {facts['Restarts']} restarts", self.log(log))
            self.assertEqual(facts["JobState"], "COMPLETED")
            self.assertIn(": finished: ", self.log(log))
        self.assertGreaterEqual(int(job_facts(job)["Restarts"]), 2)
        self.assertGreaterEqual(int(job_facts(other)["Restarts"]), 1)
        if computing:  # a fast machine has finished it by now, and the next run finds nothing to do
            self.assertRegex(self.log("contact.log"), "has been taken over by another run|nothing to do")
        self.assertGreaterEqual(len(self.same("e.h5", "long")), 3)
        self.same("f.h5", "long")


if __name__ == "__main__":
    if "SLURM_TEST_DIR" not in os.environ:
        sys.exit(cluster.main([sys.executable, __file__, *sys.argv[1:]]))
    unittest.main()
