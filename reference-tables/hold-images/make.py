"""Images of a cosine control updated every R samples, read from the FFT of the sequence itself.
Usage: make.py > values.csv

The sequence is written out sample by sample: held, joined by straight lines, or held and then run
through y += k (value - y) until nothing of its start is left. Lines are the bins of one period,
re the bin of the control.
"""
import numpy as np

PERIODS = 3
COEFFICIENT = 0.05


def sequence(every, updates, fill):
    count = every * updates
    values = [np.cos(2 * np.pi * PERIODS * u / updates) for u in range(updates + 1)]
    out = np.empty(count)
    for n in range(count):
        u, r = divmod(n, every)
        out[n] = values[u] if fill != "interpolated" else values[u] + (values[u + 1] - values[u]) * r / every
    if fill == "smoothed":
        y = 0.0
        for _ in range(3 + int(800 / count)):
            smooth = np.empty(count)
            for n in range(count):
                y += COEFFICIENT * (out[n] - y)
                smooth[n] = y
        out = smooth
    return out


print("every,updates,fill,order,side,ratio")
for every, updates in [(2, 32), (3, 25), (8, 64), (16, 200), (64, 50)]:
    for fill in ["held", "interpolated", "smoothed"]:
        bins = np.abs(np.fft.rfft(sequence(every, updates, fill)))
        for order in range(1, every // 2 + 1):
            if order > 8 and order < every // 2:
                continue
            sides = [("below", -PERIODS)] + ([("above", PERIODS)] if 2 * order < every else [])
            for side, offset in sides:
                ratio = bins[order * updates + offset] / bins[PERIODS]
                print(f"{every},{updates},{fill},{order},{side},{ratio:.12e}")
