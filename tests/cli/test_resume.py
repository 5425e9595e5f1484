"""Nothing is lost: runs that are stopped, killed or fail in any way go on with --resume, and only then."""
import os
import resource
import shutil
import signal
import subprocess
import time
import unittest

import h5py
import numpy as np

import preload
import resumable as r
from run import CANTLE, InFolder, cantle

RECIPE, INPUT, OUTPUT, STOPPED = 3, 4, 5, 75
COLUMNS, ROWS = 72, 48


class Interrupted(InFolder):
    """A volume, what an undisturbed run makes of it, and runs that can be caught in the middle."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "blend", "--columns", COLUMNS, "--rows", ROWS, "-o", "v.h5")
        # a model whose fit takes long enough to be caught in the middle
        (cls.folder / "r.yaml").write_text("contact: {model: sphere, to: 80 %}\noutput: {compression: 4}\n")
        cls.run_there("map", "r.yaml", "v.h5", "-o", "whole.h5", "-q")

    def setUp(self):
        for rest in self.folder.glob("m.h5*"):
            rest.unlink()
        self.part, self.maps = self.folder / "m.h5.part", self.folder / "m.h5"

    def begin(self, *words, ranks, resume="--resume", volume="v.h5", **options):
        return r.start("r.yaml", volume, "-o", "m.h5", resume, "--checkpoint-interval", "0 s", *words, ranks=ranks,
                       folder=self.folder, **options)

    def freeze(self, run, pids=None):
        """Stop the ranks in their tracks, so that what comes next surely meets them in the middle."""
        for pid in pids or r.ranks_of(run):
            os.kill(pid, signal.SIGSTOP)

    def thaw(self, run):
        for pid in r.ranks_of(run):
            os.kill(pid, signal.SIGCONT)

    def caught(self, *words, ranks, at_least=1, **options):
        """A run in its middle, all ranks frozen."""
        run = self.begin(*words, ranks=ranks, **options)
        self.assertTrue(r.wait_for(lambda: r.pixels_done(self.part) >= at_least, run), "it ended before")
        self.freeze(run)
        self.assertTrue(self.part.exists())
        return run

    def ends(self, run, status, *says):
        out, err = run.communicate(timeout=120)
        self.assertEqual(run.returncode, status, err)
        for word in says:
            self.assertIn(word, err)
        return err

    def one_line(self, said):
        """Our message; mpiexec may have added its own lines."""
        ours = [line for line in said.splitlines() if line.startswith("cantle map: ")]
        self.assertEqual(len(ours), 1, said)
        return ours[0]

    def stopped_part(self, *words, **options):
        """An unfinished .part with some pixels done, and nobody writing it."""
        run = self.caught(*words, ranks=0, **options)
        os.kill(run.pid, signal.SIGTERM)
        self.thaw(run)
        self.one_line(self.ends(run, STOPPED))
        done, _ = r.check_part(self.part)
        self.assertTrue(0 < done.sum() < done.size)

    def finishes(self, *words, ranks=2):
        done = self.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "--resume", *words, ranks=ranks)
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])
        self.assertEqual([p.name for p in self.folder.glob("m.h5*")], ["m.h5"])
        return done


class Signals(Interrupted):
    def check(self, number, ranks, victims):
        run = self.caught(ranks=ranks)
        before, run_before = r.check_part(self.part, self.folder / "whole.h5")
        pids = r.ranks_of(run)
        self.assertEqual(len(pids), max(ranks, 1))
        for pid in pids[:victims]:
            os.kill(pid, number)
            os.kill(pid, number)  # launchers deliver it twice now and then
        self.thaw(run)
        said = self.one_line(self.ends(run, STOPPED))
        self.assertIn(f"{number.name} came", said)
        self.assertIn("--resume", said)
        done, by = r.check_part(self.part, self.folder / "whole.h5")
        self.assertIn(f"{done.sum()} of {done.size} pixels are done", said)
        self.assertTrue(done[before].all() and (by[before] == run_before[before]).all())
        self.assertLess(done.sum(), done.size)
        said = self.finishes(ranks=3).stdout
        self.assertIn(f"{done.size - done.sum()} pixels in ", said)
        self.assertIn(f"run 2 of this file: {done.sum()} pixels were done by earlier runs and kept", said)

    def test_each_signal_on_all_ranks(self):
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGUSR1):
            with self.subTest(number.name):
                self.setUp()
                self.check(number, 2, 2)

    def test_each_signal_on_one_rank_only(self):
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGUSR1):
            with self.subTest(number.name):
                self.setUp()
                self.check(number, 3, 1)

    def test_without_mpiexec(self):
        self.check(signal.SIGTERM, 0, 1)

    def test_second_interrupt_stops_at_once(self):
        """With a rank that does not move, so that an orderly end cannot come first."""
        run = self.caught("--no-progress-limit", "0 s", ranks=2, told=True)
        free, frozen = r.ranks_of(run)
        os.kill(free, signal.SIGINT)
        os.kill(free, signal.SIGCONT)
        time.sleep(1)
        self.assertIsNone(run.poll())
        os.kill(free, signal.SIGINT)
        self.assertTrue(r.wait_for(lambda: r.statuses_told(self.folder)))
        os.kill(frozen, signal.SIGKILL)
        _, said = run.communicate(timeout=120)
        self.assertEqual([x for x in r.statuses_told(self.folder) if x != 128 + signal.SIGKILL], [STOPPED], said)
        self.assertNotEqual(run.returncode, 0)
        self.assertIn("stopped at once", said)
        self.assertIn("m.h5", said + "m.h5")
        r.check_part(self.part, self.folder / "whole.h5")
        self.finishes()

    def test_stop_after(self):
        done = cantle("map", "r.yaml", "v.h5", "-o", "m.h5", "--resume", "--stop-after", "300 ms", folder=self.folder,
                      ranks=2)
        self.assertEqual(done.returncode, STOPPED, done.stderr)
        self.assertIn("the 0.3 s of --stop-after are over", self.one_line(done.stderr))
        r.check_part(self.part, self.folder / "whole.h5")
        self.finishes("--stop-after", "1 h")

    def test_durations_have_units(self):
        for option in ("--stop-after", "--checkpoint-interval", "--no-progress-limit"):
            self.refuses("map", "v.h5", "-o", "m.h5", option, "90", status=2, says=[option, "90"])
            self.refuses("map", "v.h5", "-o", "m.h5", option, "90 m", status=2, says=[option, "90 m"])
            self.refuses("map", "v.h5", "-o", "m.h5", option, "-1 s", status=2, says=[option])

    def test_a_dead_rank_ends_the_job(self):
        run = self.caught(ranks=3)
        pids = r.ranks_of(run)
        os.kill(pids[1], signal.SIGKILL)
        self.thaw(run)
        out, err = run.communicate(timeout=120)
        self.assertNotEqual(run.returncode, 0)
        self.assertIn("KILLED (SIGNAL 9)", (out + err).upper())
        r.check_part(self.part, self.folder / "whole.h5")
        self.finishes(ranks=4)


class Refused(Interrupted):
    """A .part goes on only with what it was begun with; the message names what differs."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        one = cls()
        Interrupted.setUp(one)
        one.stopped_part()
        shutil.copy(one.part, cls.folder / "kept.part")

    def setUp(self):
        super().setUp()
        shutil.copy(self.folder / "kept.part", self.part)
        shutil.copy(self.folder / "v.h5", self.folder / "w.h5")

    def refused(self, recipe, volume, *says, status=OUTPUT, untouched=True):
        before = self.part.read_bytes()
        for ranks in (0, 2):
            said = self.refuses("map", recipe, volume, "-o", "m.h5", "--resume", ranks=ranks, status=status, says=says)
        self.assertFalse(self.maps.exists())
        self.assertTrue(self.part.exists())
        if untouched:
            self.assertEqual(self.part.read_bytes(), before)
        return said

    def changed(self, text):
        (self.folder / "other.yaml").write_text(text)
        return "other.yaml"

    def test_same_again(self):
        self.finishes()

    def test_tile_cut_in_the_middle(self):
        """A kill between two writes of states: only the pixels that are not done are computed."""
        done, _ = r.check_part(self.part)
        pixels = np.argwhere(done)[[1, 2, 5, -3]]
        with h5py.File(self.part, "r+") as f:
            for row, column in pixels:
                f["entry/maps/state"][row, column] = 0
                f["entry/maps/modulus"][row, column] = 7  # half-written
                done[row, column] = False
        self.finishes()
        with h5py.File(self.maps) as f:
            run = f["entry/runs/run_of_pixel"][()]
            self.assertEqual(list(f["entry/runs/ranks"]), [1, 2])
        self.assertTrue((run[done] == 1).all() and (run[~done] == 2).all())

    def test_all_tiles_done(self):
        """Killed while the finished file was being made: nothing is computed again."""
        run = r.start("r.yaml", "v.h5", "-o", "m.h5", "--resume", ranks=2, folder=self.folder)
        self.assertTrue(r.wait_for(lambda: next(self.folder.glob("m.h5.finishing-*"), None), run))
        for pid in r.ranks_of(run):
            os.kill(pid, signal.SIGKILL)
        run.communicate(timeout=120)
        if self.part.exists():  # else it was faster than the kill
            done, _ = r.check_part(self.part, self.folder / "whole.h5")
            self.assertTrue(done.all())
            self.assertIn("\n0 pixels in ", "\n" + self.finishes(ranks=3).stdout)
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])

    def test_recipe(self):
        for text, key in (("contact: {model: dmt, to: 80 %}", "contact.model was \"sphere\", now \"dmt\""),
                          ("contact: {model: sphere, to: 81 %}", "contact.to was \"0.8"),
                          ("contact: {model: sphere, to: 80 %}\nlimits: {residual: 11 %}", "limits.residual"),
                          ("contact: {model: sphere, to: 80 %}\noutput: {modulus_unit: MPa}", "output.modulus_unit"),
                          ("contact: {model: sphere, to: 80 %}\ncalibration: {spring_constant: 0.5 N/m}",
                           "spring_constant")):
            with self.subTest(key):
                self.refused(self.changed(text + "\n"), "v.h5", "m.h5.part", key)

    def test_what_changes_no_number_may_change(self):
        recipe = self.changed("# words\ncontact:\n  to: 80.0 %\n  model: sphere\noutput: {compression: 0}\n")
        self.run_there("map", recipe, "v.h5", "-o", "m.h5", "--resume", "-q", ranks=2)
        with h5py.File(self.maps) as a, h5py.File(self.folder / "whole.h5") as b:
            for name in a["entry/maps"]:
                self.assertEqual(a["entry/maps"][name][()].tobytes(), b["entry/maps"][name][()].tobytes(), name)

    def test_samples(self):
        """In a tile that is done; the size and the time of the file stay what they were."""
        facts = os.stat(self.folder / "w.h5")
        done, _ = r.check_part(self.part)
        row, column = np.argwhere(done)[-1]
        with h5py.File(self.folder / "w.h5", "r+") as f:
            f["retract/signal"][row, column, 7] *= 1.001
        os.utime(self.folder / "w.h5", ns=(facts.st_atime_ns, facts.st_mtime_ns))
        self.refused("r.yaml", "w.h5", "input_digest", "w.h5", "m.h5.part", status=INPUT, untouched=False)
        self.finishes()  # and nothing was lost by the attempt

    def test_what_the_volume_says_beside_samples(self):
        def units(f):
            f["approach/signal"].attrs["units"] = b"mV"

        def axis(f):
            f["grid/x"][3] *= 1.0001

        def calibration(f):
            f["calibration/tip_radius"][()] *= 1.01

        for change, key in ((units, "volume.axes_units_and_masks"), (axis, "volume.axes_units_and_masks"),
                            (calibration, "tip_radius as used")):
            with self.subTest(change.__name__):
                shutil.copy(self.folder / "v.h5", self.folder / "w.h5")
                with h5py.File(self.folder / "w.h5", "r+") as f:
                    change(f)
                self.refused("r.yaml", "w.h5", key)

    def test_another_volume(self):
        self.run_there("simulate", "--scene", "blend", "--columns", 8, "--rows", 8, "-o", "w.h5", "--overwrite")
        self.refused("r.yaml", "w.h5", "volume.grid was \"72 x 48\", now \"8 x 8\"")

    def test_another_program(self):
        with h5py.File(self.part, "r+") as f:
            text = f["entry/run/identity"][()].decode()
            f["entry/run/identity"][...] = text.replace('"program.numerics":"', '"program.numerics":"X', 1)[:len(text)]
        self.refused("r.yaml", "v.h5", "m.h5.part")
        with h5py.File(self.part, "r+") as f:
            at = text.index('"program.numerics":"') + len('"program.numerics":"')
            f["entry/run/identity"][...] = text[:at] + ("0" if text[at] != "0" else "1") + text[at + 1:]
        self.refused("r.yaml", "v.h5", "program.numerics was")

    def test_no_map_file(self):
        for content in (b"", b"text", (self.folder / "v.h5").read_bytes()):
            self.part.write_bytes(content)
            self.refused("r.yaml", "v.h5", "m.h5.part", "--overwrite")

    def test_vanished_input(self):
        (self.folder / "w.h5").unlink()
        self.refused("r.yaml", "w.h5", "w.h5", status=INPUT)
        self.finishes()

    def test_begin_again(self):
        self.refuses("map", "r.yaml", "v.h5", "-o", "m.h5", status=OUTPUT, says=["m.h5.part", "--resume", "--overwrite"])
        self.run_there("map", self.changed("contact: {model: dmt}\n"), "v.h5", "-o", "m.h5", "--overwrite", "-q")
        self.assertFalse(self.part.exists())


class Finished(Interrupted):
    def test_nothing_to_do(self):
        self.finishes()
        before = self.maps.read_bytes()
        for ranks in (0, 2):
            said = self.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "--resume", ranks=ranks).stdout
            self.assertIn("m.h5 is finished already", said)
        os.utime(self.folder / "v.h5")  # another time: the samples are read
        self.assertIn("finished already", self.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "--resume", ranks=2).stdout)
        self.assertEqual(self.maps.read_bytes(), before)

    def test_stale_part_beside_it_goes(self):
        """Killed between the renaming and the removal."""
        self.stopped_part()
        shutil.copy(self.part, self.folder / "kept.part")
        self.finishes()
        shutil.copy(self.folder / "kept.part", self.part)
        self.finishes()

    def test_from_something_else(self):
        self.finishes()
        before = self.maps.read_bytes()
        (self.folder / "other.yaml").write_text("contact: {model: dmt}\n")
        self.refuses("map", "other.yaml", "v.h5", "-o", "m.h5", "--resume", status=OUTPUT, says=["m.h5", "contact.model"])
        shutil.copy(self.folder / "v.h5", self.folder / "w.h5")
        with h5py.File(self.folder / "w.h5", "r+") as f:
            f["retract/signal"][0, 0, 0] *= 1.001
        for ranks in (0, 2):
            self.refuses("map", "r.yaml", "w.h5", "-o", "m.h5", "--resume", ranks=ranks, status=OUTPUT,
                         says=["m.h5", "input_digest"])
        self.assertEqual(self.maps.read_bytes(), before)


class TwoRuns(Interrupted):
    def test_second_is_refused(self):
        first = self.caught(ranks=2)
        for words in (["--resume"], ["--overwrite"], []):
            self.refuses("map", "r.yaml", "v.h5", "-o", "m.h5", *words, ranks=2, status=OUTPUT, says=["m.h5.part"])
        self.thaw(first)
        self.ends(first, 0)
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])

    def overtaken(self, env, *take_over):
        """The first run is cut off, another goes on; then the first comes back."""
        first = self.caught(ranks=2, env=env)
        second = cantle("map", "r.yaml", "v.h5", "-o", "m.h5", "--resume", *take_over, "--stop-after", "300 ms",
                        folder=self.folder, ranks=1, env=env)
        self.assertEqual(second.returncode, STOPPED, second.stderr)
        self.thaw(first)
        said = self.one_line(self.ends(first, OUTPUT))
        self.assertIn("has been taken over by another run (number 2", said)
        r.check_part(self.part, self.folder / "whole.h5")
        self.finishes()

    def test_the_one_taken_over_stops(self):
        self.overtaken(None, "--take-over")

    @unittest.skipIf(preload.SANITIZED, "the sanitizer wants to be the first library")
    def test_the_token_counts_where_locks_are_not_seen(self):
        self.overtaken(preload.library(self.folder, "no_locks", preload.NO_LOCKS))

    @unittest.skipIf(preload.SANITIZED, "the sanitizer wants to be the first library")
    def test_disk_without_locks(self):
        env = preload.library(self.folder, "no_locks", preload.NO_LOCKS)
        self.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", ranks=2, env=env)
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])

    def test_the_other_has_finished(self):
        first = self.caught(ranks=2)
        self.finishes_beside("--take-over")
        self.thaw(first)
        self.assertIn("m.h5.part was removed", self.one_line(self.ends(first, OUTPUT)))
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])

    def test_replaced(self):
        """Somebody begins again while the lock is not seen: the old run leaves the new file alone."""
        first = self.caught(ranks=2)
        kept = self.part.read_bytes()
        self.part.unlink()
        self.part.write_bytes(kept)
        self.thaw(first)
        self.assertIn("m.h5.part was replaced", self.one_line(self.ends(first, OUTPUT)))
        self.assertEqual(self.part.read_bytes(), kept)
        self.finishes()

    def finishes_beside(self, *words):
        self.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "--resume", "-q", *words, ranks=2)
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])


class FailingDisks(Interrupted):
    @unittest.skipIf(preload.SANITIZED, "the sanitizer wants to be the first library")
    def test_errors_of_writing(self):
        env = preload.library(self.folder, "failing", preload.FAILING_DISK)
        for call, code, words in (("pwrite", 5, "Input/output error"), ("pwrite", 122, "Disk quota exceeded"),
                                  ("pwrite", 28, "No space left on device"), ("fdatasync", 5, "Input/output error")):
            with self.subTest(call=call, code=code):
                self.setUp()
                failing = {**env, "FAIL_CALL": call, "FAIL_ERRNO": str(code), "FAIL_AFTER": "700" if call == "pwrite" else "6"}
                run = self.begin(ranks=2, env=failing)
                said = self.one_line(self.ends(run, OUTPUT))
                self.assertIn(words, said)
                self.assertIn("--resume", said)
                r.check_part(self.part, self.folder / "whole.h5")
                self.finishes()

    @unittest.skipIf(preload.SANITIZED, "the sanitizer wants to be the first library")
    def test_no_memory_for_finishing(self):
        """A rank that cannot take part in finishing is no reason to hang, to abort or to lose what is done."""
        env = preload.library(self.folder, "no_memory", preload.NO_MEMORY)
        self.run_there("simulate", "--columns", 33, "--rows", 31, "--samples", 64, "-o", "u.h5")
        for rank, size in ((1, 1), (2, 4)):  # states are a byte a pixel, values four
            with self.subTest(rank=rank, size=size):
                failing = {**env, "FAIL_RANK": str(rank), "FAIL_BYTES": str(33 * 31 * size)}
                done = subprocess.run(["mpiexec", "-n", "3", CANTLE, "map", "u.h5", "-o", "u-maps.h5", "-q", "-f"],
                                      cwd=self.folder, env=failing, capture_output=True, text=True, timeout=300)
                self.assertEqual(done.returncode, 8, done.stderr)
                self.assertIn("not enough memory to finish 1023 pixels", self.one_line(done.stderr))
                self.assertEqual([p.name for p in self.folder.glob("u-maps*")], ["u-maps.h5.part"])
        self.run_there("map", "u.h5", "-o", "u-maps.h5", "-q", "--resume", ranks=2)

    def in_namespace(self, script):
        """A shell of root's rights in a mount namespace of its own, with a small disk at ./disk."""
        (self.folder / "disk").mkdir(exist_ok=True)
        probe = subprocess.run(["unshare", "-rm", "mount", "-t", "tmpfs", "none", "disk"], cwd=self.folder,
                               capture_output=True)
        if probe.returncode != 0:
            self.skipTest("no mount namespaces here")
        done = subprocess.run(["unshare", "-rm", "bash", "-exc", script], cwd=self.folder, capture_output=True, text=True,
                              env={**os.environ, "CANTLE": CANTLE}, timeout=300)
        said = self.folder / "said"
        self.assertEqual(done.returncode, 0, done.stderr + (said.read_text() if said.exists() else ""))
        return done

    def test_full_disk(self):
        """Full at the start: nothing is left. Full at the end: the .part is kept, and goes on with more room."""
        self.in_namespace("""
            mount -t tmpfs -o size=1m none disk
            "$CANTLE" map r.yaml v.h5 -o disk/m.h5 2>said && exit 1 || [ $? = 5 ]
            [ $(wc -l <said) = 1 ]; grep -q 'No space left' said; [ -z "$(ls disk)" ]
            mount -o remount,size=3500k disk
            "$CANTLE" map r.yaml v.h5 -o disk/m.h5 2>said && exit 1 || [ $? = 5 ]
            [ $(wc -l <said) = 1 ]; grep -q 'No space left' said; grep -q -- --resume said; [ "$(ls disk)" = m.h5.part ]
            cp disk/m.h5.part .
            mount -o remount,size=64m disk
            "$CANTLE" map r.yaml v.h5 -o disk/m.h5 --resume -q
            [ "$(ls disk)" = m.h5 ]; cp disk/m.h5 .""")
        done, _ = r.check_part(self.part, self.folder / "whole.h5")
        self.assertTrue(done.all())
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])

    def test_read_only(self):
        self.stopped_part()
        self.in_namespace("""
            mount -t tmpfs -o size=64m none disk; cp m.h5.part disk; mount -o remount,ro disk
            for words in "m.h5 --resume" "m.h5 --overwrite" "n.h5"; do
                "$CANTLE" map r.yaml v.h5 -o disk/$words 2>said && exit 1 || [ $? = 5 ]
                [ $(wc -l <said) = 1 ]; grep -q 'Read-only' said
            done
            cmp m.h5.part disk/m.h5.part; [ "$(ls disk)" = m.h5.part ]""")

    def test_file_size_limit(self):
        def limit(bytes_):
            return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_, resource.RLIM_INFINITY))

        # MPICH itself needs larger files in memory to talk to other ranks, even when there are none
        alone = {**os.environ, "UCX_TLS": "self"}
        said = self.refuses("map", "r.yaml", "v.h5", "-o", "m.h5", status=OUTPUT, says=["File too large"],
                            preexec_fn=limit(1 << 20), env=alone)
        self.assertNotIn("--resume", said)
        self.assertEqual(list(self.folder.glob("m.h5*")), [])
        self.stopped_part()
        said = self.refuses("map", "r.yaml", "v.h5", "-o", "m.h5", "--resume", status=OUTPUT,
                            says=["File too large", "--resume"], preexec_fn=limit(self.part.stat().st_size), env=alone)
        r.check_part(self.part, self.folder / "whole.h5")
        self.finishes()

    def test_input_is_cut_off(self):
        """The volume loses its end while it is read."""
        shutil.copy(self.folder / "v.h5", self.folder / "w.h5")
        run = self.caught(ranks=2, volume="w.h5")
        os.truncate(self.folder / "w.h5", 1 << 20)
        self.thaw(run)
        said = self.one_line(self.ends(run, INPUT))
        self.assertIn("w.h5", said)
        self.assertIn("--resume", said)
        r.check_part(self.part, self.folder / "whole.h5")
        self.finishes()


class Waiting(Interrupted):
    """Ranks that hear nothing from each other any more."""

    def test_no_progress(self):
        for frozen in (0, 2):
            with self.subTest(frozen=frozen):
                self.setUp()
                run = self.caught("--no-progress-limit", "2 s", ranks=3)
                pids = r.ranks_of(run)
                for pid in pids:
                    if pid != pids[frozen]:
                        os.kill(pid, signal.SIGCONT)
                _, said = run.communicate(timeout=120)
                # mpiexec kills the frozen rank and may tell of that instead of the 75 of the others
                self.assertIn(run.returncode, (STOPPED, 9))
                self.assertIn("2 s for other ranks without a sign of life", said)
                self.assertIn("--resume", said)
                r.check_part(self.part, self.folder / "whole.h5")
                self.finishes()

    @unittest.skipIf(preload.SANITIZED, "the sanitizer wants to be the first library")
    def test_a_slow_disk_is_no_lost_connection(self):
        """One rank reads slowly, for longer than the limit; the other has long been waiting."""
        env = preload.library(self.folder, "slow", preload.SLOW_DISK)
        slow = self.folder / "slow.sh"
        slow.write_text('#!/bin/sh\n[ "$PMI_RANK" = 1 ] || unset LD_PRELOAD\nexec "$@"\n')
        slow.chmod(0o755)
        done = subprocess.run(["mpiexec", "-n", "2", slow, CANTLE, "map", "r.yaml", "v.h5", "-o", "m.h5",
                               "--no-progress-limit", "1.5 s"], cwd=self.folder, env=env, capture_output=True, text=True,
                              timeout=300)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])

    @unittest.skipIf(preload.SANITIZED, "the sanitizer wants to be the first library")
    def test_hanging_finalize(self):
        """Everything is done before MPI_Finalize, and its status is told though it hangs."""
        env = preload.library(self.folder, "hanging", preload.HANGING_FINALIZE)
        run = self.begin(ranks=0, env=env, volume="v.h5")
        self.assertEqual(self.ends(run, 0), "")
        self.assertEqual(r.differences(self.maps, self.folder / "whole.h5"), [])
        self.maps.unlink()
        run = self.begin("--stop-after", "300 ms", ranks=2, env=env, told=True)
        _, said = run.communicate(timeout=120)
        told = r.statuses_told(self.folder)
        self.assertTrue(told)
        self.assertEqual(set(told), {STOPPED}, said)
        self.assertNotEqual(run.returncode, 0)
        self.one_line(said)
        self.finishes()


if __name__ == "__main__":
    unittest.main()
