"""cantle map as a run: what it leaves behind when it succeeds, when it fails, and while it goes on."""
import json
import os
import pathlib
import pty
import re
import shutil
import signal
import subprocess
import time
import unittest

import h5py
import numpy as np
import xxhash

import check_map_file
from run import CANTLE, InFolder, cantle

INPUT, OUTPUT, ALL_REJECTED = 4, 5, 6


def maps_of(path):
    with h5py.File(path) as f:
        return {name: data[()].tobytes() for name, data in f["entry/maps"].items()}


class WithVolume(InFolder):
    SIZE = (7, 5)

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        columns, rows = cls.SIZE
        cls.run_there("simulate", "--scene", "uniform", "--columns", columns, "--rows", rows, "-o", "v.h5")

    def names(self):
        return {p.name for p in self.folder.iterdir()}


class DamagedChunk(WithVolume):
    SIZE = (16, 96)

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        with h5py.File(cls.folder / "v.h5", "r+") as f:
            old = f["retract/signal"]
            data, attributes = old[()], dict(old.attrs)
            del f["retract/signal"]
            new = f.create_dataset("retract/signal", data=data, chunks=(1, *data.shape[1:]), compression="gzip")
            new.attrs.update(attributes)
            chunk, = [c for c in map(new.id.get_chunk_info, range(new.id.get_num_chunks()))
                      if c.chunk_offset == (61, 0, 0)]
        cls.whole = (cls.folder / "v.h5").read_bytes()
        damaged = bytearray(cls.whole)
        middle = chunk.byte_offset + chunk.size // 2
        damaged[middle:middle + 64] = bytes(b ^ 0xFF for b in damaged[middle:middle + 64])
        (cls.folder / "v.h5").write_bytes(damaged)

    def test_the_volume_has_several_tiles(self):
        facts = json.loads(self.run_there("describe", "--json", "v.h5").stdout)
        self.assertGreaterEqual(facts["tiles"]["count"], 4)

    def test_ends_orderly(self):
        old = b"what was there before"
        (self.folder / "old.h5").write_bytes(old)
        before = self.names()
        for ranks in (1, 2, 4):
            for words in (["-o", "new.h5"], ["-o", "old.h5", "--overwrite"]):
                with self.subTest(ranks=ranks, words=words):
                    part = f"{words[1]}.part"
                    self.refuses("map", "v.h5", *words, ranks=ranks, status=INPUT,
                                 says=["cantle map: v.h5: /retract/signal", part, "--resume"])
                    self.assertEqual(self.names(), before | {part})
                    self.assertEqual((self.folder / "old.h5").read_bytes(), old)
                    (self.folder / part).unlink()

    def test_existing_output_is_refused(self):
        (self.folder / "kept.h5").write_bytes(b"mine")
        for ranks in (0, 2):
            self.refuses("map", "v.h5", "-o", "kept.h5", ranks=ranks, status=OUTPUT, says=["kept.h5", "--overwrite"])
        self.assertEqual((self.folder / "kept.h5").read_bytes(), b"mine")

    def test_the_undamaged_volume_is_mapped(self):
        """The tiles before the damage are kept, and the rest follows once the volume is mended."""
        (self.folder / "whole.h5").write_bytes(self.whole)
        self.run_there("map", "whole.h5", "-o", "whole-maps.h5", ranks=2)
        self.refuses("map", "v.h5", "-o", "mended.h5", ranks=2, status=INPUT, says=["--resume"])
        said = self.run_there("map", "whole.h5", "-o", "mended.h5", "--resume", ranks=3).stdout
        self.assertIn("pixels were done by earlier runs and kept", said)
        self.assertEqual(maps_of(self.folder / "mended.h5"), maps_of(self.folder / "whole-maps.h5"))


class SameOutput(WithVolume):
    SIZE = (32, 24)

    def test_second_run_is_refused(self):
        self.second_is_refused()

    def test_second_run_is_refused_even_to_overwrite(self):
        self.second_is_refused("--overwrite")

    def second_is_refused(self, *overwrite):
        first = subprocess.Popen([CANTLE, "map", "v.h5", "-o", "m.h5", *overwrite], cwd=self.folder, stdout=subprocess.PIPE,
                                 stderr=subprocess.PIPE, text=True)
        part = self.folder / "m.h5.part"
        try:
            while not (part.exists() and part.stat().st_size) and first.poll() is None:
                time.sleep(0.002)
            os.kill(first.pid, signal.SIGSTOP)  # so that the second surely meets it
            self.assertTrue(part.exists())
            for ranks in (0, 2):
                self.refuses("map", "v.h5", "-o", "m.h5", *overwrite, ranks=ranks, status=OUTPUT, says=["m.h5.part"])
            self.assertTrue(part.exists())
        finally:
            os.kill(first.pid, signal.SIGCONT)
        _, said = first.communicate(timeout=120)
        self.assertEqual((first.returncode, said), (0, ""))
        check_map_file.check(self.folder / "m.h5")
        self.run_there("map", "v.h5", "-o", "alone.h5", "--overwrite")
        self.assertEqual(maps_of(self.folder / "m.h5"), maps_of(self.folder / "alone.h5"))


CLOCK = r"""
#define _GNU_SOURCE
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>
/* The monotonic clock, a thousand times as fast. */
int clock_gettime(clockid_t id, struct timespec *t)
{
    int bad = (int)syscall(SYS_clock_gettime, id, t);
    if (!bad && id == CLOCK_MONOTONIC) {
        __int128 ns = ((__int128)t->tv_sec * 1000000000 + t->tv_nsec) * 1000;
        t->tv_sec = (time_t)(ns / 1000000000);
        t->tv_nsec = (long)(ns % 1000000000);
    }
    return bad;
}
"""


class Progress(WithVolume):
    SIZE = (24, 64)
    LINE = r"^ *\d+ %  (\d+) of 1536 pixels  \d+ pixels/s  .+ left$"
    OTHERS = r"^ *\d+ %  \d+ of \d+ (parts looked at for drift|draws of the uncertainty)  "  # before and after the pixels

    def test_short_run_is_silent_in_a_log(self):
        done = self.run_there("map", "v.h5", "-o", "short.h5")
        self.assertEqual(done.stderr, "")
        self.assertIn("1536 pixels in ", done.stdout)
        self.assertIn("maps: short.h5", done.stdout)

    def test_quiet(self):
        for ranks in (0, 2):
            done = self.run_there("map", "v.h5", "-o", f"quiet{ranks}.h5", "--quiet", ranks=ranks)
            self.assertEqual((done.stdout, done.stderr), ("", ""))

    @unittest.skipIf(b"libasan" in subprocess.run(["ldd", CANTLE], capture_output=True).stdout,
                     "the sanitizer wants to be the first library")
    def test_long_run_in_a_log(self):
        (self.folder / "clock.c").write_text(CLOCK.replace("* 1000;", "* 10000;"))  # the run takes some 0.1 s
        subprocess.run(["cc", "-shared", "-fPIC", "-o", "clock.so", "clock.c"], cwd=self.folder, check=True)
        fast = {**os.environ, "LD_PRELOAD": str(self.folder / "clock.so")}
        done = self.run_there("map", "v.h5", "-o", "long.h5", env=fast)
        said = done.stderr.splitlines()
        lines = [line for line in said if not re.match(self.OTHERS, line)]
        self.assertGreaterEqual(len(lines), 2)
        counts = [int(re.match(self.LINE, line).group(1)) for line in lines]
        self.assertEqual(counts, sorted(set(counts)))
        self.assertLessEqual(counts[-1], 1536)
        quiet = self.run_there("map", "v.h5", "-o", "long2.h5", "-q", env=fast)
        self.assertEqual((quiet.stdout, quiet.stderr), ("", ""))
        # at most a line each 30 s of its clock, none in the first 30 s
        seconds = float(re.search(r"pixels in ([\d.]+) s", done.stdout).group(1))
        self.assertLessEqual(len(said), seconds / 30)

    def test_on_a_terminal(self):
        with h5py.File(self.folder / "v.h5") as f:
            self.assertEqual(f["approach/signal"].shape[:2], (64, 24))
        main, side = pty.openpty()
        run = subprocess.Popen([CANTLE, "map", "v.h5", "-o", "terminal.h5"], cwd=self.folder,
                               stdout=subprocess.DEVNULL, stderr=side)
        os.close(side)
        said = b""
        try:
            while block := os.read(main, 4096):
                said += block
        except OSError:  # the other side was closed
            pass
        os.close(main)
        self.assertEqual(run.wait(), 0)
        self.assertNotIn(b"\n", said)
        if said:  # one line, rewritten, and gone at the end
            self.assertTrue(said.startswith(b"\r"))
            self.assertTrue(said.endswith(b"\r\x1b[K"))


class Provenance(WithVolume):
    NAME = "my recipe's $(touch EVIL).yaml"
    RECIPE = ("# a comment, with \u00b5 and tabs\t|\ncontact:\n  model: paraboloid\n  to: 80 %\n"
              "calibration: {spring_constant: 0.45 N/m}\n\n")

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        (cls.folder / cls.NAME).write_text(cls.RECIPE, encoding="utf-8")
        cls.run_there("map", cls.NAME, "v.h5", "-o", "m.h5", "--overwrite", ranks=2,
                      env={**os.environ, "SLURM_JOB_ID": "4711_3"})
        cls.file = h5py.File(cls.folder / "m.h5")
        cls.addClassCleanup(cls.file.close)

    def text(self, name):
        return self.file["entry"][name][()].decode("utf-8")

    def test_rules(self):
        check_map_file.check(self.folder / "m.h5")

    def test_recipe_as_given(self):
        self.assertEqual(self.text("process_2_contact_fit/recipe/data"), self.RECIPE)
        self.assertEqual(self.text("process_2_contact_fit/recipe/file_name"), self.NAME)

    def test_recipe_as_resolved(self):
        resolved = json.loads(self.text("process_2_contact_fit/recipe_resolved/data"))
        page = cantle("manual", "keys").stdout
        listed = re.findall(r"^\| `(?:\w+\.)?(\w+)` \|", page, re.M)
        sections = set(resolved) - {"values_used", "fit_used"}
        self.assertEqual(sorted(key for s in sections for key in resolved[s]), sorted(listed))
        found = {f"{s}.{key}": entry for s in sections for key, entry in resolved[s].items()}
        for key, entry in found.items():
            self.assertEqual(sorted(entry), ["origin", "value"], key)
            given = key in ("contact.model", "contact.to", "calibration.spring_constant")
            self.assertEqual(entry["origin"] == "recipe", given, key)
            self.assertEqual(entry["origin"] == "not set", entry["value"] is None, key)
            self.assertIn(entry["origin"], ("recipe", "default", "not set"), key)
        used = resolved["values_used"]
        asked = ("spring_constant", "tip_radius", "tip_poisson_ratio", "tilt")
        origins = {name: used[name]["origin"] for name in asked}
        self.assertEqual(origins, {"spring_constant": "recipe", "tip_radius": "volume",
                                   "tip_poisson_ratio": "default", "tilt": "not set"})
        with h5py.File(self.folder / "v.h5") as volume:
            radius = volume["calibration/tip_radius"]
            self.assertAlmostEqual(used["tip_radius"]["value"] / 1e-7, 1, 12)
            self.assertAlmostEqual(used["tip_radius"]["u"] / used["tip_radius"]["value"],
                                   radius.attrs["standard_uncertainty"] / radius[()], 12)
        self.assertEqual(used["spring_constant"]["value"], 0.45)
        self.assertEqual(resolved["fit_used"], {"model": "paraboloid", "segment": "approach", "space": "deflection"})
        stored = self.file["entry/process_1_calibration/spring_constant"]
        self.assertEqual((stored[()], stored.attrs["origin"].decode()), (0.45, "recipe"))

    def test_command_line_can_be_pasted(self):
        folder = pathlib.Path(self.text("run/working_directory"))
        self.assertEqual(folder.resolve(), self.folder.resolve())
        programs = self.folder / "bin"
        programs.mkdir()
        (programs / "cantle").symlink_to(shutil.which(CANTLE))
        shutil.copy(self.folder / "m.h5", self.folder / "first.h5")
        done = subprocess.run(self.text("run/command_line"), shell=True, cwd=folder, capture_output=True, text=True,
                              env={**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"})
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.assertEqual(maps_of(self.folder / "m.h5"), maps_of(self.folder / "first.h5"))
        self.assertFalse((self.folder / "EVIL").exists())

    def test_scheduler_and_ranks(self):
        self.assertEqual((self.text("run/scheduler"), self.text("run/scheduler_job_id")), ("Slurm", "4711_3"))
        self.assertEqual(self.file["entry/run/ranks"][()], 2)
        bare = {k: v for k, v in os.environ.items() if k not in ("SLURM_JOB_ID", "PBS_JOBID", "LSB_JOBID")}
        self.run_there("map", "v.h5", "-o", "alone.h5", env=bare)
        with h5py.File(self.folder / "alone.h5") as f:
            self.assertNotIn("scheduler_job_id", f["entry/run"])

    def test_input(self):
        path = self.folder / "v.h5"
        self.assertEqual(self.text("run/input_path"), "v.h5")
        self.assertEqual(self.text("run/input_absolute_path"), str(path.resolve()))
        self.assertEqual(self.file["entry/run/input_bytes"][()], path.stat().st_size)

    def test_counts(self):
        counts = self.file["entry/pixel_counts"]
        states = {name: int(counts[name][()]) for name in counts if name.startswith("state_")}
        self.assertEqual(sum(states.values()), 35)
        self.assertEqual(counts["pixels"][()], 35)
        self.assertEqual(states["state_pending"], 0)


def digest_of(path):
    """Written from docs/output-format.md."""
    total = 0
    with h5py.File(path) as f:
        ny, nx = f["approach/signal"].shape[:2]
        for pixel in np.ndindex(ny, nx):
            stored = b""
            for group in (f[name] for name in ("approach", "dwell", "retract") if name in f):
                stored += group["signal"][pixel].tobytes()
                if "z" in group and group["z"].ndim == 3:
                    stored += group["z"][pixel].tobytes()
                for name in ("z_start", "z_step"):
                    if name in group and group[name].ndim == 2:
                        scale = {b"nm": 1e-9, "nm": 1e-9, "m": 1.0}[group[name].attrs["units"]]
                        stored += np.float64(group[name][pixel] * scale).tobytes()
                if "length" in group:
                    stored += np.int64(group["length"][pixel]).tobytes()
            total += xxhash.xxh3_128_intdigest(stored, seed=pixel[0] * nx + pixel[1])
    return f"{total % 2**128:032x}"


class Digest(WithVolume):
    def check(self, name):
        for ranks in (0, 3):
            self.run_there("map", f"{name}.h5", "-o", f"{name}-maps.h5", "--overwrite", "-q", ranks=ranks)
            with h5py.File(self.folder / f"{name}-maps.h5") as f:
                self.assertEqual(f["entry/run/input_digest"][()].decode(), digest_of(self.folder / f"{name}.h5"))

    def test_shared_z(self):
        self.check("v")

    def test_own_z_lengths_and_integers(self):
        shutil.copy(self.folder / "v.h5", self.folder / "own.h5")
        with h5py.File(self.folder / "own.h5", "r+") as f:
            for segment in ("approach", "retract"):
                shape, z = f[f"{segment}/signal"].shape, f[f"{segment}/z"][()]
                attributes = dict(f[f"{segment}/z"].attrs)
                del f[f"{segment}/z"]
                own = f.create_dataset(f"{segment}/z", data=np.tile(z, (*shape[:2], 1)).astype("f4"))
                own.attrs.update({k: v for k, v in attributes.items()})
            old = f["retract/signal"]
            data, attributes = old[()], dict(old.attrs)
            del f["retract/signal"]
            scale = np.abs(data).max() / 30000
            new = f.create_dataset("retract/signal", data=np.rint(data / scale).astype("i2"), chunks=(2, 3, 512),
                                   compression="gzip", shuffle=True)
            new.attrs.update({**attributes, "scale_factor": scale})
            f["retract/length"] = np.full(shape[:2], 500, "u2")
        self.check("own")
        self.assertNotEqual(digest_of(self.folder / "own.h5"), digest_of(self.folder / "v.h5"))

    def test_start_and_step(self):
        shutil.copy(self.folder / "v.h5", self.folder / "steps.h5")
        with h5py.File(self.folder / "steps.h5", "r+") as f:
            rng = np.random.default_rng(1)
            for segment in ("approach", "retract"):
                shape, z = f[f"{segment}/signal"].shape[:2], f[f"{segment}/z"][()]
                attributes = {k: v for k, v in f[f"{segment}/z"].attrs.items() if k == "direction"}
                del f[f"{segment}/z"]
                start = f.create_dataset(f"{segment}/z_start", data=z[0] + 1e-9 * rng.random(shape))
                step = f.create_dataset(f"{segment}/z_step", data=np.full(shape, z[1] - z[0]))
                start.attrs.update(units="m", **attributes)
                step.attrs["units"] = "m"
        self.check("steps")


class Shapes(InFolder):
    def made(self, columns, rows, *words, status=0):
        name = f"v{columns}x{rows}.h5"
        if not (self.folder / name).exists():
            self.run_there("simulate", "--scene", "uniform", "--columns", columns, "--rows", rows, "-o", name)
        self.run_there("map", *words, name, "-o", "m.h5", "--overwrite", status=status)
        check_map_file.check(self.folder / "m.h5")
        with h5py.File(self.folder / "m.h5") as f:
            self.assertEqual(f["entry/maps/modulus"].shape, (rows, columns))
            return f["entry/maps/state"][()]

    def test_grids(self):
        for columns, rows in ((4, 4), (6, 1), (1, 6), (1, 1)):
            with self.subTest(columns=columns, rows=rows):
                self.assertTrue((self.made(columns, rows) == 1).any())

    def test_all_rejected(self):
        (self.folder / "r.yaml").write_text("limits:\n  modulus_high: 1 Pa\n")
        self.assertTrue((self.made(4, 4, "r.yaml", status=ALL_REJECTED) == 3).all())
        done = cantle("map", "r.yaml", "v4x4.h5", "-o", "m.h5", "-f", folder=self.folder, ranks=2)
        self.assertEqual(done.returncode, ALL_REJECTED)
        self.assertEqual(len(done.stderr.splitlines()), 1, done.stderr)
        self.assertIn("m.h5 is written", done.stderr)
        self.assertIn("16 rejected", done.stdout)


if __name__ == "__main__":
    unittest.main()
