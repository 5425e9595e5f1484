"""Every command answers --help, says in one line what is wrong with a command line, and notices when
nobody takes what it prints."""
import re
import unittest

from run import ROOT, InFolder, cantle

USAGE, OUTPUT = 2, 5
WRONG = {"map": ([], ["--nonsense"], ["-o"], ["volume.h5"], ["a.h5", "b.h5", "-o", "c.h5"]),
         "curve": ([], ["maps.h5"], ["maps.h5", "1"], ["maps.h5", "1", "2", "3"], ["maps.h5", "-1", "0"],
                   ["maps.h5", "0x1", "0"], ["maps.h5", "1e99", "0"], ["maps.h5", "", "0"],
                   ["maps.h5", "99999999999999999999999", "0"], ["--nonsense"]),
         "refit": ([], ["a.h5"], ["-o", "b.h5"], ["a.h5", "b.h5", "-o", "c.h5"], ["a.h5", "-o", "b.h5", "--set", "tip"],
                   ["a.h5", "-o", "b.h5", "--mapping", "c.yaml"], ["--nonsense"]),
         "compare": ([], ["a.h5"], ["--nonsense"], ["a.h5", "b.h5", "modulos"], ["a.h5", "b.h5", "-p"]),
         "describe": ([], ["a.h5", "b.h5"], ["--nonsense"], ["--jsn"]),
         "report": ([], ["--nonsense"], ["-o"], ["none.h5", "--max-size"]),
         "compare": ([], ["--nonsense"], ["-o"]),
         "refit": ([], ["--nonsense"], ["-o"]),
         "summary": ([], ["--nonsense"], ["-o"]),
         "export": ([], ["--nonsense"], ["-o"]),
         "study": ([], ["--nonsense"], ["-o"]),
         "draw": ([], ["--nonsense"], ["-o"], ["--output"]),
         "calibrate": ([], ["nothing"], ["sensitivity"], ["spring"], ["tip", "a.h5"], ["sensitivity", "a.h5", "b.h5"],
                       ["--nonsense"], ["spring", "--length", "3 kg"]),
         "recipe": (["a.h5", "b.h5"], ["--nonsense"], ["-o"]),
         "simulate": ([], ["-o"], ["extra", "-o", "x.h5"], ["-o", "x.h5", "--columns", "1.5"],
                      ["-o", "x.h5", "--scene", "nowhere"]),
         "import": ([], ["--nonsense"], ["-o"], ["a.h5"], ["a.h5", "-o", "x.h5", "--every-row", "0"], ["a.yaml", "-o", "x.h5"]),
         "manual": ([], ["nothing"], ["keys", "maps"], ["--nonsense"])}


def listed():
    """The commands that `cantle --help` prints."""
    return re.findall(r"^  ([a-z]+) +\S", cantle("--help").stdout, re.M)


class Help(unittest.TestCase):
    def test_the_list_is_all(self):
        self.assertEqual(sorted(listed()), sorted(WRONG))

    def test_each_command(self):
        for word in listed():
            with self.subTest(word):
                long, short = cantle(word, "--help"), cantle(word, "--usage")
                for done in (long, short):
                    self.assertEqual((done.returncode, done.stderr), (0, ""))
                    self.assertRegex(done.stdout, rf"(?i)^usage: cantle {word}\b")
                self.assertGreater(len(long.stdout), len(short.stdout))
                self.assertEqual(cantle("help", word).stdout, long.stdout)
                for line in long.stdout.splitlines():
                    self.assertLessEqual(len(line), 80, line)

    def test_help_of_all(self):
        for words in (["--help"], ["-h"], ["help"]):
            done = cantle(*words)
            self.assertEqual((done.returncode, done.stderr), (0, ""))
            self.assertIn("usage: cantle COMMAND", done.stdout)

    def test_two_ranks_say_it_once(self):
        for words in (["--help"], ["--version"], ["map", "--help"], ["manual", "statuses"]):
            with self.subTest(words):
                one, two = cantle(*words), cantle(*words, ranks=2)
                self.assertEqual((two.returncode, two.stdout, two.stderr), (0, one.stdout, ""))

    def test_nothing(self):
        done = cantle()
        self.assertEqual((done.returncode, done.stdout), (USAGE, ""))
        self.assertIn("usage: cantle COMMAND", done.stderr)
        self.assertEqual(done.stderr.splitlines()[-1], "cantle: no command given")

    def test_version_names_every_library(self):
        done = cantle("--version")
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        facts = dict(re.split(r"\s{2,}", line, maxsplit=1) for line in done.stdout.splitlines()[1:])
        self.assertRegex(done.stdout.splitlines()[0], r"^cantle \d+\.\d+\.\d+$")
        for name in ("MPI", "HDF5", "GSL", "UDUNITS", "libcyaml", "libyaml", "xxHash", "jansson", "libdeflate",
                     "libarchive", "libtiff"):
            self.assertRegex(facts[name], r"\d+\.\d+", name)
        for name in ("source revision", "compiler", "flags", "build type"):
            self.assertTrue(facts[name], name)
        # what is linked is what is named
        wanted = re.findall(r"pkg_check_modules\((\w+) REQUIRED", (ROOT / "CMakeLists.txt").read_text())
        self.assertEqual(len(wanted), 11, f"a library was added: name it in --version and here: {wanted}")


class WrongUsage(InFolder):
    def test_one_line(self):
        for word, cases in WRONG.items():
            for case in cases:
                with self.subTest(word=word, case=case):
                    line = self.refuses(word, *case, status=USAGE)
                    self.assertTrue(line.startswith(f"cantle {word}: "), line)
        self.assertEqual(list(self.folder.iterdir()), [])

    def test_one_line_of_two_ranks(self):
        for word, cases in WRONG.items():
            with self.subTest(word=word):
                self.assertEqual(self.refuses(word, *cases[0], status=USAGE, ranks=2),
                                 self.refuses(word, *cases[0], status=USAGE))

    def test_unknown_command(self):
        self.refuses("mapp", status=USAGE, says=["did you mean 'map'?"])
        self.refuses("help", "drw", status=USAGE, says=["did you mean 'draw'?"])
        self.refuses("", status=USAGE, says=["unknown command ''"])
        self.refuses("x" * 5000, status=USAGE, says=["unknown command"], ranks=2)
        self.refuses("%s%n", status=USAGE, says=["'%s%n'"])


class FullDisk(unittest.TestCase):
    def test_nobody_takes_the_output(self):
        # not under mpiexec: it takes what ranks print through a pipe of its own
        for words in (["--help"], ["--version"], ["map", "--help"], ["recipe"], ["manual", "keys"]):
            with self.subTest(words), open("/dev/full", "w") as full:
                done = cantle(*words, stdout=full)
                self.assertEqual(done.returncode, OUTPUT)
                self.assertEqual(len(done.stderr.splitlines()), 1, done.stderr)
                self.assertIn("standard output", done.stderr)


if __name__ == "__main__":
    unittest.main()
