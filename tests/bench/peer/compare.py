"""Whether `settled` and the peer say the same of a session: python compare.py SESSION PEER_OUT.

Both smooth, each in its own way, so rows are compared where both call the unit settled: there the
median difference must be small, and nine in ten rows nearly so. Fails where they do not agree.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

# Column of `settled`, of the peer, factor to SI, offset before it, and the largest median and
# 90 % difference (K). Probes scatter by 0.03 to 0.04 K; pressures by what is 0.02 to 0.05 K.
COLUMNS = [
    ("superheat_delta_f", "superheat_k", 0.0, 0.06, 0.15),
    ("subcooling_delta_f", "subcooling_k", 0.0, 0.06, 0.15),
    ("evaporator_split_delta_f", "evaporator_split_k", 0.0, 0.06, 0.15),
    ("return_air_wet_bulb_f", "return_air_wet_bulb_c", 32.0, 0.06, 0.15),
    ("supply_air_wet_bulb_f", "supply_air_wet_bulb_c", 32.0, 0.06, 0.15),
]
START_S_MAX = 3.0  # half an interval, and up to four readings that were lost in a row


def main(session, peer):
    ours, theirs = pd.read_csv(session / "readings.csv"), pd.read_csv(peer / "readings.csv")
    ours.index = ours.elapsed_ms // 1000
    theirs.index = theirs.elapsed_s.astype(int)
    both = ours.index[ours.state == "settled"].intersection(theirs.index[theirs.state == "settled"])
    agree = len(both) > 600
    print(f"{len(both)} rows are settled to both, of {(ours.state == 'settled').sum()} to settled, "
          f"{(theirs.state == 'settled').sum()} to the peer")
    for mine, other, offset, median_max, most_max in COLUMNS:
        apart = ((ours[mine][both] - offset) / 1.8 - theirs[other][both]).abs()
        median, most = apart.median(), apart.quantile(0.9)
        good = median <= median_max and most <= most_max
        agree &= good
        print(f"{other}: apart by {median:.3f} K (median), {most:.3f} K (90 %){'' if good else ': TOO FAR'}")
    starts = pd.read_csv(session / "cycles.csv").start_s.dropna().to_numpy()
    other_starts = pd.read_csv(peer / "cycles.csv").start_s.dropna().to_numpy()
    if len(starts) != len(other_starts):
        print(f"{len(starts)} starts and {len(other_starts)}: NOT THE SAME")
        return False
    farthest = np.abs(starts - other_starts).max()
    print(f"{len(starts)} starts, apart by at most {farthest:.2f} s")
    return agree and farthest <= START_S_MAX


if __name__ == "__main__":
    sys.exit(0 if main(Path(sys.argv[1]), Path(sys.argv[2])) else 1)
