"""`cantle summary`: its numbers against SciPy's and NumPy's, phases of known truth, masks through a map file."""
import csv
import io
import json
import re
import shlex
import unittest

import h5py
import numpy as np
from scipy import ndimage, optimize, stats

from run import ROOT, InFolder, cantle

ROWS, COLUMNS = 40, 48
RNG = np.random.default_rng(20261125)
STATES = ("pending", "accepted", "doubtful", "rejected", "absent")


def smooth_field(filter_px, rows=ROWS, columns=COLUMNS):
    """White noise through a Gaussian filter, unit variance."""
    pad = int(4 * filter_px) + 1
    field = ndimage.gaussian_filter(RNG.normal(size=(rows + 2 * pad, columns + 2 * pad)), filter_px)
    return (field / field.std())[pad:-pad, pad:-pad]


def log_likelihood(x, weight, mean, sd):
    return np.log((np.asarray(weight)[:, None] * stats.norm.pdf(x, np.asarray(mean)[:, None],
                                                                np.asarray(sd)[:, None])).sum(axis=0)).sum()


class Summary(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.run_there("simulate", "--scene", "uniform", "--columns", COLUMNS, "--rows", ROWS, "--samples", 64,
                      "-o", "v.h5")
        cls.run_there("recipe", "v.h5", "-o", "r.yaml")
        cls.run_there("map", "-q", "r.yaml", "v.h5", "-o", "blank.h5")

    def make(self, name, modulus_pa, state=None, flags=None, x=None):
        """A map file with these moduli, all accepted where not said otherwise."""
        (self.folder / name).write_bytes((self.folder / "blank.h5").read_bytes())
        with h5py.File(self.folder / name, "r+") as f:
            maps = f["entry/maps"]
            unit = maps["modulus"].attrs["units"]
            self.assertIn(unit, ("kPa", b"kPa"))
            maps["modulus"][...] = modulus_pa / 1e3
            maps["state"][...] = 1 if state is None else state
            maps["flags"][...] = 0 if flags is None else flags
            if x is not None:
                maps["x"][...] = x
            return maps["modulus"][...].astype(float) * 1e3  # as 32-bit numbers keep it

    def summary(self, *words, **options):
        return json.loads(self.run_there("summary", "--json", *words, **options).stdout)

    # --- one distribution ---

    def test_robust_statistics_and_log_normal_fit(self):
        """SciPy: median_abs_deviation, lognorm.fit, anderson; NumPy: quantile (its default is definition 7)."""
        value = self.make("one.h5", RNG.lognormal(np.log(2e6), 0.4, (ROWS, COLUMNS))).ravel()
        said = self.summary("one.h5", "--draws", 0)["maps"]["modulus"]
        self.assertEqual((said["unit"], said["n"]), ("Pa", value.size))
        close = lambda a, b: np.testing.assert_allclose(a, b, rtol=1e-9)
        close(said["median"]["value"], np.median(value))
        close(said["mad"], stats.median_abs_deviation(value))
        close(said["mean"], value.mean())
        close(said["standard_deviation"], value.std(ddof=1))
        for level, quantile in said["quantiles"].items():
            close(quantile, np.quantile(value, float(level)))
        self.assertIsNone(said["median"]["low"])
        sigma, _, scale = stats.lognorm.fit(value, floc=0)
        close(said["lognormal"]["sigma"], sigma)
        close(said["lognormal"]["geometric_mean"], scale)
        n = value.size
        a2 = stats.anderson(np.log(value), "norm").statistic * (1 + 0.75 / n + 2.25 / n**2)
        np.testing.assert_allclose(said["lognormal"]["anderson_darling"], a2, rtol=1e-8)
        np.testing.assert_allclose(said["lognormal"]["largest_distance"],
                                   stats.kstest(np.log(value), "norm", (np.log(scale), sigma)).statistic, rtol=1e-8)
        self.assertGreater(said["lognormal"]["p_independent"], 0.01)

    def test_probability_of_the_goodness_test(self):
        """Against SciPy's Monte Carlo test with both parameters fitted, for independent pixels of a t distribution."""
        for df in (5, 9, 30):
            ln = np.full((ROWS, COLUMNS), np.nan)
            ln[:4] = 14 + 0.3 * stats.t.rvs(df, size=(4, COLUMNS), random_state=RNG)
            x = np.log(self.make("t.h5", np.exp(ln))).ravel()
            x = x[np.isfinite(x)]
            said = self.summary("t.h5", "--draws", 0)["maps"]["modulus"]["lognormal"]
            want = stats.goodness_of_fit(stats.norm, x, statistic="ad", n_mc_samples=999, random_state=RNG).pvalue
            self.assertLess(abs(said["p_independent"] - want), 4 * np.sqrt(want * (1 - want) / 999) + 0.005, df)

    def test_values_without_logarithm_are_counted(self):
        value = RNG.lognormal(10, 1, (ROWS, COLUMNS))
        value[3, :5] = -1e3
        value[4, :3] = np.nan
        self.make("zero.h5", value)
        said = self.summary("zero.h5", "--draws", 20)["maps"]["modulus"]
        self.assertEqual((said["n"], said["not_positive"], said["without_value"]), (value.size - 3, 5, 3))

    # --- the interval of the median ---

    def test_interval_of_independent_pixels(self):
        """SciPy's percentile bootstrap, blocks of one pixel: the ends agree within their Monte Carlo error."""
        value = self.make("ind.h5", RNG.lognormal(14, 0.5, (ROWS, COLUMNS)))
        said = self.summary("ind.h5", "--draws", 4000, "--block", 1)["maps"]["modulus"]["median"]
        want = stats.bootstrap((value.ravel(),), np.median, n_resamples=4000, method="percentile", batch=500,
                               random_state=RNG)
        self.assertEqual((said["block_rows"], said["block_columns"]), (1, 1))
        width = want.confidence_interval.high - want.confidence_interval.low
        self.assertLess(abs(said["low"] - want.confidence_interval.low), 0.08 * width)
        self.assertLess(abs(said["high"] - want.confidence_interval.high), 0.08 * width)
        self.assertLess(abs(said["standard_error"] / want.standard_error - 1), 0.06)
        self.assertAlmostEqual(said["lower_percentile"], 2.5, delta=0.02)

    def test_interval_of_correlated_pixels(self):
        """Circular blocks written anew in NumPy: the scatter agrees; independent draws would say far too little."""
        value = self.make("cor.h5", np.exp(14 + 0.3 * smooth_field(2)))
        said = self.summary("cor.h5")["maps"]["modulus"]
        rows, columns = said["median"]["block_rows"], said["median"]["block_columns"]
        self.assertGreater(min(rows, columns), 4)
        medians = []
        for _ in range(600):
            parts, drawn = [], 0
            while drawn < value.size:
                top, left = RNG.integers(ROWS), RNG.integers(COLUMNS)
                parts.append(value[np.ix_(np.arange(top, top + rows) % ROWS,
                                          np.arange(left, left + columns) % COLUMNS)].ravel())
                drawn += rows * columns
            medians.append(np.median(np.concatenate(parts)))
        ratio = said["median"]["standard_error"] / np.std(medians, ddof=1)
        self.assertTrue(0.9 < ratio < 1.6, ratio)  # not less; more for what blocks cut
        alone = self.summary("cor.h5", "--block", 1)["maps"]["modulus"]["median"]
        self.assertGreater(said["median"]["standard_error"], 2.5 * stats.bootstrap(
            (value.ravel(),), np.median, n_resamples=500, method="percentile", random_state=RNG).standard_error)
        self.assertGreater(alone["high"] - alone["low"], 0)
        # of a Gaussian filter of standard deviation s the sum of correlations is 4 pi s^2
        self.assertAlmostEqual(said["correlation"]["variance_inflation"] / (16 * np.pi), 1, delta=0.35)

    def test_the_same_seed_gives_the_same_text(self):
        self.make("seed.h5", RNG.lognormal(14, 0.5, (ROWS, COLUMNS)))
        one, same, other = (self.run_there("summary", "seed.h5", "--draws", 100, "--seed", seed).stdout
                            for seed in (7, 7, 8))
        self.assertEqual(one, same)
        self.assertNotEqual(one, other)
        ranks = self.run_there("summary", "seed.h5", "--draws", 100, "--seed", 7, ranks=2).stdout
        self.assertEqual(one, ranks)

    # --- phases ---

    def blend(self, name, shares, ln, sd, filter_px=3):
        """Domains of given shares; independent scatter of ln E within each."""
        field = smooth_field(filter_px)
        phase = np.searchsorted(np.quantile(field, np.cumsum(shares)[:-1]), field)
        return self.make(name, np.exp(np.take(ln, phase) + np.take(sd, phase) * RNG.normal(size=field.shape))), phase

    def test_phases_of_known_truth(self):
        """Number, shares, means and map of 1, 2 and 3 phases; numbers from an EM algorithm written anew."""
        for shares, ln, sd in (([1.0], [14.0], [0.3]), ([0.7, 0.3], [14.0, 15.5], [0.25, 0.3]),
                               ([0.5, 0.3, 0.2], [13.0, 15.0, 17.0], [0.3, 0.2, 0.4])):
            value, truth = self.blend("blend.h5", shares, ln, sd)
            k = len(shares)
            said = self.summary("blend.h5", "-o", f"phases{k}.h5", "--draws", 60)["maps"]["modulus"]["phases"]
            self.assertEqual((said["chosen"], said["by_bic"], said["by_weighted_bic"]), (k, k, k))
            weight, mean, spread = (np.array([p[q] for p in said["phases"]]) for q in ("weight", "mu", "sigma"))
            for j, p in enumerate(said["phases"]):
                n = shares[j] * value.size
                self.assertAlmostEqual(p["weight"], shares[j], delta=0.02)
                self.assertAlmostEqual(p["mu"], ln[j], delta=5 * sd[j] / np.sqrt(n))
                self.assertAlmostEqual(p["sigma"], sd[j], delta=6 * sd[j] / np.sqrt(2 * n))
                self.assertAlmostEqual(p["area_fraction"], p["weight"], delta=1e-4)
                self.assertAlmostEqual(p["mean"], np.exp(p["mu"] + p["sigma"]**2 / 2), delta=1e-6 * p["mean"])
                if k > 1:
                    self.assertTrue(0 < p["weight_standard_error"] < 0.3)
            x = np.log(value.ravel())
            found = log_likelihood(x, weight, mean, spread)
            row = said["tried"][k - 1]
            self.assertAlmostEqual(row["log_likelihood"], found, delta=1e-6 * abs(found))
            self.assertAlmostEqual(row["bic"], (3 * k - 1) * np.log(x.size) - 2 * found, delta=1e-6 * abs(found))
            self.assertGreater(found, self.em(x, shares, ln, sd) - 1e-3)
            self.check_phase_file(f"phases{k}.h5", value, truth, weight, mean, spread)

    def em(self, x, weight, mean, sd):
        """From the truth to the nearest maximum, in NumPy."""
        weight, mean, sd = map(np.array, (weight, mean, sd))
        for _ in range(300):
            p = weight[:, None] * stats.norm.pdf(x, mean[:, None], sd[:, None])
            p /= p.sum(axis=0)
            total = p.sum(axis=1)
            weight, mean = total / x.size, (p * x).sum(axis=1) / total
            sd = np.sqrt((p * (x - mean[:, None])**2).sum(axis=1) / total)
        return log_likelihood(x, weight, mean, sd)

    def check_phase_file(self, name, value, truth, weight, mean, sd):
        with h5py.File(self.folder / name) as f:
            group = f["entry/phases"]
            phase, probability = group["phase"][...], group["probability"][...]
            self.assertIn(group.attrs["signal"], ("phase", b"phase"))
            with h5py.File(self.folder / "blend.h5") as maps:
                np.testing.assert_allclose(group["x"][...], maps["entry/maps/x"][...], rtol=1e-12)
            np.testing.assert_allclose(f["entry/mixture/weight"][...], weight, rtol=1e-10)
        p = weight[:, None, None] * stats.norm.pdf(np.log(value), mean[:, None, None], sd[:, None, None])
        p /= p.sum(axis=0)
        np.testing.assert_array_equal(phase, p.argmax(axis=0) + 1)
        np.testing.assert_allclose(probability, p.max(axis=0), rtol=1e-5)
        self.assertGreater((phase == truth + 1).mean(), 0.98)

    def test_the_solution_is_a_maximum(self):
        """SciPy's minimiser, started there, finds nothing better: overlapping phases, where starts matter."""
        value, _ = self.blend("near.h5", [0.6, 0.4], [14.0, 14.8], [0.3, 0.3])
        x = np.log(value.ravel())
        said = self.summary("near.h5", "--phases", 2, "--draws", 0)["maps"]["modulus"]["phases"]
        self.assertEqual((said["chosen"], said["asked"]), (2, True))
        weight, mean, sd = ([p[q] for p in said["phases"]] for q in ("weight", "mu", "sigma"))

        def loss(t):
            w = 1 / (1 + np.exp(-t[0]))
            return -log_likelihood(x, [w, 1 - w], t[1:3], np.exp(t[3:5]))

        start = [np.log(weight[0] / weight[1]), *mean, *np.log(sd)]
        best = optimize.minimize(loss, start, method="Nelder-Mead", options={"maxiter": 2000, "fatol": 1e-7})
        self.assertLess(loss(np.array(start)) - best.fun, 0.02)

    def test_a_smooth_field_is_not_many_phases(self):
        """What makes the weighted comparison worth having: BIC of independent pixels splits one smooth phase."""
        split = 0
        for _ in range(4):
            self.make("smooth.h5", np.exp(14 + 0.3 * smooth_field(4)))
            said = self.summary("smooth.h5", "--draws", 0)["maps"]["modulus"]["phases"]
            self.assertEqual(said["by_weighted_bic"], 1)
            split += said["by_bic"] > 1
        self.assertGreaterEqual(split, 2)

    def test_area_of_uneven_columns(self):
        """Wide columns count for more: the soft phase fills the left half, whose columns are three times as wide."""
        ln = np.where(np.arange(COLUMNS) < COLUMNS // 2, 13.0, 16.0) + 0.1 * RNG.normal(size=(ROWS, COLUMNS))
        x = np.concatenate([3.0 * np.arange(COLUMNS // 2), 3.0 * (COLUMNS // 2 - 1) + 2 + np.arange(COLUMNS // 2)])
        self.make("wide.h5", np.exp(ln), x=x)
        p = self.summary("wide.h5", "--draws", 0)["maps"]["modulus"]["phases"]["phases"]
        self.assertAlmostEqual(p[0]["weight"], 0.5, places=6)
        edges = np.concatenate([[x[0] - 1.5], (x[1:] + x[:-1]) / 2, [x[-1] + 0.5]])
        want = (edges[COLUMNS // 2] - edges[0]) / (edges[-1] - edges[0])
        self.assertAlmostEqual(p[0]["area_fraction"], want, places=6)
        self.assertAlmostEqual(p[0]["area_assigned"], want, places=6)

    # --- pixels ---

    def marked(self):
        """A map with every kind of pixel; the bits are those that the file itself explains."""
        with h5py.File(self.folder / "blank.h5") as f:
            names = f["entry/maps/flags"].attrs["flag_meanings"]
            names = (names.decode() if isinstance(names, bytes) else names).split()
        bit = {name: 1 << i for i, name in enumerate(names)}
        state = np.ones((ROWS, COLUMNS), int)
        flags = np.zeros((ROWS, COLUMNS), np.uint64)
        state[0], flags[0] = 3, bit["saturated"]
        state[1, :10], flags[1, :10] = 3, bit["no_contact"] | bit["saturated"]
        state[2, :20], flags[2, :20] = 2, bit["jump"]
        state[3, :7], flags[3, :7] = 4, bit["absent"]
        value = RNG.lognormal(14, 0.3, (ROWS, COLUMNS))
        value[4, 5] = np.nan
        return self.make("marked.h5", value, state, flags), state, flags

    def test_every_pixel_is_accounted_for(self):
        value, state, _ = self.marked()
        said = self.summary("marked.h5", "--draws", 20)
        pixels, modulus = said["pixels"], said["maps"]["modulus"]
        self.assertEqual(pixels["states"], {name: int((state == i).sum()) for i, name in enumerate(STATES)})
        self.assertEqual(pixels["rejected_flags"], {"saturated": COLUMNS + 10, "no_contact": 10})
        self.assertEqual(pixels["doubtful_flags"], {"jump": 20})
        used = np.isin(state, (1, 2)) & np.isfinite(value)
        self.assertEqual((modulus["n"], modulus["without_value"]), (used.sum(), 1))
        self.assertAlmostEqual(modulus["median"]["value"] / np.median(value[used]), 1, places=9)
        every = self.summary("marked.h5", "--draws", 20, "--with-rejected")["maps"]["modulus"]
        used |= state == 3
        self.assertEqual(every["n"], used.sum())
        self.assertAlmostEqual(every["median"]["value"] / np.median(value[used]), 1, places=9)
        text = self.run_there("summary", "marked.h5", "--draws", 20).stdout
        for words in ("58    rejected, not used: saturated", "10    rejected, not used: no_contact",
                      "20    doubtful, used: jump"):
            self.assertIn(words, text)

    def test_masks(self):
        """Each mask against NumPy; connected regions against scipy.ndimage.label."""
        value, state, flags = self.marked()
        with h5py.File(self.folder / "mine.h5", "w") as f:
            f["area"] = RNG.integers(0, 3, (ROWS, COLUMNS))
            f["true or false"] = RNG.random((ROWS, COLUMNS)) < 0.5
            f["real"] = np.where(RNG.random((ROWS, COLUMNS)) < 0.3, np.nan, RNG.integers(0, 2, (ROWS, COLUMNS)))
            area, boolean, real = f["area"][...], f["true or false"][...], f["real"][...]
        with h5py.File(self.folder / "marked.h5") as f:
            x, y = np.meshgrid(f["entry/maps/x"][...], f["entry/maps/y"][...])
        with np.errstate(invalid="ignore"):
            stiff = value > 1.3e6
            label, count = ndimage.label(stiff)
            sizes = np.bincount(label.ravel(), minlength=count + 1)
            sizes[0] = 0
            pixel = (x[0, 1] - x[0, 0]) * (y[1, 0] - y[0, 0])
            masks = {
                "modulus > 1.3 MPa": stiff,
                "not modulus > 1300 kPa": ~stiff,
                "known modulus and modulus <= 1.3 MPa": value <= 1.3e6,
                "has saturated": np.isin(np.arange(value.size).reshape(value.shape),
                                         np.flatnonzero(flags & np.uint64(8))),
                "is doubtful or is absent": np.isin(state, (2, 4)),
                "rectangle(2 1, 6 5)": (x >= 2) & (x <= 6) & (y >= 1) & (y <= 5),
                "polygon(0 0, 8 0, 0 8)": (x + y < 8 - 1e-9),
                "dataset(mine.h5:/area)": area != 0,
                "dataset(mine.h5:/area) = 2": area == 2,
                "dataset('mine.h5:/true or false')": boolean,
                "dataset(mine.h5:/real)": real == 1,
                "largest(modulus > 1.3 MPa)": label == sizes.argmax(),
                "regions(modulus > 1.3 MPa, 6 pixels)": (sizes >= 6)[label] & stiff,
                f"regions(modulus > 1.3 MPa, {6 * pixel:.12g} um2)": (sizes >= 6)[label] & stiff,
            }
        for text, want in masks.items():
            said = self.summary("marked.h5", "--mask", text, "--draws", 0, "--no-phases")
            self.assertEqual(said["pixels"]["chosen"], want.sum(), text)
            used = want & np.isin(state, (1, 2)) & np.isfinite(value)
            self.assertEqual(said["maps"]["modulus"]["n"], used.sum(), text)
            if used.any():
                self.assertAlmostEqual(said["maps"]["modulus"]["median"]["value"] / np.median(value[used]), 1,
                                       places=9, msg=text)
            self.assertEqual(said["mask"], text)

    def test_the_calibration_stands_beside(self):
        """Its uncertainty is that of the file, whatever the number of pixels."""
        self.make("cal.h5", RNG.lognormal(14, 0.3, (ROWS, COLUMNS)))
        described = json.loads(self.run_there("describe", "--json", "cal.h5").stdout)
        combined = described["uncertainty"]["modulus"]["combined"]
        for words in ([], ["--mask", "rectangle(0 0, 1 1)"]):
            said = self.summary("cal.h5", *words, "--draws", 30)["maps"]["modulus"]
            self.assertAlmostEqual(said["calibration"]["relative_standard_uncertainty"], combined, places=9)
        self.assertIn("common to all pixels and not in the interval",
                      self.run_there("summary", "cal.h5", "--draws", 30).stdout)

    # --- outputs ---

    def test_csv_says_the_same_as_json(self):
        self.blend("c.h5", [0.7, 0.3], [14.0, 15.5], [0.25, 0.3])
        said = self.summary("c.h5", "modulus", "indentation", "--draws", 50)
        rows = list(csv.DictReader(io.StringIO(self.run_there("summary", "c.h5", "modulus", "indentation", "--draws", 50,
                                                              "--csv").stdout)))
        cell = {(r["map"], r["phase"], r["quantity"]): r for r in rows}
        modulus = said["maps"]["modulus"]
        median = cell["modulus", "", "median"]
        for column, key in (("value", "value"), ("standard_error", "standard_error"), ("low_95", "low"),
                            ("high_95", "high")):
            self.assertAlmostEqual(float(median[column]) / modulus["median"][key], 1, places=7)
        self.assertEqual(median["unit"], "Pa")
        self.assertEqual(float(cell["modulus", "", "phases"]["value"]), modulus["phases"]["chosen"])
        for p in modulus["phases"]["phases"]:
            row = cell["modulus", str(p["phase"]), "area_fraction"]
            self.assertAlmostEqual(float(row["value"]), p["area_fraction"], places=7)
        self.assertAlmostEqual(float(cell["indentation", "", "mad"]["value"]) / said["maps"]["indentation"]["mad"], 1,
                               places=7)
        self.assertIsNone(said["maps"]["indentation"]["phases"])
        self.assertEqual(float(cell["", "", "state_accepted"]["value"]), ROWS * COLUMNS)

    def test_figures(self):
        self.blend("f.h5", [0.7, 0.3], [14.0, 15.5], [0.25, 0.3])
        for ending, begin in ((".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF")):
            self.run_there("summary", "f.h5", "--draws", 20, "--figure", f"f{ending}")
            self.assertTrue((self.folder / f"f{ending}").read_bytes().startswith(begin))
        text = (self.folder / "f.svg").read_text()
        for words in ("phase 1", "phase 2", "elastic modulus (MPa)", "x (µm)"):
            self.assertIn(words, text)
        self.run_there("summary", "f.h5", "adhesion", "--figure", "a.svg", "--draws", 20, "--mask", "modulus > 1 MPa")
        self.assertIn("mask: modulus", (self.folder / "a.svg").read_text())

    def test_the_pages_lines(self):
        """docs/summary-and-export.md: its first block as it stands. docs/masks.md: every form of its table."""
        page = (ROOT / "docs" / "summary-and-export.md").read_text()
        self.blend("maps.h5", [0.7, 0.3], [14.0, 15.5], [0.25, 0.3])
        lines = re.search(r"```sh\n(.*?)```", page, re.S).group(1).splitlines()
        self.assertGreater(len(lines), 3)
        for line in lines:
            words = shlex.split(line.split(" > ")[0], comments=True)
            self.assertEqual(words[0], "cantle")
            self.run_there(*words[1:])
        with h5py.File(self.folder / "FILE.h5", "w") as f:
            f["path"] = np.full((ROWS, COLUMNS), 2)
        page = (ROOT / "docs" / "masks.md").read_text()
        forms = [form for row in re.findall(r"^\| (`.*?) \|", page, re.M) for form in re.findall(r"`([^`]+)`", row)]
        self.assertGreater(len(forms), 15)
        for form in forms:
            done = cantle("summary", "maps.h5", "--draws", 0, "--no-phases", "--mask",
                          form.replace("MASK", "is accepted"), folder=self.folder)
            fine = "has no map 'depth_modulus:3'" if "depth_modulus:3" in form else "the mask chooses no pixel"
            self.assertTrue(done.returncode == 0 or fine in done.stderr, (form, done.stderr))
        text = re.search(r"with its place: `mask, (character \d+)", page).group(1)
        self.assertIn(text, cantle("summary", "maps.h5", "--mask", "modulus > 2 and is accepted",
                                   folder=self.folder).stderr)

    def test_refusals(self):
        self.make("r.h5", RNG.lognormal(14, 0.3, (ROWS, COLUMNS)))
        self.refuses("summary", status=2, says=["MAPS.h5"])
        self.refuses("summary", "v.h5", status=4, says=["not a map file"])
        self.refuses("summary", "r.h5", "modulos", status=2, says=["did you mean modulus?"])
        self.refuses("summary", "r.h5", "--mask", "modulus > 2", status=2, says=["character 11", "has no unit"])
        self.refuses("summary", "r.h5", "--mask", "is absent", status=4, says=["the mask chooses no pixel"])
        self.refuses("summary", "r.h5", "--mask", "dataset(none.h5:/a)", status=4, says=["none.h5"])
        self.refuses("summary", "r.h5", "--mask", "dataset(v.h5:/nothing)", status=4, says=["v.h5", "/nothing"])
        self.refuses("summary", "r.h5", "--mask", "dataset(r.h5:/entry/maps/x)", status=4,
                     says=["40 rows and 48 columns", "/entry/maps/x"])
        (self.folder / "chosen.h5").write_bytes((self.folder / "r.h5").read_bytes())
        before = (self.folder / "chosen.h5").read_bytes()
        mask = ["--mask", "dataset(chosen.h5:/entry/maps/state)", "-o", "chosen.h5", "--overwrite"]
        for words in (["summary", "r.h5"], ["refit", "r.h5"], ["compare", "r.h5", "r.h5"]):
            self.refuses(*words, *mask, status=5, says=["chosen.h5", "itself an input"])
        self.assertEqual((self.folder / "chosen.h5").read_bytes(), before)
        self.refuses("summary", "r.h5", "--phases", 6, status=2, says=["from 1 to 5"])
        self.refuses("summary", "r.h5", "--phases", 2, "--no-phases", status=2, says=["exclude"])
        self.refuses("summary", "r.h5", "--json", "--csv", status=2, says=["exclude"])
        self.refuses("summary", "r.h5", "--draws", "-1", status=2, says=["--draws"])
        self.refuses("summary", "r.h5", "adhesion", "-o", "p.h5", status=4, says=["no phases"])
        self.assertFalse((self.folder / "p.h5").exists())
        (self.folder / "there.h5").write_text("mine")
        self.refuses("summary", "r.h5", "-o", "there.h5", status=5, says=["there.h5 exists"])
        self.assertEqual((self.folder / "there.h5").read_text(), "mine")
        self.refuses("summary", "r.h5", "-o", "r.h5", "--overwrite", status=5, says=["itself an input"])


if __name__ == "__main__":
    unittest.main()
