"""tanh at the nodes of the table, and the error of cubic Hermite pieces. Usage: make.py > values.csv

Nodes i / 16, i = 0 to 128. Row `error` is the bound h^4 / 384 max|tanh''''| of cubic Hermite
interpolation (any textbook on interpolation), h = 1 / 16; row `end` is 1 - tanh(8).
"""
from mpmath import atanh, diff, mp, mpf, nstr, sqrt, tanh

mp.dps = 40
# tanh'''' = 8 t (1 - t^2) (2 - 3 t^2); its extremes solve 15 t^4 - 15 t^2 + 2 = 0.
squares = [(15 - sqrt(105)) / 30, (15 + sqrt(105)) / 30]
largest = max(abs(8 * sqrt(q) * (1 - q) * (2 - 3 * q)) for q in squares)
check = atanh(sqrt(squares[0]))
assert abs(abs(diff(tanh, check, 4)) - largest) < mpf(10) ** -12
print("term,value")
for i in range(129):
    print(f"{i},{nstr(tanh(mpf(i) / 16), 25, strip_zeros=False)}")
print(f"error,{nstr(largest / 16**4 / 384, 12, strip_zeros=False)}")
print(f"end,{nstr(1 - tanh(mpf(8)), 12, strip_zeros=False)}")
