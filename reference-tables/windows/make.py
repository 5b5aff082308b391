"""Figures of cosine-sum windows for long records. Usage: make.py > values.csv

Coefficients as printed by Harris 1978, Nuttall 1981 and Heinzel, Rüdiger, Schilling 2002 (HFT70
from memory). Every figure comes from numerical quadrature and search on the window itself, not
from the closed forms it is compared with.
"""
from functools import lru_cache

from mpmath import cos, log10, mp, mpf, nstr, pi
from numpy.polynomial.legendre import leggauss

mp.dps = 30
WINDOWS = {
    "rectangular": "1",
    "hann": "0.5 0.5",
    "hamming": "0.54 0.46",
    "blackman": "0.42 0.5 0.08",
    "exact-blackman": "7938/18608 9240/18608 1430/18608",
    "blackman-harris-3": "0.42323 0.49755 0.07922",
    "blackman-harris-4": "0.35875 0.48829 0.14128 0.01168",
    "nuttall-4b": "0.355768 0.487396 0.144232 0.012604",
    "nuttall-4c": "0.3635819 0.4891775 0.1365995 0.0106411",
    "flat-top": "1 1.933 1.286 0.388 0.0322",
    "hft70": "1 1.90796 1.07349 0.18199",
    "hft95": "1 1.9383379 1.3045202 0.4028270 0.0350665",
    "hft90d": "1 1.942604 1.340318 0.440811 0.043097",
    "hft116d": "1 1.9575375 1.4780705 0.6367431 0.1228389 0.0066288",
    "hft144d": "1 1.96760033 1.57983607 0.81123644 0.22583558 0.02773848 0.00090360",
    "hft169d": "1 1.97441843 1.65409889 0.95788187 0.33673420 0.06364622 0.00521942 0.00010599",
    "hft196d": "1 1.979280420 1.710288951 1.081629853 0.448734314 0.112376628 0.015122992 "
    "0.000871252 0.000011896",
    "hft223d": "1 1.98298997309 1.75556083063 1.19037717712 0.56155440797 0.17296769663 "
    "0.03233247087 0.00324954578 0.00013801040 0.00000132725",
    "hft248d": "1 1.985844164102 1.791176438506 1.282075284005 0.667777530266 0.240160796576 "
    "0.056656381764 0.008134974479 0.000624544650 0.000019808998 0.000000132974",
}


def number(text):
    top, _, bottom = text.partition("/")
    return mpf(top) / mpf(bottom or 1)


def db(x):
    return 20 * log10(abs(x))


def peak_near(f, low, high):
    """Largest |f| on [low, high], f smooth and single-peaked there, by golden section."""
    g = (mp.sqrt(5) - 1) / 2
    a, b = mpf(low), mpf(high)
    c, d = b - g * (b - a), a + g * (b - a)
    for _ in range(80):
        if abs(f(c)) > abs(f(d)):
            b, d = d, c
            c = b - g * (b - a)
        else:
            a, c = c, d
            d = a + g * (b - a)
    return abs(f((a + b) / 2))


def rule(count):
    """Gauss-Legendre on [0, 1/2]: numpy's nodes, polished to full precision by Newton's step."""
    pairs = []
    for guess in leggauss(count)[0]:
        x = mpf(guess)
        for _ in range(3):
            below, here = mpf(1), x
            for n in range(2, count + 1):
                below, here = here, ((2 * n - 1) * x * here - (n - 1) * below) / n
            slope = count * (x * here - below) / (x * x - 1)
            x -= here / slope
        pairs.append(((x + 1) / 4, 1 / (2 * (1 - x * x) * slope**2)))
    return pairs


# Forty cycles of cosine at most on the half record: 120 nodes leave nothing at 30 digits.
RULE = rule(120)

print("window,coherent_gain,noise_bandwidth_bins,deviation_db,sidelobe_db,frequency_variance")
for name, text in WINDOWS.items():
    a = [number(t) for t in text.split()]
    weights = [(u, w, 2 * w * sum(am * cos(2 * pi * m * u) for m, am in enumerate(a))) for u, w in RULE]
    mean = sum(v for _, _, v in weights)

    @lru_cache(maxsize=None)
    def transform(bins):
        return sum(v * cos(2 * pi * bins * u) for u, _, v in weights) / mean

    gain = mean / sum(a)
    bandwidth = sum(v * v / (2 * w) for _, w, v in weights) / mean**2
    deviations = [db(transform(mpf(i) / 100)) for i in range(1, 51)]
    worst = max(range(50), key=lambda i: abs(deviations[i]))
    if worst == 49:
        deviation = deviations[49]
    else:
        # An inner extreme of the ripple: refine it.
        sign = 1 if deviations[worst] > 0 else -1
        f = (lambda v: transform(v)) if sign > 0 else (lambda v: 1 / transform(v))
        deviation = sign * db(peak_near(f, mpf(worst) / 100, mpf(worst + 2) / 100))

    # The first zero: the first change of sign beyond the passband.
    edge = mpf(1) / 2
    while transform(edge + mpf(1) / 16) > mpf(10) ** -25:
        edge += mpf(1) / 16
    highest = mpf(0)
    coarse = [(abs(transform(edge + mpf(i) / 16)), i) for i in range(1, 16 * 24)]
    for (left, _), (here, i), (right, _) in zip(coarse, coarse[1:], coarse[2:]):
        if here >= left and here >= right and here > highest * mpf("0.9"):
            highest = max(highest, peak_near(transform, edge + mpf(i - 1) / 16, edge + mpf(i + 1) / 16))
    linear = sum(u * u * v for u, _, v in weights)
    square = sum(u * u * v * v / (2 * w) for u, w, v in weights)
    variance = square / 12 / linear**2
    figures = [gain, bandwidth, deviation, db(highest), variance]
    print(",".join([name] + [nstr(v, 12, strip_zeros=False) for v in figures]), flush=True)
