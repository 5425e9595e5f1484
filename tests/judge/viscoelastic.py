"""A viscoelastic half-space under a tip on a lever, by brute-force quadrature on a fine grid of time.

Written from T. C. T. Ting, J. Appl. Mech. 33 (1966) 845: while the contact grows the force is the hereditary
integral of delta^n, after that the same integral up to t1(t), with int_t1^t E(t-s) delta'(s) ds = 0. The lever
k d = F(t), delta = x(t) - d, is solved at each instant. Every integral is summed anew over the whole past, with the
integral of E over each cell in closed form: no recursion, no sum of exponentials."""
import numpy as np

POWERS = {"paraboloid": 1.5, "cone": 2.0}


def factor(model, tip, nu):
    """c in F = c E delta^n: Hertz 1882 (paraboloid, tip = R), Sneddon 1965 (cone, tip = half angle)."""
    return (4 / 3 * np.sqrt(tip) if model == "paraboloid" else 2 / np.pi * np.tan(tip)) / (1 - nu**2)


def power_law(modulus, exponent, reference=1.0):
    """E(t) = modulus (t/reference)^-exponent: its integral from 0 to t."""
    return lambda t: modulus * reference**exponent * np.maximum(t, 0)**(1 - exponent) / (1 - exponent)


def linear_solid(instant, relaxed, tau):
    return lambda t: relaxed * np.maximum(t, 0) + (instant - relaxed) * tau * -np.expm1(-np.maximum(t, 0) / tau)


def deflection(integral, c, n, k, displacement, times, turn):
    """Deflection at `times` (any order, from first contact at 0 on) for the piezo displacement
    displacement(t) beyond the contact point; the withdrawal begins at `turn`, a grid point.
    Returns deflections at `times`, and the time at which contact is lost (nan: never)."""
    cells = 1500
    h = turn / cells
    t = np.arange(0, int(np.ceil(times.max() / h)) + 2) * h
    x = displacement(t)
    d, depth = np.zeros_like(t), np.zeros_like(t)
    lost = np.nan
    growing = 0  # last grid point of the growing part
    newest = integral(h) / h
    for i in range(1, len(t)):
        # cell j is t[j-1] .. t[j]: mean of E(t_i - s) over it
        edges = integral(t[i] - t[:i])
        mean = (edges[:-1] - edges[1:]) / h
        rise, growth = np.diff(depth[:i]), np.diff(depth[:i]**n)
        if growing == i - 1:
            older = np.dot(mean, growth) - newest * depth[i - 1]**n
            low, high = 0.0, max(x[i], 0.0)
            for _ in range(200):  # bisection: delta + (c/k) (older + newest delta^n) = x
                mid = 0.5 * (low + high)
                if mid + c / k * (older + newest * mid**n) < x[i]:
                    low = mid
                else:
                    high = mid
            if t[i] <= turn * (1 + 1e-12) or mid >= depth[i - 1]:
                depth[i], growing = mid, i
                d[i] = x[i] - mid
                continue
        # t1 at each grid point of the growing part: the depth that makes the integral zero, and the force
        past = np.concatenate([np.cumsum((mean * rise)[::-1])[::-1], [0.0]])[:growing + 1]
        now = depth[i - 1] - past / newest
        load = np.concatenate([[0.0], np.cumsum(mean * growth)])[:growing + 1]
        excess = x[i] - now - c / k * load  # falls with t1
        if excess[0] < 0:
            lost = t[i]
            break
        j = np.searchsorted(-excess, 0.0, side="right") - 1
        if j >= growing:
            share, j = 1.0, growing - 1
        else:
            share = excess[j] / (excess[j] - excess[j + 1])
        depth[i] = now[j] + share * (now[j + 1] - now[j])
        d[i] = c / k * (load[j] + share * (load[j + 1] - load[j]))
    return np.where(times > 0, np.interp(times, t, d), 0.0), lost


class Scene:
    """Samples of approach, dwell and retract in the order of time for piezo speeds and times."""

    def __init__(self, law, model="paraboloid", tip=2.5e-6, nu=0.5, k=0.05, speed=5e-6, back=None, ramp=1.5e-6,
                 contact=0.8123e-6, samples=600, dwell_s=0.0, dwell_rate=0.0, drag=0.0):
        back = speed if back is None else back
        dt = ramp / speed / (samples - 1)
        go = np.arange(samples) * dt
        top = go[-1]
        n_back = int(ramp / back / dt)
        dwell = top + np.arange(1, int(round(dwell_s / dt)) + 1) * dt
        leave = dwell[-1] if len(dwell) else top
        away = leave + np.arange(1, n_back + 1) * dt
        z_top = speed * top
        z_leave = z_top + dwell_rate * (leave - top)

        def z(t):
            return np.where(t <= top, speed * t,
                            np.where(t <= leave, z_top + dwell_rate * (t - top), z_leave - back * (t - leave)))

        touch = contact / speed
        every = np.concatenate([go, dwell, away])
        d, lost = deflection(law, factor(model, tip, nu), POWERS[model], k,
                             lambda s: z(s + touch) - contact, every - touch, leave - touch)
        flow = np.concatenate([np.full(samples, speed), np.zeros(len(dwell)), np.full(n_back, -back)])
        d = d + drag / k * flow
        ends = np.cumsum([samples, len(dwell), n_back])
        self.dt, self.k, self.contact, self.lost = dt, k, contact, lost + touch - leave
        self.parts = {name: (z(every[a:b]), d[a:b]) for name, a, b in
                      zip(("approach", "dwell", "retract"), np.r_[0, ends[:-1]], ends) if b > a}
        self.calibration = {"spring_constant": (k, "N/m"), "poisson_ratio": (nu, "1")}
        self.calibration["tip_radius" if model == "paraboloid" else "tip_half_angle"] = (
            tip, "m" if model == "paraboloid" else "rad")
