"""Time constants from 0 to 1 of a charge toward an overshoot target. Usage: make.py > values.csv

Root of a (1 - exp(-t)) = 1.
"""
from mpmath import exp, findroot, mp, mpf, nstr

mp.dps = 50
print("overshoot,taus")
for a in "1.01 1.1 1.2 1.3 1.5 1.582 2 3 5 10 100".split():
    a_ = mpf(a)
    taus = findroot(lambda t: a_ * (1 - exp(-t)) - 1, (mpf(1) / 1000, 8), solver="anderson", tol=mpf(10) ** -80, maxsteps=500)
    print(f"{a},{nstr(taus, 20, strip_zeros=False)}")
