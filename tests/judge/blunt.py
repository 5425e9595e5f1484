"""Tips that are given by delta(a) and F(a), a the contact radius: no adhesion, E* of the sample, rigid tip.
From the papers, nothing taken from cantle.

  sphere           delta = (a/2) ln((R+a)/(R-a)), F = E* [(a^2+R^2)/2 ln((R+a)/(R-a)) - a R]     Sneddon 1965
  power_profile    profile B r^n, B = R^(1-n)/n: delta = (sqrt(pi)/2) n Gamma(n/2)/Gamma((n+1)/2) B a^n,
                   F = 2 E* n/(n+1) delta a                                      Galin 1946; Sneddon 1965
  blunted_cone     cap r^2/(2R) for r < b, then sides of slope c = 1/tan(half angle)
                                                                       Briscoe, Sebastian, Adams 1994
  blunted_pyramid  the same, c = (2 sqrt2/pi)/tan(face angle); b not given: b = R c       Rico et al. 2005
                   a > b: delta = a c acos(b/a) - (a/R)(sqrt(a^2-b^2) - a),
                   F = 2 E* {a delta - (a^2 c/2) acos(b/a) - a^3/(3R) + sqrt(a^2-b^2) [b c/2 + (a^2-b^2)/(3R)]}
  hyperboloid      (sqrt(A^2 + r^2) - A)/tan, A = R/tan, xi = A/a, q = pi/2 + atan(1/(2 xi) - xi/2):
                   delta = a q/(2 tan), F = E* a^2/tan (xi + (1 - xi^2) q/2)
                                                                 Sun, Akhremitchev, Walker 2004, w = 0

A tip is a dict of the values a recipe would name: tip_radius (m), tip_profile_exponent, tip_half_angle,
tip_face_angle (rad), tip_cap_radius (m)."""
import numpy as np
from scipy.special import gamma

BLUNT = ("sphere", "power_profile", "blunted_cone", "blunted_pyramid", "hyperboloid")


def sphere(a, tip):
    """delta and F/E*; a power series where the logarithm would cost digits."""
    r = tip["tip_radius"]
    s = a / r
    small = s < 0.1
    series_u = sum(s ** (2 * k + 2) / (2 * k + 1) for k in range(9))
    series_f = sum(s ** (2 * k + 1) * (1 / (2 * k + 1) + 1 / (2 * k - 1)) for k in range(1, 9))
    inner = np.where(small, 0.5, s)
    log = np.log((1 + inner) / (1 - inner))
    return (r * np.where(small, series_u, inner / 2 * log),
            r**2 * np.where(small, series_f, (inner**2 + 1) / 2 * log - inner))


def power_profile(a, tip):
    r, n = tip["tip_radius"], tip["tip_profile_exponent"]
    delta = np.sqrt(np.pi) / 2 * n * gamma(n / 2) / gamma((n + 1) / 2) * (r / n) * (a / r) ** n
    return delta, 2 * n / (n + 1) * delta * a


def blunted(a, r, c, b):
    outside = np.maximum(a, b)
    root = np.sqrt(outside**2 - b**2)
    angle = np.arccos(b / outside)
    delta = outside * c * angle - outside / r * (root - outside)
    force = 2 * (outside * delta - outside**2 * c / 2 * angle - outside**3 / (3 * r)
                 + root * (b * c / 2 + (outside**2 - b**2) / (3 * r)))
    return np.where(a <= b, a**2 / r, delta), np.where(a <= b, 4 / 3 * a**3 / r, force)


def blunted_cone(a, tip):
    c = 1 / np.tan(tip["tip_half_angle"])
    return blunted(a, tip["tip_radius"], c, tip.get("tip_cap_radius", tip["tip_radius"] * c))


def blunted_pyramid(a, tip):
    c = 2 * np.sqrt(2) / np.pi / np.tan(tip["tip_face_angle"])
    return blunted(a, tip["tip_radius"], c, tip.get("tip_cap_radius", tip["tip_radius"] * c))


def hyperboloid(a, tip):
    """delta and F/E*; power series in 1/xi where the bracket is a difference of large numbers."""
    tan = np.tan(tip["tip_half_angle"])
    s = a * tan / tip["tip_radius"]
    small = s < 0.1
    xi = 1 / np.where(small, 1.0, s)
    q = np.pi / 2 + np.arctan(1 / (2 * xi) - xi / 2)
    angle = np.where(small, sum((-1) ** k * s ** (2 * k + 1) / (2 * k + 1) for k in range(9)), q / 2)
    series = sum((-1) ** (k + 1) * s ** (2 * k) * (1 / (2 * k - 1) + 1 / (2 * k + 1)) for k in range(1, 9))
    return a / tan * angle, a**2 / tan * np.where(small, series / np.where(small, s, 1), xi + (1 - xi**2) * q / 2)


def curve_of(model, a, tip):
    """delta(a) and F(a)/E*."""
    return dict(sphere=sphere, power_profile=power_profile, blunted_cone=blunted_cone,
                blunted_pyramid=blunted_pyramid, hyperboloid=hyperboloid)[model](a, tip)


def radii(model, tip):
    """Contact radii from far below to far above anything that is asked, ascending."""
    r = tip["tip_radius"]
    if model == "sphere":  # a = R tanh, so that a < R
        return r * np.tanh(np.geomspace(1e-7, 15, 600))
    return r * np.geomspace(1e-7, 1e5, 600)


def radius_at(model, x, tip, compliance):
    """a with delta(a) + compliance F(a)/E* = x, for every x > 0: the interval of a table, then the Illinois
    form of false position inside it (the function rises, so the bracket holds)."""
    x = np.asarray(x, float)
    height = lambda a: (lambda u, f: u + compliance * f)(*curve_of(model, a, tip))
    table = radii(model, tip)
    i = np.clip(np.searchsorted(height(table), x), 1, len(table) - 1)
    low, high = table[i - 1], table[i]
    f_low, f_high = height(low) - x, height(high) - x
    kept = np.zeros(x.shape)  # the end that the last step left where it was: -1 low, 1 high
    for _ in range(100):
        a = np.clip(high - f_high * (high - low) / (f_high - f_low), low, high)
        f = height(a) - x
        below = f < 0
        f_high = np.where(below, np.where(kept == 1, f_high / 2, f_high), f)
        f_low = np.where(below, f, np.where(kept == -1, f_low / 2, f_low))
        low, high, kept = np.where(below, a, low), np.where(below, high, a), np.where(below, 1, -1)
        if np.all((np.abs(f) <= 4e-16 * x) | (high - low <= 4e-16 * high)):
            break
    return a


def indentation(model, x, tip, compliance):
    """delta and F/E* for x > 0, 0 for x <= 0."""
    x = np.asarray(x, float)
    inside = np.where(x > 0, x, 1e-9)
    delta, force = curve_of(model, radius_at(model, inside, tip, compliance), tip)
    return np.where(x > 0, delta, 0.0), np.where(x > 0, force, 0.0)


def contact_for(model, force, stiffness, tip):
    """(E*, delta) of a contact of that force and (nearly) that stiffness: dF/d delta = 2 E* a."""
    table = radii(model, tip)
    ratio = curve_of(model, table, tip)[1] / (2 * table)
    a = np.exp(np.interp(np.log(force / stiffness), np.log(ratio), np.log(table)))
    delta, per_modulus = curve_of(model, a, tip)
    return float(force / per_modulus), float(delta)
