"""The same curves with the instructions of this processor and with those of the oldest x86-64: every
result must agree to 1e-9, and every flag. What runs over samples gives the same bits by its making
(src/base/lanes.h); the C library's exp and log may differ in the last bit."""
import os
import subprocess
import unittest

FOLDER = os.environ["CANTLE_BITS"]


def run(name, **environment):
    done = subprocess.run([os.path.join(FOLDER, name)], stdout=subprocess.PIPE, text=True, check=True,
                          env=dict(os.environ, **environment))
    return [line.split() for line in done.stdout.splitlines()]


class Processors(unittest.TestCase):
    def test_results_do_not_depend_on_instructions(self):
        here = run("curve_bits")
        old = run("curve_bits_old", GLIBC_TUNABLES="glibc.cpu.hwcaps=-AVX512F,-AVX2,-AVX,-FMA,-FMA4")
        self.assertEqual(len(here), len(old))
        self.assertGreater(len(here), 1000)
        numbers = 0
        for a, b in zip(here, old):
            self.assertEqual(a[0], b[0])
            if a[0].endswith(".flags"):
                self.assertEqual(a[1], b[1], a[0])
                continue
            for x, y in zip(map(float.fromhex, a[1:]), map(float.fromhex, b[1:])):
                if x != x and y != y:
                    continue
                numbers += 1
                self.assertLessEqual(abs(x - y), 1e-9 * abs(x), a[0])
        self.assertGreater(numbers, 1000)


if __name__ == "__main__":
    unittest.main()
