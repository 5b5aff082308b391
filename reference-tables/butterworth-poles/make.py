"""Upper-half poles of Butterworth low-passes of order 1 to 10. Usage: make.py > values.csv"""
from scipy.signal import buttap

print("order,pair,real,imag")
for order in range(1, 11):
    _, poles, _ = buttap(order)
    upper = sorted((p for p in poles if p.imag >= 0), key=lambda p: -p.real)
    for pair, p in enumerate(upper, 1):
        print(f"{order},{pair},{p.real:.15e},{p.imag:.15e}")
