"""Share of the way of a bent stage: the RC charge through (0, 0) and (1, 1). Usage: make.py > values.csv

The quotient of two integrals of exp(-b u), by quadrature, which is a straight line at b = 0.
"""
from mpmath import exp, mp, mpf, nstr, quad

mp.dps = 50
print("bend,position,share")
for bend in "-8 -5 -2.5 -1 -0.001 0 0.001 0.3 1 2.5 5 8".split():
    b = mpf(bend)
    slope = lambda u: exp(-b * u)
    whole = quad(slope, [0, 0.5, 1])
    for position in "0 0.0001 0.1 0.25 0.5 0.75 0.9 0.9999 1".split():
        share = quad(slope, [0, mpf(position) / 2, mpf(position)]) / whole
        print(f"{bend},{position},{nstr(share, 20, strip_zeros=False)}")
