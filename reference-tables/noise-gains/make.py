"""Gain of rounding noise to a low-pass output, dB re one source. Usage: make.py > values.csv

Sample rate 48 kHz. Every filter has the poles of its own structure for that cutoff and Q: prewarped
bilinear for direct, coupled and trapezoidal, f = 2 sin(pi fc/fs) for the classic loop. The
covariance of the states comes from scipy's discrete Lyapunov solver.

direct:      one rounding, of the sum that becomes the output
coupled:     both states rounded, output one of them
trapezoidal: both states rounded, output lp
classic:     both states rounded, output lp, which bp takes as rounded
"""
import numpy as np
from scipy.linalg import solve_discrete_lyapunov

RATE = 48000.0


def structures(fc, q):
    g = np.tan(np.pi * fc / RATE)
    d = 1 + g / q + g * g
    a1, a2 = 2 * (g * g - 1) / d, (1 - g / q + g * g) / d
    yield "direct", np.array([[-a1, -a2], [1, 0]]), np.diag([1.0, 0.0]), np.array([1.0, 0.0])

    root = np.roots([1, a1, a2])[0]
    if abs(root.imag) > 0:
        re, im = root.real, root.imag
        yield "coupled", np.array([[re, -im], [im, re]]), np.eye(2), np.array([1.0, 0.0])

    # v1 = g hp, hp = -((1/q + g) s1 + s2) / d; s1' = s1 + 2 v1; s2' = s2 + 2 g bp; lp = s2 + g bp.
    v1 = -g * np.array([1 / q + g, 1.0]) / d
    bp = v1 + [1.0, 0.0]
    lp = g * bp + [0.0, 1.0]
    yield "trapezoidal", np.array([[1.0, 0.0] + 2 * v1, [0.0, 1.0] + 2 * g * bp]), np.eye(2), lp

    # lp' = lp + f bp; bp' = bp + f (-lp' - bp/q): states bp, lp. An error of lp' reaches bp'.
    f = 2 * np.sin(np.pi * fc / RATE)
    a = np.array([[1 - f / q - f * f, -f], [f, 1.0]])
    enter = np.array([[1.0, -f], [0.0, 1.0]])
    yield "classic", a, enter @ enter.T, np.array([0.0, 1.0])


print("fc_hz,q,structure,gain_db")
for fc in [20.0, 100.0, 1000.0, 5000.0]:
    for q in [np.sqrt(0.5), 10.0]:
        for name, a, sources, out in structures(fc, q):
            covariance = solve_discrete_lyapunov(a, sources, method="direct")
            print(f"{fc:g},{q:.17g},{name},{10 * np.log10(out @ covariance @ out):.9f}")
