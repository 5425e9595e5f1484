"""Adhesive cone and flat punch on a lever, from the papers, nothing taken from cantle. Signs and symbols as in
forward.py; tan that of the cone's half angle, a the contact radius.

  cone    delta = (pi/2) a/tan - sqrt(2 pi a w/E*), F = (pi/2) E* a^2/tan - sqrt(8 pi E* w a^3)
                                                                            Maugis, Barquins 1981
  punch   F = 2 E* a delta until F = -sqrt(8 pi E* w a^3)                   Kendall 1971

On the lever x = delta + F/k; the contact is lost where dx/da = 0, of the punch at that force."""
import numpy as np
from scipy.optimize import brentq


class Cone:
    def __init__(self, reduced, half_angle, work, spring):
        self.reduced, self.tan, self.work, self.spring = reduced, np.tan(half_angle), work, spring
        hold = 18 * work * self.tan**2 / (np.pi * reduced)  # at the force minimum
        slope = lambda a: self.delta_slope(a) + self.force_slope(a) / spring
        # at fixed indentation a quarter of sqrt(a) at zero force, which is 4/3 of that at the minimum
        self.a_off = brentq(slope, hold / 9 * (1 - 1e-12), hold, xtol=1e-30, rtol=1e-15)
        self.x_off = float(self.x(self.a_off))

    def delta(self, a):
        return np.pi / 2 * a / self.tan - np.sqrt(2 * np.pi * a * self.work / self.reduced)

    def delta_slope(self, a):
        return np.pi / 2 / self.tan - np.sqrt(np.pi * self.work / (2 * a * self.reduced))

    def force(self, a):
        return np.pi / 2 * self.reduced * a**2 / self.tan - np.sqrt(8 * np.pi * self.reduced * self.work * a**3)

    def force_slope(self, a):
        return np.pi * self.reduced * a / self.tan - 1.5 * np.sqrt(8 * np.pi * self.reduced * self.work * a)

    def x(self, a):
        return self.delta(a) + self.force(a) / self.spring

    def deflection(self, x):
        """By bisection: x(a) rises from a_off on."""
        x = np.asarray(x, float)
        low = np.full(x.shape, self.a_off)
        high = np.full(x.shape, 2 * self.a_off)
        while np.any(self.x(high) < x):
            high *= 2
        for _ in range(100):
            middle = (low + high) / 2
            below = self.x(middle) < x
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.where(x > self.x_off, self.force(high) / self.spring, 0.0)

    def x_at_force(self, force):
        return float(self.x(brentq(lambda a: self.force(a) - force, self.a_off, 1e6 * self.a_off, xtol=1e-30)))


class Punch:
    def __init__(self, reduced, radius, work, spring):
        self.stiffness, self.spring = 2 * reduced * radius, spring
        self.x_off = self.x_at_force(-np.sqrt(8 * np.pi * reduced * work * radius**3))

    def x_at_force(self, force):
        return force / self.stiffness + force / self.spring

    def deflection(self, x):
        return np.where(x > self.x_off, x / (1 + self.spring / self.stiffness), 0.0)
