"""What a technician who programs would write himself, for one night or many: the peer of `settled`.

    python script.py [--without-numba] OUT SESSION...

Reads the record of each session (received.csv), decodes the payload bytes, smooths, derives splits,
superheat, subcooling and wet bulb for every second, finds the runs of the compressor and the
stretches in which it had settled, judges each of them, and writes readings.csv, cycles.csv,
sets.csv and findings.csv to OUT/SESSION. All work over rows is done by arrays, as far as pandas,
CoolProp and PsychroLib let one: with numba installed PsychroLib takes arrays, without it one value
at a time.

It does not: tell outliers from steps, tell of lost probes or low batteries, carry probes' lags or
accuracies through to an uncertainty, decode formats but those of the virtual unit, weigh faults
against each other, survive a damaged record, or run in bounded memory. `settled` does.
"""

import sys
from pathlib import Path

if WITHOUT_NUMBA := sys.argv[1] == "--without-numba":
    sys.modules["numba"] = None  # as PsychroLib finds it where only what it requires is installed

import numpy as np
import pandas as pd
import psychrolib
from CoolProp.CoolProp import PropsSI
from scipy import stats

psychrolib.SetUnitSystem(psychrolib.SI)

REFRIGERANT = "R410A"
ATMOSPHERE_PA = 101_325.0
# Which field of which probe sits where, as in the job file of the virtual unit.
PLACES = {
    ("F2:00:00:00:00:01", "temperature"): "return_air_c",
    ("F2:00:00:00:00:01", "humidity"): "return_air_rh",
    ("F2:00:00:00:00:02", "temperature"): "supply_air_c",
    ("F2:00:00:00:00:02", "humidity"): "supply_air_rh",
    ("F2:00:00:00:00:03", "temperature"): "condenser_leaving_air_c",
    ("F2:00:00:00:00:04", "temperature"): "outdoor_air_c",
    ("F2:00:00:00:00:05", "temperature-1"): "suction_line_c",
    ("F2:00:00:00:00:05", "temperature-2"): "liquid_line_c",
    ("F2:00:00:00:00:06", "temperature"): "discharge_line_c",
    ("F2:00:00:00:00:07", "current"): "outdoor_unit_a",
    ("F2:00:00:00:00:08", "pressure"): "suction_line_pa",
    ("F2:00:00:00:00:09", "pressure"): "liquid_line_pa",
}
SMOOTH_S = 15
GAP_S = 15  # a channel silent for longer is unknown
SETTLE_S = 300
RUN_MIN_S = 300
RUNS_AMPERES = (2.0, 4.0)  # off below, on above
# What each channel may drift (a minute) and spread while it counts as settled.
SETTLED = {
    "return_air_c": (0.1, 0.3),
    "supply_air_c": (0.1, 0.3),
    "suction_line_c": (0.1, 0.3),
    "liquid_line_c": (0.1, 0.3),
    "suction_line_pa": (2_000.0, 6_000.0),
    "liquid_line_pa": (4_000.0, 12_000.0),
}
# BTHome v2 objects: bytes, signed, factor, name (None: not needed here). Source: bthome.io/format.
BTHOME = {
    0x00: (1, False, 1, "packet"),
    0x01: (1, False, 1, None),
    0x02: (2, True, 0.01, "temperature"),
    0x03: (2, False, 0.0001, "humidity"),
    0x43: (2, False, 0.001, "current"),
}


def number(payloads, at, size, signed):
    """The little-endian numbers in columns `at` to `at + size` of an array of payloads."""
    columns = np.ascontiguousarray(payloads[:, at : at + size])
    return columns.view(f"<{'i' if signed else 'u'}{size}")[:, 0].astype(float)


def decode(key, payloads):
    """The sequence number (or None) and the fields of payloads of equal length from one probe."""
    if key == "0x2A6E":  # Temperature of the Environmental Sensing Service
        return None, {"temperature": number(payloads, 0, 2, True) * 0.01}
    if key == "0xFFFF":  # the plain format: kind, sequence, battery, values
        kind, sequence = payloads[0, 2], payloads[:, 3]
        if kind == 1:
            fields = {"temperature": number(payloads, 5, 2, True) * 0.01}
        elif kind == 2:
            fields = {f"temperature-{n + 1}": number(payloads, 5 + 2 * n, 2, True) * 0.01 for n in (0, 1)}
        else:
            fields = {"pressure": number(payloads, 5, 4, True) + ATMOSPHERE_PA}
        return sequence, fields
    sequence, fields, at = None, {}, 1  # BTHome: one probe's payloads have the same objects
    while at < payloads.shape[1]:
        size, signed, factor, name = BTHOME[payloads[0, at]]
        values = number(payloads, at + 1, size, signed) * factor
        if name == "packet":
            sequence = values
        elif name:
            fields[name] = values
        at += 1 + size
    return sequence, fields


def channels(record):
    """Every channel of a record as a series of values by time (s)."""
    found = {}
    for (probe, key, _), rows in record.groupby(["probe", "key", record.bytes_hex.str.len()]):
        joined = bytes.fromhex("".join(rows.bytes_hex))
        payloads = np.frombuffer(joined, np.uint8).reshape(len(rows), -1)
        sequence, fields = decode(key, payloads)
        # One measurement that was heard twice counts once, and one that comes late not at all: out
        # of its order it looks like a start or stop.
        new = np.ones(len(rows), bool)
        if sequence is not None:
            steps = np.diff(sequence.astype(int)) % 256
            new[1:] = (steps > 0) & (steps < 128)
        times = rows.elapsed_ms.to_numpy()[new] / 1000.0
        for field, values in fields.items():
            place = PLACES.get((probe, field))
            if place:
                found[place] = pd.Series(values[new], times).sort_index()
    return found


def smooth(series):
    """The median of a few seconds, then their mean."""
    series = series.copy()
    series.index = pd.to_timedelta(series.index, unit="s")
    window = f"{SMOOTH_S}s"
    series = series.rolling(window).median().rolling(window).mean()
    series.index = series.index.total_seconds()
    return series


def on_grid(found, end_s):
    """All channels, smoothed, once a second."""
    grid = pd.DataFrame({"elapsed_s": np.arange(1.0, np.floor(end_s) + 1.0)})
    for place, series in found.items():
        # What a switch makes is not smoothed away.
        values = series if place == "outdoor_unit_a" else smooth(series)
        values = values.rename(place).rename_axis("elapsed_s").reset_index()
        grid = pd.merge_asof(grid, values, on="elapsed_s", tolerance=GAP_S)
    return grid.set_index("elapsed_s")


def saturation_c(pressures, quality):
    """Dew (quality 1) or bubble temperature (quality 0) at each pressure."""
    known = pressures.notna().to_numpy()
    out = np.full(len(pressures), np.nan)
    out[known] = PropsSI("T", "P", pressures.to_numpy()[known], "Q", quality, REFRIGERANT) - 273.15
    return out


def wet_bulb_c(dry_c, humidity):
    known = (dry_c.notna() & humidity.notna()).to_numpy()
    out = np.full(len(dry_c), np.nan)
    dry, humidity = dry_c.to_numpy()[known], humidity.to_numpy()[known].clip(0.0, 1.0)
    wet_bulb = psychrolib.GetTWetBulbFromRelHum
    if not psychrolib.has_numba:
        wet_bulb = np.vectorize(wet_bulb, otypes=[float])
    out[known] = wet_bulb(dry, humidity, np.full(len(dry), ATMOSPHERE_PA))
    return out


def derive(grid):
    grid["evaporator_split_k"] = grid.return_air_c - grid.supply_air_c
    grid["condenser_split_k"] = grid.condenser_leaving_air_c - grid.outdoor_air_c
    grid["superheat_k"] = grid.suction_line_c - saturation_c(grid.suction_line_pa, 1)
    grid["subcooling_k"] = saturation_c(grid.liquid_line_pa, 0) - grid.liquid_line_c
    grid["approach_k"] = grid.liquid_line_c - grid.outdoor_air_c
    grid["return_air_wet_bulb_c"] = wet_bulb_c(grid.return_air_c, grid.return_air_rh)
    grid["supply_air_wet_bulb_c"] = wet_bulb_c(grid.supply_air_c, grid.supply_air_rh)


def cycles(current):
    """Starts and stops (s), half-way between the readings on both sides."""
    low, high = RUNS_AMPERES
    runs = pd.Series(np.where(current > high, 1.0, np.where(current < low, 0.0, np.nan)), current.index)
    runs = runs.ffill().fillna(0.0).to_numpy()
    change, times = np.diff(runs), current.index.to_numpy()
    between = (times[1:] + times[:-1]) / 2
    starts, stops = between[change > 0], between[change < 0]
    if len(stops) and (not len(starts) or stops[0] < starts[0]):
        stops = stops[1:]  # it ran when the record began
    found = pd.DataFrame({"start_s": pd.Series(starts), "stop_s": pd.Series(stops)})
    found["run_s"] = found.stop_s - found.start_s
    found["pause_s"] = found.start_s.shift(-1) - found.stop_s
    return found


def settled(grid, runs):
    """For every second whether all channels had held still for the whole window, in a run."""
    run_s = pd.Series(np.nan, grid.index)
    for run in runs.itertuples():
        stop = grid.index[-1] if np.isnan(run.stop_s) else run.stop_s
        within = grid.index[(grid.index >= run.start_s) & (grid.index <= stop)]
        run_s[within] = within - run.start_s
    holds = run_s >= SETTLE_S + RUN_MIN_S
    seconds = pd.Series(grid.index, grid.index)
    variance_s = seconds.rolling(SETTLE_S).var()
    for place, (drift_max, spread_max) in SETTLED.items():
        window = grid[place].rolling(SETTLE_S)
        drift = 60.0 * window.cov(seconds) / variance_s
        holds &= (drift.abs() <= drift_max) & (window.std() <= spread_max)
    return run_s, holds


def sets(grid, runs, holds):
    """The last window of each run in which all held still: means and their standard errors."""
    rows = []
    for number, run in enumerate(runs.itertuples(), 1):
        stop = grid.index[-1] if np.isnan(run.stop_s) else run.stop_s - 10.0
        held = holds[(grid.index >= run.start_s) & (grid.index <= stop)]
        if not held.any():
            continue
        to_s = held[held].index[-1]
        window = grid.loc[to_s - SETTLE_S : to_s]
        # Neighbours within the smoothing tell the same: fewer readings than rows.
        free = len(window) / SMOOTH_S
        half = stats.t.ppf(0.975, free - 1) * window.std() / np.sqrt(free)
        rows.append({"cycle": number, "from_s": to_s - SETTLE_S, "to_s": to_s}
                    | {name: window[name].mean() for name in grid}
                    | {f"{name}_95": half[name] for name in grid})
    return pd.DataFrame(rows)


def fahrenheit(celsius):
    return celsius * 1.8 + 32.0


def judge(settled_sets):
    """Each set's measures against the trade's rules."""
    rows = []
    for one in settled_sets.itertuples():
        wet_f, outdoor_f = fahrenheit(one.return_air_wet_bulb_c), fahrenheit(one.outdoor_air_c)
        target_k = (3.0 * wet_f - 80.0 - outdoor_f) / 2.0 / 1.8
        expected = {
            "superheat": (one.superheat_k, one.superheat_k_95, target_k - 2.8, target_k + 2.8),
            "subcooling": (one.subcooling_k, one.subcooling_k_95, 3.0, 9.0),
            "evaporator_split": (one.evaporator_split_k, one.evaporator_split_k_95, 8.5, 12.5),
            "condenser_split": (one.condenser_split_k, one.condenser_split_k_95, 8.0, 17.0),
        }
        verdicts = {}
        for measure, (value, half, low, high) in expected.items():
            verdict = "low" if value + half < low else "high" if value - half > high else "ok"
            verdicts[measure] = verdict
            rows.append({"cycle": one.cycle, "measure": measure, "value_k": value, "half_width_k": half,
                         "from_k": low, "to_k": high, "verdict": verdict})
        fault = {("high", "low"): "low charge", ("low", "high"): "over-charge",
                 ("high", "high"): "liquid line restriction"}
        said = fault.get((verdicts["superheat"], verdicts["subcooling"]), "none of the known patterns")
        rows.append({"cycle": one.cycle, "measure": "suspect", "verdict": said})
    return pd.DataFrame(rows)


def session(path, out):
    record = pd.read_csv(path / "received.csv", usecols=["elapsed_ms", "probe", "key", "bytes_hex"],
                         dtype={"elapsed_ms": "int64", "probe": "category", "key": "category"})
    found = channels(record)
    grid = on_grid(found, record.elapsed_ms.iloc[-1] / 1000.0)
    derive(grid)
    runs = cycles(found["outdoor_unit_a"])
    run_s, holds = settled(grid, runs)
    table = sets(grid, runs, holds)
    out.mkdir(parents=True, exist_ok=True)
    state = np.where(holds, "settled", np.where(run_s.notna(), "settling", "off"))
    grid.assign(state=state).round(4).to_csv(out / "readings.csv")
    runs.round(3).to_csv(out / "cycles.csv", index=False)
    table.to_csv(out / "sets.csv", index=False)
    findings = judge(table)
    findings.to_csv(out / "findings.csv", index=False)
    print(f"{path.name}: {len(record)} payloads, {len(grid)} rows, {len(runs)} runs, {len(table)} settled")
    print(findings.tail(5).to_string(index=False))


if __name__ == "__main__":
    results, *names = sys.argv[2:] if WITHOUT_NUMBA else sys.argv[1:]
    for name in names:
        session(Path(name), Path(results) / Path(name).name)
