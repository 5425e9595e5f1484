"""Forward models of a tip on an elastic half-space and of the lever that presses it, from the papers.

Nothing here is taken from cantle: this is the outside judge. SI units throughout. Signs: force F is
positive when repulsive, indentation delta positive into the sample, Z grows towards the sample, Z0 is
the Z at which indentation is zero while the lever is straight. The lever obeys k d = F(x - d) with
x = Z - Z0 and d its true deflection.

Sources
  paraboloid   F = 4/3 E* sqrt(R) delta^(3/2)                     Hertz 1882; Sneddon 1965
  cone         F = (2/pi) E* tan(a) delta^2, a from the axis      Sneddon 1965
  pyramid      F = E* tan(face) delta^2 / sqrt(2)                 Rico et al. 2005, mean profile, deep limit
  flat_punch   F = 2 E* a delta                                   Boussinesq 1885; Sneddon 1965
  dmt          F = 4/3 E* sqrt(R) delta^(3/2) - 2 pi w R          Derjaguin, Muller, Toporov 1975 (Maugis 1992)
  jkr          F = 4 E* a^3/(3R) - sqrt(8 pi E* w a^3),
               delta = a^2/R - sqrt(2 pi a w/E*)                  Johnson, Kendall, Roberts 1971
  sphere, power_profile, blunted_cone, blunted_pyramid, hyperboloid   in blunt.py
"""
import numpy as np
from scipy.optimize import brentq

import blunt
from blunt import BLUNT

POWER = {"paraboloid": 1.5, "cone": 2.0, "pyramid": 2.0, "flat_punch": 1.0, "dmt": 1.5}
MODELS = ("paraboloid", "cone", "pyramid", "flat_punch", "dmt", "jkr")
ADHESIVE = ("dmt", "jkr")


def reduced(modulus, poisson):
    """E* = E/(1 - nu^2), rigid tip."""
    return modulus / (1.0 - poisson**2)


def stiffness_factor(model, reduced_modulus, tip):
    """A in F = A delta^n. tip: radius in m, or angle in rad."""
    if model in ("paraboloid", "dmt"):
        return 4.0 / 3.0 * reduced_modulus * np.sqrt(tip)
    if model == "cone":
        return 2.0 / np.pi * reduced_modulus * np.tan(tip)
    if model == "pyramid":
        return reduced_modulus * np.tan(tip) / np.sqrt(2.0)
    if model == "flat_punch":
        return 2.0 * reduced_modulus * tip
    raise ValueError(model)


def pull(model, work, tip):
    """Constant pull in contact: 2 pi w R for DMT."""
    return 2.0 * np.pi * work * tip if model == "dmt" else 0.0


def power_force(model, delta, reduced_modulus, tip, work=0.0):
    """F(delta), 0 out of contact (delta <= 0). Not for jkr."""
    delta = np.asarray(delta, float)
    if model in BLUNT:
        return reduced_modulus * blunt.indentation(model, delta, tip, 0.0)[1]
    inside = np.maximum(delta, 0.0)
    repulsion = stiffness_factor(model, reduced_modulus, tip) * inside ** POWER[model]
    return np.where(delta > 0, repulsion - pull(model, work, tip), 0.0)


def power_indentation(order, ratio, x):
    """Solve delta + ratio delta^n = x for x >= 0. Newton in s = sqrt(delta) for n = 3/2, from above:
    the function is convex and rising, so every step stays above the root."""
    x = np.maximum(np.asarray(x, float), 0.0)
    if order == 1.0:
        return x / (1.0 + ratio)
    if order == 2.0:
        return 2.0 * x / (1.0 + np.sqrt(1.0 + 4.0 * ratio * x))
    s = np.minimum(np.sqrt(x), np.cbrt(x / ratio))
    for _ in range(60):
        with np.errstate(invalid="ignore", divide="ignore"):
            step = (s * s * (1.0 + ratio * s) - x) / (s * (2.0 + 3.0 * ratio * s))
        step = np.where(s > 0, step, 0.0)
        s = s - step
        if np.all(np.abs(step) <= 4e-16 * s):
            break
    return s * s


class Jkr:
    """The JKR contact on a lever, in s = sqrt(contact radius)."""

    def __init__(self, reduced_modulus, radius, work, spring):
        self.reduced, self.radius, self.work, self.spring = reduced_modulus, radius, work, spring
        self.root = np.sqrt(2.0 * np.pi * work / reduced_modulus)
        self.load = 4.0 * reduced_modulus / (3.0 * radius)
        self.pull = np.sqrt(8.0 * np.pi * reduced_modulus * work)
        self.s_off = self._fold()
        self.x_off = float(self.x(self.s_off))

    def delta(self, s):
        return s**4 / self.radius - self.root * s

    def force(self, s):
        return self.load * s**6 - self.pull * s**3

    def x(self, s):
        return self.delta(s) + self.force(s) / self.spring

    def x_slope(self, s):
        return (4.0 * s**3 / self.radius - self.root
                + (6.0 * self.load * s**5 - 3.0 * self.pull * s**2) / self.spring)

    def stiffness(self, s):
        """dF/d delta."""
        return ((6.0 * self.load * s**5 - 3.0 * self.pull * s**2)
                / (4.0 * s**3 / self.radius - self.root))

    def _fold(self):
        """s where dx/ds = 0, i.e. dF/d delta = -k: below it the lever cannot hold the contact. dx/ds is
        negative at 0, falls, then rises for good: one zero. The contact radius at displacement-
        controlled pull-off (soft end) is a lower bound."""
        low = (self.root * self.radius / 4.0) ** (1.0 / 3.0)
        if self.x_slope(low) >= 0:
            return low
        high = 2.0 * low
        while self.x_slope(high) <= 0:
            high *= 2.0
        return brentq(self.x_slope, low, high, xtol=1e-30, rtol=8.9e-16)

    def s_of_x(self, x):
        """Stable branch, x >= x_off. x(s) is convex and rising there: Newton from above."""
        x = np.maximum(np.asarray(x, float), self.x_off)
        high = self.s_off
        top = x.max(initial=self.x_off)
        while self.x(high) < top:
            high *= 1.5
        # a table brings every start close to its root, and above it
        grid = np.linspace(self.s_off, high, 400)
        s = grid[np.minimum(np.searchsorted(self.x(grid), x), 399)]
        for _ in range(80):
            slope = self.x_slope(s)
            step = np.where(slope > 0, (self.x(s) - x) / np.where(slope > 0, slope, 1.0), 0.0)
            new = np.maximum(s - step, self.s_off)
            if np.all(np.abs(new - s) <= 4e-16 * s):
                break
            s = new
        return new

    def s_of_delta(self, delta):
        """Stable branch under displacement control."""
        low = (self.root * self.radius / 4.0) ** (1.0 / 3.0)
        high = 2.0 * low
        while self.delta(high) < delta:
            high *= 2.0
        return brentq(lambda s: self.delta(s) - delta, low, high, xtol=1e-30, rtol=8.9e-16)


def instability(model, spring, reduced_modulus, tip, work=0.0):
    """x at which the contact ends on retract."""
    if model == "jkr":
        return Jkr(reduced_modulus, tip, work, spring).x_off
    return -pull(model, work, tip) / spring


def deflection(model, x, spring, reduced_modulus, tip, work=0.0, segment="retract",
               touching=None):
    """True deflection d at x = Z - Z0. On approach an adhesive contact begins at x = 0 (no forces at a
    distance in these models) and jumps to the stable branch; on retract it holds to the instability.
    touching: samples known to be in contact; where the branch has ended before, its end is given."""
    x = np.asarray(x, float)
    begin = 0.0 if segment == "approach" else instability(model, spring, reduced_modulus, tip, work)
    touching = x > begin if touching is None else touching
    if model == "jkr":
        contact = Jkr(reduced_modulus, tip, work, spring)
        return np.where(touching, contact.force(contact.s_of_x(x)) / spring, 0.0)
    if model in BLUNT:
        force = blunt.indentation(model, x, tip, reduced_modulus / spring)[1]
        return np.where(touching, reduced_modulus / spring * force, 0.0)
    minus = pull(model, work, tip) / spring
    ratio = stiffness_factor(model, reduced_modulus, tip) / spring
    delta = power_indentation(POWER[model], ratio, x + minus)
    return np.where(touching, ratio * delta ** POWER[model] - minus, 0.0)


def force_at(model, delta, reduced_modulus, tip, work=0.0):
    """F(delta), of jkr the stable branch under displacement control (scalar delta for jkr)."""
    if model != "jkr":
        return power_force(model, delta, reduced_modulus, tip, work)
    contact = Jkr(reduced_modulus, tip, work, 1.0)
    return contact.force(contact.s_of_delta(delta))


def state(model, delta, reduced_modulus, tip, work=0.0):
    """Force, stiffness dF/d delta and contact radius at one indentation."""
    if model == "jkr":
        contact = Jkr(reduced_modulus, tip, work, 1.0)
        s = contact.s_of_delta(delta)
        return contact.force(s), contact.stiffness(s), s * s
    if model in BLUNT:
        a = float(blunt.radius_at(model, delta, tip, 0.0))
        return reduced_modulus * float(blunt.curve_of(model, a, tip)[1]), 2.0 * reduced_modulus * a, a
    order = POWER[model]
    force = float(power_force(model, delta, reduced_modulus, tip, work))
    stiffness = order * stiffness_factor(model, reduced_modulus, tip) * delta ** (order - 1.0)
    radius = {"paraboloid": lambda: np.sqrt(tip * delta), "dmt": lambda: np.sqrt(tip * delta),
              "cone": lambda: 2.0 / np.pi * np.tan(tip) * delta,
              # mean profile: a cone with tan(a) = pi tan(face) / (2 sqrt 2)
              "pyramid": lambda: np.tan(tip) * delta / np.sqrt(2.0),
              "flat_punch": lambda: tip}[model]()
    return force, stiffness, radius


def measured(z, z0, true_deflection, offset=0.0, slope=0.0, z_first=None, noise=0.0, rng=None):
    """d as a detector gives it: baseline offset and slope over Z, and white noise."""
    z = np.asarray(z, float)
    first = z[..., :1] if z_first is None else z_first
    d = offset + slope * (z - first) + true_deflection
    if np.any(noise):
        d = d + noise * rng.standard_normal(d.shape)
    return d
