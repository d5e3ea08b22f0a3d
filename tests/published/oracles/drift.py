"""A trend over runs, with and without outdoor temperature, by statsmodels.

Made with Python 3, numpy 2.4.6, scipy 1.17.1, statsmodels 0.15.0:
    python drift.py > drift.csv
"""
import numpy as np
import statsmodels.api as sm

rng = np.random.default_rng(4)
n = 14
hour = np.sort(rng.uniform(0, 9, n)).round(3)
outdoor = (24 - 0.8 * hour + rng.normal(0, 1.5, n)).round(2)
value = (9.5 - 0.06 * hour + 0.05 * outdoor + rng.normal(0, 0.1, n)).round(3)
for h, v, o in zip(hour, value, outdoor):
    print(f"run,{float(h * 3600)!r},{float(v)!r},{float(o)!r}")
for columns in ([hour, outdoor], [hour]):
    fit = sm.OLS(value, sm.add_constant(np.column_stack(columns))).fit()
    low, high = fit.conf_int()[1]
    cells = [fit.params[1], fit.bse[1], low, high, fit.pvalues[1]]
    cells += list(fit.params[2:])
    print("fit," + ",".join(repr(float(c)) for c in cells))
