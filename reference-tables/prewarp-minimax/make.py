"""Polynomials for the coefficients of first-order sections. Usage: make.py > values.csv

Best relative fits on -1 <= y <= 0.8, where y = 4 x - 1 and x is the cutoff in cycles per sample,
0 to 0.45. Function `prewarp` is G / x with G = tan(pi x) / (1 + tan(pi x)), degree 10; `decay` is
(1 - exp(-2 pi x)) / x, degree 7. Remez exchange (Remez 1934; any textbook on approximation).
Term `error` is the largest relative error of each.
"""
from mpmath import cos, exp, lu_solve, matrix, mp, mpf, nstr, pi, tan

mp.dps = 50
LOW, HIGH = mpf(-1), mpf("0.8")


def prewarp(y):
    return pi if y == -1 else 2 * (1 + tan(pi * y / 4)) / (1 + y)


def decay(y):
    return 2 * pi if y == -1 else 4 * (1 - exp(-pi * (1 + y) / 2)) / (1 + y)


def solve(target, degree, points):
    rows = matrix(degree + 2, degree + 2)
    values = matrix(degree + 2, 1)
    for i, y in enumerate(points):
        for j in range(degree + 1):
            rows[i, j] = y**j
        rows[i, degree + 1] = (-1) ** i * target(y)
        values[i] = target(y)
    return lu_solve(rows, values)


def peak(error, low, high):
    """Largest |error| between two points that enclose one extreme: golden section."""
    ratio = (mp.sqrt(5) - 1) / 2
    for _ in range(120):
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        low, high = (low, b) if abs(error(a)) > abs(error(b)) else (a, high)
    return (low + high) / 2


def exchange(target, degree):
    count = degree + 2
    points = [(LOW + HIGH) / 2 - (HIGH - LOW) / 2 * cos(pi * i / (count - 1)) for i in range(count)]
    for _ in range(20):
        solution = solve(target, degree, points)
        error = lambda y: 1 - sum(solution[j] * y**j for j in range(degree + 1)) / target(y)
        grid = [LOW + (HIGH - LOW) * i / 1000 for i in range(1001)]
        values = [error(y) for y in grid]
        inner = [i for i in range(1, 1000) if abs(values[i]) >= max(abs(values[i - 1]), abs(values[i + 1]))]
        points = [LOW] + [peak(error, grid[i - 1], grid[i + 1]) for i in inner] + [HIGH]
        assert len(points) == count, len(points)
        levels = [abs(error(y)) for y in points]
        if max(levels) - min(levels) < mpf(10) ** -18 * max(levels):
            return solution, max(levels)
    raise SystemExit("the exchange did not settle")


print("function,term,value")
for target, degree in ((prewarp, 10), (decay, 7)):
    solution, error = exchange(target, degree)
    for j in range(degree + 1):
        print(f"{target.__name__},y{j},{nstr(solution[j], 20, strip_zeros=False)}")
    print(f"{target.__name__},error,{nstr(error, 10, strip_zeros=False)}")
