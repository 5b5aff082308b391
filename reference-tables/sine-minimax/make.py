"""Odd polynomial of degree 9 nearest to sin(pi x / 2) on [-1, 1]. Usage: make.py > values.csv

Remez exchange on [0, 1] with the basis x, x^3, ..., x^9 and absolute error (Remez 1934; any
textbook on approximation). The basis satisfies the Haar condition on (0, 1], so the error of the
best fit takes its extreme with alternating signs at six points. Row `error` is that extreme.
"""
from mpmath import diff, findroot, lu_solve, matrix, mp, mpf, nstr, pi, sin

mp.dps = 50
POWERS = [1, 3, 5, 7, 9]


def target(x):
    return sin(pi * x / 2)


def fit(points):
    rows = matrix(len(points), len(points))
    values = matrix(len(points), 1)
    for i, x in enumerate(points):
        for j, power in enumerate(POWERS):
            rows[i, j] = x**power
        rows[i, len(POWERS)] = (-1) ** i
        values[i] = target(x)
    return lu_solve(rows, values)


def extremes(error):
    """Local extremes on a grid, refined by golden section; the end point is one of them."""
    grid = [mpf(i) / 2000 for i in range(2001)]
    values = [abs(error(x)) for x in grid]
    found = []
    for i in range(1, 2000):
        if values[i] >= values[i - 1] and values[i] > values[i + 1]:
            found.append(findroot(lambda x: diff(error, x), (grid[i - 1], grid[i + 1]), solver="anderson", tol=mpf(10) ** -60, verify=False))
    return found + [mpf(1)]


count = len(POWERS) + 1
points = [mp.sin(pi * (2 * i + 1) / (4 * count - 2)) for i in range(count - 1)] + [mpf(1)]
for _ in range(20):
    solution = fit(points)
    error = lambda x: target(x) - sum(solution[j] * x**p for j, p in enumerate(POWERS))
    points = extremes(error)
    assert len(points) == count, len(points)
    levels = [abs(error(x)) for x in points]
    if max(levels) - min(levels) < mpf(10) ** -30 * max(levels):
        break
else:
    raise SystemExit("the exchange did not settle")
print("term,value")
for j, power in enumerate(POWERS):
    print(f"x{power},{nstr(solution[j], 25, strip_zeros=False)}")
print(f"error,{nstr(max(levels), 25, strip_zeros=False)}")
