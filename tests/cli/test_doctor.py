"""`cantle describe` warns of a mistake of sign or unit in a volume that has exactly this one, and of none in a clean
one. The limits of what is usual are common practice, no source; that no contact line is steeper than a rigid sample's
follows from the geometry (Cappella & Dietler, Surf. Sci. Rep. 34 (1999) 1, from memory)."""
import json
import shutil
import unittest

import h5py

from run import InFolder, cantle

MODELS = ("paraboloid", "cone", "pyramid", "flat_punch", "dmt", "jkr")


def replace(f, name, data, **attributes):
    kept = {**dict(f[name].attrs), **attributes}
    del f[name]
    f.create_dataset(name, data=data).attrs.update(kept)


def run_backwards(f):
    """Every segment against the order of time."""
    for segment in ("approach", "retract"):
        replace(f, f"{segment}/signal", f[f"{segment}/signal"][...][..., ::-1])
        if "z" in f[segment]:
            replace(f, f"{segment}/z", f[f"{segment}/z"][...][::-1])
            continue
        n, step = f[f"{segment}/signal"].shape[2], f[f"{segment}/z_step"][()]
        replace(f, f"{segment}/z_start", f[f"{segment}/z_start"][...] + (n - 1) * step)
        replace(f, f"{segment}/z_step", -step)


def reverse_sign(f):
    for segment in ("approach", "retract"):
        replace(f, f"{segment}/signal", -f[f"{segment}/signal"][...])


def exchange(f):
    approach, retract = f["approach/signal"][...], f["retract/signal"][...]
    replace(f, "approach/signal", retract[..., ::-1])
    replace(f, "retract/signal", approach[..., ::-1])


def force_as_deflection(f):
    factor = f["calibration/spring_constant"][()] * f["calibration/deflection_sensitivity"][()]
    for segment in ("approach", "retract"):
        replace(f, f"{segment}/signal", f[f"{segment}/signal"][...] * factor, units="m", stage="deflection")


def scale(name, factor):
    return lambda f: replace(f, f"calibration/{name}", f[f"calibration/{name}"][()] * factor)


def inverse_sensitivity(f):
    """50 nm/V is 0.02 V/nm: the number 0.02 with the unit nm/V."""
    name = "calibration/deflection_sensitivity"
    replace(f, name, 1e-18 / f[name][()])


class Doctor(InFolder):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        for scene in ("blend", "gel"):
            cls.run_there("simulate", "--scene", scene, "--columns", 24, "-o", f"{scene}.h5")
        cls.run_there("simulate", "--scene", "uniform", "--columns", 8, "-o", "uniform.h5")
        cls.run_there("simulate", "--scene", "uniform", "--columns", 8, "--model", "jkr", "--work", "50 mJ/m2",
                      "-o", "sticky.h5")
        cls.run_there("simulate", "--scene", "uniform", "--columns", 8, "--spring-constant", "5 N/m", "--modulus",
                      "5 GPa", "--peak-force", "50 nN", "-o", "stiff.h5")
        for angle in ("half", "face"):
            cls.run_there("simulate", "--scene", "uniform", "--columns", 4, "--model",
                          "cone" if angle == "half" else "pyramid", f"--{angle}-angle", "25 degree", "-o", f"{angle}.h5")

    def examine(self, name):
        return json.loads(self.run_there("describe", "--json", name).stdout)

    def warnings_of(self, scene, mistake, *words):
        """The names of all warnings; the first one's text must have the words."""
        shutil.copy(self.folder / f"{scene}.h5", self.folder / "sick.h5")
        with h5py.File(self.folder / "sick.h5", "r+") as f:
            mistake(f)
        found = self.examine("sick.h5")["warnings"]
        for word in words if found else ():
            self.assertIn(word, " ".join(found[0].values()))
        return [warning["name"] for warning in found]

    def test_clean_volumes(self):
        for name in ("blend", "gel", "uniform", "sticky", "stiff", "half", "face"):
            self.assertEqual(self.examine(f"{name}.h5")["warnings"], [], name)

    def test_clean_scenes_of_every_model(self):
        for model in MODELS:
            self.run_there("simulate", "--scene", "uniform", "--columns", 4, "--model", model, "-o", "clean.h5", "-f")
            self.assertEqual(self.examine("clean.h5")["warnings"], [], model)

    def test_z_reversed(self):
        for scene in ("blend", "gel", "uniform", "stiff", "sticky"):
            self.assertEqual(self.warnings_of(scene, run_backwards, "order of time"), ["z_reversed"], scene)

    def test_sign_reversed(self):
        for scene in ("blend", "gel", "uniform", "stiff", "sticky"):
            self.assertEqual(self.warnings_of(scene, reverse_sign, "repulsion"), ["sign_reversed"], scene)

    def test_adhesion_on_the_approach(self):
        for scene in ("blend", "sticky"):
            self.assertEqual(self.warnings_of(scene, exchange, "exchange"), ["segments_exchanged"], scene)

    def test_force_as_deflection(self):
        self.assertEqual(self.warnings_of("stiff", force_as_deflection, "stage", "force", "the curves show it"),
                         ["force_as_deflection"])

    def test_force_of_a_soft_lever_as_deflection(self):
        """Noise below what a free lever does: sqrt(kB T/k) = 0.26 nm at 0.06 N/m (equipartition)."""
        self.assertEqual(self.warnings_of("gel", force_as_deflection, "room temperature", "force"),
                         ["force_as_deflection"])

    def test_force_as_deflection_where_it_cannot_be_told(self):
        """A lever of 0.5 N/m makes half the numbers of the force: they could be a deflection."""
        self.assertEqual(self.warnings_of("uniform", force_as_deflection), [])
        self.assertIn("force or deflection", " ".join(self.examine("sick.h5")["cannot_tell"]))

    def test_no_sensitivity(self):
        def forget(f):
            del f["calibration/deflection_sensitivity"]
        self.assertEqual(self.warnings_of("uniform", forget, "deflection_sensitivity: ", "at most"), ["no_sensitivity"])

    def test_sensitivity_in_volts_per_nanometre(self):
        for scene, right in (("blend", "60 nm/V"), ("gel", "40 nm/V"), ("uniform", "50 nm/V")):
            self.assertEqual(self.warnings_of(scene, inverse_sensitivity, right), ["sensitivity_inverted"], scene)

    def test_sensitivity_too_large(self):
        """The stiff sample bends the lever by 0.8 of the way: three times that is more than rigid."""
        self.assertEqual(self.warnings_of("stiff", scale("deflection_sensitivity", 3), "at most"), ["too_steep"])

    def test_z_in_another_unit(self):
        def thousandth(f):
            for segment in ("approach", "retract"):
                replace(f, f"{segment}/z", f[f"{segment}/z"][...] / 1e3)
        self.assertEqual(self.warnings_of("uniform", thousandth, "unit of z"), ["too_steep"])

    def test_spring_constant_in_piconewtons_per_nanometre(self):
        """8 N/m taken for 8000; 0.06 N/m for 60e-6; and 5 N/m for 0.005, which the noise contradicts."""
        self.assertEqual(self.warnings_of("blend", scale("spring_constant", 1000), "8 N/m"), ["spring_constant_range"])
        self.assertEqual(self.warnings_of("gel", scale("spring_constant", 1e-3), "0.06 N/m"), ["spring_constant_range"])
        self.assertEqual(self.warnings_of("stiff", scale("spring_constant", 1e-3), "5 N/m", "room temperature"),
                         ["spring_constant_range"])

    def test_spring_constant_that_cannot_be_told(self):
        self.assertEqual(self.warnings_of("gel", scale("spring_constant", 1000)), [])
        self.assertIn("off by a thousand", " ".join(self.examine("sick.h5")["cannot_tell"]))

    def test_radius_for_diameter(self):
        """Plausibility only: 2.5 um as radius of a 2.5 um sphere passes, with a remark; 40 um does not."""
        self.assertEqual(self.warnings_of("gel", scale("tip_radius", 16), "plausibility only", "20 um"), ["radius_range"])
        self.assertIn("diameter", " ".join(self.examine("gel.h5")["cannot_tell"]))

    def test_full_angle_for_half_angle(self):
        for kind in ("half", "face"):
            self.assertEqual(self.warnings_of(kind, scale(f"tip_{kind}_angle", 2), "plausibility only", "25 degree"),
                             ["angle_range"])
            self.assertIn("full angle", " ".join(self.examine(f"{kind}.h5")["cannot_tell"]))

    def test_text_has_the_correction(self):
        self.warnings_of("uniform", reverse_sign)
        text = self.run_there("describe", "sick.h5").stdout
        self.assertIn("warning      the signal falls when the sample pushes the tip away", text)
        self.assertIn("to do: set the attribute 'repulsion'", text)

    def test_too_few_curves_say_nothing(self):
        self.run_there("simulate", "--scene", "uniform", "--columns", 2, "--rows", 1, "-o", "two.h5", "-f")
        done = self.examine("two.h5")
        self.assertEqual(done["warnings"], [])
        self.assertIn("fewer than three", " ".join(done["cannot_tell"]))


if __name__ == "__main__":
    unittest.main()
