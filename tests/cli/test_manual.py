"""Man pages and completion are derived from the parsers: every command, every option, in a real man and a real bash."""
import os
import pathlib
import re
import shutil
import subprocess
import unittest

from run import CANTLE, InFolder, cantle


def commands():
    return re.findall(r"^  (\w+) +\S", cantle("--help").stdout, re.M)


def options_of(command):
    """Long options as the parser itself lists them."""
    said = cantle(command, "--help").stdout
    return set(re.findall(r"^ +(?:-\S, )? *--([a-z][\w-]*)", said, re.M))


class Pages(InFolder):
    def page(self, *words):
        return self.run_there("manual", "page", *words).stdout

    def test_every_command_has_its_page(self):
        listed = self.run_there("manual", "list").stdout.split()
        self.assertEqual(listed, ["cantle"] + [f"cantle-{c}" for c in commands()])
        self.assertGreater(len(listed), 10)
        whole = self.page()
        for command in commands():
            self.assertIn(f"\n\\fB{command}\\fR\n", whole)
            page = self.page(command).replace("\\-", "-")
            self.assertIn(f"cantle-{command} - ", page)
            options = options_of(command)
            self.assertIn("help", options)
            for option in options:
                self.assertRegex(page, rf"\\fB--{option}\\fR", f"{command} --{option}")

    @unittest.skipUnless(shutil.which("man"), "no man here")
    def test_man_has_nothing_to_object_to(self):
        """`man --warnings` is groff's own check of a page; mandoc, where it is there, is the other common reader."""
        for command in [[], *([c] for c in commands())]:
            (self.folder / "p.1").write_text(self.page(*command))
            read = subprocess.run(["man", "--warnings", "-l", "p.1"], cwd=self.folder, capture_output=True, text=True,
                                  env={**os.environ, "LC_ALL": "C.UTF-8", "MANWIDTH": "100", "MANPAGER": "cat"})
            self.assertEqual((read.returncode, read.stderr), (0, ""), command)
            for word in ("NAME", "SYNOPSIS", "DESCRIPTION", "EXIT STATUS", "SEE ALSO"):
                self.assertIn(f"\n{word}\n", "\n" + read.stdout)
            self.assertNotRegex(read.stdout, r"\\[a-z(]|`")
            if shutil.which("mandoc"):
                said = subprocess.run(["mandoc", "-T", "lint", "-W", "warning", "p.1"], cwd=self.folder, capture_output=True, text=True)
                self.assertEqual(said.stdout + said.stderr, "", command)

    def test_wrong_words(self):
        self.refuses("manual", "page", "mop", status=2, says=["'mop' is no command"])
        self.refuses("manual", "pge", status=2, says=["did you mean 'page'", "statuses"])
        self.refuses("manual", status=2, says=["no page given", "keys"])
        self.refuses("manual", "keys", "maps", status=2, says=["one argument too many"])

    def test_installed(self):
        build = pathlib.Path(shutil.which(CANTLE)).resolve().parent
        if not (build / "cmake_install.cmake").exists():
            self.skipTest("not in a build folder")
        done = subprocess.run(["cmake", "--install", build, "--prefix", self.folder / "usr"], capture_output=True, text=True)
        self.assertEqual(done.returncode, 0, done.stderr)
        there = {p.name for p in (self.folder / "usr/share/man/man1").iterdir()}
        self.assertEqual(there, {"cantle.1", *(f"cantle-{c}.1" for c in commands())})
        self.assertEqual((self.folder / "usr/share/man/man1/cantle-map.1").read_text(), self.page("map"))
        self.assertEqual((self.folder / "usr/share/bash-completion/completions/cantle").read_text(),
                         self.run_there("manual", "completion").stdout)


class Completion(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        (cls.folder / "done").write_text(cls.run_there("manual", "completion").stdout)
        for name in ("a.yaml", "b c.yaml", "v.h5", "w.txt"):
            (cls.folder / name).touch()
        (cls.folder / "data").mkdir()

    def bash(self, script):
        done = subprocess.run(["bash", "--norc", "-c", f"source ./done\n{script}"], cwd=self.folder, capture_output=True, text=True)
        self.assertEqual((done.returncode, done.stderr), (0, ""), script)
        return done.stdout

    def offers(self, *words):
        """What bash has after `cantle WORDS`, the last one being completed; taken apart as bash does."""
        quoted = " ".join("'" + w.replace("'", "'\\''") + "'" for w in ("cantle", *words))
        out = self.bash(f'COMP_WORDS=({quoted}); COMP_CWORD={len(words)}; _cantle cantle; printf "%s\\n" "${{COMPREPLY[@]}}"')
        return set(out.strip("\n").split("\n")) - {""}

    def test_registered(self):
        self.assertEqual(self.bash("complete -p cantle").strip(), "complete -o bashdefault -o default -F _cantle cantle")

    def test_commands(self):
        self.assertEqual(self.offers(""), {*commands(), "help", "--help", "--version"})
        self.assertEqual(self.offers("des"), {"describe"})
        self.assertEqual(self.offers("help", ""), {*commands(), "help"})

    def test_options_of_every_command(self):
        for command in commands():
            offered = {w[2:] for w in self.offers(command, "-") if w.startswith("--")}
            self.assertEqual(offered, options_of(command), command)
        self.assertEqual(self.offers("map", "--re"), {"--resume"})

    def test_words(self):
        maps = set(re.findall(r"^\| `(\w+)`", cantle("manual", "maps").stdout, re.M))
        self.assertGreater(len(maps), 20)
        self.assertTrue(maps <= self.offers("draw", "v.h5", ""))
        self.assertEqual(self.offers("draw", "v.h5", "contact_st"), {m for m in maps if m.startswith("contact_st")})
        scenes = set(re.search(r"--scene=([\w|]+)", cantle("simulate", "--help").stdout).group(1).split("|"))
        self.assertTrue({"blend", "gel", "uniform"} <= scenes)
        self.assertEqual(self.offers("simulate", "--scene", ""), scenes)
        self.assertEqual(self.offers("simulate", "--scene", "=", "g"), {"gel"})
        self.assertEqual(self.offers("simulate", "--scene", "="), scenes)
        models = set(re.findall(r"^## (\w+)", cantle("manual", "models").stdout, re.M))
        self.assertEqual(self.offers("simulate", "--model", ""), models)
        self.assertEqual(self.offers("report", "v.h5", "--curves", ""), {"all"})
        self.assertTrue({"keys", "flags", "page", "completion"} <= self.offers("manual", ""))
        self.assertTrue(set(commands()) <= self.offers("manual", "page", ""))

    def test_files(self):
        self.assertEqual(self.offers("curve", "v.h5", "1", "2", "--recipe", ""), {"a.yaml", "b c.yaml", "data"})
        self.assertEqual(self.offers("curve", "v.h5", "1", "2", "-r", "b"), {"b c.yaml"})
        self.assertEqual(self.offers("map", "v"), {"v.h5"})
        self.assertTrue({"a.yaml", "b c.yaml", "v.h5", "data"} <= self.offers("map", ""))
        self.assertIn("v.h5", self.offers("draw", ""))
        self.assertEqual(self.offers("draw", "--range", ""), set())  # a quantity: nothing to offer

    def test_interactive(self):
        """Through readline itself: a Tab in a bash that reads the script."""
        import pty
        import select
        import time
        child, terminal = pty.fork()
        if child == 0:
            os.chdir(self.folder)
            os.environ.update(PS1="ready> ", TERM="dumb", PATH=f"{pathlib.Path(shutil.which(CANTLE)).parent}:{os.environ['PATH']}")
            os.execlp("bash", "bash", "--norc", "--noprofile", "-i")
        seen = b""

        def wait_for(text):
            nonlocal seen
            end = time.monotonic() + 60
            while text not in seen:
                if not select.select([terminal], [], [], max(0, end - time.monotonic()))[0]:
                    self.fail(f"no {text!r} in {seen[-800:]!r}")
                seen += os.read(terminal, 4096)
            seen = seen.partition(text)[2]

        try:
            wait_for(b"ready> ")
            os.write(terminal, b"source ./done\n")
            wait_for(b"ready> ")
            os.write(terminal, b"cantle simulate --sce\t")
            wait_for(b"--scene ")
            os.write(terminal, b"un\t")
            wait_for(b"uniform ")
            os.write(terminal, b"\x15exit\n")
        finally:
            os.close(terminal)
            os.waitpid(child, 0)


if __name__ == "__main__":
    unittest.main()
