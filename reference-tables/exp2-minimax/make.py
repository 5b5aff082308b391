"""Polynomials of degree 1 to 7 nearest to 2^x on [0, 1] in relative error. Usage: make.py > values.csv

Remez exchange on the weighted error p(x) 2^-x - 1 (Remez 1934; Hart et al., Computer
Approximations, 1968, for the problem). Row `error` of each degree is the equal extreme.
"""
from mpmath import diff, findroot, lu_solve, matrix, mp, mpf, nstr, pi

mp.dps = 50


def fit(degree, points):
    rows = matrix(degree + 2, degree + 2)
    values = matrix(degree + 2, 1)
    for i, x in enumerate(points):
        for j in range(degree + 1):
            rows[i, j] = x**j * mpf(2) ** -x
        rows[i, degree + 1] = (-1) ** i
        values[i] = 1
    return lu_solve(rows, values)


def extremes(error):
    grid = [mpf(i) / 1000 for i in range(1001)]
    values = [abs(error(x)) for x in grid]
    found = [mpf(0)]
    for i in range(1, 1000):
        if values[i] >= values[i - 1] and values[i] > values[i + 1]:
            found.append(findroot(lambda x: diff(error, x), (grid[i - 1], grid[i + 1]), solver="anderson", tol=mpf(10) ** -60, verify=False))
    return found + [mpf(1)]


print("degree,term,value")
for degree in range(1, 8):
    points = [(1 - mp.cos(pi * i / (degree + 1))) / 2 for i in range(degree + 2)]
    for _ in range(20):
        c = fit(degree, points)
        error = lambda x: sum(c[j] * x**j for j in range(degree + 1)) * mpf(2) ** -x - 1
        points = extremes(error)
        assert len(points) == degree + 2, (degree, len(points))
        levels = [abs(error(x)) for x in points]
        if max(levels) - min(levels) < mpf(10) ** -30 * max(levels):
            break
    else:
        raise SystemExit("the exchange did not settle")
    for j in range(degree + 1):
        print(f"{degree},x{j},{nstr(c[j], 25, strip_zeros=False)}")
    print(f"{degree},error,{nstr(max(levels), 25, strip_zeros=False)}")
