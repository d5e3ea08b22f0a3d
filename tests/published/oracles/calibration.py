"""Offsets of three invented probes in one bath, and a time constant, by numpy and scipy.

Made with Python 3, numpy 2.4.6, scipy 1.17.1:
    python calibration.py > calibration.csv

An offset is the mean of the reference less the probe's block mean, corrected for the probe's lag behind
the bath's drift; its uncertainty and its interval are those of JCGM 100, annex G.
"""
import numpy as np
from scipy import stats

rng = np.random.default_rng(8)
BLOCKS, END, RATE, UNIFORM = 10, 600.0, 0.0004, 0.02
taus, offsets, noise = [6.0, 15.0, 30.0], [0.21, -0.34, 0.05], [0.01, 0.03, 0.02]
# One reading in each two seconds; the last stands at the end of the stretch.
t = np.arange(0.0, END + 1.0, 2.0)
read = [np.round(20 + RATE * (t - tau) + off + s * rng.standard_normal(t.size), 4)
        for tau, off, s in zip(taus, offsets, noise)]
for probe, values in enumerate(read):
    for at, value in zip(t, values):
        print(f"reading,{probe},{float(at)!r},{float(value)!r}")

width = END / BLOCKS
block = np.floor(t / width).astype(int)
means = np.array([[v[block == b].mean() for b in range(BLOCKS)] for v in read])
rate = stats.linregress(np.arange(BLOCKS) * width, means.mean(axis=0)).slope
lagged = means + np.array(taus)[:, None] * rate
differences = lagged.mean(axis=0) - lagged
n = len(taus)
# The time constants are stated, to 30 % (standard).
own = np.sqrt(UNIFORM**2 + (0.3 * np.array(taus) * rate) ** 2)
for probe in range(n):
    d = differences[probe]
    type_a = stats.sem(d)
    others = np.delete(own, probe)
    type_b = np.sqrt((own[probe] * (1 - 1 / n)) ** 2 + np.sum((others / n) ** 2))
    u = np.hypot(type_a, type_b)
    freedom = (BLOCKS - 1) * (u / type_a) ** 4
    half = stats.t.ppf(0.975, freedom) * u
    fit = stats.linregress((np.arange(BLOCKS) + 0.5) * width / 60.0, d)
    cells = [d.mean(), u, freedom, half, fit.slope, stats.t.ppf(0.975, BLOCKS - 2) * fit.stderr]
    print(f"offset,{probe}," + ",".join(repr(float(c)) for c in cells))
print(f"rate,{float(rate * 60)!r}")

# A plunge from 25 °C into ice: what is left of the step falls as exp(-t / tau).
tau, at = 12.0, np.arange(0.0, 300.0, 1.0)
plunge = np.where(at < 30, 25.0, 25.0 * np.exp(-(at - 30) / tau))
plunge = np.round(plunge + 0.02 * rng.standard_normal(at.size), 4)
for when, value in zip(at, plunge):
    print(f"plunge,{float(when)!r},{float(value)!r}")
left = (plunge - 0.0) / 25.0
use = (at >= 30) & (left <= 0.8) & (left > 0.08)
fit = stats.linregress(at[use], np.log(left[use]))
print(f"tau,{float(-1 / fit.slope)!r},{float(fit.stderr / fit.slope**2)!r}")
