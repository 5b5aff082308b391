"""Figures and responses of the linear four-pole ladder. Usage: make.py > values.csv

H(s) = 1 / ((1 + s)^4 + k), frequencies as multiples of the pole frequency. Poles come from a
polynomial root finder and peaks and half-power points from a search on |H| itself, not from the
closed forms they are compared with.
"""
from mpmath import arg, diff, findroot, log10, mp, mpc, mpf, nstr, polyroots

mp.dps = 40
KS = "0 0.25 0.5 1 2 3 3.5 3.9 3.99 3.999".split()
RATIOS = "0.001 0.01 0.1 0.3 0.5 0.7 0.9 0.99 0.999 1 1.001 1.01 1.1 1.5 2 3 10 100 1000".split()


def response(k, ratio):
    s = mpc(0, ratio)
    return 1 / (s**4 + 4 * s**3 + 6 * s**2 + 4 * s + 1 + k)


def db(x):
    return 20 * log10(abs(x))


def peak(k):
    """The inner maximum of |H|, or None: the change of sign of its slope on a fine grid."""

    def slope(x):
        return diff(lambda u: abs(response(k, u)), x)

    grid = [mpf(i) / 400 for i in range(1, 600)]
    for low, high in zip(grid, grid[1:]):
        if slope(low) > 0 >= slope(high):
            return findroot(slope, (low, high), solver="anderson", tol=mpf(10) ** -50)
    return None


def row(k, figure, ratio, value):
    print(f"{k},{figure},{ratio},{nstr(value, 20, strip_zeros=False)}", flush=True)


print("k,figure,ratio,value")
for text in KS:
    k = mpf(text)
    row(text, "dc_db", 0, db(response(k, 0)))
    top = peak(k)
    if top is not None:
        row(text, "peak_ratio", 0, top)
        row(text, "peak_db", 0, db(response(k, top)))
    if k > 0:
        poles = polyroots([1, 4, 6, 4, 1 + k], maxsteps=500, extraprec=400)
        pole = max(poles, key=lambda p: (p.real, p.imag))
        row(text, "pole_ratio", 0, abs(pole))
        row(text, "quality", 0, -abs(pole) / (2 * pole.real))
    half = abs(response(k, 0)) / mp.sqrt(2)
    start = mpf(1) / 100 if top is None else top
    edge = findroot(lambda x: abs(response(k, x)) - half, (start, start + 1), solver="anderson", tol=mpf(10) ** -60)
    row(text, "half_power_ratio", 0, edge)
    for ratio in RATIOS:
        value = response(k, mpf(ratio))
        row(text, "magnitude_db", ratio, db(value))
        row(text, "phase_rad", ratio, arg(value))
