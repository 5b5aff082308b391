"""J_0..J_10 at modulation indices from 0.01 to 20, by mpmath's series. Usage: make.py > values.csv"""
from mpmath import besselj, mp, mpf, nstr

mp.dps = 40
BETAS = "0.01 0.1 0.5 1 2 3 5 10 15 20".split()
print("order,beta,j")
for beta in BETAS:
    for order in range(11):
        print(f"{order},{beta},{nstr(besselj(order, mpf(beta)), 15, strip_zeros=False)}")
