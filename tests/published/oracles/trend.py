"""Filtered state and variance of a local linear trend, by statsmodels.

Made with Python 3, numpy 2.4.6, scipy 1.17.1, statsmodels 0.15.0:
    python trend.py > trend.csv
The continuous-time trend's exact covariance over one step is put in the place of the model's
diagonal one; a missing step is NaN. The series is seeded and made up.
"""
import numpy as np
from statsmodels.tsa.statespace.structural import UnobservedComponents

NOISE, LEVEL, RATE = 0.04, 0.001, 0.0009  # K², K²/s, (K/s)²/s
STEP = 2.0  # s

rng = np.random.default_rng(20310604)
print("case,step,value,level,rate,level_variance,covariance,rate_variance")
for case in ("even", "missing"):
    n = 80
    rate = np.cumsum(rng.normal(0, np.sqrt(RATE * STEP), n))
    truth = 20 + np.cumsum(rate * STEP + rng.normal(0, np.sqrt(LEVEL * STEP), n))
    y = truth + rng.normal(0, np.sqrt(NOISE), n)
    y = np.array([float(f"{v:.6f}") for v in y])
    if case == "missing":
        gone = rng.random(n) < 0.35
        gone[0] = False
        y[gone] = np.nan
    model = UnobservedComponents(y, "lltrend")
    model.ssm.initialize_known(np.array([20.0, 0.1]), np.array([[0.5, 0.0], [0.0, 0.02]]))
    model.ssm["transition"] = np.array([[1.0, STEP], [0.0, 1.0]])
    model.ssm["selection"] = np.eye(2)
    model.ssm["obs_cov"] = np.array([[NOISE]])
    model.ssm["state_cov"] = np.array([
        [LEVEL * STEP + RATE * STEP**3 / 3, RATE * STEP**2 / 2],
        [RATE * STEP**2 / 2, RATE * STEP],
    ])
    model.ssm.tolerance = 0  # never switch to a converged gain
    out = model.ssm.filter()
    a, p = out.filtered_state, out.filtered_state_cov
    for k in range(n):
        cells = [a[0, k], a[1, k], p[0, 0, k], p[0, 1, k], p[1, 1, k]]
        value = "" if np.isnan(y[k]) else repr(float(y[k]))
        print(f"{case},{k},{value}," + ",".join(repr(float(c)) for c in cells))
