"""Forward models of a lever that pulls on chains and tethers, from the papers; nothing from cantle.

SI units. A retract: piezo rest position x0 = Z0 - Z above the surface; the lever bends by d < 0 and the
chain of extension x = x0 + d pulls with F = -k d.

  worm-like chain      Bouchiat et al., Biophys. J. 76 (1999) 409 (seven terms)
  freely jointed chain Langevin function; Smith, Cui, Bustamante, Science 271 (1996) 795
"""
import numpy as np
from scipy.optimize import brentq

BOLTZMANN = 1.380649e-23
BOUCHIAT = (-0.5164228, -2.737418, 16.07497, -38.87607, 39.49944, -14.17718)


def wlc(extension, contour, persistence, kelvin=298.15):
    r = np.clip(np.asarray(extension, float) / contour, 0, 1 - 1e-12)
    terms = sum(a * r ** (i + 2) for i, a in enumerate(BOUCHIAT))
    return BOLTZMANN * kelvin / persistence * (0.25 / (1 - r) ** 2 - 0.25 + r + terms)


def fjc_extension(force, contour, kuhn, kelvin=298.15):
    s = np.maximum(np.asarray(force, float) * kuhn / (BOLTZMANN * kelvin), 1e-9)
    return np.where(s < 1e-4, contour * s / 3, contour * (1 / np.tanh(s) - 1 / s))


def chain_deflection(x0, k, force_of):
    """d of a lever at rest at x0 above the surface, for force_of(x)."""
    def one(rest):
        if rest <= 0:
            return 0.0
        return brentq(lambda d: -k * d - force_of(rest + d), -rest * (1 - 1e-9), 0, xtol=1e-16)
    return np.array([one(rest) for rest in np.asarray(x0, float)])


def fjc_deflection(x0, k, contour, kuhn, kelvin=298.15):
    def one(rest):
        if rest <= 0:
            return 0.0
        top = k * rest
        return -brentq(lambda f: float(fjc_extension(f, contour, kuhn, kelvin)) - (rest - f / k), 0, top,
                       xtol=1e-18) / k
    return np.array([one(rest) for rest in np.asarray(x0, float)])


def plateaus(rest, breaks, forces, k):
    """Membrane tethers: each pulls with its force until the rest position passes its break."""
    force = np.zeros_like(rest)
    for at, pull in zip(breaks, forces):
        force += np.where((rest > 0) & (rest < at), pull, 0.0)
    return -force / k
