"""Frequencies of the 128 keys: 440 * 2^((key - 69) / 12) Hz. Usage: make.py > values.csv"""
from mpmath import mp, mpf, nstr

mp.dps = 40
print("key,hz")
for key in range(128):
    print(f"{key},{nstr(440 * mpf(2) ** (mpf(key - 69) / 12), 20, strip_zeros=False)}")
