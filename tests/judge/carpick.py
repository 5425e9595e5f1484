"""The interpolation between DMT and JKR on a lever, from the papers: R. W. Carpick, D. F. Ogletree, M. Salmeron, J.
Colloid Interface Sci. 211 (1999) 395 (contact radius over load), O. Pietrement, M. Troyon, J. Adhesion 74 (2000) 357
(depth over load). All coefficients from memory. SI units; K = 4/3 E*. With x = sqrt(1 + L/Lc), L the load and Lc the
pull-off force:

    a = a0 ((alpha + x)/(1 + alpha))^(2/3)
    delta = a0^2/R [((alpha + x)/(1 + alpha))^(4/3) - S ((alpha + x)/(1 + alpha))^(2 beta/3)]

The papers give the branch x >= 0; below the force minimum, where a stiff lever can go, it is the other root, x < 0.
Points are searched by bisection in x, for all samples at once."""
import numpy as np


def alpha_of(lam):
    """lambda = -0.924 ln(1 - 1.02 alpha)."""
    return (1 - np.exp(-lam / 0.924)) / 1.02


def numbers(alpha):
    """a0, Lc (over (pi w R^2/K)^(1/3) and pi w R), S, beta."""
    a0 = 1.264 + 0.950 * alpha - 1.365 * alpha**2 + 1.417 * alpha**3 - 0.451 * alpha**4
    pull = 2.000 - 0.767 * alpha + 0.267 * alpha**2
    share = -2.160 * alpha**0.019 + 2.7531 * alpha**0.064 + 0.073 * alpha**1.919
    beta = 0.516 * alpha**4 - 0.683 * alpha**3 + 0.235 * alpha**2 + 0.429 * alpha
    return a0, pull, share, beta


class Carpick:
    def __init__(self, reduced_modulus, radius, work, lam, spring):
        k = 4.0 / 3.0 * reduced_modulus
        self.alpha = alpha_of(lam)
        a0, pull, self.share, self.beta = numbers(self.alpha)
        self.depth_unit = (a0 * (np.pi * work * radius**2 / k) ** (1 / 3)) ** 2 / radius
        self.pull, self.spring = pull * np.pi * work * radius, spring
        self.end = self._end()
        self.x_off = float(self.x(self.end))

    def force(self, root):
        return self.pull * (root * root - 1)

    def depth(self, root):
        q = (self.alpha + root) / (1 + self.alpha)
        return self.depth_unit * (q ** (4 / 3) - self.share * q ** (2 * self.beta / 3))

    def x(self, root):
        return self.depth(root) + self.force(root) / self.spring

    def _end(self):
        """Where the lever jumps off: the least displacement on the branch."""
        low, high = -self.alpha, 1.0
        for _ in range(14):
            grid = np.linspace(low, high, 400)
            grid[0] = max(grid[0], -self.alpha * (1 - 1e-14))
            i = int(np.argmin(self.x(grid)))
            low, high = grid[max(i - 1, 0)], grid[min(i + 1, 399)]
        return 0.5 * (low + high)

    def _solve(self, function, value):
        low, high = np.full(np.shape(value), self.end), np.full(np.shape(value), 1e4)
        for _ in range(110):
            middle = 0.5 * (low + high)
            deeper = function(middle) > value
            low, high = np.where(deeper, low, middle), np.where(deeper, middle, high)
        return 0.5 * (low + high)

    def deflection(self, x):
        x = np.asarray(x, float)
        root = self._solve(self.x, np.maximum(x, self.x_off))
        return np.where(x > self.x_off, self.force(root) / self.spring, 0.0)

    def x_at_force(self, force):
        return float(self.x(np.sqrt(1 + force / self.pull)))
