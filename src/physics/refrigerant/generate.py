#!/usr/bin/env python3
"""Makes the refrigerant tables in `tables/` from the open property library CoolProp.

    python3 -m venv venv && venv/bin/pip install coolprop==8.0.0 numpy==2.4.6
    venv/bin/python src/physics/refrigerant/generate.py

How:
- Each saturation curve is sampled at given quality every half kelvin; flashes that fail are left
  out. Properties come from the sampled density with the phase imposed, which cannot land on the
  other phase.
- The curves are Chebyshev series in x, linear in theta = sqrt(ln(scale / p)) with `scale` at the
  critical pressure or a little above the range: near the critical point a property bends like the
  square root of the distance, and is smooth in theta.
- Superheated vapour is a Chebyshev product in (x, y), y linear in s / (s + S0) for s K above dew,
  sampled with the gas phase imposed.
- Samples far off a first fit are rejected and the fit is made again; more than a few stop the run.

- The way back from temperature is a series too: x of the curve in z, linear in
  sqrt(hottest - t), with `hottest` at the critical temperature or a little above the range.

It prints the worst departure of each fit from the library, which is what the tests' bounds rest on.
"""

import math
import os
import sys

import CoolProp
import numpy as np
from numpy.polynomial import chebyshev

VERSION = "8.0.0"
SATURATION_TERMS = 12
VAPOR_TERMS_P = 12
VAPOR_TERMS_S = 10
SUPERHEAT_MAX = 130.0  # K
S0 = 40.0  # K, where the superheat scale turns from linear to saturating
T_LOW = -50.0  # dew temperature at the lowest pressure, deg C
T_HIGH = 75.0  # highest dew temperature, deg C
CRITICAL_MARGIN = 2.5  # K below the critical point

# file and constant, name, name in the library, safety class (ANSI/ASHRAE 34)
FLUIDS = [
    ("r22", "R-22", "R22", "A1"),
    ("r32", "R-32", "R32", "A2L"),
    ("r134a", "R-134a", "R134a", "A1"),
    ("r290", "R-290", "R290", "A3"),
    ("r404a", "R-404A", "R404A", "A1"),
    ("r407a", "R-407A", "R407A.mix", "A1"),
    ("r407c", "R-407C", "R407C", "A1"),
    ("r410a", "R-410A", "R410A", "A1"),
    ("r421a", "R-421A", "R421A.mix", "A1"),
    ("r422d", "R-422D", "R422D.mix", "A1"),
    ("r427a", "R-427A", "R427A.mix", "A1"),
    ("r448a", "R-448A", "R448A.mix", "A1"),
    ("r449a", "R-449A", "R449A.mix", "A1"),
    ("r452b", "R-452B", "R452B.mix", "A2L"),
    ("r454b", "R-454B", "R454B.mix", "A2L"),
    ("r507a", "R-507A", "R507A", "A1"),
    ("r513a", "R-513A", "R513A.mix", "A1"),
    ("r600a", "R-600a", "R600a", "A3"),
    ("r1234yf", "R-1234yf", "R1234yf", "A2L"),
]

CURVES = ["bubble_c", "dew_c", "liquid_h", "liquid_s", "liquid_rho", "liquid_1_cp", "liquid_dh_dp",
          "vapor_1_cp"]


def state(name):
    return CoolProp.AbstractState("HEOS", name)


def sample_saturation(name, quality):
    """Rows of t (deg C), p (Pa), h, s, rho, cp, (dh/dp) at constant t, at this quality."""
    flash, phase = state(name), state(name)
    rows = []
    for t in np.arange(T_LOW - 10.0, T_HIGH + 5.0, 0.5):
        try:
            flash.update(CoolProp.QT_INPUTS, quality, t + 273.15)
            rho, p = flash.rhomass(), flash.p()
            phase.specify_phase(CoolProp.iphase_gas if quality else CoolProp.iphase_liquid)
            phase.update(CoolProp.DmassT_INPUTS, rho, t + 273.15)
            slope = phase.first_partial_deriv(CoolProp.iHmass, CoolProp.iP, CoolProp.iT)
            row = (t, p, phase.hmass(), phase.smass(), rho, phase.cpmass(), slope)
        except ValueError:
            continue
        if all(map(math.isfinite, row)) and abs(phase.p() - p) < 1e-3 * p:
            rows.append(row)
    return np.array(rows)


def fit(x, values, terms):
    """A least-squares Chebyshev series without outliers, and its worst departure."""
    keep = np.ones(len(x), bool)
    for _ in range(3):
        series = chebyshev.chebfit(x[keep], values[keep], terms - 1)
        off = np.abs(chebyshev.chebval(x, series) - values)
        keep = off <= max(12.0 * np.median(off[keep]), 1e-9 * np.abs(values).max())
    if (~keep).sum() > 8:
        print(f"    {(~keep).sum()} of {len(x)} samples rejected", file=sys.stderr)
    return series, off[keep].max(), int((~keep).sum())


class Table:
    """All series of one refrigerant, with the domain they hold on."""

    def __init__(self, name):
        self.name = name
        bubble, dew = sample_saturation(name, 0), sample_saturation(name, 1)
        self.choose_range(bubble, dew)
        inside = lambda rows: rows[(rows[:, 1] >= self.p_low * 0.97) & (rows[:, 1] <= self.p_high * 1.004)]
        bubble, dew = inside(bubble), inside(dew)
        columns = {
            "bubble_c": (bubble, bubble[:, 0]),
            "dew_c": (dew, dew[:, 0]),
            "liquid_h": (bubble, bubble[:, 2]),
            "liquid_s": (bubble, bubble[:, 3]),
            "liquid_rho": (bubble, bubble[:, 4]),
            "liquid_1_cp": (bubble, 1.0 / bubble[:, 5]),
            "liquid_dh_dp": (bubble, bubble[:, 6]),
            "vapor_1_cp": (dew, 1.0 / dew[:, 5]),
        }
        self.series, self.worst, self.rejected = {}, {}, {}
        for curve in CURVES:
            rows, values = columns[curve]
            x = self.x(rows[:, 1])
            self.series[curve], self.worst[curve], self.rejected[curve] = fit(x, values, SATURATION_TERMS)
        self.inverse = {curve: self.fit_inverse(curve) for curve in ("bubble_c", "dew_c")}
        self.fit_vapor(dew)

    def choose_range(self, bubble, dew):
        fluid = state(self.name)
        top = min(T_HIGH, dew[-1, 0], bubble[-1, 0])
        try:
            top = min(top, fluid.T_critical() - 273.15 - CRITICAL_MARGIN)
            scale = fluid.p_critical()
        except ValueError:
            scale = None
        at = lambda rows, t: float(np.exp(np.interp(t, rows[:, 0], np.log(rows[:, 1]))))
        # Whole kilopascals, so that the range is easy to say.
        self.p_low = math.floor(at(dew, T_LOW) / 1e3) * 1e3
        self.p_high = math.floor(min(at(dew, top), bubble[-1, 1], dew[-1, 1]) / 1e3) * 1e3
        self.scale = scale if scale else 1.1 * self.p_high
        self.hottest = fluid.T_critical() - 273.15 if scale else top + 5.0
        self.t_max = min(state(self.name).Tmax() - 273.15, 300.0)
        self.theta_low = math.sqrt(math.log(self.scale / self.p_high))
        self.theta_high = math.sqrt(math.log(self.scale / self.p_low))

    def x(self, p):
        theta = np.sqrt(np.log(self.scale / np.maximum(0, p)))
        return (2 * theta - self.theta_low - self.theta_high) / (self.theta_high - self.theta_low)

    @staticmethod
    def y(s):
        return 2 * (s / (s + S0)) / (SUPERHEAT_MAX / (SUPERHEAT_MAX + S0)) - 1

    def value(self, curve, p):
        return chebyshev.chebval(self.x(p), self.series[curve])

    def fit_inverse(self, curve):
        """Range (deg C) of the curve and x over it as a series in z; worst error in kelvin."""
        x = np.cos(np.linspace(0.0, np.pi, 400))
        t = chebyshev.chebval(x, self.series[curve])
        assert np.all(np.diff(t) > 0.0), f"{curve} of {self.name} turns back"
        low, high = t[0], t[-1]
        z = self.z(t, low, high)
        series = chebyshev.chebfit(z, x, SATURATION_TERMS - 1)
        back = chebyshev.chebval(chebyshev.chebval(z, series), self.series[curve])
        self.worst[f"{curve}_back"] = np.abs(back - t).max()
        return low, high, series

    def z(self, t, low, high):
        near, far = np.sqrt(self.hottest - high), np.sqrt(self.hottest - low)
        return (2 * np.sqrt(self.hottest - t) - near - far) / (far - near)

    def vapor_point(self, gas, p, s):
        t = float(self.value("dew_c", p)) + s + 273.15
        gas.update(CoolProp.PT_INPUTS, p, t)
        return gas.hmass(), gas.smass(), p / (gas.rhomass() * t)

    def fit_vapor(self, dew):
        """h, s and p / (rho T) over pressure and superheat."""
        gas = state(self.name)
        gas.specify_phase(CoolProp.iphase_gas)
        nodes = lambda n: np.cos(np.pi * (np.arange(n) + 0.5) / n)
        xs, ys = nodes(2 * VAPOR_TERMS_P), nodes(2 * VAPOR_TERMS_S)
        theta = (xs * (self.theta_high - self.theta_low) + self.theta_low + self.theta_high) / 2
        u = (ys + 1) / 2 * SUPERHEAT_MAX / (SUPERHEAT_MAX + S0)
        points, values = [], []
        for x, p in zip(xs, self.scale * np.exp(-(theta**2))):
            for y, s in zip(ys, S0 * u / (1 - u)):
                try:
                    value = self.vapor_point(gas, p, s)
                except ValueError:
                    continue
                points.append((x, y))
                values.append(value)
        # The dew line itself, from the flash at given quality.
        for row in dew:
            if self.p_low <= row[1] <= self.p_high:
                points.append((self.x(row[1]), -1.0))
                values.append((row[2], row[3], row[1] / (row[4] * (row[0] + 273.15))))
        points, values = np.array(points), np.array(values)
        basis = chebyshev.chebvander2d(points[:, 0], points[:, 1],
                                       [VAPOR_TERMS_P - 1, VAPOR_TERMS_S - 1])
        self.vapor = []
        for column, name in enumerate(["vapor_h", "vapor_s", "vapor_pv_t"]):
            keep = np.ones(len(points), bool)
            for _ in range(3):
                solution = np.linalg.lstsq(basis[keep], values[keep, column], rcond=None)[0]
                off = np.abs(basis @ solution - values[:, column])
                # A root on the wrong side of the dome is off by far more than a hundredth of the
                # span; what the series cannot follow near the critical point, by far less.
                keep = off <= 0.01 * np.ptp(values[keep, column])
            self.vapor.append(solution.reshape(VAPOR_TERMS_P, VAPOR_TERMS_S))
            self.worst[name] = off[keep].max()
            self.rejected[name] = int((~keep).sum())


def check(table, points=400):
    """Worst departures from fresh flashes at points that the fit has not seen."""
    rng = np.random.default_rng(7)
    flash, gas = state(table.name), state(table.name)
    gas.specify_phase(CoolProp.iphase_gas)
    off = {"bubble_k": 0.0, "dew_k": 0.0, "h": 0.0, "s": 0.0, "rho_rel": 0.0}
    failed = 0
    for _ in range(points):
        p = float(np.exp(rng.uniform(math.log(table.p_low), math.log(table.p_high))))
        for quality, curve, key in ((0, "bubble_c", "bubble_k"), (1, "dew_c", "dew_k")):
            t = float(table.value(curve, p)) + 273.15
            try:
                flash.update(CoolProp.QT_INPUTS, quality, t)
            except ValueError:
                failed += 1
                continue
            slope = p * float(table.value(curve, p * 1.0001) - table.value(curve, p)) / (p * 1e-4)
            error = abs(math.log(flash.p() / p)) * slope
            off[key] = max(off[key], error) if error < 0.2 else off[key]
            failed += error >= 0.2
        s = rng.uniform(0.0, SUPERHEAT_MAX)
        try:
            h, entropy, pv_t = table.vapor_point(gas, p, s)
        except ValueError:
            failed += 1
            continue
        got = [float(chebyshev.chebval2d(table.x(p), table.y(s), c)) for c in table.vapor]
        if abs(got[0] - h) > 3000:
            failed += 1
            continue
        off["h"] = max(off["h"], abs(got[0] - h))
        off["s"] = max(off["s"], abs(got[1] - entropy))
        off["rho_rel"] = max(off["rho_rel"], abs(got[2] / pv_t - 1))
    off["failed"] = failed
    return off


def number(value):
    text = f"{value:.8e}"
    mantissa, exponent = text.split("e")
    return f"{mantissa.rstrip('0').rstrip('.') or '0'}e{int(exponent)}"


def rows(values, indent, close=True):
    """Comma-separated numbers, wrapped at 100 columns."""
    lines, line = [], " " * indent
    for value in values:
        piece = number(value) + ", "
        if len(line) + len(piece.rstrip()) > 100:
            lines.append(line.rstrip())
            line = " " * indent
        line += piece
    lines.append(line.rstrip())
    return "\n".join(lines)


def write(table, key, name, library, safety, folder):
    out = [
        f"//! {name}, made by `generate.py` from CoolProp {VERSION} (`{library}`).",
        "",
        "use crate::physics::refrigerant::SafetyClass;",
        "use crate::physics::refrigerant::table::{Inverse, Table};",
        "",
        "#[rustfmt::skip]",
        f"pub(super) static {key.upper()}: Table = Table {{",
        f'    name: "{name}",',
        f"    safety: SafetyClass::{safety},",
        f"    pressure: ({table.p_low:.1f}, {table.p_high:.1f}),",
        f"    scale: {number(table.scale)},",
        f"    theta: ({table.theta_low!r}, {table.theta_high!r}),",
        f"    vapor_max_c: {math.floor(table.t_max):.1f},",
    ]
    for curve in ("bubble_c", "dew_c"):
        low, high, series = table.inverse[curve]
        out += [f"    {curve[:-2]}: Inverse {{", f"        range_c: ({low:.9f}, {high:.9f}),",
                f"        hottest_c: {table.hottest:.4f},", "        terms: [",
                rows(series, 12), "        ],", "    },"]
    out.append("    saturation: [")
    for curve in CURVES:
        out += ["        [", rows(table.series[curve], 12), "        ],"]
    out.append("    ],")
    out.append("    vapor: [")
    for term in range(VAPOR_TERMS_P):
        flat = [table.vapor[k][term][j] for j in range(VAPOR_TERMS_S) for k in range(3)]
        out += ["        [", rows(flat, 12), "        ],"]
    out += ["    ],", "};", ""]
    with open(os.path.join(folder, f"{key}.rs"), "w", encoding="utf-8") as file:
        file.write("\n".join(out))


def write_list(folder):
    out = ["//! The refrigerants that have a table, made by `generate.py`.", ""]
    out += [f"mod {key};" for key in sorted(f[0] for f in FLUIDS)]
    out += ["", "use super::table::Table;", "", "/// All tables.",
            f"pub(super) static ALL: [&Table; {len(FLUIDS)}] = ["]
    out += [f"    &{key}::{key.upper()}," for key, *_ in FLUIDS]
    out += ["];", ""]
    with open(folder + ".rs", "w", encoding="utf-8") as file:
        file.write("\n".join(out))


def main():
    if CoolProp.__version__ != VERSION:
        sys.exit(f"needs coolprop=={VERSION}, found {CoolProp.__version__}")
    folder = os.path.join(os.path.dirname(os.path.abspath(__file__)), "tables")
    only = sys.argv[1:]
    os.makedirs(folder, exist_ok=True)
    write_list(folder)
    for key, name, library, safety in FLUIDS:
        if only and key not in only:
            continue
        table = Table(library)
        write(table, key, name, library, safety, folder)
        print(f"{name}: {table.p_low / 1e3:.0f} to {table.p_high / 1e3:.0f} kPa, bubble "
              f"{float(table.value('bubble_c', table.p_low)):.1f} to "
              f"{float(table.value('bubble_c', table.p_high)):.1f}, dew "
              f"{float(table.value('dew_c', table.p_low)):.1f} to "
              f"{float(table.value('dew_c', table.p_high)):.1f} C, vapour to {table.t_max:.0f} C")
        print("  fit:", ", ".join(f"{k} {v:.2g}" for k, v in table.worst.items()))
        print("  rejected:", {k: v for k, v in table.rejected.items() if v})
        print("  check:", ", ".join(f"{k} {v:.3g}" for k, v in check(table).items()), flush=True)


if __name__ == "__main__":
    main()
