"""Facts of exponential charge and of its coefficient. Usage: make.py > values.csv

Charge and decay are solved from y' = -y/tau by its series, not taken from exp; the times are the
roots of those. `realised-tau` is the time constant of y[n+1] = y[n] + (target - y[n])/tau, found
as the root of (1 - 1/tau)^t = 1/e.
"""
from mpmath import findroot, mp, mpf, nstr

mp.dps = 50


def decay(t):
    """Solution at t of y' = -y, y(0) = 1, by the power series of the equation."""
    term, total, n = mpf(1), mpf(0), 0
    while abs(term) > mpf(10) ** -70:
        total += term
        n += 1
        term *= -t / n
    return total


def time_to(level, guess):
    return findroot(lambda t: decay(t) - level, mpf(guess), tol=mpf(10) ** -60)


def row(name, argument, value):
    print(f"{name},{argument},{nstr(value, 20, strip_zeros=False)}")


print("name,argument,value")
for m in ["0.001", "0.1", "0.5", "1", "2", "3", "4", "5", "6", "7"]:
    row("charged", m, 1 - decay(mpf(m)))
row("db-per-tau", "1", -20 * mp.log10(decay(mpf(1))))
for db in [1, 6, 20, 40, 60, 80, 100]:
    row("taus-to-db", db, time_to(mpf(10) ** (mpf(-db) / 20), mpf(db) / 9))
row("rise", "0.8", time_to(mpf("0.1"), 2) - time_to(mpf("0.9"), 0.1))
for tau in ["1", "2.5", "10", "441", "48000", "4410000"]:
    row("coefficient", tau, 1 - decay(1 / mpf(tau)))
for tau in ["1.5", "2", "10", "441", "48000", "4410000"]:
    t = mpf(tau)
    step = mp.log(1 - 1 / t)
    row("realised-tau", tau, findroot(lambda x: x * step + 1, t, tol=mpf(10) ** -60))
