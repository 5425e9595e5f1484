"""Thermal noise of a lever, simulated from its equation of motion; independent of the program.

A damped harmonic oscillator driven by white force is, at the sampling times, exactly an autoregressive
process of order two with a moving average of order one (M. S. Phadke, S. M. Wu, J. Am. Stat. Assoc. 69
(1974) 325). Its autocovariances come from the matrix exponential of the equation of motion, so folding at
the sampling rate is in it. White and 1/f noise of the detector are added.
"""
import numpy as np
from scipy.linalg import expm
from scipy.signal import lfilter

BOLTZMANN = 1.380649e-23


def filter_of(f0, q, rate):
    """(b, a) of the ARMA(2,1) process with unit variance."""
    w0 = 2 * np.pi * f0
    one = expm(np.array([[0, w0], [-w0, -w0 / q]]) / rate)  # state: x, v/w0; covariance is the unit matrix
    c = [1.0, one[0, 0], (one @ one)[0, 0]]
    a = np.array([1.0, -np.trace(one), np.linalg.det(one)])
    r0 = sum(a[i] * a[j] * c[abs(i - j)] for i in range(3) for j in range(3))
    r1 = sum(a[i] * a[j] * c[abs(1 + j - i)] if abs(1 + j - i) < 3 else a[i] * a[j] * (one @ one @ one)[0, 0]
             for i in range(3) for j in range(3))
    total, less = np.sqrt(max(r0 + 2 * r1, 0)), np.sqrt(max(r0 - 2 * r1, 0))
    return np.array([total + less, total - less]) / 2, a


def flicker(shape, rate, at_1hz, rng):
    """1/f noise of one-sided density at_1hz/f, unit^2/Hz, from a spectrum twice as long as the record."""
    n = 2 * shape[1]
    f = np.fft.rfftfreq(n, 1 / rate)
    amplitude = np.zeros_like(f)
    amplitude[1:] = np.sqrt(at_1hz / f[1:] * rate * n / 4)
    out = np.empty(shape)
    for row in out:
        z = amplitude * (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f)))
        row[:] = np.fft.irfft(z, n)[:shape[1]]
    return out


def records(count, n, rate, k, f0, q, temperature=295.0, sensitivity=60e-9, share=0.8174347867013557, white=0.0,
            flicker_at_1hz=0.0, rng=None):
    """[count, n] detector volts of the first mode. white, flicker_at_1hz: V^2/Hz."""
    rng = rng or np.random.default_rng(1)
    b, a = filter_of(f0, q, rate)
    burn = int(20 * q / (np.pi * f0) * rate) + 10
    volts = np.sqrt(share * BOLTZMANN * temperature / k) / sensitivity
    x = volts * lfilter(b, a, rng.standard_normal((count, burn + n)), axis=1)[:, burn:]
    if white:
        x += np.sqrt(white * rate / 2) * rng.standard_normal((count, n))
    if flicker_at_1hz:
        x += flicker((count, n), rate, flicker_at_1hz, rng)
    return x
