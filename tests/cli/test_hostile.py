"""Input that means harm: files that lead elsewhere, claim sizes, wait for ever, or talk to terminals and shells."""
import json
import os
import shutil
import stat
import unittest
import zlib

import h5py
import numpy as np

from run import InFolder, cantle

RECIPE, INPUT, OUTPUT = 3, 4, 5
NASTY = ("a' ; system \"touch EVIL1\" # `touch EVIL2` $(touch EVIL3) | touch EVIL4 & \\n \\\\ %s%n%d @x {/a} <&> \u00b5 "
         "\x1b]0;owned\x07\x1b[31m\x9b1m\x7f\r\n\tend")
SHOWN = "a' ; system \"touch EVIL1\" # `touch EVIL2` $(touch EVIL3) | touch EVIL4 & \\n \\\\ %s%n%d @x {/a} <&> \u00b5 "
SOURCE_NASTY = "a\x1b]0;owned\x07\x1b[31m\x9b1m\x7f end"


def controls(text):
    """Control characters but newline: C0, DEL, C1."""
    return [c for c in text if (ord(c) < 32 and c != "\n") or 127 <= ord(c) < 160]


class WithFiles(InFolder):
    """A volume v.h5, a recipe r.yaml, a map file m.h5; each test works on copies."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--columns", 4, "--rows", 3, "--samples", 64, "-o", "v.h5",
                      "--quiet")
        (cls.folder / "r.yaml").write_text("contact:\n  model: paraboloid\ncalibration:\n  monte_carlo_draws: 50\n")
        cls.run_there("map", "r.yaml", "v.h5", "-o", "m.h5", "--quiet")

    def copy(self, source, name=None):
        name = name or "c.h5"
        shutil.copy(self.folder / source, self.folder / name)
        return h5py.File(self.folder / name, "r+")

    def pipe(self, name):
        """Nobody writes to it: what opens it waits until the test runs out of time."""
        path = self.folder / name
        if path.exists():
            path.unlink()
        os.mkfifo(path)
        self.addCleanup(path.unlink, missing_ok=True)
        return path

    def says_no(self, *words, status=INPUT, says=(), **options):
        return self.refuses(*words, status=status, says=says, timeout=60, **options)


class Elsewhere(WithFiles):
    """Nothing that a file says makes the program open another file. The other file is a pipe: opened, it would hang."""

    def test_volume_external_link(self):
        self.pipe("p.h5")
        with self.copy("v.h5") as f:
            del f["approach/signal"]
            f["approach/signal"] = h5py.ExternalLink("p.h5", "/signal")
        self.says_no("describe", "c.h5", says=("c.h5: /approach/signal", "external link"))
        self.says_no("map", "c.h5", "-o", "n.h5", says=("c.h5: /approach/signal", "external link"))

    def test_volume_external_storage(self):
        self.pipe("p.raw")
        with self.copy("v.h5") as f:
            shape, kept = f["approach/signal"].shape, dict(f["approach/signal"].attrs)
            del f["approach/signal"]
            new = f.create_dataset("approach/signal", shape, "f8", external=[("p.raw", 0, h5py.h5f.UNLIMITED)])
            new.attrs.update(kept)
        self.says_no("describe", "c.h5", says=("/approach/signal", "another file"))

    def test_volume_virtual(self):
        self.pipe("p.h5")
        with self.copy("v.h5") as f:
            shape, kept = f["approach/signal"].shape, dict(f["approach/signal"].attrs)
            del f["approach/signal"]
            layout = h5py.VirtualLayout(shape, "f8", maxshape=(None, *shape[1:]))
            layout[...] = h5py.VirtualSource("p.h5", "signal", shape, maxshape=(None, *shape[1:]))
            f.create_virtual_dataset("approach/signal", layout).attrs.update(kept)
        self.says_no("describe", "c.h5", says=("/approach/signal", "another file"))

    def test_volume_virtual_of_itself(self):
        """HDF5 1.10.8 follows it until its stack is full."""
        with self.copy("v.h5") as f:
            shape, kept = f["approach/signal"].shape, dict(f["approach/signal"].attrs)
            del f["approach/signal"]
            layout = h5py.VirtualLayout(shape, "f8")
            layout[...] = h5py.VirtualSource(".", "approach/signal", shape)
            f.create_virtual_dataset("approach/signal", layout).attrs.update(kept)
        self.says_no("describe", "c.h5", says=("/approach/signal", "another file"))

    def test_map_external_link(self):
        for name in ("entry/maps/modulus", "entry/maps/state", "entry/maps/x", "entry/maps"):
            with self.subTest(name):
                self.pipe("p.h5")
                with self.copy("m.h5") as f:
                    del f[name]
                    f[name] = h5py.ExternalLink("p.h5", "/" + name)
                self.says_no("describe", "c.h5", says=("c.h5: /entry/maps", "external link"))
                self.says_no("draw", "c.h5", "modulus", says=("external link",))

    def test_map_external_link_behind_a_soft_link(self):
        self.pipe("p.h5")
        with self.copy("m.h5") as f:
            del f["entry/maps/flags"]
            f["away"] = h5py.ExternalLink("p.h5", "/")
            f["entry/maps/flags"] = h5py.SoftLink("/away/flags")
        self.says_no("describe", "c.h5", says=("c.h5: /entry/maps/flags", "external link"))

    def test_map_external_storage(self):
        self.pipe("p.raw")
        with self.copy("m.h5") as f:
            del f["entry/maps/state"]
            f.create_dataset("entry/maps/state", (3, 4), "u1", external=[("p.raw", 0, h5py.h5f.UNLIMITED)])
        self.says_no("describe", "c.h5", says=("c.h5: /entry/maps/state", "another file"))

    def test_map_virtual(self):
        self.pipe("p.h5")
        with self.copy("m.h5") as f:
            kept = dict(f["entry/maps/modulus"].attrs)
            del f["entry/maps/modulus"]
            layout = h5py.VirtualLayout((3, 4), "f4")
            layout[...] = h5py.VirtualSource("p.h5", "modulus", (3, 4))
            f.create_virtual_dataset("entry/maps/modulus", layout).attrs["units"] = kept["units"]
        self.says_no("describe", "c.h5", says=("c.h5: /entry/maps/modulus", "another file"))

    def test_words_of_the_run_are_left_out(self):
        """What is only told is told as not known."""
        self.pipe("p.h5")
        with self.copy("m.h5") as f:
            for name in ("entry/title", "entry/run/version", "entry/process_2_contact_fit/model"):
                del f[name]
                f[name] = h5py.ExternalLink("p.h5", "/" + name)
        told = json.loads(self.run_there("describe", "--json", "c.h5", timeout=60).stdout)
        self.assertEqual(told["title"], "")
        self.assertIsNone(told["fit"]["model"])


class NoEnd(WithFiles):
    """Pipes, circles, and sizes without bytes."""

    def test_pipes(self):
        self.pipe("p.h5")
        self.pipe("p.yaml")
        for words in (["describe", "p.h5"], ["map", "p.h5", "-o", "n.h5"], ["map", "p.yaml", "v.h5", "-o", "n.h5"],
                      ["draw", "p.h5"], ["curve", "p.h5", 0, 0], ["curve", "v.h5", 0, 0, "--recipe", "p.yaml"],
                      ["recipe", "p.h5"]):
            with self.subTest(words):
                self.says_no(*words, says=("p.yaml" if "p.yaml" in words else "p.h5",))
        self.assertIn("not a plain file", self.says_no("map", "p.yaml", "v.h5", "-o", "n.h5"))

    def test_recipe_on_two_ranks(self):
        self.pipe("p.yaml")
        done = cantle("map", "p.yaml", "v.h5", "-o", "n.h5", folder=self.folder, ranks=2, timeout=60)
        self.assertEqual(done.returncode, INPUT, done.stderr)
        self.assertIn("not a plain file", done.stderr)

    def test_devices(self):
        self.says_no("describe", "/dev/zero", says=("not a plain file",))
        self.says_no("describe", "/dev/null", says=("not a plain file",))

    def test_circles(self):
        for name in ("approach/signal", "approach", "grid"):
            with self.subTest(name):
                with self.copy("v.h5") as f:
                    del f[name]
                    f[name] = h5py.SoftLink("/" + name)
                self.says_no("describe", "c.h5", says=("/" + name,))
        with self.copy("v.h5") as f:
            del f["grid"]
            f["grid"] = f["/"]
            f["approach/again"] = f["/"]
        self.says_no("describe", "c.h5", says=("/grid",))
        with self.copy("m.h5") as f:
            f["entry/run/again"] = f["entry"]
        self.run_there("describe", "c.h5", timeout=60)

    def replaced(self, name, shape, kind, source="v.h5", write=None, **how):
        with self.copy(source) as f:
            kept = dict(f[name].attrs) if name in f else {}
            kept = {k: v for k, v in kept.items() if k in ("units", "stage", "scale_factor", "add_offset")}
            if name in f:
                del f[name]
            new = f.create_dataset(name, shape, kind, **how)
            new.attrs.update(kept)
            if write is not None:
                new[write] = 1

    def test_claims(self):
        for name, shape, kind in (("approach/signal", (1, 1, 2**25), "f4"), ("grid/present", (2**20, 2**11), "u1")):
            with self.subTest(name):
                self.replaced(name, shape, kind, chunks=(1,) * len(shape), write=(0,) * len(shape))
                self.says_no("describe", "c.h5", says=("/" + name, "chunks"))

    def test_claims_of_a_map(self):
        big = 2**15
        with self.copy("m.h5") as f:
            del f["entry/maps"]
            for axis in "xy":
                f.create_dataset(f"entry/maps/{axis}", data=np.arange(big) * 1e-9).attrs["units"] = "m"
            for name, kind in (("state", "u1"), ("flags", "u8"), ("modulus", "f4")):
                new = f.create_dataset(f"entry/maps/{name}", (big, big), kind, chunks=(256, 256), compression="gzip")
                new.attrs["units"] = "kPa"
                new[:256, :256] = 1
        self.says_no("describe", "c.h5", says=("/entry/maps/modulus", "the file holds"))

    def test_packed_twice(self):
        """1 KiB that unpacks to 1 MiB that unpacks to 1 GiB."""
        with self.copy("v.h5") as f:
            shape, kept = f["approach/signal"].shape, dict(f["approach/signal"].attrs)
            del f["approach/signal"]
            plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
            plist.set_chunk(shape)
            plist.set_deflate(9)
            plist.set_deflate(9)
            h5py.h5d.create(f.id, b"approach/signal", h5py.h5t.IEEE_F32LE, h5py.h5s.create_simple(shape), plist)
            f["approach/signal"].attrs.update(kept)
            f["approach/signal"][...] = 1
        self.says_no("describe", "c.h5", says=("/approach/signal", "twice"))

    def test_filters_that_trust_the_file(self):
        """nbit without parameters: the library would read from nowhere."""
        with self.copy("v.h5") as f:
            shape, kept = f["approach/signal"].shape, dict(f["approach/signal"].attrs)
            del f["approach/signal"]
            plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
            plist.set_chunk(shape)
            plist.set_filter(h5py.h5z.FILTER_NBIT, h5py.h5z.FLAG_OPTIONAL, ())
            new = h5py.h5d.create(f.id, b"approach/signal", h5py.h5t.IEEE_F32LE, h5py.h5s.create_simple(shape), plist)
            new.write_direct_chunk((0, 0, 0), bytes(4 * int(np.prod(shape))))
            f["approach/signal"].attrs.update(kept)
        self.says_no("describe", "c.h5", says=("/approach/signal", "filter 5"))

    def test_chunk_shorter_than_its_shape(self):
        """HDF5 1.10.8 would read on behind it, in memory that is not the file's."""
        with self.copy("v.h5") as f:
            shape, kept = f["approach/signal"].shape, dict(f["approach/signal"].attrs)
            del f["approach/signal"]
            new = f.create_dataset("approach/signal", shape, "f8", chunks=shape)
            new.id.write_direct_chunk((0, 0, 0), bytes(80))
            new.attrs.update(kept)
        self.says_no("describe", "c.h5", says=("/approach/signal", "another size"))

    def test_packed_chunk_shorter_than_its_shape(self):
        """The same, behind deflate, and where a chunk says that deflate was skipped."""
        for data, mask in ((zlib.compress(bytes(80)), 0), (bytes(80), 1), (bytes(100000), 0)):
            with self.subTest(mask=mask, size=len(data)):
                with self.copy("v.h5") as f:
                    shape, kept = f["approach/signal"].shape, dict(f["approach/signal"].attrs)
                    del f["approach/signal"]
                    new = f.create_dataset("approach/signal", shape, "f8", chunks=(1, 4, 64), compression="gzip")
                    for row in range(shape[0]):
                        new.id.write_direct_chunk((row, 0, 0), data, filter_mask=mask)
                    new.attrs.update(kept)
                self.says_no("describe", "c.h5", says=("/approach/signal", "damaged"))

    def test_compact_shorter_than_its_shape(self):
        ramp = np.linspace(0, 1e-7, 64)
        with self.copy("v.h5") as f:
            kept = dict(f["approach/z"].attrs)
            del f["approach/z"]
            plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
            plist.set_layout(h5py.h5d.COMPACT)
            new = h5py.h5d.create(f.id, b"approach/z", h5py.h5t.IEEE_F64LE, h5py.h5s.create_simple((64,)), plist)
            new.write(h5py.h5s.ALL, h5py.h5s.ALL, ramp)
            f["approach/z"].attrs.update(kept)
        self.run_there("describe", "c.h5")
        data = bytearray((self.folder / "c.h5").read_bytes())
        at = data.index(ramp.tobytes())
        self.assertEqual(data[at - 2:at], (512).to_bytes(2, "little"))  # layout message, version 3: size, data
        data[at - 2:at] = (40).to_bytes(2, "little")
        (self.folder / "c.h5").write_bytes(data)
        self.says_no("describe", "c.h5", says=("/approach/z", "only 40 are stored"))

    def test_chunks_that_were_never_written(self):
        """Legal: they read as the fill value."""
        self.replaced("approach/signal", (3, 4, 64), "f4", chunks=(1, 4, 64), fillvalue=0.25, write=(0, 0))
        told = json.loads(self.run_there("describe", "--json", "c.h5", timeout=60).stdout)
        self.assertEqual(told["segments"]["approach"]["samples"], 64)


class Talk(WithFiles):
    """Texts of a file on terminals, in JSON, in figures, in messages."""

    def files(self, title):
        with self.copy("v.h5", "tv.h5") as f:
            f.attrs["title"] = title
        with self.copy("m.h5", "tm.h5") as f:
            for name in ("entry/title", "entry/run/command_line", "entry/run/host", "entry/run/input_path"):
                del f[name]
                f[name] = title
            for name in ("model", "segment", "fit_space"):
                del f["entry/process_2_contact_fit/" + name]
                f["entry/process_2_contact_fit/" + name] = title
            f["entry/run/" + "\u00e9\x1b[1m"] = title
        with self.copy("m.h5", "mm.h5") as f:
            del f["entry/title"]
            f["entry/title"] = title

    def harmless(self, done):
        self.assertEqual(controls(done.stdout), [])
        self.assertEqual(controls(done.stderr), [])
        return done.stdout

    def test_nasty(self):
        self.files(NASTY)
        before = {p.name for p in self.folder.iterdir()}
        for name in ("tv.h5", "tm.h5"):
            self.assertIn(SHOWN, self.harmless(self.run_there("describe", name)))
            told = json.loads(self.harmless(self.run_there("describe", "--json", name)))
            self.assertTrue(told["title"].startswith(SHOWN), told["title"])
            self.assertEqual(controls(told["title"]), [])
            self.assertNotIn("\n", told["title"])
        for name in ("tv.h5", "mm.h5"):
            self.harmless(self.run_there("curve", name, 1, 1, "-o", "t.svg", "--volume=v.h5") if name == "mm.h5"
                          else self.run_there("curve", name, 1, 1, "-o", "t.svg"))
            (self.folder / "t.svg").unlink()
        for ending in ("svg", "png", "pdf"):
            self.harmless(self.run_there("draw", "mm.h5", "modulus", "-o", "t." + ending))
            (self.folder / ("t." + ending)).unlink()
        self.harmless(self.run_there("recipe", "tv.h5"))
        self.run_there("map", "r.yaml", "tv.h5", "-o", "n.h5", "--quiet")
        with h5py.File(self.folder / "n.h5") as f:
            self.assertTrue(f["entry/title"][()].decode().startswith(SHOWN))
        (self.folder / "n.h5").unlink()
        self.assertEqual({p.name for p in self.folder.iterdir()}, before, "something was executed")

    def test_long(self):
        """Cut between characters, so that JSON stays JSON."""
        for length in (254, 255, 256, 5000, 30000):
            with self.subTest(length):
                self.files("\u00b5" * length)
                for name in ("tv.h5", "tm.h5"):
                    told = json.loads(self.run_there("describe", "--json", name).stdout)
                    self.assertLess(len(told["title"]), 256)
                    self.assertEqual(told["title"][:100], "\u00b5" * 100)
                self.run_there("draw", "mm.h5", "modulus", "-o", "t.svg")
                (self.folder / "t.svg").unlink()

    def test_words_in_messages(self):
        for text in ("\x1b[31mV", "n\u009b1mV", "V\nV", "V\\V%s%n"):
            with self.copy("v.h5") as f:
                f["approach/signal"].attrs["units"] = text
            line = self.says_no("describe", "c.h5", says=("/approach/signal",))
            self.assertEqual(controls(line), [])

    def test_names_of_files(self):
        name = "x\x1b[31m\u009by'$(touch EVIL)\udcff.h5"  # the last is no UTF-8
        shutil.copy(self.folder / "v.h5", self.folder / name)
        for words in (["describe", name], ["describe", "--json", name], ["curve", name, 0, 0]):
            self.harmless(self.run_there(*words))
        shutil.copy(self.folder / "m.h5", self.folder / name)
        self.harmless(self.run_there("draw", name, "modulus"))
        shutil.copy(self.folder / "v.h5", self.folder / name)
        json.loads(self.run_there("describe", "--json", name).stdout)
        self.assertEqual(controls(self.says_no("describe", "nothing" + name)), [])
        for path in self.folder.glob("x*"):
            path.unlink()

    def test_source_that_is_looked_at(self):
        """A source of unknown make, shown before it is described."""
        text = SOURCE_NASTY + "\n\xc2\x9b \xff\n"
        (self.folder / "look.txt").write_bytes(b"# " + text.encode("latin-1") + b"1 2\n")
        with h5py.File(self.folder / "look.h5", "w") as f:
            f["v\x1b[31m\x9b1m\nx"] = np.zeros((2, 3))
            f["v\x1b[31m\x9b1m\nx"].attrs["a\x07\x1b]0;b"] = SOURCE_NASTY
        for name, shown in (("look.txt", "# a ]0;owned"), ("look.h5", "/v [31m")):
            done = cantle("import", "--dry-run", name, folder=self.folder, errors="surrogateescape")
            self.assertEqual(done.returncode, RECIPE, done.stderr)
            self.assertIn(shown, done.stdout)
            self.harmless(done)
            done.stdout.encode("utf-8")  # nothing that is no UTF-8

    def test_source_that_asks_for_a_program(self):
        """libarchive would start lrzip, lzop or grzip, if a file begins like one of theirs."""
        tools = self.folder / "tools"
        tools.mkdir()
        for tool in ("lrzip", "grzip", "lzop"):
            (tools / tool).write_text(f"#!/bin/sh\ntouch '{self.folder}/EVIL'\n")
            (tools / tool).chmod(0o755)
        (self.folder / "t.yaml").write_text(
            "source:\n  kind: text\nsignal:\n  stage: detector\n  repulsion: positive\n"
            "z:\n  direction: toward_sample\napproach:\n  signal: column 2 in V\n  z: column 1 in nm\n")
        env = {**os.environ, "PATH": f"{tools}:{os.environ['PATH']}"}
        for magic in (b"LRZI\x00\x06", b"GRZipII\x00\x02\x04:)", b"\x89LZO\x00\r\n\x1a\n"):
            (self.folder / "program.tar").write_bytes(magic + bytes(600))
            self.says_no("import", "t.yaml", "program.tar", "-o", "n.h5", says=("program.tar",), env=env)
            self.assertFalse((self.folder / "EVIL").exists(), magic)

    def test_unit_of_a_recipe(self):
        """UDUNITS prints what it does not know, the newline, to standard output."""
        (self.folder / "u.yaml").write_text('calibration:\n  spring_constant: "0.3 N\\n\\n/m"\n')
        self.says_no("map", "u.yaml", "v.h5", "-o", "n.h5", status=RECIPE, says=("line 2", "spring_constant"))


class Places(WithFiles):
    """Where the program writes."""

    def test_umask(self):
        for mask, mode in ((0o027, 0o640), (0o077, 0o600), (0o022, 0o644)):
            outputs = []
            for words in (["simulate", "--scene", "uniform", "--columns", 2, "--samples", 64, "--quiet", "-o", "o1.h5"],
                          ["map", "r.yaml", "v.h5", "--quiet", "-o", "o2.h5"], ["draw", "m.h5", "modulus", "-o", "o3.png"],
                          ["curve", "m.h5", 0, 0, "-o", "o4.svg", "--text", "o5.txt"], ["recipe", "v.h5", "-o", "o6.yaml"]):
                self.run_there(*words, preexec_fn=lambda: os.umask(mask))
                outputs += [w for w in words if str(w)[0] == "o" and str(w)[1].isdigit()]
            self.assertEqual(len(outputs), 6)
            for name in outputs:
                with self.subTest(name=name, mask=oct(mask)):
                    self.assertEqual(stat.S_IMODE((self.folder / name).stat().st_mode), mode)
                (self.folder / name).unlink()

    def test_links_that_wait(self):
        """Where others may write, the name of the unfinished file may already be a link to something of worth."""
        worth = self.folder / "worth"
        simulate = ["simulate", "--scene", "uniform", "--columns", 2, "--samples", 64, "--quiet", "-o", "o.h5"]
        for words, names in ((simulate, ("o.h5.part",)), (["map", "r.yaml", "v.h5", "--quiet", "-o", "o.h5"],
                                                          ("o.h5.part", "o.h5.finishing")),
                             (["recipe", "v.h5", "-o", "o.yaml"], ("o.yaml.part",))):
            for name in names:
                for target in ("worth", "not-there"):
                    for more in ([], ["--overwrite"]):
                        with self.subTest(name=name, target=target, more=more):
                            worth.write_text("years of work")
                            os.symlink(target, self.folder / name)
                            cantle(*words, *more, folder=self.folder)  # either way, but not through the link
                            self.assertEqual(worth.read_text(), "years of work")
                            self.assertFalse((self.folder / "not-there").exists())
                            for left in (name, "o.h5", "o.yaml"):
                                if os.path.lexists(self.folder / left):
                                    self.assertFalse(left != name and (self.folder / left).is_symlink(), left)
                                    (self.folder / left).unlink()

    def test_private_folder(self):
        """The scratch folder of a figure is the user's alone, and no file of a home folder is read."""
        scratch, home, tools = (self.folder / n for n in ("scratch", "home", "tools"))
        for p in (scratch, home, tools):
            p.mkdir()
        (home / ".gnuplot").write_text("system 'touch EVIL-HOME'\n")
        (tools / "gnuplot").write_text(f"#!/bin/sh\nstat -c '%a %n' . ./* >{scratch}/seen\nexec {shutil.which('gnuplot')} \"$@\"\n")
        (tools / "gnuplot").chmod(0o755)
        env = {**os.environ, "TMPDIR": str(scratch), "HOME": str(home), "PATH": f"{tools}:{os.environ['PATH']}"}
        names = set()
        for _ in range(2):
            self.run_there("draw", "m.h5", "modulus", "-o", "t.svg", env=env, preexec_fn=lambda: os.umask(0))
            seen = (scratch / "seen").read_text()
            self.assertTrue(seen.startswith("700 ."), seen)
            names.add(seen)
            self.assertEqual([p.name for p in scratch.iterdir()], ["seen"])
        self.assertFalse(list(self.folder.rglob("EVIL*")))
        for p in (scratch, home, tools):
            shutil.rmtree(p)
        (self.folder / "t.svg").unlink()


if __name__ == "__main__":
    unittest.main()
