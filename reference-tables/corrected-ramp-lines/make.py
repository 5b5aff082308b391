"""Lines of a ramp smoothed by n boxes of one sample, from its samples. Usage: make.py > values.csv

The samples come from the time domain only: differentiated polynomials of order n + 1 with the
simple scaling, p_N as printed by Välimäki et al., IEEE TASLP 18(4), 2010, evaluated with 80
digits at phases 3/10 + t M/N. A plain radix-2 transform of the samples gives the lines. The closed
form that the table is held against is not used.
"""
from mpmath import cospi, factorial, mp, mpc, mpf, nstr, sinpi

mp.dps = 80
SAMPLES, PERIODS = 1024, 137
START = mpf(3) / 10
POLYNOMIALS = {
    2: lambda s: s**2,
    3: lambda s: s**3 - s,
    4: lambda s: s**4 - 2 * s**2,
    5: lambda s: s**5 - 10 * s**3 / 3 + 7 * s / 3,
    6: lambda s: s**6 - 5 * s**4 + 7 * s**2,
}


def transform(x):
    if len(x) == 1:
        return x
    even, odd = transform(x[0::2]), transform(x[1::2])
    half = len(x) // 2
    turned = [mpc(cospi(mpf(k) / half), -sinpi(mpf(k) / half)) * odd[k] for k in range(half)]
    return [e + o for e, o in zip(even, turned)] + [e - o for e, o in zip(even, turned)]


def ramp(order):
    increment = mpf(PERIODS) / SAMPLES
    values = []
    for t in range(SAMPLES):
        phase = START + t * increment
        values.append(POLYNOMIALS[order](2 * (phase - mp.floor(phase)) - 1))
    for _ in range(order - 1):
        # The record holds whole periods, so the sample before the first is the last.
        values = [values[t] - values[t - 1] for t in range(SAMPLES)]
    scale = (1 / (2 * increment)) ** (order - 1) / factorial(order)
    return [scale * v for v in values]


columns = []
for n in range(1, 6):
    bins = transform([mpc(v) for v in ramp(n + 1)])
    columns.append([2 * abs(bins[k * PERIODS % SAMPLES]) / SAMPLES for k in range(SAMPLES // 2)])
print("order,n1,n2,n3,n4,n5")
for k in range(1, SAMPLES // 2):
    print(",".join([str(k)] + [nstr(column[k], 30, strip_zeros=False) for column in columns]))
