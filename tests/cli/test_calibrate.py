"""cantle calibrate: from curves and a recording to a lever file, to a map that carries it along."""
import json
import pathlib
import sys

import h5py
import numpy as np

from run import ROOT, InFolder

sys.path.insert(0, str(ROOT / "tests" / "judge"))
import thermal_noise  # noqa: E402
import volume  # noqa: E402

S, K, R, E = 50e-9, 0.5, 100e-9, 2e6  # of the simulated lever, tip and sample
RATE, F0, Q = 200e3, 20e3, 30


def rigid(path, friction=0.01, seed=3, wild=(2, 3), bend=0.0, stage="detector"):
    """Curves on a surface that does not yield; approach and retract are parted by friction."""
    rng, shape, n = np.random.default_rng(seed), (4, 8), 400
    z, sides = np.linspace(0, 300e-9, n), []
    for sign in (1, -1):
        v = np.empty((*shape, n))
        for at in np.ndindex(shape):
            d = np.maximum(z - 150e-9 - 5e-9 * rng.standard_normal(), 0) * (1 + sign * friction / 2)
            d = d * (1 + 0.002 * rng.standard_normal())
            v[at] = d / S * (1 + bend * d / 150e-9) + 0.1 + 2e4 * z + 0.004 * rng.standard_normal(n)
        sides.append(v)
    if wild:
        sides[0][wild] *= 1.2
    if stage == "deflection":
        sides = [side * S for side in sides]
    unit = "m" if stage == "deflection" else "V"
    parts = {name: volume.segment(v, zz, units=unit, stage=stage, z_attrs={"sense": "toward_sample"})
             for name, v, zz in (("approach", sides[0], z), ("retract", sides[1][:, :, ::-1], z[::-1]))}
    known = {"deflection_sensitivity": (S, "m/V")} if stage == "deflection" else {}
    volume.write(path, parts, calibration=known)


class Calibrate(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        rigid(cls.folder / "rigid.h5")
        x = thermal_noise.records(1, 200000, RATE, K, F0, Q, 295.0, S, rng=np.random.default_rng(5))[0]
        with h5py.File(cls.folder / "noise.h5", "w") as f:
            f["free/signal"] = x
            f["free/signal"].attrs["units"] = "V"
        np.save(cls.folder / "noise.npy", x)
        cls.run_there("simulate", "--scene", "uniform", "--columns", 8, "--rows", 6, "-q", "-o", "reference.h5")
        (cls.folder / "recipe.yaml").write_text("calibration:\n  lever_file: lever.yaml\n"
                                                "  tilt_correction: contained\ncontact:\n  model: paraboloid\n")

    THERMAL = ["--thermal", "noise.h5", "--dataset", "free/signal", "--rate", "200 kHz", "--temperature", "295 +- 1 K"]

    @staticmethod
    def budget_of(f):
        """Names of the inputs, and what each contributes to the modulus."""
        names = [n.decode() for n in f["entry/uncertainty/input"][()]]
        return names, dict(zip(names, f["entry/uncertainty/modulus/contribution"][()]))

    def json_of(self, *words):
        return json.loads(self.run_there("calibrate", *words, "--json").stdout)

    def test_the_whole_round(self):
        """Sensitivity, spring constant and tip go into one lever file; a map is made with it."""
        lever = self.folder / "lever.yaml"
        lever.unlink(missing_ok=True)
        first = self.json_of("sensitivity", "rigid.h5", "--lever", "lever.yaml", "--z-scale-u", "1 %", "--name", "no. 7",
                             "--medium", "air", "--temperature", "22 +- 1 degC")
        s = first["deflection_sensitivity"]
        self.assertLess(abs(s["value"] / S - 1), 0.002)
        self.assertGreater(s["u"], 0.01 * s["value"])  # the piezo's per cent goes in in full
        second = self.json_of("spring", *self.THERMAL, "--lever", "lever.yaml", "--medium", "air")
        k = second["methods"]["thermal"]
        self.assertLess(abs(k["value"] - K), 3 * k["u"])
        self.assertEqual(k["tilt"], "contained")  # no tilt was told
        self.assertAlmostEqual(k["correlation_with_sensitivity"], -2 * s["u"] / s["value"] / (k["u"] / k["value"]), 1)
        third = self.json_of("tip", "recipe.yaml", "reference.h5", "--reference-modulus", "2 +- 0.06 MPa", "--lever",
                             "lever.yaml")
        tip = third["tip_radius"]
        self.assertLess(abs(tip["value"] - R), 3 * tip["u"])
        self.assertEqual((tip["curves"], tip["complete"]), (48, True))
        # E ~ R^-1/2: three per cent of the modulus are six of the radius
        self.assertAlmostEqual(third["parts"]["reference_modulus"] / tip["value"], 0.06, delta=0.002)
        self.run_there("map", "recipe.yaml", "reference.h5", "-o", "maps.h5", "-q", "-f")
        with h5py.File(self.folder / "maps.h5") as f:
            process = f["entry/process_1_calibration"]
            self.assertEqual(process["lever_file/data"][()].decode(), lever.read_text())
            self.assertEqual(process["tilt_in_spring_constant"][()].decode(), "contained")
            for name, value in (("deflection_sensitivity", s), ("spring_constant", k), ("tip_radius", tip)):
                self.assertAlmostEqual(process[name][()] / value["value"], 1, 7)
                self.assertEqual(process[name].attrs["origin"].decode()
                                 if isinstance(process[name].attrs["origin"], bytes) else process[name].attrs["origin"],
                                 "lever file")
            # the tip was found with this lever on this sample, so the known modulus comes back
            self.assertAlmostEqual(np.median(f["entry/maps/modulus"][()]) * 1e3 / E, 1, delta=0.02)
            # and whatever is wrong with the lever is wrong with the tip as well: on this sample it cancels
            names, part = self.budget_of(f)
            self.assertLess(part.get("spring_constant", 0), 0.1 * k["u"] / k["value"])
            self.assertLess(part["deflection_sensitivity"], 0.1 * s["u"] / s["value"])
            self.assertAlmostEqual(part["tip_radius"], tip["u_besides"] / tip["value"] / 2, delta=2e-3)
        # with a tip that is known by itself both matter
        (self.folder / "tip.yaml").write_text((self.folder / "recipe.yaml").read_text() +
                                              "tip:\n  tip_radius: 100 nm\n  tip_radius_u: 2 nm\n")
        self.run_there("map", "tip.yaml", "reference.h5", "-o", "tip.h5", "-q", "-f")
        with h5py.File(self.folder / "tip.h5") as f:
            names, part = self.budget_of(f)
            budget = f["entry/uncertainty"]
            self.assertEqual(budget["spring_constant_from"][()].decode(), "thermal")
            self.assertAlmostEqual(budget["spring_constant_exponent"][()], -2, 1)
            self.assertAlmostEqual(part["tip_radius"], 0.01, delta=1e-3)
            rest = budget["standard_uncertainty"][()][names.index("spring_constant")]
        whole = k["u"] / k["value"]
        self.assertAlmostEqual(rest / k["value"], np.sqrt(whole**2 - (2 * s["u"] / s["value"])**2), delta=2e-3)
        # wherever the lever file goes, the maps can be looked at again
        lever.rename(self.folder / "gone.yaml")
        try:
            self.run_there("curve", "maps.h5", 2, 3, "-o", "c.png")
            self.refuses("map", "recipe.yaml", "reference.h5", "-o", "other.h5", status=4,
                         says=["recipe.yaml: line 2", "lever.yaml"])
        finally:
            (self.folder / "gone.yaml").rename(lever)

    def test_a_second_value_needs_overwrite(self):
        self.run_there("calibrate", "sensitivity", "rigid.h5", "--lever", "twice.yaml")
        before = (self.folder / "twice.yaml").read_bytes()
        self.refuses("calibrate", "sensitivity", "rigid.h5", "--lever", "twice.yaml", status=5,
                     says=["twice.yaml", "--overwrite"])
        self.assertEqual((self.folder / "twice.yaml").read_bytes(), before)
        self.run_there("calibrate", "sensitivity", "rigid.h5", "--lever", "twice.yaml", "--overwrite", "--segment", "approach")
        self.assertNotEqual((self.folder / "twice.yaml").read_bytes(), before)
        self.assertFalse((self.folder / "twice.yaml.part").exists())

    def test_sensitivity_tells_gap_outlier_and_bend(self):
        told = self.json_of("sensitivity", "rigid.h5")
        self.assertAlmostEqual(told["gap"], -0.01, delta=0.002)
        self.assertEqual([(o["row"], o["column"], o["segment"]) for o in told["left_out"]], [(2, 3, "approach")])
        self.assertAlmostEqual(told["parts"]["approach_against_retract"] / told["deflection_sensitivity"]["value"],
                               abs(told["gap"]) / (2 * 3**0.5), 6)  # JCGM 100:2008, 4.3.7
        self.assertGreater(told["approach"]["scatter"], 2 * told["approach"]["fit_only"])
        rigid(self.folder / "bent.h5", friction=0, wild=None, bend=0.05)
        bent = self.json_of("sensitivity", "bent.h5", "--rows", "1-2", "--columns", "0-3")
        self.assertEqual(bent["approach"]["curves"], 8)
        self.assertAlmostEqual(bent["approach"]["slope_change"], 2 * 0.05 * 0.7 / 1.05, delta=0.01)
        self.assertTrue(any("slope changes" in c for c in bent["cautions"]))

    def test_deflections_go_back_to_volts(self):
        rigid(self.folder / "deflection.h5", stage="deflection")
        a, b = (self.json_of("sensitivity", f"{name}.h5")["deflection_sensitivity"]["value"]
                for name in ("rigid", "deflection"))
        self.assertAlmostEqual(a / b, 1, 6)

    def test_the_inverse(self):
        """A known k gives the sensitivity, correlated with it as the square root says."""
        told = self.json_of("sensitivity", "--thermal", "noise.npy", "--rate", "200 kHz", "--unit", "V", "--temperature",
                            "295 K +- 0 %", "--spring-constant", "0.5 +- 0.025 N/m", "--lever", "inverse.yaml")
        s = told["deflection_sensitivity"]
        self.assertLess(abs(s["value"] - S), 3 * s["u"])
        self.assertAlmostEqual(s["correlation_with_spring_constant"], -0.5 * 0.05 / (s["u"] / s["value"]), 2)
        (self.folder / "inverse-recipe.yaml").write_text("calibration:\n  lever_file: inverse.yaml\n")
        self.run_there("map", "inverse-recipe.yaml", "reference.h5", "-o", "inverse.h5", "-q", "-f")
        with h5py.File(self.folder / "inverse.h5") as f:
            budget = f["entry/uncertainty"]
            self.assertEqual(budget["spring_constant_from"][()].decode(), "independent")
            # regression of ln k on ln s: r (u_k/k)/(u_s/s)
            want = s["correlation_with_spring_constant"] * 0.05 / (s["u"] / s["value"])
            self.assertAlmostEqual(budget["spring_constant_exponent"][()], want, 2)
        # that s must not be used to find k again, nor a thermal k to find s
        self.run_there("calibrate", "spring", *self.THERMAL, "--lever", "circle.yaml", "--sensitivity", "50 +- 0.5 nm/V")
        text = (self.folder / "circle.yaml").read_text().replace("deflection_sensitivity\n  value", "resonance\n  value")
        self.refuses("calibrate", "sensitivity", *self.THERMAL, "--lever", "circle.yaml", "--overwrite", status=4,
                     says=["give that one back"])
        self.assertIn("spring_constant", text)

    def test_all_methods_side_by_side(self):
        """Sader's method is fed with the fluid in which the simulated k would resonate like this."""
        words = ["--all", "--sensitivity", "50 +- 0.5 nm/V", "--medium", "air", "--length", "300 +- 3 um", "--width",
                 "35 +- 0.5 um", "--thickness", "2 +- 0.1 um", "--lever-modulus", "169 +- 5 GPa", "--lever-poisson", "0.27",
                 "--lever-density", "2330 kg/m3"]
        told = self.json_of("spring", *self.THERMAL, *words)
        self.assertEqual(set(told["methods"]), {"thermal", "sader", "dimensions", "torsion"})  # no tip height
        self.assertEqual({(p["a"], p["b"]) for p in told["agreement"]},
                         {("thermal", "sader"), ("thermal", "dimensions"), ("sader", "dimensions")})
        k = {name: m["value"] for name, m in told["methods"].items()}
        for p in told["agreement"]:
            self.assertAlmostEqual(p["difference"], np.log(k[p["a"]] / k[p["b"]]), 9)
            self.assertEqual(p["agree"], abs(p["difference"]) <= 2 * p["u"])
        # 169 GPa, 35 um, 2 um, 300 um: Euler-Bernoulli by hand
        self.assertAlmostEqual(k["dimensions"], 169e9 * 35e-6 * 2e-6**3 / (4 * 300e-6**3), 9)
        text = self.run_there("calibrate", "spring", *self.THERMAL, *words).stdout
        self.assertIn("not made     added_mass", text)
        self.assertIn("common inputs taken out", text)

    def test_lateral_spring_constant(self):
        """First row of tests/reference/67_torsion.csv (Timoshenko, Goodier), from dimensions and from a known k."""
        row = next(line for line in (ROOT / "tests/reference/67_torsion.csv").read_text().splitlines() if line[0] != "#")
        e, nu, length, width, thick, h, k, thin, lat_thin, whole, lat_whole, _ = map(float, row.split(","))
        plan = ["--length", f"{length} m +- 1 %", "--lever-poisson", f"{nu} +- 0", "--tip-height", f"{h} m +- 3 %"]
        told = self.json_of("spring", *plan, "--width", f"{width} m +- 1 %", "--thickness", f"{thick} m +- 2 %",
                            "--lever-modulus", f"{e} Pa +- 2 %", "--lever", "lateral.yaml")
        twist, lateral = told["methods"]["torsion"], told["methods"]["lateral"]
        self.assertAlmostEqual(twist["value"] / whole, 1, 9)
        self.assertAlmostEqual(lateral["value"] / lat_whole, 1, 9)
        self.assertTrue(lateral["complete"])
        # a product of powers (JCGM 100:2008, 5.1.6): the height comes in squared
        self.assertAlmostEqual(lateral["u_linear"] / lateral["value"],
                               np.hypot(twist["u_linear"] / twist["value"], 0.06), 4)
        file = self.folder / "lateral.yaml"
        self.assertIn(f"quantity: lateral_spring_constant\n  value: {lat_whole:.9g} N/m\n  u: {lateral['u']:.4g} N/m",
                      file.read_text())
        # the spring constant of the file stays, and is used
        file.write_text(f"format: cantle-lever-1\nvalues:\n- quantity: spring_constant\n  value: {k} N/m\n"
                        f"  u: {0.04 * k} N/m\n  method: given\n")
        told = self.json_of("spring", "--lateral", *plan, "--lever", "lateral.yaml")
        self.assertEqual(told["chosen"], "torsion_from_spring")
        lateral = told["methods"]["lateral"]
        self.assertAlmostEqual(lateral["value"] / lat_thin, 1, 9)
        self.assertAlmostEqual(lateral["u_linear"] / lateral["value"], (0.04**2 + 0.02**2 + 0.06**2)**0.5, 4)
        text = file.read_text()
        self.assertIn(f"value: {k} N/m", text)
        self.assertIn("quantity: torsional_constant", text)
        self.refuses("calibrate", "spring", "--lateral", *plan, "--lever", "lateral.yaml", status=5, says=["--overwrite"])
        self.assertEqual(file.read_text(), text)

    def test_twist_from_its_thermal_noise(self):
        """The first mode of a clamped bar has 8/pi^2 of kB T/k_phi (modes sin((2n - 1) pi x/2L), equipartition)."""
        k_phi, s = 2e-8, 2e-3
        np.save(self.folder / "twist.npy", thermal_noise.records(1, 400000, RATE, k_phi, F0, Q, 295.0, s, 8 / np.pi**2,
                                                                 rng=np.random.default_rng(8))[0])
        words = ["spring", "--lateral", "--thermal", "twist.npy", "--rate", "200 kHz", "--unit", "V", "--temperature",
                 "295 +- 1 K", "--torsional-sensitivity", "2 +- 0.04 mrad/V", "--tip-height", "12 +- 0.3 um"]
        told = self.json_of(*words, "--lever", "twist.yaml")
        twist, lateral = told["methods"]["torsional_thermal"], told["methods"]["lateral"]
        self.assertLess(abs(twist["value"] - k_phi), 3 * twist["u"])
        # the sensitivity comes in squared and is known; the rest is the spectrum's
        self.assertAlmostEqual(np.hypot(0.04, twist["parts"]["torsional_area"] / twist["value"]),
                               twist["u_linear"] / twist["value"], 3)
        self.assertLess(abs(twist["value"] / k_phi - 1), 3 * twist["parts"]["torsional_area"] / k_phi)
        self.assertAlmostEqual(lateral["value"], twist["value"] / (12e-6)**2, 6)
        # a value that was measured is not replaced in passing
        self.json_of("spring", "--length", "300 um", "--width", "30 um", "--thickness", "2 um", "--lever-modulus", "169 GPa",
                     "--lever-poisson", "0.27", "--lever", "twist.yaml")
        self.assertIn("method: torsional thermal", (self.folder / "twist.yaml").read_text())
        self.assertNotIn("resonance", (self.folder / "twist.yaml").read_text())  # it is not that of the bending
        self.refuses("calibrate", *words[:6], "--unit", "nm", *words[8:], status=2, says=["volts", "nm"])
        self.refuses("calibrate", *words[:1], *words[2:], status=2, says=["--lateral"])
        self.refuses("calibrate", *words, "--method", "torsional", status=2, says=["torsional_thermal"])

    def test_tilt_is_not_applied_twice(self):
        self.run_there("calibrate", "spring", *self.THERMAL, "--lever", "tilted.yaml", "--sensitivity", "50 nm/V")
        recipe = self.folder / "tilted-recipe.yaml"
        recipe.write_text("calibration:\n  lever_file: tilted.yaml\n  tilt: 11 degree\n  tilt_correction: cosine_squared\n")
        self.refuses("map", recipe.name, "reference.h5", "-o", "tilted.h5", status=3, says=["twice", "contained"])
        told = self.json_of("spring", *self.THERMAL, "--lever", "tilted.yaml", "--tilt", "11 degree", "--overwrite")
        self.assertEqual(told["methods"]["thermal"]["tilt"], "not contained")
        self.run_there("map", recipe.name, "reference.h5", "-o", "tilted.h5", "-q", "-f")
        with h5py.File(self.folder / "tilted.h5") as f:
            k = f["entry/process_1_calibration/spring_constant"][()]
            used = f["entry/process_1_calibration/effective_spring_constant"][()]
        self.assertAlmostEqual(used / k, 1 / np.cos(np.radians(11))**2, 9)
        self.assertAlmostEqual(k / np.cos(np.radians(11))**2, told["methods"]["thermal"]["value"] /
                               np.cos(np.radians(11))**2, 6)

    def test_wear(self):
        words = ["tip", "reference.h5", "--reference-modulus", "2 +- 0.06 MPa"]
        self.run_there("calibrate", *words, "--lever", "new.yaml")
        same = self.json_of(*words, "--earlier", "new.yaml")["wear"]
        self.assertFalse(same["changed"])
        self.assertLess(same["u_same_reference"], 0.2 * same["u_independent"])
        self.run_there("simulate", "--scene", "uniform", "--columns", 8, "--rows", 6, "--radius", "120 nm", "-q", "-o", "worn.h5")
        worn = self.json_of("tip", "worn.h5", *words[2:], "--earlier", "new.yaml")["wear"]
        self.assertTrue(worn["changed"])
        self.assertAlmostEqual(worn["change"] / R, 0.2, delta=0.02)

    def test_cone_angle(self):
        self.run_there("simulate", "--scene", "uniform", "--model", "cone", "--columns", 4, "--rows", 4, "--half-angle",
                       "25 degree", "-q", "-o", "cone.h5")
        (self.folder / "cone.yaml").write_text("contact:\n  model: cone\ntip:\n  tip_half_angle: 35 degree\n")
        told = self.json_of("tip", "cone.yaml", "cone.h5", "--reference-modulus", "2 +- 0.1 MPa")
        angle = told["tip_half_angle"]
        self.assertAlmostEqual(np.degrees(angle["value"]), 25, delta=0.5)
        # E ~ 1/tan(a): u(a) = u(E)/E sin(2a)/2
        self.assertAlmostEqual(told["parts"]["reference_modulus"], 0.05 * np.sin(2 * angle["value"]) / 2, delta=1e-4)

    def test_refusals(self):
        np.savetxt(self.folder / "two.txt", np.random.default_rng(1).standard_normal((2000, 2)))
        (self.folder / "comma.txt").write_text("1,5;2,5\n" * 2000)
        (self.folder / "odd.txt").write_text("1 2\n" * 900 + "1 x\n")
        (self.folder / "not-yaml.yaml").write_text("format: [\n")
        hot = ["--rate", "1 kHz", "--unit", "V", "--temperature", "295 K", "--sensitivity", "50 nm/V"]
        for words, status, says in (
                ([], 2, "no task"),
                (["colour"], 2, "sensitivity, spring or tip"),
                (["sensitivity"], 2, "no volume"),
                (["sensitivity", "rigid.h5", "--all"], 2, "--all does not belong"),
                (["sensitivity", "rigid.h5", "--rows", "0-9"], 2, "rows 0 to 3"),
                (["sensitivity", "rigid.h5", "--from", "95 %"], 2, "--from"),
                (["sensitivity", "nothing.h5"], 4, "nothing.h5"),
                (["sensitivity", "reference.h5", "--lever", "not-yaml.yaml"], 3, "not-yaml.yaml"),
                (["sensitivity", "--thermal", "noise.npy", "--rate", "200 kHz", "--unit", "V"], 2, "--spring-constant"),
                (["spring"], 2, "no method has all it needs"),
                (["spring", "--thermal", "two.txt", *hot], 4, "2 columns"),
                (["spring", "--thermal", "comma.txt", *hot], 4, "decimal points"),
                (["spring", "--thermal", "odd.txt", "--column", "1", *hot], 4, "line 901"),
                (["spring", "--thermal", "noise.h5", *hot], 4, "--dataset"),
                (["spring", "--thermal", "noise.npy", *hot[2:]], 2, "--rate"),
                (["spring", "--thermal", "noise.npy", *hot[:2], *hot[4:]], 2, "--unit"),
                (["spring", "--thermal", "noise.npy", "--rate", "200 kHz", "--unit", "V"], 2, "lacks temperature"),
                (["spring", "--sensitivity", "50 N/m"], 2, "--sensitivity"),
                (["spring", "--sensitivity", "50 +- nm/V"], 2, "+-"),
                (["spring", "--length", "-3 um"], 2, "above zero"),
                (["spring", "--method", "sadr", "--length", "3 um"], 2, "did you mean 'sader'"),
                (["spring", "--medium", "water", "--temperature", "400 K", "--length", "3 um"], 4, "273.15 to 313.15"),
                (["tip", "reference.h5"], 2, "--reference-modulus"),
                (["tip", "reference.h5", "--reference-modulus", "2 TPa"], 4, "no curve"),
        ):
            self.refuses("calibrate", *words, status=status, says=[says])

    def test_unusual_values_are_cautions(self):
        told = self.json_of("spring", "--length", "200 um", "--width", "30 um", "--thickness", "60 um", "--lever-modulus",
                            "169 GPa")
        self.assertTrue(any("prefix" in c for c in told["cautions"]))


if __name__ == "__main__":
    import unittest
    unittest.main()
