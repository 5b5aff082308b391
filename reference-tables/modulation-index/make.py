"""Fourier components of 2^(depth sin t): mean, and amplitude at 1 to 3 times the rate.
Usage: make.py > values.csv

By the integral over a cycle (trapezoids, exact to 50 digits for a function this smooth), not by
Bessel functions.
"""
from mpmath import cos, exp, log, mp, mpf, nstr, pi

mp.dps = 60
POINTS = 512
print("depth_octaves,n,ratio")
for depth in "0.001 0.01 0.05 0.1 0.5 1 2 5 10 20".split():
    z = mpf(depth) * log(2)
    for n in range(4):
        total = mpf(0)
        for i in range(POINTS):
            t = 2 * pi * i / POINTS
            # exp(z cos t) is the same wave a quarter cycle early: all its components are cosines.
            total += exp(z * cos(t)) * cos(n * t)
        amplitude = total / POINTS * (1 if n == 0 else 2)
        print(f"{depth},{n},{nstr(amplitude, 20, strip_zeros=False)}")
