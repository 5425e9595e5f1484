"""The Maugis-Dugdale sphere on a lever, from the paper alone: D. Maugis, J. Colloid Interface Sci. 150
(1992) 243. SI units; K = 4/3 E*. With m = c/a and a, P, delta in units of (pi w R^2/K)^(1/3), pi w R and
(pi^2 w^2 R/K^2)^(1/3):

    (lambda a^2/2) [sqrt(m^2-1) + (m^2-2) acos(1/m)] + (4 lambda^2 a/3) [sqrt(m^2-1) acos(1/m) - m + 1] = 1
    P = a^3 - lambda a^2 [sqrt(m^2-1) + m^2 acos(1/m)],   delta = a^2 - (4/3) a lambda sqrt(m^2-1)

The points are searched by bisection in ln(m - 1), for all samples at once."""
import numpy as np

DEEP, SHALLOW = np.log(1e-7), np.log(1e6)


def point(e, lam):
    """a, P, delta at e = ln(m - 1)."""
    over = np.exp(e)
    m, root = 1.0 + over, np.sqrt(over * (2.0 + over))
    angle = np.arctan(root)
    square = lam / 2.0 * (root + (m * m - 2.0) * angle)
    line = 4.0 * lam**2 / 3.0 * (root * angle - m + 1.0)
    a = 2.0 / (line + np.sqrt(line * line + 4.0 * square))  # of square a^2 + line a = 1
    return a, a**3 - lam * a * a * (root + m * m * angle), a * a - 4.0 / 3.0 * a * lam * root


class Maugis:
    def __init__(self, reduced_modulus, radius, work, lam, spring):
        k = 4.0 / 3.0 * reduced_modulus
        self.lam, self.spring = lam, spring
        self.a_unit = (np.pi * work * radius**2 / k) ** (1 / 3)
        self.force_unit = np.pi * work * radius
        self.depth_unit = (np.pi**2 * work**2 * radius / k**2) ** (1 / 3)
        # deep enough for all that is asked, and before digits are lost
        self.deep = np.log(1e-4 / (1 + lam) ** 2)
        self.end = self._end(1.0, 1.0 / spring)
        self.x_off = float(self.x(self.end))

    def depth(self, e):
        return self.depth_unit * point(e, self.lam)[2]

    def force(self, e):
        return self.force_unit * point(e, self.lam)[1]

    def x(self, e):
        return self.depth(e) + self.force(e) / self.spring

    def _end(self, of_depth, of_force):
        """Where the branch has its minimum, or runs out (a = 0)."""
        low, high = self.deep, SHALLOW
        for _ in range(12):
            grid = np.linspace(low, high, 400)
            i = int(np.argmin(of_depth * self.depth(grid) + of_force * self.force(grid)))
            low, high = grid[max(i - 1, 0)], grid[min(i + 1, 399)]
        return 0.5 * (low + high)

    def pull_off(self):
        """Under load control."""
        return -float(self.force(self._end(0.0, 1.0)))

    def _solve(self, function, value, end):
        low = np.full(np.shape(value), self.deep)
        high = np.full(np.shape(value), end)
        for _ in range(70):
            middle = 0.5 * (low + high)
            deeper = function(middle) > value
            low, high = np.where(deeper, middle, low), np.where(deeper, high, middle)
        return 0.5 * (low + high)

    def deflection(self, x):
        x = np.asarray(x, float)
        e = self._solve(self.x, np.maximum(x, self.x_off), self.end)
        return np.where(x > self.x_off, self.force(e) / self.spring, 0.0)

    def x_at_force(self, force):
        return float(self.x(self._solve(self.force, np.asarray(force), self.end)))
