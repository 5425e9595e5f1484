"""Curves of a plastic contact with known truth, from W. C. Oliver, G. M. Pharr, J. Mater. Res. 7 (1992) 1564:
loading F = C h^n, unloading F = B (h - h_f)^m from the same peak, hardness and modulus from both. The lever
adds F/k to the piezo's way. Nothing here is taken from the program."""
import dataclasses

import numpy as np


def area(shape, h, radius=None, half_angle=None, face_angle=None, coefficients=None):
    """Projected area at the contact depth h."""
    if shape == "paraboloid":
        return 2 * np.pi * radius * h
    if shape == "sphere":
        return np.pi * (2 * radius * h - h**2)
    if shape == "cone":
        return np.pi * np.square(h * np.tan(half_angle))
    if shape == "pyramid":
        return np.square(2 * h * np.tan(face_angle))
    if shape == "berkovich":
        return 24.5 * h**2
    return np.polyval(coefficients, h)


def reduced(e_sample, nu_sample, e_tip=np.inf, nu_tip=0.3):
    return 1 / ((1 - nu_sample**2) / e_sample + (1 - nu_tip**2) / e_tip)


def depth_under(x, factor, exponent, k):
    """h of x = h + factor h^exponent / k; zero for x <= 0. Newton on a convex function, from above."""
    x = np.asarray(x, float)
    h = np.zeros_like(x)
    on = x > 0
    u = np.minimum(x[on], (x[on] * k / factor) ** (1 / exponent))
    for _ in range(200):
        step = (u + factor * u**exponent / k - x[on]) / (1 + exponent * factor * u ** (exponent - 1) / k)
        u = u - step
        if np.all(np.abs(step) <= 1e-16 * u):
            break
    h[on] = u
    return h


@dataclasses.dataclass
class Plastic:
    """One pixel. peak: force (N); h_max from E_r, H, epsilon, beta and the area function."""
    k: float
    peak: float
    e_sample: float
    hardness: float
    tip: dict
    nu: float = 0.3
    e_tip: float = np.inf
    nu_tip: float = 0.3
    m: float = 1.4
    n: float = 2.0
    epsilon: float = 0.75
    beta: float = 1.0
    h_c: float = None  # given: the hardness follows from it

    def __post_init__(self):
        if self.h_c is None:
            self.h_c = self._contact_depth(self.peak / self.hardness)
        self.area = float(area(h=self.h_c, **self.tip))
        self.hardness = self.peak / self.area
        self.e_r = reduced(self.e_sample, self.nu, self.e_tip, self.nu_tip)
        self.stiffness = 2 * self.beta * self.e_r * np.sqrt(self.area / np.pi)
        self.h_max = self.h_c + self.epsilon * self.peak / self.stiffness
        self.h_f = self.h_max - self.m * self.peak / self.stiffness
        self.b = self.peak / (self.h_max - self.h_f) ** self.m
        self.c = self.peak / self.h_max**self.n

    def _contact_depth(self, wanted):
        low, high = 1e-12, 1e-3
        for _ in range(200):
            middle = np.sqrt(low * high)
            low, high = (middle, high) if area(h=middle, **self.tip) < wanted else (low, middle)
        return middle

    def x_peak(self):
        return self.h_max + self.peak / self.k

    def deflection(self, x, segment):
        """x: piezo displacement from where the loading begins."""
        if segment == "approach":
            return self.c * depth_under(x, self.c, self.n, self.k) ** self.n / self.k
        return self.b * depth_under(x - self.h_f, self.b, self.m, self.k) ** self.m / self.k
