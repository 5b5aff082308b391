"""Equiripple half-band low-passes. Usage: make.py > values.csv

Vaidyanathan and Nguyen, IEEE Trans. CAS 34(3):297-300, 1987 (from memory): a one-band equiripple
filter of even length 2 m, its taps spread by two, halved, and 1/2 put in the middle. Length
4 m - 1, zero at every other tap. `outer` has m = 16 and its passband ends at 0.205 of the high
rate (0.41 of the low one); `inner` has m = 5 and ends at 0.1025. Terms h1, h3, ... are the taps
that far from the middle; `stop` is the largest gain from 0.5 minus the edge up.
"""
import numpy as np
from scipy.signal import remez

print("filter,term,value")
for name, m, edge in (("outer", 16, 0.205), ("inner", 5, 0.1025)):
    half = remez(2 * m, [0, 2 * edge], [1], fs=1.0, grid_density=64)[m:] / 2
    far = np.arange(1, 2 * m, 2)
    f = np.linspace(0.5 - edge, 0.5, 20001)
    gain = 0.5 + 2 * np.cos(2 * np.pi * np.outer(f, far)) @ half
    for distance, tap in zip(far, half):
        print(f"{name},h{distance},{tap:.15e}")
    print(f"{name},stop,{np.abs(gain).max():.6e}")
