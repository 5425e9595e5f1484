#!/usr/bin/python3
"""Runs killed with SIGKILL at random moments, one rank or all, and resumed with another number of ranks.

    tests/torture/run.sh [N [SEED]]

After each kill the .part is opened and read with h5py, its finished pixels are compared with the undisturbed output,
and no finished pixel may have been computed again; in the end the whole file must be that of the undisturbed run."""
import os
import pathlib
import random
import signal
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "cli"))
import resumable as r  # noqa: E402
from run import cantle  # noqa: E402

COLUMNS, ROWS = 72, 48
PHASES = ("any", "any", "any", "any", "any", "any", "starting", "finishing", "resumed")


class Torture:
    def __init__(self, folder, seed):
        self.folder, self.dice = folder, random.Random(seed)
        self.kills = {"one": 0, "all": 0}
        self.hit = {"no part": 0, "unfinished": 0, "all done": 0, "finished": 0}
        self.call("simulate", "--scene", "blend", "--columns", COLUMNS, "--rows", ROWS, "-o", "v.h5")
        begin = time.monotonic()
        self.call("map", "v.h5", "-o", "whole.h5", ranks=2)
        self.seconds = time.monotonic() - begin

    def call(self, *words, ranks=0):
        done = cantle(*words, folder=self.folder, ranks=ranks)
        assert done.returncode == 0, (words, done.stderr)

    def moment(self, run, phase):
        """Wait for the moment to kill; False when the run has ended before."""
        side = {"starting": "m.h5.starting-*", "finishing": "m.h5.finishing-*"}.get(phase)
        if not r.wait_for(lambda: r.ranks_of(run), run):
            return False
        if side:
            r.wait_for(lambda: next(self.folder.glob(side), None), run)
            time.sleep(self.dice.uniform(0, 0.02))
        elif phase == "resumed":  # early, while a part is claimed and looked through
            time.sleep(self.dice.uniform(0, 0.15 * self.seconds))
        else:
            time.sleep(self.dice.uniform(0, self.seconds))
        return run.poll() is None

    def kill(self, run):
        """One rank or all of them, at once. Returns False when none was there any more."""
        ranks = r.ranks_of(run)
        how = self.dice.choice(("one", "all"))
        victims = [self.dice.choice(ranks)] if ranks and how == "one" else ranks
        for pid in victims:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                pass
        self.kills[how] += bool(victims)
        return bool(victims)

    def interrupted(self):
        """Start or resume, and kill. False when the run was faster."""
        ranks, phase = self.dice.randint(1, 4), self.dice.choice(PHASES)
        interval = self.dice.choice(("0 s", "0.05 s", "0.3 s", "30 s"))
        run = r.start("v.h5", "-o", "m.h5", "--resume", "--checkpoint-interval", interval, ranks=ranks,
                      folder=self.folder)
        struck = self.moment(run, phase) and self.kill(run)
        _, said = run.communicate(timeout=300)
        r.wait_for(lambda: not r.ranks_of(run))
        assert struck or run.returncode == 0, (run.returncode, said)
        return struck

    def look(self, before):
        """What the kill has left. Returns (done, run of pixel) or None."""
        part, whole = self.folder / "m.h5.part", self.folder / "m.h5"
        if whole.exists():  # whatever has this name is complete
            assert r.differences(whole, self.folder / "whole.h5") == []
            self.hit["finished"] += 1
            return before
        if not part.exists():
            assert before is None, "the part is gone"
            self.hit["no part"] += 1
            return None
        done, run = r.check_part(part, self.folder / "whole.h5")
        self.hit["all done" if done.all() else "unfinished"] += 1
        if before is not None:
            assert done[before[0]].all(), "a finished pixel is pending again"
            assert (run[before[0]] == before[1][before[0]]).all(), "a finished pixel was computed twice"
        return done, run

    def trial(self):
        before = None
        kills = self.dice.choice((1, 1, 2, 3))
        while kills > 0 and not (self.folder / "m.h5").exists():
            kills -= self.interrupted()
            before = self.look(before)
            if before is None and (self.folder / "m.h5").exists():
                (self.folder / "m.h5").unlink()  # no kill has struck: once more
        ranks = self.dice.randint(1, 4)
        self.call("map", "v.h5", "-o", "m.h5", "--resume", "-q", ranks=ranks)
        assert (found := r.differences(self.folder / "m.h5", self.folder / "whole.h5")) == [], found
        self.count_pixels(before)
        left = sorted(p.name for p in self.folder.iterdir())
        assert left == ["m.h5", "v.h5", "whole.h5"], left
        (self.folder / "m.h5").unlink()

    def count_pixels(self, before):
        """Each pixel was computed by one run, the finished ones by that which had finished them."""
        with r.h5py.File(self.folder / "m.h5") as f:
            run, pixels = f["entry/runs/run_of_pixel"][()], f["entry/runs/pixels"][()]
        assert int(pixels.sum()) == COLUMNS * ROWS and (run > 0).all(), pixels
        assert list(r.np.bincount(run.ravel(), minlength=len(pixels) + 1)[1:]) == list(pixels), pixels
        if before is not None:
            assert (run[before[0]] == before[1][before[0]]).all(), "a finished pixel was computed twice"


def main(trials, seed):
    with tempfile.TemporaryDirectory(prefix="cantle-torture-") as scratch:
        t = Torture(pathlib.Path(scratch), seed)
        print(f"seed {seed}; an undisturbed run takes {t.seconds:.1f} s on 2 ranks", flush=True)
        for i in range(trials):
            t.trial()
            if (i + 1) % 10 == 0 or i + 1 == trials:
                print(f"{i + 1} of {trials} runs survived; kills: {t.kills['one']} of one rank, {t.kills['all']} of all; "
                      f"left: {', '.join(f'{n} {what}' for what, n in t.hit.items())}", flush=True)
    print(f"{trials}/{trials}: all equal to the undisturbed output, bit by bit", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12, int(sys.argv[2]) if len(sys.argv) > 2 else 20240229)
