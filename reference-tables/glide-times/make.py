"""Time constants until an exponential glide is within a distance of its end. Usage: make.py > values.csv

Root of interval exp(-t) = within.
"""
from mpmath import exp, findroot, mp, mpf, nstr

mp.dps = 50
print("interval_cents,within_cents,taus")
for interval in [100, 200, 700, 1200, 2400, 6000, 12700]:
    for within in ["50", "5", "1", "0.1", "0.01"]:
        f = lambda t: exp(-t) * interval / mpf(within) - 1
        taus = findroot(f, (0, 16), solver="anderson", tol=mpf(10) ** -80, maxsteps=500)
        print(f"{interval},{within},{nstr(taus, 20, strip_zeros=False)}")
