#!/usr/bin/python3
"""cantle gets back what the forward models of forward.py put in, with error bars that are true, and finds
the same minimum as SciPy. One test class a question; every model of contact.model is asked."""
import unittest

import numpy as np
from scipy.optimize import least_squares

import forward as fw
import program
import scenario as sc

SAMPLES = 400
FITS = ([(m, s) for m in fw.MODELS if m not in fw.ADHESIVE for s in ("approach", "retract")]
        + [(m, "retract") for m in fw.ADHESIVE]
        + [(m, "approach") for m in fw.BLUNT] + [("blunted_pyramid", "retract")])


def relative(value, truth):
    return np.abs(value / truth - 1.0)


class NoiseFree(unittest.TestCase):
    """Soft to stiff contacts, kc/k from 0.05 to 50, offset, slope: E (and w) to 1e-6."""

    RATIOS = np.geomspace(0.05, 50, 8)

    def curves(self, model):
        return [sc.curve(model, r, SAMPLES, z0=(i - 4) * 23e-9, phase=0.11 + 0.1 * i, share=0.35 + 0.03 * i,
                         offset=(i - 3) * 2.1e-9, slope=(i - 4) * 1.3e-3) for i, r in enumerate(self.RATIOS)]

    def check(self, model, segment, space, tolerance=1e-6):
        curves = self.curves(model)
        with program.Folder() as folder:
            sc.write(folder / "v.h5", curves, 2)
            maps = program.map_volume(folder, folder / "v.h5", sc.settings(model, segment, contact__fit_space=space))
        for i, c in enumerate(curves):
            with self.subTest(model=model, segment=segment, space=space, kc_over_k=round(self.RATIOS[i], 3)):
                at = divmod(i, 4)
                names = maps.names(*at)
                self.assertLessEqual(relative(maps["modulus"][at], c.modulus), tolerance, names)
                self.assertLessEqual(relative(maps["reduced_modulus"][at], c.reduced), tolerance)
                self.assertLessEqual(abs(maps["contact_point"][at] - c.z0), 1e-6 * sc.DEFLECTION + 1e-7 * abs(c.z0))
                if model in fw.ADHESIVE:
                    self.assertLessEqual(relative(maps["work_of_adhesion"][at], c.work), tolerance)

    def test_deflection_space(self):
        for model, segment in FITS:
            self.check(model, segment, "deflection")

    def test_force_space(self):
        for model, segment in FITS:
            self.check(model, segment, "force")


class WhiteNoise(unittest.TestCase):
    """1,000 curves: (fit - truth)/standard error has mean 0 and standard deviation 1."""

    RATIOS = (0.1, 0.5, 2.0, 10.0)

    def normal(self, z, what):
        z = z[np.isfinite(z)]
        print(f"  {what}: n {z.size}  mean {z.mean():+.3f}  sd {z.std(ddof=1):.3f}  worst {np.abs(z).max():.1f}")
        with self.subTest(what):
            self.assertEqual(z.size, 1000)
            self.assertLess(abs(z.mean()), 0.1)
            self.assertTrue(0.8 <= z.std(ddof=1) <= 1.25, f"sd {z.std(ddof=1)}")

    def check(self, model, segment, jump=None, label="", seed=1, **volume):
        rng = np.random.default_rng(seed)
        noise = {r: sc.noise_for(model, r, SAMPLES, jump=jump, segment=segment) for r in self.RATIOS}
        curves = []
        for i in range(1024):
            r = self.RATIOS[i % 4]
            curves.append(sc.curve(model, r, SAMPLES, z0=rng.uniform(-50e-9, 50e-9), phase=rng.uniform(0, 1),
                                   share=rng.uniform(0.35, 0.55), offset=rng.uniform(-5e-9, 5e-9),
                                   slope=rng.uniform(-0.01, 0.01), noise=noise[r]))
            if "retract_model" in volume:
                curves[-1].work = sc.work_for(volume["retract_model"], sc.SPRING * sc.DEFLECTION)
        absent = [(i, 31) for i in range(24)]
        with program.Folder() as folder:
            sc.write(folder / "v.h5", curves, 32, rng, absent=absent, **volume)
            maps = program.map_volume(folder, folder / "v.h5", sc.settings(model, segment))
        truth = np.array([c.modulus for c in curves]).reshape(32, 32)
        z = (maps["modulus"] - truth) / maps["modulus_errors"]
        self.normal(z, f"{model} {segment}{label} E")
        kept = ~maps.flagged("absent")
        with self.subTest(f"{model} {segment}{label} kept"):
            self.assertGreaterEqual(int(np.isin(maps.raw["state"], (1, 2)).sum()), 990)
            rejected = {w: int(maps.flagged(w)[kept].sum()) for w in maps.words if maps.flagged(w)[kept].any()}
            self.assertEqual(int(np.isnan(maps["modulus"][kept]).sum()), 0, rejected)
            self.assertTrue(np.isnan(maps["modulus"][~kept]).all())
        point = np.array([c.z0 for c in curves]).reshape(32, 32)
        self.normal((maps["contact_point"] - point) / maps["contact_point_errors"], f"{model} {segment}{label} Z0")
        if model in fw.ADHESIVE:
            work = np.array([c.work for c in curves]).reshape(32, 32)
            self.normal((maps["work_of_adhesion"] - work) / maps["work_of_adhesion_errors"],
                        f"{model} {segment}{label} w")

    def test_without_adhesion(self):
        for i, (model, segment) in enumerate(FITS):
            if model not in fw.ADHESIVE:
                self.check(model, segment, seed=11 + i)

    def test_adhesive(self):
        """The smooth part of the curve knows the place of the jump only to some samples."""
        for i, model in enumerate(fw.ADHESIVE):
            self.check(model, "retract", seed=31 + i)

    def test_adhesive_sharp(self):
        """The smooth part alone tells the place of the jump to a tenth of a sample step."""
        for i, model in enumerate(fw.ADHESIVE):
            self.check(model, "retract", jump=0.1, label=" (sharp)", seed=41 + i)

    def test_adhesion_on_the_other_segment(self):
        """A paraboloid on approach does not mind what the retract does."""
        self.check("paraboloid", "approach", label=" (jkr retract)", seed=51, retract_model="jkr")


class OtherErrors(unittest.TestCase):
    """The other maps with a standard error whose truth is known: (map - truth)/standard error, 250 curves
    for each contact stiffness."""

    RATIOS = (0.1, 0.5, 2.0, 10.0)

    @staticmethod
    def truth(c, segment):
        x, d = (c.x[-1], c.true("approach")[-1])
        delta = x - d
        force, stiffness, radius = fw.state(c.model, delta, c.reduced, sc.TIPS[c.model], c.work)
        return dict(indentation=delta, contact_stiffness=stiffness, contact_radius=radius,
                    mean_pressure=force / (np.pi * radius**2), peak_force=d * sc.SPRING, contact_height=-c.z0,
                    setpoint_height=-(c.z0 + delta), baseline_slope=c.slope, baseline_gap=c.gap * sc.SPRING,
                    baseline_offset=c.offset + (c.gap if segment == "approach" else -c.gap) / 2, reduced_modulus=c.reduced)

    def check(self, model, segment, seed):
        rng = np.random.default_rng(seed)
        noise = [sc.noise_for(model, r, SAMPLES, segment=segment) for r in self.RATIOS]
        curves = [sc.curve(model, self.RATIOS[i % 4], SAMPLES, z0=rng.uniform(-50e-9, 50e-9), phase=rng.uniform(),
                           offset=2e-9, slope=2e-3, gap=1e-9, noise=noise[i % 4]) for i in range(1000)]
        with program.Folder() as folder:
            sc.write(folder / "v.h5", curves, 10, rng)
            maps = program.map_volume(folder, folder / "v.h5", sc.settings(model, segment))
        truths = [self.truth(c, segment) for c in curves]
        for name in truths[0]:
            error = maps[f"{name}_errors"].ravel()
            if model == "flat_punch" and name == "contact_radius":
                continue  # the radius of the tip: no error from the fit
            z = (maps[name].ravel() - [t[name] for t in truths]) / error
            for i, ratio in enumerate(self.RATIOS):
                part = z[i::4][np.isfinite(z[i::4])]
                # a segment that is not fitted stands on the baseline found beforehand, which a gentle contact
                # bends a little: within one standard error
                found = name == "baseline_gap" or (segment == "retract" and name in ("peak_force", "setpoint_height"))
                with self.subTest(map=name, model=model, segment=segment, kc_over_k=ratio):
                    mean, sd = part.mean(), part.std(ddof=1)
                    self.assertGreater(len(part), 240)
                    self.assertTrue(abs(mean) < (1.0 if found else 0.3) and 0.75 < sd < 1.35, f"mean {mean:+.2f}, sd {sd:.2f}")

    def test_every_model(self):
        for i, (model, segment) in enumerate(FITS):
            self.check(model, segment, 81 + i)


class Floor(unittest.TestCase):
    """Curves as laboratories take them: hardly any is lost, and E scatters by no more than 1.3 times the
    Cramer-Rao floor. Only contact over lever stiffness, noise over deflection and the number of samples
    matter, so all are scaled to the lever of scenario.py."""

    CASES = (("cell, sphere", "paraboloid", 0.04, 0.26 / 8.33, 2000), ("the same, noisy", "paraboloid", 0.04, 1 / 8.33, 2000),
             ("cell, cone", "cone", 0.06, 0.37 / 16.7, 2000), ("gel", "paraboloid", 0.18, 0.01, 512),
             ("rubber", "paraboloid", 0.6, 0.01, 512), ("glassy polymer", "paraboloid", 1.4, 0.02, 512),
             ("hard film", "paraboloid", 5.0, 0.006, 512))

    def test_cases(self):
        for i, (name, model, ratio, noise, n) in enumerate(self.CASES):
            rng = np.random.default_rng(61 + i)
            curves = [sc.curve(model, ratio, n, phase=rng.uniform(), offset=1e-9, slope=2e-3,
                               noise=noise * sc.DEFLECTION) for _ in range(200)]
            with program.Folder() as folder:
                sc.write(folder / "v.h5", curves, 10, rng)
                maps = program.map_volume(folder, folder / "v.h5", sc.settings(model, "approach"))
            c = curves[0]
            floor = sc.Problem(c, "approach", c.z("approach"), c.true("approach")).sd(c.noise)[0]
            good = np.isin(maps.raw["state"], (1, 2)) & np.isfinite(maps["modulus"])
            e = maps["modulus"][good] / c.modulus - 1
            lost = {w: int(maps.flagged(w)[~good].sum()) for w in maps.words if maps.flagged(w)[~good].any()}
            print(f"  {name}: {good.sum()} of 200 kept {lost}, E {e.mean():+.2%} +- {e.std(ddof=1):.2%}, floor {floor:.2%}")
            with self.subTest(name):
                self.assertGreaterEqual(int(good.sum()), 198, lost)
                self.assertLessEqual(e.std(ddof=1), 1.3 * floor)
                self.assertLessEqual(abs(e.mean()), 0.3 * floor + floor**2)


class Minimum(unittest.TestCase):
    """On the same curve SciPy's least_squares finds no other and no lower minimum."""

    CURVES = 24

    def problems(self, model, segment, seed, quiet=False):
        rng = np.random.default_rng(seed)
        ratios = (0.1, 0.5, 2.0, 10.0)
        noise = {r: sc.noise_for(model, r, SAMPLES, jump=0.1, segment=segment) for r in ratios}
        curves = [sc.curve(model, ratios[i % 4], SAMPLES, z0=rng.uniform(-5e-9, 5e-9), phase=rng.uniform(0.3, 0.7),
                           offset=rng.uniform(-5e-9, 5e-9), slope=rng.uniform(-0.01, 0.01), noise=noise[ratios[i % 4]],
                           quiet=quiet)
                  for i in range(self.CURVES)]
        return curves, rng

    def cantle(self, curves, model, segment, rng, space):
        with program.Folder() as folder:
            written = sc.write(folder / "v.h5", curves, 4, rng)
            maps = program.map_volume(folder, folder / "v.h5", sc.settings(model, segment, contact__fit_space=space, contact__noise="white"))
        return maps, written[0 if segment == "approach" else 1].reshape(self.CURVES, -1)

    def search(self, problem, start):
        found = least_squares(problem.residual, start, jac=problem.jacobian, method="lm", x_scale=1.0, ftol=1e-15,
                              xtol=1e-15, gtol=1e-15, max_nfev=400)
        return found.x, 2.0 * found.cost

    def at(self, problem, maps, row, col):
        """cantle's non-linear parameters, the linear ones solved for."""
        p = problem.p0.copy()
        p[0], p[1] = np.log(maps["reduced_modulus"][row, col]), maps["contact_point"][row, col]
        if problem.adhesive:
            p[2] = np.log(maps["work_of_adhesion"][row, col])
        v = (p - problem.p0) / problem.scale
        j = problem.jacobian(v)[:, -2:]
        v[-2:] -= np.linalg.lstsq(j, problem.residual(v), rcond=None)[0]
        return v, float(np.sum(problem.residual(v) ** 2))

    def check(self, model, segment, seed, space="deflection"):
        curves, rng = self.problems(model, segment, seed, quiet=space == "force")
        maps, d = self.cantle(curves, model, segment, rng, space)
        equal, worst = 0, 0.0
        for i, c in enumerate(curves):
            row, col = divmod(i, maps["modulus"].shape[1])
            problem = sc.Problem(c, segment, c.z(segment), d[i], space=space, baseline=c.baseline(segment))
            problem.unit = c.noise
            problem.scale = problem.sd(c.noise)
            with self.subTest(model=model, segment=segment, space=space, curve=i):
                self.assertTrue(np.isfinite(maps["modulus"][row, col]), maps.names(row, col))
                self.assertEqual(int(maps["samples_used"][row, col]), len(problem.z))
                mine, cost = self.at(problem, maps, row, col)
                best = min((self.search(problem, start) for start in (mine, 0.0 * mine)), key=lambda f: f[1])
                e = np.exp((best[0][0] - mine[0]) * problem.scale[0])
                worst = max(worst, abs(e - 1))
                equal += abs(e - 1) <= 1e-5
                self.assertTrue(abs(e - 1) <= 1e-5 or cost <= best[1] * (1 + 1e-9),
                                f"E {e - 1:+.2e} relative, sum of squares {cost / best[1] - 1:+.2e} relative")
        print(f"  {model} {segment} {space}: {equal} of {self.CURVES} equal to 1e-5, largest difference {worst:.1e}")

    def test_deflection_space(self):
        for i, (model, segment) in enumerate(FITS):
            self.check(model, segment, 101 + i)

    def test_force_space(self):
        """The indentation is reckoned with the off-surface baseline that cantle finds: noise in contact only,
        so that it is known."""
        for i, (model, segment) in enumerate(FITS):
            self.check(model, segment, 201 + i, "force")


class OtherMaps(unittest.TestCase):
    """Maps that are not fitted, and what follows from the fit, against their definitions."""

    def setUp(self):
        self.folder = program.Folder()
        self.path = self.folder.__enter__()
        self.addCleanup(self.folder.__exit__)

    def maps_of(self, model, segment, ratio=2.0, noise=0.0, gap=0.0, approach_model=None, **more):
        rng = np.random.default_rng(5)
        self.c = [sc.curve(model, r, SAMPLES, z0=40e-9 * i, phase=0.3, offset=3e-9, slope=2e-3, noise=noise, gap=gap)
                  for i, r in enumerate((ratio / 4, ratio, ratio * 4))]
        self.model, self.segment = model, segment
        sc.write(self.path / "v.h5", self.c, 1, rng, approach_model=approach_model)
        return program.map_volume(self.path, self.path / "v.h5", sc.settings(model, segment, **more))

    def near(self, maps, name, wanted, tolerance=1e-5, slack=0.0):
        for i, w in enumerate(wanted):
            with self.subTest(map=name, model=self.model, segment=self.segment, pixel=i):
                got = maps[name][0, i]
                self.assertLessEqual(abs(got - w), tolerance * abs(w) + slack, f"{name}: {got:.8g}, wanted {w:.8g}")

    def check_fitted(self, maps):
        """State of the contact at the largest force of the fitted segment."""
        force = [sc.SPRING * c.true(self.segment) for c in self.c]
        peak = [int(np.argmax(f)) for f in force]
        x = [(c.x if self.segment == "approach" else c.x[::-1])[p] for c, p in zip(self.c, peak)]
        delta = [xx - f[p] / sc.SPRING for xx, f, p in zip(x, force, peak)]
        at = [fw.state(self.model, u, c.reduced, sc.TIPS[self.model], c.work) for u, c in zip(delta, self.c)]
        self.near(maps, "indentation", delta)
        self.near(maps, "contact_stiffness", [s[1] for s in at])
        self.near(maps, "stiffness_ratio", [s[1] / sc.SPRING for s in at])
        self.near(maps, "contact_radius", [s[2] for s in at])
        self.near(maps, "mean_pressure", [s[0] / (np.pi * s[2] ** 2) for s in at])
        self.near(maps, "contact_point", [c.z0 for c in self.c], 1e-6, 1e-14)
        self.near(maps, "contact_height", [-c.z0 for c in self.c], 1e-6, 1e-14)
        turn = [c.z0 + x - self.turning(c.true(self.segment), self.segment) for c, x in zip(self.c, x)]
        self.near(maps, "setpoint_height", [-t for t in turn], 1e-6, 1e-14)
        self.near(maps, "baseline_slope", [c.slope for c in self.c])

    @staticmethod
    def turning(d, segment):
        """Deflection at the turning point: line through the five samples there, at the last."""
        last = d[-5:] if segment == "approach" else d[4::-1]
        return np.polyval(np.polyfit(np.arange(5), last, 1), 4)

    @staticmethod
    def pull_off(force):
        """As the map defines it: a parabola through seven samples on the contact's side around the minimum,
        at the sample where it is lowest. 0 without a pull-off."""
        f = force[::-1]  # free lever first
        deepest = off = int(np.argmin(f))
        if not f[deepest] < -1e-15:
            return 0.0
        while off > 0 and f[off - 1] < f[deepest] * 5 / 18:
            off -= 1
        first = max(off, deepest - 3)
        return -np.polyval(np.polyfit(np.arange(7), f[first:first + 7], 2), np.arange(7)).min()

    def check_measured(self, maps):
        """What needs no model, computed here from the true force of both segments."""
        approach = [sc.SPRING * c.true("approach", self.approach_model) for c in self.c]
        retract = [sc.SPRING * c.true("retract") for c in self.c]
        self.near(maps, "peak_force", [self.turning(f, "approach") for f in approach])
        self.near(maps, "adhesion", [self.pull_off(f) for f in retract], slack=1e-17)
        # the largest error of a trapezoid that is cut at a zero: a quarter of a step times a step's force
        area, energy, deform = [], [], []
        for c, fa, fr in zip(self.c, approach, retract):
            distance = fr / sc.SPRING - c.x[::-1]
            area.append(np.trapz(np.maximum(-fr, 0.0), distance))
            energy.append(np.trapz(fa, c.x) - np.trapz(fr[::-1], c.x))
            last = np.nonzero(fa <= 0)[0][-1]
            apart = fa / sc.SPRING - c.x
            deform.append(apart[last] - apart[-1])
        step = [c.x[1] - c.x[0] for c in self.c]
        if self.model in fw.ADHESIVE:
            for name, wanted in (("adhesion_energy", area), ("dissipated_energy", energy)):
                self.near(maps, name, wanted, 0.01)
            self.near(maps, "snap_in_force", [-f.min() for f in approach], slack=1e-17)
        self.near(maps, "deformation", deform, 1e-5, max(step) * 0.01)

    def check_all(self, model, segment, approach_model=None, **more):
        self.approach_model = approach_model
        maps = self.maps_of(model, segment, approach_model=approach_model, **more)
        self.check_fitted(maps)
        self.check_measured(maps)

    def test_every_model(self):
        for model, segment in FITS:
            self.check_all(model, segment)

    def test_work_from_the_pull_off(self):
        for word, factor in (("dmt", 2.0), ("jkr", 1.5)):
            maps = self.maps_of("paraboloid", "approach", adhesion__work_from=word)
            with self.subTest(word):
                self.assertFalse(np.isfinite(maps["work_of_adhesion"]).any() and
                                 (np.abs(maps["work_of_adhesion"]) > 1e-12).any())
            c = [sc.curve("jkr", 2.0, SAMPLES, phase=0.4)]
            sc.write(self.path / "v.h5", c, 1)
            maps = program.map_volume(self.path, self.path / "v.h5",
                                      sc.settings("jkr", "retract", adhesion__work_from=word))
            self.c, self.model, self.segment = c, "jkr", "retract"
            force = self.pull_off(sc.SPRING * c[0].true("retract"))
            self.near(maps, "work_of_adhesion", [force / (factor * np.pi * sc.TIPS["jkr"])])

    def test_gap_and_noise(self):
        gap, noise = 2e-9, 0.3e-9
        maps = self.maps_of("paraboloid", "approach", noise=noise, gap=gap)
        error = noise * sc.SPRING / np.sqrt(SAMPLES * 0.3)
        self.near(maps, "baseline_gap", [gap * sc.SPRING] * 3, 0.0, 8 * error)
        self.near(maps, "force_noise", [noise * sc.SPRING] * 3, 0.25)
        self.near(maps, "fit_residual", [noise * sc.SPRING] * 3, 0.25)
        for i, c in enumerate(self.c):
            p = sc.Problem(c, "approach", c.z("approach"), c.true("approach"))
            cov = p.covariance(noise)
            wanted = cov[0, 1] / np.sqrt(cov[0, 0] * cov[1, 1])
            self.assertLess(abs(maps["modulus_contact_correlation"][0, i] - wanted), 0.02)
            self.assertLess(abs(maps["modulus_errors"][0, i] / c.modulus / np.sqrt(cov[0, 0]) - 1), 0.2)
            self.assertEqual(int(maps["samples_used"][0, i]), SAMPLES)

    def test_errors_have_the_unit_of_their_map(self):
        self.maps_of("jkr", "retract", noise=0.05e-9)
        import h5py
        with h5py.File(self.path / "maps.h5") as f:
            group = f["entry/maps"]
            pairs = [n for n in group if n.endswith("_errors")]
            self.assertIn("modulus_errors", pairs)
            for name in pairs:
                self.assertEqual(group[name].attrs["units"], group[name[:-7]].attrs["units"], name)


if __name__ == "__main__":
    unittest.main()
