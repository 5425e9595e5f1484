"""Curves with known truth for the tests: one Curve per pixel, stacked into a volume."""
import dataclasses

import numpy as np
from scipy.optimize import brentq

import forward as fw
import volume as vol

POISSON = 0.4
SPRING = 0.5
DEFLECTION = 40e-9  # at the peak
# the pyramid has an edge at the end of its cap: a(delta) has a corner there, where no first-order error of a is
# true; the peaks of the tests lie on either side of it
TIPS = dict(paraboloid=10e-6, cone=np.radians(20.0), pyramid=np.radians(35.0), flat_punch=500e-9, dmt=10e-6,
            jkr=10e-6, sphere=dict(tip_radius=1e-6), power_profile=dict(tip_radius=1e-6, tip_profile_exponent=3.0),
            blunted_cone=dict(tip_radius=50e-9, tip_half_angle=np.radians(20.0)),
            blunted_pyramid=dict(tip_radius=30e-9, tip_face_angle=np.radians(35.0), tip_cap_radius=20e-9),
            hyperboloid=dict(tip_radius=50e-9, tip_half_angle=np.radians(25.0)))
PULL_SHARE = 0.3  # pull-off force over peak force
# limits that only mark pixels: wide open, these tests ask for numbers
OPEN = {"limits.depth_to_radius": "1e6", "limits.stiffness_ratio_low": "1e-6", "limits.stiffness_ratio_high": "1e6",
        "limits.stiffness_ratio_force_space": "1e6", "limits.snap_in": "100", "limits.baseline_slope": "1",
        "limits.residual": "10", "limits.surface_slope": "90 degree", "limits.contact_to_pitch": "1e9"}


@dataclasses.dataclass
class Curve:
    """What one pixel is made of. slope and offset are artefacts of the deflection, not of the contact."""
    model: str
    reduced: float
    work: float
    z0: float
    x: np.ndarray          # approach, ascending; the retract runs back over the same
    offset: float = 0.0
    slope: float = 0.0
    noise: float = 0.0
    gap: float = 0.0       # approach deflection +gap/2, retract -gap/2 (drag)
    quiet: bool = False    # noise only well in contact: the off-surface baseline is known exactly

    @property
    def modulus(self):
        return self.reduced * (1 - POISSON**2)

    def true(self, segment, model=None):
        model = model or self.model
        work = self.work if model in fw.ADHESIVE else 0.0
        x = self.x if segment == "approach" else self.x[::-1]
        return fw.deflection(model, x, SPRING, self.reduced, TIPS[model], work, segment)

    def z(self, segment):
        x = self.x if segment == "approach" else self.x[::-1]
        return x + self.z0

    def measured(self, segment, rng=None, model=None):
        z = self.z(segment)
        shift = self.gap / 2 if segment == "approach" else -self.gap / 2
        true = self.true(segment, model)
        noise = self.noise * (np.abs(true) > 6 * self.noise) if self.quiet else self.noise
        return fw.measured(z, self.z0, true, self.offset + shift, self.slope, self.z0 + self.x[0], noise, rng)

    def baseline(self, segment):
        return self.offset + self.slope * (self.z(segment) - self.z0 - self.x[0])


def work_for(model, force):
    if model not in fw.ADHESIVE:
        return 0.0
    return PULL_SHARE * force / ((2.0 if model == "dmt" else 1.5) * np.pi * TIPS[model])


def curve(model, ratio, n, z0=0.0, share=0.45, phase=0.0, peak=DEFLECTION, **kw):
    """A curve whose contact is about `ratio` times as stiff as the lever at its peak. `share` of the
    samples lie off the surface; phase in 0..1 moves the contact point between the samples."""
    force = SPRING * peak
    work = work_for(model, force)
    pull = fw.pull("dmt", work, TIPS[model]) if model in fw.ADHESIVE else 0.0
    if model in fw.BLUNT:
        e, depth = fw.blunt.contact_for(model, force, ratio * SPRING, TIPS[model])
    else:
        order = fw.POWER.get(model, 1.5)
        depth = order * (force + pull) / (ratio * SPRING)
        e = (force + pull) / depth**order / fw.stiffness_factor("dmt" if model == "jkr" else model, 1.0, TIPS[model])
    if model == "jkr":
        contact = fw.Jkr(e, TIPS[model], work, SPRING)
        s = brentq(lambda s: contact.force(s) - force, contact.s_off, 100 * contact.s_off, xtol=1e-30, rtol=1e-15)
        top = float(contact.x(s))
    else:
        top = depth + peak
    off = fw.instability(model, SPRING, e, TIPS[model], work)
    length = (top - off) / (1 - share)
    step = length / (n - 1)
    x = top - (phase + np.arange(n - 1, -1, -1)) * step
    return Curve(model, e, work, z0, x, **kw)


def calibration(model):
    entries = {"spring_constant": (SPRING, "N/m"), "poisson_ratio": (POISSON, "1")}
    if model in fw.BLUNT:
        unit = lambda name: "rad" if name.endswith("angle") else "1" if name.endswith("exponent") else "m"
        return {**entries, **{name: (value, unit(name)) for name, value in TIPS[model].items()}}
    name = {"cone": "tip_half_angle", "pyramid": "tip_face_angle"}.get(model, "tip_radius")
    entries[name] = (TIPS[model], "rad" if name.endswith("angle") else "m")
    return entries


def settings(model, segment, **more):
    base = {"contact.model": model, "contact.segment": segment, "sample.poisson_ratio": POISSON,
            "output.modulus_unit": "Pa", **OPEN}
    base.update({key.replace("__", "."): value for key, value in more.items()})
    return base


def stack(curves, rows, segment, rng=None, model=None):
    d = np.array([c.measured(segment, rng, model) for c in curves])
    z = np.array([c.z(segment) for c in curves])
    return d.reshape(rows, -1, d.shape[1]), z.reshape(rows, -1, d.shape[1])


def write(path, curves, rows, rng=None, absent=(), approach_model=None, retract_model=None, **kw):
    """Float64 deflection with z of every curve. Returns (approach, retract) deflections as written."""
    parts, written = {}, []
    for name, model in (("approach", approach_model), ("retract", retract_model)):
        d, z = stack(curves, rows, name, rng, model)
        parts[name] = vol.segment(d, z)
        written.append(d)
    present = np.ones(written[0].shape[:2], int)
    for row, col in absent:
        present[row, col] = 0
    vol.write(path, parts, calibration(curves[0].model), present=present, **kw)
    return written


class Problem:
    """Least squares of deflection against z on one curve, unknowns ln E*, Z0, [ln w,] offset, slope, in
    units of `scale` around the truth. The derivative is a central difference with a step of 1e-3 sd.
    docs/methods.md says which samples take part: of an adhesive contact all but two on each side of the
    jump, which is plain to see in the data: the sum of squares is smooth then. In force space
    (space='force') kappa l f((D - Z0)/l) stands in place of the lever's deflection, i.e. F(D - Z0)/k with
    D = Z - d, d less the off-surface baseline."""

    def __init__(self, truth, segment, z, d, model=None, space="deflection", baseline=None):
        self.space = space
        self.model = model or truth.model
        self.adhesive = self.model in fw.ADHESIVE
        order = np.argsort(z)
        self.z, self.d, self.segment, self.truth = z[order], d[order], segment, truth
        off = fw.instability(self.model, SPRING, truth.reduced, TIPS[self.model], truth.work) if self.adhesive else 0.0
        self.touching = np.sort(truth.x) > off if self.adhesive else None
        if space == "force":
            self.force_distance = self.z - (self.d - baseline[order])
        if self.adhesive:
            first = int(np.argmax(self.touching))
            self.keep(np.delete(np.arange(len(self.z)), range(first - 2, first + 2)))
        self.p0 = [np.log(truth.reduced), truth.z0] + ([np.log(truth.work)] if self.adhesive else [])
        self.p0 = np.array(self.p0 + [truth.offset, truth.slope])
        self.span = self.z - (truth.z0 + truth.x[0])
        self.scale = np.array([1e-3, 1e-12] + [1e-3] * self.adhesive + [1e-12, 1e-6])
        self.scale = self.sd(1e-12)  # twice: the first scale is a guess
        self.scale = self.sd(1e-12)

    def keep(self, index):
        for name in ("z", "d", "touching", "force_distance"):
            if getattr(self, name, None) is not None:
                setattr(self, name, getattr(self, name)[index])

    def curve(self, p):
        reduced, work = np.exp(p[0]), np.exp(p[2]) if self.adhesive else 0.0
        if self.space == "force":
            d = self.force(self.force_distance - p[1], reduced, work) / SPRING
        else:
            d = fw.deflection(self.model, self.z - p[1], SPRING, reduced, TIPS[self.model], work, self.segment,
                              self.touching)
        return d + p[-2] + p[-1] * self.span

    def force(self, delta, reduced, work):
        """F(delta), of the samples in contact; before the end of the branch its end is given."""
        tip = TIPS[self.model]
        if self.model == "jkr":  # the lever only ends the branch: JKR under displacement control
            s = fw.Jkr(reduced, tip, work, 1e30)
            return np.where(self.touching, s.force(s.s_of_x(delta)), 0.0)
        if self.model == "dmt":
            inside = fw.stiffness_factor("dmt", reduced, tip) * np.maximum(delta, 0.0) ** 1.5
            return np.where(self.touching, inside - fw.pull("dmt", work, tip), 0.0)
        return fw.power_force(self.model, delta, reduced, tip)

    def residual(self, v):
        return (self.d - self.curve(self.p0 + v * self.scale)) / self.unit

    def jacobian(self, v, step=1e-3):
        columns = []
        for i in range(len(v)):
            high, low = v.copy(), v.copy()
            high[i] += step
            low[i] -= step
            columns.append((self.residual(high) - self.residual(low)) / (2 * step))
        return np.stack(columns, axis=1)

    def covariance(self, noise):
        """Cramer-Rao: covariance of the parameters for white noise."""
        self.unit = noise
        j = self.jacobian(np.zeros(len(self.p0)))
        return np.linalg.inv(j.T @ j) * np.outer(self.scale, self.scale)

    def sd(self, noise):
        return np.sqrt(np.diag(self.covariance(noise)))

    def jump_sd(self, noise):
        """Standard deviation of the z at which the fitted contact lets go, linear in the noise."""
        small = 1e-15
        c = self.covariance(small)[:3, :3]
        place = lambda p: p[1] + fw.instability(self.model, SPRING, np.exp(p[0]), TIPS[self.model], np.exp(p[2]))
        steps = np.diag(np.sqrt(np.diag(c)))
        g = np.array([(place(self.p0[:3] + h) - place(self.p0[:3] - h)) / (2 * h.max()) for h in steps])
        return float(np.sqrt(g @ c @ g)) * noise / small


def noise_for(model, ratio, n, target=0.015, jump=None, segment="approach"):
    """White noise in m for which the Cramer-Rao floor of E is `target`; for adhesive contacts with
    `jump` also small enough that the smooth part of the curve alone tells the place of the jump to that
    share of a sample step. Then it does not matter how a fit treats the jump."""
    c = curve(model, ratio, n, phase=0.37)
    p = Problem(c, segment, c.z(segment), c.measured(segment))
    noise = target / p.sd(1.0)[0]
    if model in fw.ADHESIVE and jump:
        noise = min(noise, jump * (c.x[1] - c.x[0]) / p.jump_sd(1.0))
    return noise
