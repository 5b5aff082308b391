"""Upper-half poles of Bessel low-passes of order 1 to 10, half power at 1 rad/s.
Usage: make.py > values.csv"""
from scipy.signal import besselap

print("order,pair,real,imag")
for order in range(1, 11):
    _, poles, _ = besselap(order, norm="mag")
    upper = sorted((p for p in poles if p.imag >= 0), key=lambda p: -p.real)
    for pair, p in enumerate(upper, 1):
        print(f"{order},{pair},{p.real:.15e},{p.imag:.15e}")
