#!/usr/bin/python3
"""Unloading after plastic deformation: cantle gets back stiffness, contact depth, area, hardness and modulus
that unloading.py put in, with error bars that are true; flags where the method does not hold."""
import json
import unittest

import numpy as np

import program
import unloading as ul
import volume as vol

N = 400
CONE = dict(shape="cone", half_angle=np.radians(70.3))
CUBE = dict(shape="cone", half_angle=np.radians(42.28))
OPEN = {"limits.depth_to_radius": "1e6", "limits.stiffness_ratio_low": "1e-9", "limits.stiffness_ratio_high": "1e9",
        "limits.baseline_slope": "1", "limits.residual": "100", "limits.surface_slope": "90 degree",
        "limits.contact_to_pitch": "1e9"}


def truth(p):
    return dict(hardness=p.hardness, unloading_modulus=p.e_sample, unloading_reduced_modulus=p.e_r,
                unloading_stiffness=p.stiffness, unloading_exponent=p.m, unloading_force=p.peak,
                unloading_depth=p.h_max, residual_depth=p.h_f, residual_depth_ratio=p.h_f / p.h_max,
                contact_depth=p.h_c, contact_area=p.area)


def settings(p, **more):
    """The contact model reads a cone; its result does not matter here."""
    out = {"calibration.spring_constant": f"{p.k!r} N/m", "contact.model": "cone", "sample.poisson_ratio": f"{p.nu}",
           "tip.tip_half_angle": "70.3 degree", "unloading.analysis": "power_law",
           "unloading.area": p.tip["shape"], "unloading.epsilon": f"{p.epsilon!r}", "unloading.beta": f"{p.beta!r}",
           "unloading.zero_to": "100 %", "calibration.monte_carlo_draws": "0"}
    if "half_angle" in p.tip:
        out["tip.tip_half_angle"] = f"{p.tip['half_angle']!r} rad"
    if "radius" in p.tip:
        out["tip.tip_radius"] = f"{p.tip['radius']!r} m"
    if "face_angle" in p.tip:
        out["tip.tip_face_angle"] = f"{p.tip['face_angle']!r} rad"
    if "coefficients" in p.tip:
        a, b, c = p.tip["coefficients"]
        out.update({"unloading.area": "function", "tip.tip_area_quadratic": f"{a!r}",
                    "tip.tip_area_linear": f"{b!r} m", "tip.tip_area_constant": f"{c!r} m2"})
    if np.isfinite(p.e_tip):
        out.update({"tip.tip_modulus": f"{p.e_tip!r} Pa", "tip.tip_poisson_ratio": f"{p.nu_tip!r}"})
    out.update(OPEN)
    out.update({k.replace("__", "."): v for k, v in more.items()})
    return out


def write(path, pixels, columns, noise=0.0, rng=None, share=0.45, n=N, baseline=(0.0, 0.0), adhesion=0.0):
    """share of the ramp is in contact; z0 falls anywhere; the offset and slope are artefacts."""
    rows = len(pixels) // columns
    rng = rng or np.random.default_rng(1)
    z, d = (np.empty((2, len(pixels), n)) for _ in range(2))
    adhesion = np.broadcast_to(adhesion, len(pixels))
    for i, p in enumerate(pixels):
        end = p.x_peak()
        x = end - end / share * np.arange(n)[::-1] / (n - 1)
        z0 = rng.uniform(-0.2, 0.2) * end
        for s, segment in enumerate(("approach", "retract")):
            xs = x if s == 0 else x[::-1]
            true = p.deflection(xs, segment)
            if s and adhesion[i]:
                true = true - adhesion[i] / p.k * np.exp(-np.square((xs - p.h_f) / (0.05 * end)))
            z[s, i] = xs + z0
            d[s, i] = true + baseline[0] + baseline[1] * xs + noise * rng.standard_normal(n)
    shape = (rows, columns, n)
    parts = {seg: vol.segment(d[s].reshape(shape), z[s].reshape(shape)) for s, seg in enumerate(("approach", "retract"))}
    vol.write(path, parts)


def run(pixels, columns, folder=None, more=None, **curves):
    with program.Folder() as folder:
        write(folder / "v.h5", pixels, columns, **curves)
        return program.map_volume(folder, folder / "v.h5", settings(pixels[0], **(more or {})))


GLASS = dict(k=200.0, peak=2e-6, e_sample=4.5e9, hardness=0.25e9, tip=CUBE, nu=0.35)


class NoiseFree(unittest.TestCase):
    """Every area function, exponents, constants, an elastic tip: all results to 1e-6."""

    CASES = (dict(), dict(tip=CONE, m=1.25, beta=1.034), dict(tip=dict(shape="berkovich"), m=1.7, n=1.9),
             dict(tip=dict(shape="pyramid", face_angle=np.radians(35.0)), epsilon=0.72),
             dict(tip=dict(shape="paraboloid", radius=200e-9), n=1.6, m=1.5),
             dict(tip=dict(shape="sphere", radius=200e-9), n=1.6, m=1.5),
             dict(tip=dict(shape="function", coefficients=(4.2, 90e-9, 1e-16)), n=1.8),
             dict(e_tip=1.141e12, nu_tip=0.07, e_sample=400e9, hardness=20e9, peak=20e-6),
             dict(k=20.0), dict(k=4000.0))

    def test_every_case(self):
        for case in self.CASES:
            p = ul.Plastic(**{**GLASS, **case})
            maps = run([p], 1, baseline=(2e-9, 1e-3))
            for name, wanted in truth(p).items():
                with self.subTest(case=case, map=name):
                    got = maps[name][0, 0]
                    self.assertLessEqual(abs(got / wanted - 1), 1e-6, f"{got:.9g}, wanted {wanted:.9g}")
            with self.subTest(case=case):
                wrong = [w for w in maps.names(0, 0) if "unload" in w or w in ("no_plastic_depth", "pile_up")]
                self.assertEqual(wrong, ["pile_up"] if p.h_f > 0.7 * p.h_max else [])


def coverage(pixels, count, noise, seed, more=None, **curves):
    """{map: (bias in standard errors, spread in standard errors, share within 1.96 of them)}"""
    rng = np.random.default_rng(seed)
    maps = run([pixels] * count, int(count**0.5), noise=noise, rng=rng, more=more, **curves)
    out = {}
    for name, wanted in truth(pixels).items():
        t = ((maps[name] - wanted) / maps[f"{name}_errors"]).ravel()
        whole, t = t, t[np.isfinite(t)]
        out[name] = (t.size / whole.size, t.mean(), t.std(ddof=1), float(np.mean(np.abs(t) <= 1.96)),
                     float(np.nanmedian(maps[f"{name}_errors"]) / abs(wanted)))
    return out, maps


class Noise(unittest.TestCase):
    """400 curves: truth lies within 1.96 standard errors in 95 of 100. Long form: bench/unloading.py."""

    CASES = (("stiff lever", dict(), 0.05e-9), ("soft lever", dict(k=20.0), 0.07e-9))

    def test_coverage(self):
        for i, (words, case, noise) in enumerate(self.CASES):
            got, _ = coverage(ul.Plastic(**{**GLASS, **case}), 400, noise, 11 + i)
            for name, (there, mean, sd, share, u) in got.items():
                print(f"  {words}: {name}: mean {mean:+.2f}, sd {sd:.3f}, {share:.1%} within, u {u:.2%}")
                with self.subTest(words, map=name):
                    self.assertEqual(there, 1.0)
                    # three standard deviations of 400 draws of 0.95
                    self.assertTrue(0.917 <= share <= 0.983, f"{share:.1%}")
                    self.assertLess(abs(mean), 0.25)


class TipArea(unittest.TestCase):
    """`calibrate tip --area`: the function that was put in comes back from a sample of known modulus, its
    scatter is what it says, and a map that uses it measures that modulus."""

    COEFFICIENTS = (22.0, 60e-9, 0.0)
    K, E, NU = 4000.0, 72e9, 0.17

    @classmethod
    def setUpClass(cls):
        cls.holder = program.Folder()
        cls.path = cls.holder.__enter__()
        cls.addClassCleanup(cls.holder.__exit__)
        cls.volume(cls.path / "ref.h5", cls.COEFFICIENTS, 3)
        (cls.path / "r.yaml").write_text(program.recipe_text(cls.recipe()))

    @classmethod
    def volume(cls, path, coefficients, seed, low=20e-6):
        rng = np.random.default_rng(seed)
        tip = dict(shape="function", coefficients=coefficients)
        peaks = rng.permuted(np.tile(np.geomspace(low, 200e-6, 16), (16, 1)), axis=1).ravel()
        cls.pixels = [ul.Plastic(k=cls.K, peak=p, e_sample=cls.E, nu=cls.NU, hardness=9e9, tip=tip, e_tip=1.141e12,
                                 nu_tip=0.07) for p in peaks]
        write(path, cls.pixels, 16, noise=0.02e-9, rng=rng, n=N)

    @classmethod
    def recipe(cls):
        out = {**OPEN, "contact.model": "cone", "unloading.zero_to": "100 %", "unloading.analysis": "power_law"}
        for name, value in (("calibration.spring_constant", (cls.K, 40, "N/m")),
                            ("calibration.deflection_sensitivity", (5e-8, 1e-11, "m/V")), ("tip.tip_modulus", (1.141e12, 1e10, "Pa")),
                            ("tip.tip_poisson_ratio", (0.07, 0.01, "")), ("sample.poisson_ratio", (cls.NU, 0.01, "")),
                            ("tip.tip_half_angle", (1.2, 0.1, "rad"))):
            out[name], out[f"{name}_u"] = (f"{v} {value[2]}".strip() for v in value[:2])
        return out

    def calibrate(self, *arguments, status=0, volume="ref.h5"):
        done = program.run(["calibrate", "tip", self.path / "r.yaml", self.path / volume, "--reference-modulus",
                            f"{self.E} +- {self.E / 100} Pa", "--json", *arguments])
        self.assertEqual(done.returncode, status, done.stderr)
        return json.loads(done.stdout) if status == 0 else done.stderr

    def test_function_comes_back(self):
        for terms, coefficients in (("both", (22.0, 60e-9, 0)), ("all", (22.0, 60e-9, 0))):
            found = self.calibrate("--area", terms)["tip_area"]
            h = found["depths"]
            for at, u in zip(h, found["u_random_at_depths"]):
                area = (found["quadratic"] * at + found["linear"]) * at + found["constant"]
                with self.subTest(terms, depth=at):
                    self.assertLess(abs(area / np.polyval(coefficients, at) - 1), 4 * u)
                    self.assertLess(u, 0.01)

    def test_uncertainty(self):
        """JCGM 100:2008, 5.1.3. A goes as S^2/E_r^2, and of E_r the sample's part counts."""
        got = self.calibrate("--area", "both")
        parts, c = got["parts"], self.pixels[0]
        share = c.e_r * (1 - self.NU**2) / self.E  # d ln E_r / d ln E
        self.assertAlmostEqual(parts["reference_modulus"], 2 * share * 0.01, delta=1e-4)
        self.assertAlmostEqual(parts["tip_modulus"], 2 * (1 - share) * 1e10 / 1.141e12, delta=1e-4)
        self.assertGreater(parts["spring_constant"], 2 * 0.01 * 0.99)
        both = np.sqrt(sum(v**2 for v in parts.values()))
        self.assertAlmostEqual(got["tip_area"]["u"], both, delta=1e-6)

    def test_scatter_is_what_it_says(self):
        """Each row of the volume by itself: sixteen results about the truth."""
        z = []
        for row in range(16):
            found = self.calibrate("--area", "both", "--rows", str(row))["tip_area"]
            at = found["depths"][1]
            area = (found["quadratic"] * at + found["linear"]) * at
            z.append((area / np.polyval(self.COEFFICIENTS, at) - 1) / found["u_random"])
        self.assertLess(abs(np.mean(z)), 1.0)
        # chi-square of 15: its square root over 15 lies between 0.55 and 1.6 in 99.9 of 100
        self.assertTrue(0.55 < np.std(z, ddof=1) < 1.6, z)

    def test_map_uses_it(self):
        lever = self.path / "lever.yaml"
        self.calibrate("--area", "both", "--lever", lever, "--overwrite")
        text = lever.read_text()
        lever.write_text(text + "- quantity: spring_constant\n  value: 4000 N/m\n  u: 40 N/m\n")
        settings = {k: v for k, v in self.recipe().items() if "spring_constant" not in k}
        maps = program.map_volume(self.path, self.path / "ref.h5", {**settings, "calibration.lever_file": "lever.yaml",
                                                                   "calibration.monte_carlo_draws": "0"})
        z = (maps["unloading_modulus"] / self.E - 1).ravel()
        self.assertLess(abs(np.median(z)), 0.005)
        done = program.run(["describe", "--json", self.path / "maps.h5"])
        budget = json.loads(done.stdout)
        text = json.dumps(budget)
        self.assertIn("tip_area_factor", text)
        # found and used with one lever on one sample: the spring constant drops out of the modulus
        inputs = {i["input"]: i for i in self.inputs(budget, "unloading_modulus")}
        self.assertLess(inputs["spring_constant"]["contribution"], 0.1 * 0.01)

    def inputs(self, budget, name):
        found = []

        def walk(node):
            if isinstance(node, dict):
                if name in node and isinstance(node[name], dict) and "inputs" in node[name]:
                    found.extend(node[name]["inputs"])
                for v in node.values():
                    walk(v)
            elif isinstance(node, list):
                for v in node:
                    walk(v)
        walk(budget)
        return found

    def test_wear(self):
        lever = self.path / "early.yaml"
        self.calibrate("--area", "both", "--lever", lever, "--overwrite")
        self.volume(self.path / "worn.h5", (22.0, 75e-9, 0.0), 4)
        self.volume(self.path / "again.h5", self.COEFFICIENTS, 5)
        self.assertTrue(self.calibrate("--area", "both", "--earlier", lever, volume="worn.h5")["wear"]["changed"])
        self.assertFalse(self.calibrate("--area", "both", "--earlier", lever, volume="again.h5")["wear"]["changed"])

    def test_refused(self):
        self.volume(self.path / "one.h5", self.COEFFICIENTS, 6, low=190e-6)
        self.assertIn("several peak forces", self.calibrate("--area", "both", status=4, volume="one.h5"))
        self.assertIn("expected quadratic", self.calibrate("--area", "round", status=2))
        self.calibrate("--area", "quadratic", volume="one.h5")


if __name__ == "__main__":
    unittest.main()
