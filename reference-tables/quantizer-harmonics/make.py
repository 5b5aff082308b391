"""Harmonics and error power of a sine rounded to whole steps, by numerical integration.
Usage: make.py > values.csv

Gauss-Legendre quadrature of round(A sin t) sin(k t) and of (round(A sin t) - A sin t)^2 over one
quarter of a period, piece by piece between the jumps; the staircase itself is evaluated at every
node. Order 0 is the mean square of the error.
"""
from mpmath import asin, floor, mp, mpf, nstr, pi, quad, sin

mp.dps = 40


def rounded(x):
    return floor(x + mpf(1) / 2)


print("amplitude,order,value")
for text in ["0.4", "0.75", "3.3", "32.768"]:
    a = mpf(text)
    jumps = [asin((j - mpf(1) / 2) / a) for j in range(1, int(floor(a + mpf(1) / 2)) + 1)]
    pieces = [mpf(0), *jumps, pi / 2]

    def integral(f):
        return sum(quad(f, [low, high]) for low, high in zip(pieces, pieces[1:]))

    power = integral(lambda t: (rounded(a * sin(t)) - a * sin(t)) ** 2) * 2 / pi
    print(f"{text},0,{nstr(power, 20, strip_zeros=False)}")
    for k in [1, 3, 5, 7, 9, 11, 31, 101, 301]:
        value = integral(lambda t: rounded(a * sin(t)) * sin(k * t)) * 4 / pi
        print(f"{text},{k},{nstr(value, 20, strip_zeros=False) if jumps else '0.0'}")
