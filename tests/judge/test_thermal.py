"""The thermal method judged on simulated recordings: bias and coverage, a short form of tests/bench/thermal.py,
through the command line as a user calls it; and the spectrum against SciPy's."""
import json
import sys
import unittest

import numpy as np
from scipy import signal

import thermal_noise
from program import Folder, run

S, T = 60e-9, 295.0
# f0, Q, k, rate, seconds, white over the height at zero: air, air, water
CASES = [(18e3, 20, 0.06, 200e3, 1.0, 1e-2), (75e3, 200, 2.8, 300e3, 0.7, 1e-1), (4e3, 1.8, 0.06, 50e3, 2.0, 1e-2)]
RECORDS = 30


def calibrate(folder, words):
    done = run(["calibrate", *words, "--json"], cwd=folder)
    if done.returncode:
        raise AssertionError(done.stderr)
    return json.loads(done.stdout)


def spring(folder, name, rate):
    return calibrate(folder, ["spring", "--thermal", name, "--rate", f"{rate} Hz", "--unit", "V", "--sensitivity",
                              f"{S} +- 0 m/V", "--temperature", f"{T} +- 0 K"])


class Thermal(unittest.TestCase):
    def test_bias_and_coverage(self):
        """k over its truth in units of the stated u must scatter like a standard normal variable."""
        score = []
        with Folder() as folder:
            for number, (f0, q, k, rate, seconds, white) in enumerate(CASES):
                rng = np.random.default_rng(50 + number)
                height = 2 * thermal_noise.BOLTZMANN * T * 0.817 / (k * S * S) / (np.pi * f0 * q)
                of_case = []
                for _ in range(RECORDS):
                    x = thermal_noise.records(1, int(rate * seconds), rate, k, f0, q, T, S, white=white * height, rng=rng)
                    np.save(folder / "x.npy", x[0])
                    found = spring(folder, "x.npy", rate)["methods"]["thermal"]
                    of_case.append((np.log(found["value"] / k), found["u"] / found["value"]))
                off, u = np.array(of_case).T
                # bias below 0.5 % as far as so few records can tell: four standard errors
                self.assertLess(abs(off.mean()), 0.005 + 4 * u.mean() / np.sqrt(RECORDS), (f0, q))
                self.assertLess(abs(off.mean() / u.mean()) * np.sqrt(RECORDS), 4, (f0, q))
                score += list(off / u)
        score = np.array(score)
        n = len(score)
        inside = np.mean(np.abs(score) < 1.96)
        self.assertGreater(inside, 0.95 - 3.3 * np.sqrt(0.95 * 0.05 / n))
        self.assertLess(abs(score.var() - 1), 4 * np.sqrt(2 / n))  # neither too small nor too large a u

    def test_area_is_the_mean_square(self):
        """Without background the area is the variance of the record, and the spectrum SciPy's."""
        f0, q, k, rate, seconds, _ = CASES[0]
        x = thermal_noise.records(1, int(rate * seconds), rate, k, f0, q, T, S, rng=np.random.default_rng(9))[0]
        with Folder() as folder:
            np.save(folder / "x.npy", x)
            found = spring(folder, "x.npy", rate)["spectrum"]
            hz, density = signal.welch(x, rate, "hann", 4096, 2048)
            np.savetxt(folder / "p.txt", np.c_[hz, density])
            n = len(x) // 2048 - 1
            from_scipy = calibrate(folder, ["spring", "--thermal", "p.txt", "--spectrum", "--axis-column", 1, "--column", 2,
                                            "--unit", "V2/Hz", "--averages", n * 36 / 38, "--sensitivity", f"{S} m/V",
                                            "--temperature", f"{T} K"])["spectrum"]
        self.assertLess(abs(found["area_v2"] / x.var() - 1), 0.01)
        self.assertLess(abs(from_scipy["area_v2"] / found["area_v2"] - 1), 0.01)
        self.assertLess(abs(from_scipy["quality"] / found["quality"] - 1), 0.02)
        self.assertLess(abs(from_scipy["area_u"] / found["area_u"] - 1), 0.1)

    def test_one_spectrum_in_every_clothing(self):
        """Text, NumPy, HDF5 and units of the same record give the same numbers."""
        import h5py
        f0, q, k, rate, _, _ = CASES[0]
        x = thermal_noise.records(1, 60000, rate, k, f0, q, T, S, rng=np.random.default_rng(9))[0]
        with Folder() as folder:
            np.save(folder / "x.npy", x)
            np.savetxt(folder / "x.txt", np.c_[np.arange(len(x)) / rate, 1e3 * x], fmt="%.17g", header="s mV",
                       delimiter=";")
            with h5py.File(folder / "x.h5", "w") as f:
                f["noise"] = 1e9 * S * x
                f["noise"].attrs["units"] = "nm"
            same = ["--sensitivity", f"{S} m/V", "--temperature", f"{T} K"]
            values = [spring(folder, "x.npy", rate)["methods"]["thermal"]["value"]]
            for words in (["x.txt", "--column", 2, "--axis-column", 1, "--unit", "mV"],
                          ["x.h5", "--dataset", "/noise", "--rate", f"{rate} Hz"]):
                values.append(calibrate(folder, ["spring", "--thermal", *words, *same])["methods"]["thermal"]["value"])
        np.testing.assert_allclose(values, values[0], rtol=1e-6)


if __name__ == "__main__":
    unittest.main()
