"""The saturating four-pole ladder under one and two sines. Usage: make.py > values.csv

Time in units of the pole's time constant, states in units of the stage's input range:
    dyi = tanh(y(i-1)) - tanh(yi), y0 = x - k y4, x = A sin(w t) or A (sin(0.45 t) + sin(0.55 t))
Steady state by harmonic balance: the orbit is odd about half a period, so samples over half a
period hold its odd orders, d/dt is a matrix, and Newton's method solves for all samples at once.
DOP853 at relative tolerance 2.5e-14 must follow that orbit, and at 1e-9 arrive there from rest.

Rows with a step are what the trapezoidal rule makes of it, prewarped, with that many cycles of the
cutoff per sample. It puts tan(n w T/2) / tan(T/2) in place of n w, and nothing else, so the same
balance holds. Its errors must grow with the square of the step.

One sine: the lines are orders 1, 3, 5, 7 of it. Two: orders 7, 9, 11, 13 of 0.05, where 9 and 11 are
the tones, 7 = 2*9 - 11 and 13 = 2*11 - 9. Levels re A, phases re a sine.
"""
import numpy as np
from scipy.integrate import solve_ivp

STEPS = [0, 1 / 400, 1 / 200]
AMPLITUDES = [0.1, 0.5, 1, 2, 4]
KS = [0, 2, 3.5]
RATIOS = [0.25, 0.5, 1, 2]


def balance(drive, k, base, points, step):
    """Amplitudes of the orders 1, 3, 5... of y4, e^(j n base t), and all states at time 0."""
    orders = np.arange(1 - points, points, 2)
    s = base * orders
    if step:
        s = np.tan(np.pi * step * s) / np.tan(np.pi * step)
    turns = np.pi * np.arange(points) / points
    basis = np.exp(1j * np.outer(turns, orders))
    analysis = basis.conj().T / points
    slope_of = np.real((basis * (1j * s)) @ analysis)
    x, y = drive(turns / base), np.zeros((4, points))
    # The drive is raised in stages, which keeps Newton's method near its solution.
    for share in np.linspace(0.1, 1, 10):
        for _ in range(80):
            t = np.tanh(np.vstack([share * x - k * y[3], y]))
            off, bend = t[:-1] - t[1:] - y @ slope_of.T, 1 - t * t
            # The correction of yi is a + b times that of y4.
            a, b, parts = np.zeros(points), -k * np.eye(points), []
            for i in range(4):
                right = np.column_stack([off[i] + bend[i] * a, bend[i][:, None] * b])
                solved = np.linalg.solve(slope_of + np.diag(bend[i + 1]), right)
                a, b = solved[:, 0], solved[:, 1:]
                parts.append((a, b))
            last = np.linalg.solve(np.eye(points) - b, a)
            change = np.array([a + b @ last for a, b in parts])
            far = np.max(np.abs(change))
            y += min(1, 1 / far) * change if far else 0
            # What is left then is rounding; the next stage, or the check, finds it if not.
            if far < (3e-14 if share == 1 else 1e-3) * max(1, np.max(np.abs(y))) * points**0.5:
                break
        else:
            raise ArithmeticError(f"k {k}, base {base}, step {step}: off by {far}")
    return 2 * (analysis @ y[3])[points // 2 :], y[:, 0]


def confirm(drive, k, base, lines, start):
    """Both integrations, which know of no Fourier series."""

    def slope(t, y):
        u = np.tanh([drive(t) - k * y[3], *y])
        return u[:-1] - u[1:]

    def run(end, y, tolerance, **more):
        return solve_ivp(slope, (0, end), y, "DOP853", rtol=tolerance, atol=0.01 * tolerance, **more)

    orders = np.arange(1, 2 * len(lines), 2)
    # Internal steps only: dense output would be of seventh order.
    orbit = run(2 * np.pi / base, start, 2.5e-14)
    wave = np.real(np.exp(1j * base * np.outer(orbit.t, orders)) @ lines)
    assert np.max(np.abs(orbit.y[3] - wave)) < 2e-11, np.max(np.abs(orbit.y[3] - wave))
    periods = np.ceil((40 * max(1, np.abs(lines[0])) + 200 * k) * base / (2 * np.pi))
    arrived = run(periods * 2 * np.pi / base, np.zeros(4), 1e-9).y[:, -1]
    assert np.max(np.abs(arrived - start)) < 1e-6, np.abs(arrived - start)


def rows(drive, k, base, points, amplitude, picked):
    """What is printed: step, levels and phases of the picked lines."""

    def at(step, points):
        if step:
            points = min(points, int(0.5 / (step * base)))
        lines, start = balance(drive, k, base, points - points % 2, step)
        return lines, start, lines[picked] * 1j / amplitude

    lines, start, exact = at(0, points)
    confirm(drive, k, base, lines, start)
    # Rounding of the loop input, summed up; lines are re A.
    floor = 5e-16 * (1 + k * np.max(np.abs(exact)))
    finer = at(0, points * 5 // 4)[2]
    assert np.all(np.abs(finer - exact) < floor + 1e-10 * np.abs(exact)), finer / exact - 1
    yield 0, exact
    ruled = [at(step, points)[2] for step in STEPS[1:]]
    near, far = (values - exact for values in ruled)
    # The next order is the square of the phase of the line per step, times a Q of up to 15.
    next_order = 0.03 * np.abs(far) + 1e-4 * np.abs(near) + 5 * floor
    assert np.all(np.abs(far - 4 * near) < next_order), np.abs(far - 4 * near) / next_order
    yield from zip(STEPS[1:], ruled)


def show(tones, ratio, amplitude, k, step, lines):
    levels = ",".join(f"{20 * np.log10(abs(line)):.7f}" for line in lines)
    phases = ",".join(f"{np.angle(line):.8f}" for line in lines)
    print(f"{tones},{ratio:g},{amplitude:g},{k:g},{step:g},{levels},{phases}", flush=True)


names = ["first", "second", "third", "fourth"]
columns = [f"{name}_db" for name in names] + [f"{name}_rad" for name in names]
print(",".join(["tones,ratio,amplitude,k,step", *columns]))
for tones, ratios, points, picked in [(1, RATIOS, 128, slice(0, 4)), (2, [0.05], 1200, slice(3, 7))]:
    for ratio in ratios:
        orders = [1] if tones == 1 else [9, 11]
        for k in KS:
            for amplitude in AMPLITUDES:

                def drive(t):
                    return amplitude * sum(np.sin(order * ratio * t) for order in orders)

                for step, lines in rows(drive, k, ratio, points, amplitude, picked):
                    show(tones, ratio, amplitude, k, step, lines)
