"""Self-oscillation of the saturating four-pole ladder. Usage: make.py > values.csv

Time in units of the pole's time constant, states in units of the stage's input range:
    single: dy1 = tanh(-k y4) - y1,       dyi = y(i-1) - yi
    every:  dy1 = tanh(-k y4) - tanh(y1), dyi = tanh(y(i-1)) - tanh(yi)
The closed orbit is found by Newton's method on the return map, integrated with DOP853, and the
harmonics of y4 by a discrete Fourier transform over one period. A harmonic-balance solution, which
integrates nothing, must give the same figures.
"""
import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import fsolve

KS = [4.05, 4.2, 4.5, 5.0, 6.0, 8.0]
POINTS = 1024


def field(model, k):
    bend = np.tanh if model == "every" else lambda y: y

    def slope(_, y):
        s = bend(y)
        return [np.tanh(-k * y[3]) - s[0], s[0] - s[1], s[1] - s[2], s[2] - s[3]]

    return slope


def run(slope, start, end, **more):
    return solve_ivp(slope, (0, end), start, method="DOP853", rtol=2.5e-14, atol=1e-16, **more)


def orbit(model, k):
    """Period and samples of y4 over one period, from a rising zero of y4."""
    slope = field(model, k)
    crossing = lambda t, y: y[3]
    crossing.direction = 1
    long = run(slope, [0, 0, 0.1, 0], 400 * 2 * np.pi / 10, events=crossing)
    start, guess = long.y_events[0][-1], np.diff(long.t_events[0])[-1]

    def back(v):
        # Unknown: y1, y2, y3 on the section y4 = 0, and the period.
        return run(slope, [v[0], v[1], v[2], 0.0], v[3]).y[:, -1] - [v[0], v[1], v[2], 0.0]

    v = np.array([*start[:3], guess])
    for _ in range(12):
        off = back(v)
        jacobian = np.empty((4, 4))
        for i in range(4):
            h = 1e-6 * max(abs(v[i]), 0.1)
            ahead, behind = v.copy(), v.copy()
            ahead[i] += h
            behind[i] -= h
            jacobian[:, i] = (back(ahead) - back(behind)) / (2 * h)
        step = np.linalg.solve(jacobian, off)
        v -= step
        if np.max(np.abs(step)) < 2e-14:
            break
    # Sampled by integrating from point to point: dense output would only be of seventh order.
    y, samples = np.array([v[0], v[1], v[2], 0.0]), np.empty(POINTS // 8)
    for n in range(len(samples)):
        samples[n] = y[3]
        y = run(slope, y, v[3] / len(samples)).y[:, -1]
    return v[3], samples


def balance(model, k, omega, first):
    """The same by harmonic balance: odd Fourier coefficients of y4 and omega, cosine phase."""
    orders = np.arange(1, 32, 2)
    turn = 2 * np.pi * np.arange(POINTS) / POINTS
    basis = np.exp(1j * np.outer(turn, orders))

    def wave(c):
        return np.real(basis @ c)

    def coefficients(x):
        return 2 * np.conj(basis).T @ x / POINTS

    def residual(v):
        w = v[0]
        c = np.concatenate([[v[1] + 0j], v[2::2] + 1j * v[3::2]])
        s = 1j * orders * w
        if model == "single":
            for_u = c * (1 + s) ** 4
        else:
            # Walk up the chain: tanh(y(i-1)) = dyi + tanh(yi).
            y = c
            for _ in range(3):
                push = wave(s * y) + np.tanh(wave(y))
                y = coefficients(np.arctanh(push))
            for_u = s * y + coefficients(np.tanh(wave(y)))
        off = for_u - coefficients(np.tanh(-k * wave(c)))
        return np.concatenate([[off[0].real, off[0].imag], *[[o.real, o.imag] for o in off[1:]]])

    start = np.zeros(2 * len(orders))
    start[0], start[1] = omega, first
    v, _, found, note = fsolve(residual, start, xtol=1e-15, full_output=True)
    c = np.concatenate([[v[1] + 0j], v[2::2] + 1j * v[3::2]])
    assert np.max(np.abs(residual(v))) < 1e-12, (note, np.max(np.abs(residual(v))))
    return abs(v[0]), np.abs(c)


print("model,k,frequency_ratio,amplitude,third_dbc,fifth_dbc")
for model in ["single", "every"]:
    for k in KS:
        period, samples = orbit(model, k)
        lines = np.abs(np.fft.rfft(samples)) * 2 / len(samples)
        omega = 2 * np.pi / period
        other, check = balance(model, k, omega, lines[1])
        third, fifth = (20 * np.log10(lines[n] / lines[1]) for n in (3, 5))
        assert abs(other / omega - 1) < 1e-11, (model, k, other, omega)
        assert abs(check[0] / lines[1] - 1) < 1e-10, (model, k, check[0], lines[1])
        assert abs(20 * np.log10(check[1] / check[0]) - third) < 1e-5
        assert abs(20 * np.log10(check[2] / check[0]) - fifth) < 1e-2
        # The fifth harmonic lies close to the integrator's own error; balance has no integrator.
        fifth = 20 * np.log10(check[2] / check[0])
        print(f"{model},{k:g},{omega:.10f},{lines[1]:.9f},{third:.5f},{fifth:.4f}", flush=True)
