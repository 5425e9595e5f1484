"""Forward model of a sphere on a brush on an elastic half-space, from the papers; nothing from cantle.

F = 50 kB T R L G^(3/2) [exp(-2 pi D/L) - exp(-2 pi)] for a distance 0 < D < L of sphere and body (O'Shea et
al. 1993, Butt et al. 1999, from memory; less its value at the edge), F = 4/3 E* sqrt(R) delta^(3/2) in the
body. x = Z - Z0 is measured from the brush's edge: x - d = (L - D) + delta.
"""
import numpy as np

BOLTZMANN = 1.380649e-23


def steric_amplitude(radius, length, density, kelvin=298.15):
    return 50 * BOLTZMANN * kelvin * radius * length * density**1.5


def displacement(force, k, modulus_reduced, radius, length, density):
    """x at which the lever carries `force`."""
    force = np.asarray(force, float)
    top = steric_amplitude(radius, length, density)
    distance = -length / (2 * np.pi) * np.log(force / top + np.exp(-2 * np.pi))
    body = (force / (4 / 3 * modulus_reduced * np.sqrt(radius))) ** (2 / 3)
    return force / k + (length - distance) + body


def deflection(x, k, *body):
    """d over x: the monotonic relation x(F) inverted by bisection in ln F."""
    x = np.asarray(x, float)
    low, high = np.full(x.shape, -60.0), np.log(np.maximum(k * x, 1e-300))
    for _ in range(110):
        middle = (low + high) / 2
        above = displacement(np.exp(middle), k, *body) > x
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.where(x > 0, np.exp((low + high) / 2) / k, 0.0)
