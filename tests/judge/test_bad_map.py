#!/usr/bin/python3
"""`cantle map` with bad input: one line on stderr, the documented exit status, nothing changed on disk."""
import hashlib
import os
import resource
import signal
import subprocess
import unittest

import h5py
import numpy as np

import program
import scenario as sc
import volume as vol

USAGE, RECIPE, INPUT, OUTPUT = 2, 3, 4, 5
SAMPLES = 128


class BadMap(unittest.TestCase):
    def setUp(self):
        self.holder = program.Folder()
        self.path = self.holder.__enter__()
        self.addCleanup(self.holder.__exit__)
        self.volume, self.recipe, self.output = (self.path / n for n in ("v.h5", "r.yaml", "m.h5"))
        self.write()
        self.settings()

    def write(self, calibration=None, change=None, rows=2, columns=3):
        curves = [sc.curve("paraboloid", 2.0, SAMPLES, phase=0.3, noise=0.05e-9) for _ in range(rows * columns)]
        sc.write(self.volume, curves, rows, np.random.default_rng(1))
        with h5py.File(self.volume, "r+") as f:
            if calibration is not None:
                del f["calibration"]
                for name, (value, unit) in calibration.items():
                    f.create_dataset(f"calibration/{name}", data=float(value)).attrs["units"] = unit
            if change:
                change(f)

    def settings(self, text=None, **more):
        base = {"contact.model": "paraboloid", "contact.segment": "approach", "sample.poisson_ratio": sc.POISSON}
        base.update({key.replace("__", "."): value for key, value in more.items()})
        self.recipe.write_text(text if text is not None else program.recipe_text(base))

    def tree(self):
        """Every file below the private folder with its content."""
        found = {}
        for folder, _, files in os.walk(self.path):
            for name in files:
                path = os.path.join(folder, name)
                with open(path, "rb") as f:
                    found[path] = hashlib.sha256(f.read()).hexdigest()
        return found

    def refuse(self, status, words=(), arguments=None, ranks=(0, 2), output=None, keep=(), **options):
        """Run with and without mpiexec; words must stand in the message."""
        before = self.tree()
        output = output or self.output
        for n in ranks:
            with self.subTest(ranks=n):
                done = program.run(arguments or ["map", self.recipe, self.volume, "-o", output], n, timeout=60, **options)
                lines = [line for line in done.stderr.splitlines() if line.startswith("cantle")]
                self.assertEqual(len(lines), 1, f"stderr:\n{done.stderr}")
                if not n:
                    self.assertEqual(done.stderr, lines[0] + "\n")
                    self.assertEqual(done.returncode, status, lines[0])
                else:
                    self.assertNotEqual(done.returncode, 0)
                    # what the launcher adds comes after an abnormal end only
                    self.assertNotIn("BAD TERMINATION", done.stdout + done.stderr)
                    self.assertEqual(done.returncode, status, lines[0])
                for word in words:
                    self.assertIn(str(word), lines[0])
                self.assertEqual(self.tree(), before, "files on disk changed")
        return lines[0] if lines else ""

    def test_it_works_at_all(self):
        done = program.run(["map", self.recipe, self.volume, "-o", self.output])
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(sorted(p.name for p in self.path.iterdir()), ["m.h5", "r.yaml", "v.h5"])

    # --- command line

    def test_no_arguments(self):
        self.refuse(USAGE, arguments=["map"])

    def test_unknown_option(self):
        self.refuse(USAGE, ("colour",), arguments=["map", self.recipe, self.volume, "-o", self.output, "--colour"])

    def test_no_output_named(self):
        self.refuse(USAGE, arguments=["map", self.recipe, self.volume], ranks=(0,))

    def test_too_many_arguments(self):
        self.refuse(USAGE, arguments=["map", self.recipe, self.volume, "third", "-o", self.output], ranks=(0,))

    def test_unknown_command(self):
        self.refuse(USAGE, ("mpa",), arguments=["mpa"])

    # --- files that are not there or are something else

    def test_missing_volume(self):
        self.volume.unlink()
        self.refuse(INPUT, (self.volume,))

    def test_missing_recipe(self):
        self.recipe.unlink()
        self.refuse(INPUT, (self.recipe,))

    def test_folder_as_volume(self):
        self.refuse(INPUT, (self.path,), arguments=["map", self.recipe, self.path, "-o", self.output], ranks=(0,))

    def test_not_hdf5(self):
        self.volume.write_bytes(b"deflection,z\n1,2\n" * 100)
        self.refuse(INPUT, (self.volume,))

    def test_empty_file(self):
        self.volume.write_bytes(b"")
        self.refuse(INPUT, (self.volume,))

    def test_cut_off(self):
        data = self.volume.read_bytes()
        self.volume.write_bytes(data[: len(data) // 2])
        self.refuse(INPUT, (self.volume,))

    def test_other_hdf5(self):
        with h5py.File(self.volume, "w") as f:
            f["numbers"] = [1, 2, 3]
        self.refuse(INPUT, (self.volume, "layout"))

    # --- the volume

    def test_no_calibration(self):
        self.write(calibration={})
        self.refuse(RECIPE, ("spring_constant",))

    def test_no_tip(self):
        self.write(calibration={"spring_constant": (0.5, "N/m")})
        self.refuse(RECIPE, ("tip_radius",))

    def test_no_sensitivity(self):
        def volts(f):
            f["approach/signal"].attrs.update(stage="detector", units="V")
            f["retract/signal"].attrs.update(stage="detector", units="V")
        self.write(change=volts)
        self.refuse(RECIPE, ("deflection_sensitivity",))

    def spoil(self, change, *words, status=INPUT, ranks=(0, 2)):
        self.write(change=change)
        self.refuse(status, (self.volume,) + words, ranks=ranks)

    def test_no_unit(self):
        for name in ("approach/signal", "approach/z", "grid/pixel_size_x", "calibration/spring_constant"):
            with self.subTest(name):
                self.spoil(lambda f: f[name].attrs.__delitem__("units"), "/" + name, ranks=(0,))

    def test_impossible_unit(self):
        for name, unit in (("approach/signal", "V"), ("approach/z", "kg"), ("grid/pixel_size_x", "s"),
                           ("calibration/spring_constant", "N"), ("calibration/tip_radius", "blub")):
            with self.subTest(name):
                self.spoil(lambda f: f[name].attrs.__setitem__("units", unit), "/" + name, unit, ranks=(0,))

    def test_bad_stage(self):
        self.spoil(lambda f: f["approach/signal"].attrs.__setitem__("stage", "guess"), "/approach/signal", "guess")

    def test_no_signal(self):
        self.spoil(lambda f: f.__delitem__("approach/signal"), "approach/signal", ranks=(0,))

    def test_no_z(self):
        self.spoil(lambda f: f.__delitem__("approach/z"), "approach", "z", ranks=(0,))

    def test_no_grid(self):
        self.spoil(lambda f: f.__delitem__("grid/pixel_size_x"), "grid", ranks=(0,))

    def replace(self, name, data):
        def change(f):
            attrs = dict(f[name].attrs)
            del f[name]
            f.create_dataset(name, data=data).attrs.update(attrs)
        return change

    def test_wrong_shapes(self):
        for name, data in (("approach/signal", np.zeros((2, 3))), ("approach/signal", np.zeros((2, 3, 5, 6))),
                           ("approach/z", np.zeros((3, 2, SAMPLES))), ("approach/z", np.arange(5.0)),
                           ("grid/present", np.ones((3, 2), "u1")), ("retract/signal", np.zeros((3, 3, SAMPLES)))):
            with self.subTest(dataset=name, shape=data.shape):
                self.spoil(self.replace(name, data), "/" + name, ranks=(0,))

    def test_zero_size_grid(self):
        def empty(f):
            for segment in ("approach", "retract"):
                for name in ("signal", "z"):
                    self.replace(f"{segment}/{name}", np.zeros((0, 3, SAMPLES)))(f)
            del f["grid/present"]
        self.spoil(empty)

    def test_shared_ramp_not_monotonic(self):
        z = np.linspace(0, 1e-7, SAMPLES)
        z[40] = z[60]
        self.spoil(self.replace("approach/z", z), "/approach/z", "monotonic")

    def test_shared_ramp_with_nan(self):
        z = np.linspace(0, 1e-7, SAMPLES)
        z[40] = np.nan
        self.spoil(self.replace("approach/z", z), "/approach/z")

    def test_direction_contradicts(self):
        z = np.linspace(0, 1e-7, SAMPLES)

        def change(f):
            self.replace("approach/z", z)(f)
            f["approach/z"].attrs["direction"] = "sideways"
        self.spoil(change, "/approach/z", "direction", ranks=(0,))

    def test_text_where_numbers_belong(self):
        self.spoil(self.replace("approach/z", "up"), "/approach/z", ranks=(0,))
        self.spoil(self.replace("calibration/spring_constant", "stiff"), "/calibration/spring_constant", ranks=(0,))

    def test_negative_spring_constant_in_volume(self):
        self.spoil(self.replace("calibration/spring_constant", -0.5), "spring", ranks=(0,))

    def test_external_link(self):
        (self.path / "other.h5").write_bytes(self.volume.read_bytes())

        def link(f):
            del f["approach/signal"]
            f["approach/signal"] = h5py.ExternalLink("other.h5", "/approach/signal")
        self.spoil(link, "approach/signal", ranks=(0,))

    def test_every_sample_missing(self):
        """NaN samples are no reason to stop: the maps are written, the status says that none is good."""
        self.write(change=lambda f: f["approach/signal"].__setitem__(Ellipsis, np.nan))
        done = program.run(["map", self.recipe, self.volume, "-o", self.output])
        self.assertEqual(done.returncode, 6, done.stderr)
        maps = program.Maps(self.output)
        self.assertTrue(np.isnan(maps["modulus"]).all())

    # --- the recipe

    def bad_recipe(self, text, *words, ranks=(0,)):
        self.settings(text)
        self.refuse(RECIPE, (self.recipe,) + words, ranks=ranks)

    def test_unknown_key(self):
        line = self.refuse_line("contact:\n  model: paraboloid\n  segmnt: approach\n", 3)
        self.assertIn("segmnt", line)
        self.assertIn("segment", line.replace("segmnt", ""))

    def refuse_line(self, text, number):
        """The message names the line of the recipe."""
        self.settings(text)
        line = self.refuse(RECIPE, (self.recipe,))
        self.assertRegex(line.replace(str(self.recipe), ""), rf"\b{number}\b")
        return line

    def test_unknown_section(self):
        self.assertIn("contakt", self.refuse_line("sample:\n  poisson_ratio: 0.4\ncontakt:\n  model: cone\n", 3))

    def test_bad_unit(self):
        line = self.refuse_line("contact:\n  model: paraboloid\ncalibration:\n  spring_constant: 0.5 N\n", 4)
        self.assertIn("spring_constant", line)

    def test_no_unit_in_recipe(self):
        self.refuse_line("calibration:\n  spring_constant: 0.5\n", 2)

    def test_bad_choice(self):
        line = self.refuse_line("contact:\n  model: hertz\n", 2)
        for word in ("paraboloid", "cone", "pyramid", "flat_punch", "dmt", "jkr"):
            self.assertIn(word, line)

    def test_negative_spring_constant(self):
        self.bad_recipe("calibration:\n  spring_constant: -0.5 N/m\n", "spring_constant", ranks=(0, 2))

    def test_values_that_are_no_numbers(self):
        for value in ("nan N/m", "inf N/m", "0 N/m", "1e400 N/m", "stiff", "''", "[1, 2]", "0.5 N/m extra"):
            with self.subTest(value):
                self.bad_recipe(f"calibration:\n  spring_constant: {value}\n", "spring_constant")

    def test_not_yaml(self):
        for text in ("contact: [model\n", "\tcontact:\n", "contact:\n  model: cone\n  model: jkr\n", "- a\n- b\n",
                     "\0\1\2"):
            with self.subTest(text):
                self.bad_recipe(text)

    def test_poisson_out_of_range(self):
        self.bad_recipe("sample:\n  poisson_ratio: 0.7\n", "poisson_ratio")

    def test_model_cannot_do_segment(self):
        self.settings(contact__model="jkr", contact__segment="approach")
        self.refuse(RECIPE, ("jkr", "approach"), ranks=(0,))

    def test_segment_not_there(self):
        self.write(change=lambda f: f.__delitem__("retract"))
        self.settings(contact__segment="retract")
        self.refuse(RECIPE, ("retract",), ranks=(0,))

    # --- the output

    def test_existing_output(self):
        self.output.write_bytes(b"years of work")
        self.refuse(OUTPUT, (self.output, "--overwrite"))

    def test_existing_output_survives_a_failure(self):
        self.output.write_bytes(b"years of work")
        self.volume.write_bytes(b"not HDF5")
        self.refuse(INPUT, arguments=["map", self.recipe, self.volume, "-o", self.output, "--overwrite"])

    def test_overwrite(self):
        self.output.write_bytes(b"years of work")
        done = program.run(["map", self.recipe, self.volume, "-o", self.output, "--overwrite"])
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertTrue(np.isfinite(program.Maps(self.output)["modulus"]).all())

    def test_output_is_the_volume(self):
        self.refuse(OUTPUT, arguments=["map", self.recipe, self.volume, "-o", self.volume, "--overwrite"], ranks=(0,))

    def test_output_is_the_recipe(self):
        self.refuse(OUTPUT, arguments=["map", self.recipe, self.volume, "-o", self.recipe, "--overwrite"], ranks=(0,))

    def test_output_is_a_folder(self):
        (self.path / "sub").mkdir()
        self.refuse(OUTPUT, output=self.path / "sub", ranks=(0,))

    def test_output_folder_missing(self):
        self.refuse(OUTPUT, (self.path / "nowhere",), output=self.path / "nowhere" / "m.h5")

    def test_output_below_a_file(self):
        self.refuse(OUTPUT, output=self.recipe / "m.h5")

    @unittest.skipUnless(os.path.isdir("/proc/self"), "no /proc: nothing here refuses even root")
    def test_folder_that_cannot_be_written(self):
        self.refuse(OUTPUT, output="/proc/cantle-judge.h5")

    def big(self):
        """A volume whose map file is larger than 8 MiB: 256 x 256 pixels without contact."""
        z = np.linspace(0, 1e-7, 32)
        signal_v = np.random.default_rng(1).normal(0, 1e-10, (256, 256, 32)).astype("f4")
        vol.write(self.volume, {"approach": vol.segment(signal_v, z, kind="f4")}, sc.calibration("paraboloid"))

    @staticmethod
    def limit():
        """No file beyond 8 MiB: writes fail with EFBIG as they do with ENOSPC on a full disk. (MPI's own
        shared memory takes 4 MiB.)"""
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (8 << 20, 8 << 20))

    def test_disk_full(self):
        self.big()
        self.refuse(OUTPUT, (self.output,), ranks=(0,), preexec_fn=self.limit)

    def test_disk_full_while_overwriting(self):
        self.big()
        self.output.write_bytes(b"years of work")
        self.refuse(OUTPUT, ranks=(0,), preexec_fn=self.limit,
                    arguments=["map", self.recipe, self.volume, "-o", self.output, "--overwrite"])

    def test_disk_full_for_real(self):
        small = self.path / "small"
        small.mkdir()
        mount = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "none", str(small)], capture_output=True)
        if mount.returncode:
            self.skipTest("mounting a small file system is not permitted here")
        self.addCleanup(subprocess.run, ["umount", str(small)], check=True)
        self.write(rows=64, columns=64)
        self.refuse(OUTPUT, output=small / "m.h5")


if __name__ == "__main__":
    unittest.main()
