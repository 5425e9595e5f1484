"""Frictionless contact with an elastic layer of thickness h on a rigid base, from its integral equation.

With lengths in h, alpha = a/h and the layer's compliance L(u) (bonded: (2 k sinh 2u - 4u)/(2 k cosh 2u + 4 u^2 + 1
+ k^2), k = 3 - 4 nu; sliding: (cosh 2u - 1)/(sinh 2u + 2u)):
    psi(t) - (2/pi) int_0^alpha K(t, s) psi(s) ds = g(t),  K = int_0^inf (1 - L) cos(u t) cos(u s) du
    F = 2 E* int psi,  g = delta - t^2/R | delta - (pi/2) t/tan | delta,  psi(alpha) = 0 but for the punch
N. N. Lebedev, Ya. S. Ufliand 1958 (journal from memory). Solved here in other coordinates than cantle does: the
kernel through its cosine transform q(x) = int (1-L) cos(u x) du, K = (q(t-s) + q(t+s))/2, the system dense and
unsymmetric, the functions of alpha by Chebyshev series."""
import functools

import numpy as np
from numpy.polynomial import Chebyshev

SHAPES = ("layer_sphere", "layer_cone", "layer_punch")


def one_minus_compliance(u, sliding, nu):
    if sliding:
        return 1 - (np.cosh(2 * u) - 1) / (np.sinh(2 * u) + 2 * u)
    k = 3 - 4 * nu
    return 1 - (2 * k * np.sinh(2 * u) - 4 * u) / (2 * k * np.cosh(2 * u) + 4 * u**2 + 1 + k**2)


def gauss(n, low, high):
    x, w = np.polynomial.legendre.leggauss(n)
    return low + (x + 1) * (high - low) / 2, w * (high - low) / 2


def panels(n, edges):
    parts = [gauss(n, a, b) for a, b in zip(edges, edges[1:])]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def solve(shape, sliding, nu, alpha, n=40):
    """delta and F at alpha, in h^2/R and E* h^3/R (sphere), h/tan and E* h^2/tan (cone); for the punch F over
    E* h delta."""
    u, w = panels(12, np.linspace(0, 20, 33))
    w = w * one_minus_compliance(u, sliding, nu)

    def q(x):
        return np.cos(np.multiply.outer(x, u)) @ w

    t, wt = gauss(n, 0, alpha)
    at = np.append(t, alpha)
    kernel = (q(np.subtract.outer(at, t)) + q(np.add.outer(at, t))) / np.pi * wt  # (2/pi) K ds
    tip = {"layer_sphere": at**2, "layer_cone": np.pi / 2 * at, "layer_punch": 0 * at}[shape]
    right = np.stack([np.ones(n + 1), tip], axis=1)
    psi = np.linalg.solve(np.eye(n) - kernel[:n], right[:n])
    rim = right[n] + kernel[n] @ psi
    total = wt @ psi
    if shape == "layer_punch":
        return np.nan, 2 * total[0]
    delta = rim[1] / rim[0]
    return delta, 2 * (delta * total[0] - total[1])


class Layer:
    """Functions of alpha up to `largest`."""

    def __init__(self, shape, sliding, nu, largest=6.0, order=56):
        self.shape, self.order = shape, {"layer_sphere": 2, "layer_cone": 1}[shape]
        nodes = largest / 2 * (1 + np.cos(np.pi * (np.arange(order) + 0.5) / order))
        depth, force = np.array([solve(shape, sliding, nu, a) for a in nodes]).T
        fit = functools.partial(Chebyshev.fit, nodes, deg=order - 1, domain=[0, largest])
        self._depth, self._force = fit(depth / nodes**self.order), fit(force / nodes ** (self.order + 1))
        self._depth_slope, self._force_slope = self._depth.deriv(), self._force.deriv()
        self.largest = largest

    def depth(self, a):
        return self._depth(a) * a**self.order

    def force(self, a):
        return self._force(a) * a ** (self.order + 1)

    def slopes(self, a):
        n = self.order
        return (self._depth_slope(a) * a**n + n * self._depth(a) * a ** (n - 1),
                self._force_slope(a) * a ** (n + 1) + (n + 1) * self._force(a) * a**n)

    def alpha(self, x, stiffness):
        """alpha with depth + stiffness force = x, x >= 0."""
        grid = np.linspace(0, self.largest, 4001)
        a = np.interp(x, self.depth(grid) + stiffness * self.force(grid), grid)
        for _ in range(60):
            by_depth, by_force = self.slopes(a)
            step = (self.depth(a) + stiffness * self.force(a) - x) / np.maximum(by_depth + stiffness * by_force, 1e-300)
            a = np.clip(a - step, a / 3, self.largest)
        return np.where(x > 0, a, 0.0)

    def chi(self, a):
        return np.sqrt(self.depth(a)) if self.order == 2 else self.depth(a)


@functools.lru_cache(maxsize=None)
def layer(shape, sliding, nu):
    return Layer(shape, sliding, nu)


@functools.lru_cache(maxsize=None)
def punch_force(sliding, nu, alpha):
    return solve("layer_punch", sliding, nu, alpha)[1]


def contact(shape, sliding, nu, tip, chi, force, stiffness):
    """E*, h, and delta for which the contact carries `force` at chi with dF/d delta = stiffness. tip: radius or
    half angle."""
    if shape == "layer_punch":
        f = punch_force(sliding, nu, chi)
        h = tip / chi
        return stiffness / (f * h), h, force / stiffness
    one = layer(shape, sliding, nu)
    a = np.interp(chi, one.chi(np.linspace(0.001, one.largest, 4000)), np.linspace(0.001, one.largest, 4000))
    f, (by_depth, by_force) = one.force(a), one.slopes(a)
    width = 2 * force / stiffness * by_force / by_depth / f  # 2 h^2/R or 2 h/tan
    h = np.sqrt(width * tip / 2) if shape == "layer_sphere" else width / 2 * np.tan(tip)
    e = stiffness / h * by_depth / by_force
    return e, h, one.depth(a) * (h * h / tip if shape == "layer_sphere" else h / np.tan(tip))


def deflection(shape, sliding, nu, tip, reduced, h, spring, x):
    """The lever's deflection at displacement x past the contact point."""
    inside = np.maximum(x, 0.0)
    if shape == "layer_punch":
        c = reduced * h * punch_force(sliding, nu, tip / h) / spring
        return inside * c / (1 + c)
    length = h * h / tip if shape == "layer_sphere" else h / np.tan(tip)
    one, c = layer(shape, sliding, nu), reduced * h / spring
    return c * length * one.force(one.alpha(inside / length, c))


def force(shape, sliding, nu, tip, reduced, h, delta):
    """F at a depth."""
    return 1e30 * deflection(shape, sliding, nu, tip, reduced, h, 1e30, np.asarray(delta, float))
