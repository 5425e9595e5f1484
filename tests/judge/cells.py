"""Volumes of cells, tethers and lateral signals with known truth, from the judge's own forward models: for
test_cells.py, and in greater numbers for tests/bench/cells.py."""
import h5py
import numpy as np

import brush
import forward as fw
import tethers
import volume as vol

SPRING, RADIUS, MODULUS, POISSON = 0.03, 2.5e-6, 1.5e3, 0.5
NOISE = 0.15e-9  # 4.5 pN
CALIBRATION = {"spring_constant": (SPRING, "N/m"), "tip_radius": (RADIUS, "m"), "poisson_ratio": (POISSON, "1"),
               "grafting_density": (3e14, "m-2")}


def lever_on(z, force_over_k):
    """Deflection of a lever at z (contact at 0, z > 0 inside) that solves d = f(z - d), f rising."""
    low, high = np.zeros_like(z), np.maximum(z, 0)
    for _ in range(90):
        middle = (low + high) / 2
        above = force_over_k(np.maximum(z - middle, 0)) < middle
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return (low + high) / 2


def hertz(modulus=MODULUS):
    a = fw.stiffness_factor("paraboloid", fw.reduced(modulus, POISSON), RADIUS) / SPRING
    return lambda depth: a * depth**1.5


def write(path, z, approach, retract=None, rows=1, **more):
    """[pixels, n] in the order of growing z; noise is in them already."""
    shape = (rows, -1, len(z))
    parts = {"approach": vol.segment(approach.reshape(shape), z=z)}
    if retract is not None:
        parts["retract"] = vol.segment(retract.reshape(shape)[..., ::-1].copy(), z=z[::-1].copy())
    vol.write(path, parts, CALIBRATION, **more)


def normal(rng, shape, noise=NOISE):
    return noise * rng.standard_normal(shape)


def tether_curves(rng, pixels, n=1500, forces=(25e-12, 60e-12), noise=NOISE, apart=0.0, alike=False):
    """Hertz approach, retract with two plateau tethers each; breaks (rest position), forces."""
    z = np.linspace(-3e-6, 0.5e-6, n)
    base = lever_on(z, hertz())
    breaks = np.sort(rng.uniform(0.3e-6, 2e-6, (pixels, 2)), axis=1)
    breaks[:, 1] = np.maximum(breaks[:, 1], breaks[:, 0] + apart)
    pull = rng.uniform(*forces, (pixels, 2))
    if alike:
        pull[:, 1] = pull[:, 0]
    back = np.array([base + tethers.plateaus(-z, b, f, SPRING) for b, f in zip(breaks, pull)])
    return z, base + normal(rng, (pixels, n), noise), back + normal(rng, (pixels, n), noise), breaks, pull


def found_events(path):
    """force (N), u, separation (m), u: [pixels, events]."""
    with h5py.File(path, "r") as f:
        group = f["entry/maps_by_event"]
        unit = {"pN": 1e-12, "nm": 1e-9}
        out = []
        for name in ("event_force", "event_separation"):
            for end in ("", "_errors"):
                d = group[name + end]
                out.append(d[()].reshape(-1, d.shape[-1]).astype(float) * unit[d.attrs["units"].decode()])
        return out


def match(path, breaks, pull, within=25e-9):
    """Each true event's nearest found one: lists of standardised errors of force and place; how many of the
    true ones were found, and how many found ones are none."""
    force, u_force, place, u_place = found_events(path)
    z_force, z_place, hits, false = [], [], 0, 0
    for pixel in range(len(breaks)):
        there = list(np.flatnonzero(np.isfinite(place[pixel])))
        for i, (at, own) in enumerate(zip(breaks[pixel], pull[pixel])):
            still = pull[pixel][i:].sum()  # what pulls at that moment bends the lever
            where = at - still / SPRING
            near = [e for e in there if abs(place[pixel, e] - where) < within]
            if not near:
                continue
            e = min(near, key=lambda e: abs(place[pixel, e] - where))
            there.remove(e)
            hits += 1
            z_force.append((force[pixel, e] - own) / u_force[pixel, e])
            z_place.append((place[pixel, e] - where) / u_place[pixel, e])
        false += len(there)
    return np.array(z_force), np.array(z_place), hits, false


def chain_curves(rng, pixels, kind, contour, unit, n=1500, noise=NOISE, break_force=150e-12):
    """A chain pulled until it carries break_force."""
    z = np.linspace(-1.2 * contour - 0.4e-6, 0.4e-6, n)
    base, rest = lever_on(z, hertz()), -z
    inside = (rest > 0) & (rest < 1.3 * contour)
    d = np.zeros(n)
    if kind == "wlc":
        d[inside] = tethers.chain_deflection(rest[inside], SPRING, lambda x: tethers.wlc(x, contour, unit))
    else:
        d[inside] = tethers.fjc_deflection(rest[inside], SPRING, contour, unit)
    holds = np.arange(n) >= np.flatnonzero(inside & (-SPRING * d < break_force))[0]
    back = base + np.where(holds, d, 0)
    return z, base + normal(rng, (pixels, n), noise), back + normal(rng, (pixels, n), noise)


def two_layer_curves(rng, pixels, first, second, turn, n=1200, noise=NOISE, z_end=0.7e-6):
    """Force with E = first down to the indentation `turn`, and increments with E = second below it."""
    one, two = hertz(first), hertz(second)
    z = np.linspace(-1.5e-6, z_end, n)

    def force(depth):
        return np.where(depth < turn, one(depth), one(turn) + two(depth) - two(turn))
    return z, lever_on(z, force) + normal(rng, (pixels, n), noise)


def depth_maps(path):
    with h5py.File(path, "r") as f:
        group = f["entry/maps_by_depth"]
        return [group[name][()].reshape(-1, group["depth"].size).astype(float) * 1e3
                for name in ("depth_modulus", "depth_modulus_errors")] + [group["depth"][()] * 1e-9]


def brush_curves(rng, pixels, length, density=3e14, n=1200, noise=NOISE, z_end=1.0e-6):
    z = np.linspace(-2e-6, z_end, n)
    d = brush.deflection(z, SPRING, fw.reduced(MODULUS, POISSON), RADIUS, length, density)
    return z, d + normal(rng, (pixels, n), noise)


class Lateral:
    """Lever of 0.2 N/m on 5 MPa; lateral volts = line + c (motion of the lever) +- friction."""
    spring, radius, modulus = 0.2, 50e-9, 5e6
    crosstalk = 0.05 / 40e-9  # 5 % of the vertical signal at 40 nm/V

    def __init__(self, rng, pixels, n=800, thermal=0.14e-9, detector=0.0, noise=0.8e-3):
        self.z = np.linspace(-300e-9, 60e-9, n)
        a = fw.stiffness_factor("paraboloid", fw.reduced(self.modulus, POISSON), self.radius) / self.spring
        self.bend = lever_on(self.z, lambda depth: a * depth**1.5)
        self.friction = np.where(self.bend > 0, 0.004 + 1e5 * self.bend, 0)
        self.in_contact = self.bend > 3 * np.hypot(thermal, detector)
        self.parts = {}
        for name, sign in (("approach", 1), ("retract", -1)):
            motion = self.bend + thermal * rng.standard_normal((pixels, n))
            d = motion + detector * rng.standard_normal((pixels, n)) + 2e-4 * self.z + 1e-9
            volts = self.crosstalk * motion + sign * self.friction + 0.02 + 1e4 * self.z
            self.parts[name] = d, volts + noise * rng.standard_normal((pixels, n))

    def write(self, path, quadrants=False):
        parts, calibration = {}, {"spring_constant": (self.spring, "N/m"), "tip_radius": (self.radius, "m"),
                                  "poisson_ratio": (POISSON, "1")}
        total, sensitivity = 4.0, 2e-6
        for name, turn in (("approach", 1), ("retract", -1)):
            d, volts = (p[None, :, ::turn].copy() for p in self.parts[name])
            z = self.z[::turn].copy()
            if quadrants:
                v, u = d / sensitivity, volts / total
                four = np.stack([1 + v + u, 1 + v - u, 1 - v + u, 1 - v - u], axis=-1) * total / 4
                parts[name] = vol.segment(four, z=z, units="V", stage="quadrants")
                calibration["quadrant_sensitivity"] = (sensitivity, "m")
            else:
                parts[name] = vol.segment(d, z=z, lateral=(volts, "V"))
        vol.write(path, parts, calibration)

    def truth(self):
        mean = self.friction[self.in_contact].mean()
        return {"lateral_at_peak": self.friction[-1], "lateral_on_approach": mean, "lateral_on_retract": -mean,
                "lateral_half_difference": mean, "lateral_crosstalk": self.crosstalk}
