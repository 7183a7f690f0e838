#!/usr/bin/env python3
"""Works out the factors in `dsp/src/engine/delay_line.rs` with which a gliding delay reads between samples.

    python3 dsp/design/glide_points.py

Between the samples at -1/2 and 1/2 runs a straight line plus
(t^2 - 1/4)(a1 s1 + a2 s2 + a3 s3 + t (b1 d1 + b2 d2 + b3 d3)), s and d the
sums and differences of the samples 1/2, 3/2 and 5/2 away. Least squares over
t and frequency; a1 + a2 + a3 = 0, so that a constant stays one. Prints the
factors and the largest error by frequency. Needs numpy.
"""

import numpy as np

RATE_HZ = 48000.0
HIGHEST_OF_RATE = 0.21
AWAY = np.array([0.5, 1.5, 2.5])

t = np.linspace(-0.5, 0.5, 41)
bend = t**2 - 0.25


def phases(f):
    return 2 * np.pi * np.atleast_1d(f)[:, None]


def fit():
    f = np.linspace(0.001, HIGHEST_OF_RATE, 120)
    w = phases(f)
    weight = np.repeat(1 / f, len(t))
    even = (np.cos(w * t) - np.cos(w / 2)).ravel()
    odd = (np.sin(w * t) - 2 * t * np.sin(w / 2)).ravel()
    sums = np.stack([(2 * np.cos(w * k) * bend).ravel() for k in AWAY], 1)
    differences = np.stack([(2 * np.sin(w * k) * bend * t).ravel() for k in AWAY], 1)
    free = np.array([[1, 0], [0, 1], [-1, -1]])
    a = free @ np.linalg.lstsq(weight[:, None] * sums @ free, weight * even, rcond=None)[0]
    b = np.linalg.lstsq(weight[:, None] * differences, weight * odd, rcond=None)[0]
    a, b = np.round(a, 4), np.round(b, 4)
    a[1] = -a[0] - a[2]
    return a, b


def error_db(a, b, hz):
    w = phases(hz / RATE_HZ)
    even = np.cos(w / 2) + bend * (2 * np.cos(w * AWAY) @ a)[:, None] - np.cos(w * t)
    odd = 2 * t * np.sin(w / 2) + bend * t * (2 * np.sin(w * AWAY) @ b)[:, None] - np.sin(w * t)
    return 20 * np.log10(np.abs(even + 1j * odd).max())


a, b = fit()
print("on sums", a, "on differences", b)
for hz in (250, 1000, 3000, 6000, 8000, 10000, 12000):
    print(f"{hz} Hz: {error_db(a, b, hz):.1f} dB")
