"""Critical values of the Cao & Rhinehart R-statistic, by Monte-Carlo.

Made with Python 3 (standard library only), seed 4471, about a minute:
    python3 steady.py > steady.csv
Formula and weights (0.2, 0.1, 0.1) from memory of Cao & Rhinehart 1995. Under steady state the readings
are independent normal ones. The row of `channels` N is the quantile at 0.95**(1/N): N independent
channels at steady state are all below it with 95 % probability.
"""
import random

L1, L2, L3 = 0.2, 0.1, 0.1
rng = random.Random(4471)
values = []
before = filtered = rng.gauss(0, 1)
spread, step = 2 / (2 - L1), 2.0
for k in range(3_000_200):
    x = rng.gauss(0, 1)
    spread = L2 * (x - filtered) ** 2 + (1 - L2) * spread
    filtered = L1 * x + (1 - L1) * filtered
    step = L3 * (x - before) ** 2 + (1 - L3) * step
    before = x
    if k >= 200:
        values.append((2 - L1) * spread / step)
values.sort()
print("channels,critical")
for n in range(1, 17):
    at = 0.95 ** (1 / n) * (len(values) - 1)
    low = int(at)
    print(f"{n},{values[low] + (at - low) * (values[low + 1] - values[low]):.3f}")
