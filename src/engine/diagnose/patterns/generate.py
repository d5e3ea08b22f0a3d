"""Makes ../pattern_tables.rs: what many different healthy and faulty units would show, by a reference model.

    python3 -m venv v && v/bin/pip install coolprop==8.0.0 numpy
    v/bin/python generate.py > ../pattern_tables.rs && rustfmt ../pattern_tables.rs

The reference model exists only here. It is no model of one unit but of a wide family: every parameter below is drawn
from a range, because believing too much about a unit's design was found to do more harm than the probes' errors. It
shares no code and no constant with the program's simulated unit. All ranges are ASSUMED (from general knowledge of
residential and light commercial units), but for those that say otherwise. R-410A.

Coil: apparatus dew point and bypass factor. Condenser: three zones in fresh air. Compressor: clearance-volume form.
Orifice: single-phase flow with a flashing limit. Charge: zone volumes with a slip law rho^k.
"""
import sys
import numpy as np
import CoolProp.CoolProp as CP

SEED = 20310604
RNG = np.random.default_rng(SEED)     # begun anew for each table
P_ATM = 101325.0
F = lambda f: (f - 32) / 1.8

# ------------------------------------------------------------------ refrigerant on a grid in ln p
LP = np.linspace(np.log(1.5e5), np.log(46e5), 400)
_q = lambda out, p, x: CP.PropsSI(out, "P", p, "Q", x, "R410A")
_P = np.exp(LP)
SAT = {k: np.array([_q(o, p, x) for p in _P]) - (273.15 if o == "T" else 0)
       for k, o, x in (("tb", "T", 0), ("td", "T", 1), ("hf", "H", 0), ("hg", "H", 1), ("rf", "D", 0), ("rg", "D", 1), ("sg", "S", 1), ("cl", "C", 0))}
SH = np.concatenate([np.linspace(0, 20, 21), np.linspace(22, 140, 60)])      # superheat grid, K
def _vapour():
    h, s, d = (np.zeros((LP.size, SH.size)) for _ in range(3))
    for i, p in enumerate(_P):
        t = SAT["td"][i] + 273.15 + SH[1:]
        h[i] = np.r_[SAT["hg"][i], CP.PropsSI("H", "P", p, "T", t, "R410A")]
        s[i] = np.r_[SAT["sg"][i], CP.PropsSI("S", "P", p, "T", t, "R410A")]
        d[i] = np.r_[SAT["rg"][i], CP.PropsSI("D", "P", p, "T", t, "R410A")]
    return h, s, d
VH, VS, VD = _vapour()
DH = np.linspace(0, 140e3, 200)
T_OF_H = np.array([np.interp(DH, VH[i] - VH[i, 0], SH) for i in range(LP.size)])
D_OF_H = np.array([np.interp(DH, VH[i] - VH[i, 0], VD[i]) for i in range(LP.size)])
S_OF_H = np.array([np.interp(DH, VH[i] - VH[i, 0], VS[i] - VS[i, 0]) for i in range(LP.size)])
DS = np.linspace(0, 380.0, 200)
H_OF_S = np.array([np.interp(DS, VS[i] - VS[i, 0], VH[i] - VH[i, 0]) for i in range(LP.size)])
sat = lambda k, p: np.interp(np.log(p), LP, SAT[k])
p_bub = lambda t: np.exp(np.interp(t, SAT["tb"], LP))
p_dew = lambda t: np.exp(np.interp(t, SAT["td"], LP))
h_liq = lambda t: np.interp(t, SAT["tb"], SAT["hf"])
t_liq = lambda h: np.interp(h, SAT["hf"], SAT["tb"])
d_liq = lambda t: np.interp(t, SAT["tb"], SAT["rf"])

def grid(table, p, y, step):
    u = np.clip((np.log(p) - LP[0]) / (LP[1] - LP[0]), 0, LP.size - 1.001); i = u.astype(int); u -= i
    v = np.clip(y / step, 0, table.shape[1] - 1.001); j = v.astype(int); v -= j
    return (1 - u) * ((1 - v) * table[i, j] + v * table[i, j + 1]) + u * ((1 - v) * table[i + 1, j] + v * table[i + 1, j + 1])

def gas(p, h):
    """Superheat, density, entropy; a wet state is a homogeneous mixture."""
    hg, hf = sat("hg", p), sat("hf", p); y = h - hg
    x = np.clip(1 + y / (hg - hf), 0.05, 1.0)
    wet = 1 / (x / sat("rg", p) + (1 - x) / sat("rf", p))
    s = sat("sg", p) + np.where(y < 0, y / (sat("td", p) + 273.15), grid(S_OF_H, p, y, DH[1]))
    return np.where(y < 0, 0, grid(T_OF_H, p, y, DH[1])), np.where(y < 0, wet, grid(D_OF_H, p, y, DH[1])), s, x

def h_at_s(p, s):
    y = s - sat("sg", p)
    return sat("hg", p) + np.where(y < 0, y * (sat("td", p) + 273.15), grid(H_OF_S, p, y, DS[1]))

# ------------------------------------------------------------------ moist air (ASHRAE formulas)
def pws(t):
    k = t + 273.15
    return np.exp(-5.8002206e3 / k + 1.3914993 - 4.8640239e-2 * k + 4.1764768e-5 * k**2 - 1.4452093e-8 * k**3 + 6.5459673 * np.log(k))
ws = lambda t: 0.621945 * pws(t) / (P_ATM - pws(t))
w_wb = lambda t, wb: ((2501 - 2.326 * wb) * ws(wb) - 1.006 * (t - wb)) / (2501 + 1.86 * t - 4.186 * wb)
ha = lambda t, w: 1006 * t + w * (2501e3 + 1860 * t)
_t = np.linspace(-40, 60, 2001); _h = ha(_t, ws(_t))
h_sat = lambda t: np.interp(t, _t, _h)

# ------------------------------------------------------------------ the family of designs
def designs(n, txv):
    u = lambda a, b: RNG.uniform(a, b, n)
    d = dict(
        te=u(6.5, 12.5), over=u(9.0, 16.5), sh=u(3.5, 11), sc=u(2.5, 9), shr=u(0.69, 0.76),
        ma=u(330, 440), ca=u(560, 900), n_air=u(0.45, 0.7), n_ref=u(0.6, 0.9), fan=u(0.2, 1.3),
        f1=u(0.08, 0.18), f3=u(0.06, 0.18), fs=u(0.05, 0.20), air_share=u(0.55, 0.85),
        ev1=u(0.015, 0.07), ei0=u(0.62, 0.76), ei1=u(0.01, 0.04), pr0=u(2.4, 3.2), loss=u(0.03, 0.13),
        kf=u(0.65, 0.92), slip=u(0.2, 0.45), vc=u(3.0e-3, 5.2e-3), ve=u(1.2e-3, 3.2e-3), vl=u(0.25e-3, 0.8e-3), vs=u(0.4e-3, 1.3e-3),
        open=u(0.40, 0.72), span=u(3.5, 8.0), gain=u(0.0, 2.0), cool=u(-0.2, 0.8), dps=u(0.0, 0.02), dis=u(0.0, 4.0),
        leak=u(0.0, 0.6), ncr=u(0.0, 0.10), leaf=u(-1.0, 1.0),
        # in good order means: within 10 % of what the design asks for
        ch0=u(0.9, 1.1), ke0=u(0.9, 1.1), kc0=u(0.9, 1.1), ue0=u(0.9, 1.1), uc0=u(0.9, 1.1), or0=u(0.9, 1.1), ev0=u(0.9, 1.1),
    )
    return calibrate(d, txv)

CFM = 0.075 * 0.45359237 / 60      # kg/s of standard air for one cfm
def calibrate(d, txv):
    """Closed: all sizes follow from the rating state (80/67/95 F, one ton)."""
    Q = 3516.85
    ti, wi, to = F(80.0), w_wb(F(80.0), F(67.0)), F(95.0)
    d["ma"], d["ca"] = d["ma"] * CFM, d["ca"] * CFM
    tc = to + d["over"]; pe, pc = p_dew(d["te"]), p_bub(tc)
    h1 = sat("hg", pe) + np.array([np.interp(s, SH, VH[i] - VH[i, 0]) for s, i in zip(d["sh"], np.searchsorted(LP, np.log(pe)))])
    h3 = h_liq(tc - d["sc"])
    m0 = Q / (h1 - h3); d["m0"] = m0
    d["disp"] = 1.0
    d["disp"] = m0 / compress(d, pe, pc, h1)[0]
    d["cda"] = m0 / flux(d, pc, pe, h3)
    _, h2, w = compress(d, pe, pc, h1)
    # indoor coil: apparatus dew point from the sensible heat ratio, by bisection
    q_tp = m0 * (sat("hg", pe) - h3) / (1 - d["fs"])          # the whole coil, were it all wet inside
    qs = d["shr"] * Q
    hi = ha(ti, wi); lo, up = np.full_like(pe, 0.0), np.full_like(pe, 19.0)
    for _ in range(60):
        t = 0.5 * (lo + up)
        bf = 1 - q_tp / (d["ma"] * (hi - h_sat(t)))
        sens = d["ma"] * 1023 * (ti - t) * (1 - bf) * (Q / q_tp)
        lo, up = np.where(sens < qs, t, lo), np.where(sens < qs, up, t)
        # the warmer the surface the higher the sensible share
    d["adp"], d["bf"] = t, np.clip(bf, 0.02, 0.6)
    ok = (t > d["te"] + 0.5) & (bf > 0.02) & (bf < 0.6)
    d["ur"] = q_tp / np.maximum(t - d["te"], 0.5)
    d["ntu"] = -np.log(d["bf"])
    d["ks"] = -np.log(1 - d["sh"] / (ti - d["te"])) / d["fs"]
    # condenser
    f2 = 1 - d["f1"] - d["f3"]
    c = d["ca"] * 1006
    K2 = m0 * (sat("hg", pc) - sat("hf", pc)) / (f2 * (tc - to))
    ok &= K2 < 0.93 * c
    d["nc"] = -np.log(1 - np.clip(K2 / c, 0.05, 0.93))
    d["kc"] = -np.log(1 - d["sc"] / (tc - to)) / d["f3"]
    t2 = gas(pc, h2)[0]
    d["x1"] = m0 * (h2 - sat("hg", pc)) / np.maximum(t2, 1) * np.log(1 + t2 / (tc - to))
    ok &= t2 < 75
    d["ss"] = d["sh"] - d["open"] * d["span"]
    d["txv"] = np.full(pe.size, txv); d["cda"] = np.where(txv, d["cda"] / d["open"], d["cda"])
    d["charge"] = 1.0
    d["x0"] = np.array([np.log(pe), np.log(pc), (h1 - sat("hg", pe)) / 2e4, (h3 - sat("hf", pc)) / 2e4])
    knobs = no_fault(pe.size)
    d["charge"] = residual(d, dict(ti=ti + 0 * pe, wi=wi + 0 * pe, to=to + 0 * pe), knobs, d["x0"])[2]
    for q in ("disp", "cda", "ur", "ntu", "nc", "kc"): d[q + "_designed"] = d[q]
    d["disp"] = d["disp"] * d["ev0"]; d["cda"] = d["cda"] * d["or0"]
    d["ur"] = d["ur"] * d["ue0"]; d["ntu"] = d["ntu"] * d["ue0"]; d["nc"] = d["nc"] * d["uc0"]; d["kc"] = d["kc"] * d["uc0"]
    keep = np.flatnonzero(ok)
    return {k: (v[..., keep] if np.ndim(v) else v) for k, v in d.items()}

no_fault = lambda n: dict(ch=np.ones(n), ev=np.ones(n), dp=np.zeros(n), kc=np.ones(n), ke=np.ones(n), pn=np.zeros(n))

def compress(d, pe, pd, h1, ev=1.0):
    _, rho, s, _ = gas(pe, h1); pr = pd / pe
    m = (1 - d["ev1"] * (pr - 1)) * d["disp"] * rho * ev
    ei = np.maximum(d["ei0"] - d["ei1"] * (pr - d["pr0"])**2, 0.3) * (1 - d["leak"] * (1 - ev))
    w = (h_at_s(pd, s) - h1) / ei
    return m, h1 + (1 - d["loss"]) * w, w * m

def flux(d, pu, pe, h3):
    hf, hg = sat("hf", pu), sat("hg", pu); x = np.clip((h3 - hf) / (hg - hf), 0, 0.9)
    t = np.minimum(t_liq(h3), sat("tb", pu))
    rho = 1 / ((1 - x) / d_liq(t) + x / sat("rg", pu))
    return np.sqrt(2 * rho * np.maximum(pu - np.maximum(pe, d["kf"] * p_bub(t)), 1e4))

def mean_density(d, p, xa, xb):
    """Two-phase density between two qualities, slip ratio (rf/rg)^k; midpoint rule on 8 slices."""
    rf, rg = sat("rf", p), sat("rg", p); tot = 0
    for i in range(8):
        x = np.clip(xa + (xb - xa) * (i + 0.5) / 8, 0.002, 0.998)
        a = 1 / (1 + (1 - x) / x * (rg / rf) * (rf / rg)**d["slip"])
        tot = tot + a * rg + (1 - a) * rf
    return tot / 8

def coil(d, te, c, ma, g):
    """Whole coil at one refrigerant temperature: total and sensible heat; the surface temperature by bisection."""
    r = ma / d["ma"]
    bf = np.exp(-d["ntu"] * r**(d["n_air"] - 1)); ur = d["ur"] * g**(d["n_ref"] * 0.8)
    hi, ti = ha(c["ti"], c["wi"]), c["ti"]
    def solve(f):
        lo, up = te, np.maximum(ti, te + 0.1)
        for _ in range(28):
            t = 0.5 * (lo + up); q = f(t); more = q > ur * (t - te)
            lo, up = np.where(more, t, lo), np.where(more, up, t)
        return t
    tw = solve(lambda t: ma * (hi - h_sat(t)) * (1 - bf))
    td = solve(lambda t: ma * (1006 + 1860 * c["wi"]) * (ti - t) * (1 - bf))
    qw, qd = ur * (tw - te), ur * (td - te)
    t = np.where(qd > qw, td, tw)
    return np.maximum(qw, qd), ma * (1006 + 1860 * c["wi"]) * (ti - t) * (1 - bf)

def residual(d, c, k, x):
    pe, pc = np.exp(x[0]), np.exp(x[1]); te, tc = sat("td", pe), 0.5 * (sat("td", pc) + sat("tb", pc))
    hge, hfe, hgc, hfc = sat("hg", pe), sat("hf", pe), sat("hg", pc), sat("hf", pc)
    h1, h3 = hge + 2e4 * x[2], hfc + 2e4 * x[3]; pd = pc + k["pn"]
    m, h2, w = compress(d, pe, pd, h1, k["ev"]); g = m / d["m0"]; sh1, rho1, _, x1 = gas(pe, h1)
    # condenser
    ca = d["ca"] * k["kc"] * 1006; to = c["to"]; dt = np.maximum(tc - to, 0.3)
    ra = d["air_share"] * k["kc"]**-d["n_air"] + (1 - d["air_share"]) * g**-d["n_ref"]
    ra = ra * (1 + d["ncr"] * k["pn"] / 1e5)
    K2 = ca * (1 - np.exp(-d["nc"] * d["ca"] * 1006 / ca / ra))
    t2 = gas(pd, h2)[0] + sat("td", pd); s2 = np.maximum(t2 - tc, 1.0)
    f1 = d["f1"] * m * (h2 - hgc) / s2 * np.log(1 + s2 / dt) / d["x1"] * k["kc"]**(-0.4 * d["n_air"]) * g**(-0.5 * d["n_ref"])
    f2 = m * (hgc - hfc) / (K2 * dt); f3 = 1 - f1 - f2
    t3 = to + (tc - to) * np.exp(-d["kc"] * np.maximum(f3, 0) * g**-0.4 * k["kc"]**(0.4 * d["n_air"]))
    h3c = np.where(f3 > 0, h_liq(np.minimum(t3, sat("tb", pc))), hfc - f3 * K2 * dt / m)
    # evaporator
    ma = d["ma"] * k["ke"]; qt, qs = coil(d, te, c, ma, g)
    ft = m * (hge - h3) / qt; fs = np.maximum(1 - ft, 0)
    cpv = 1150.0
    sh = (c["ti"] - te) * (1 - np.exp(-d["ks"] * fs * g**-0.2 * k["ke"]**(0.3 * d["n_air"])))
    h1c = np.where(ft < 1, hge + np.interp(np.log(pe), LP, VH[:, 10] - VH[:, 0]) / SH[10] * sh, h3 + qt / m)
    # metering
    area = np.where(d["txv"], d["cda"] * opening(d, sh1 + 5 * np.minimum(x[2], 0)), d["cda"])
    mo = area * flux(d, np.maximum(pd - k["dp"] * g**2, 1.6e5), pe, h3)
    # charge
    x3 = np.clip((h3c - hfc) / (hgc - hfc), 0, 1); x4 = np.clip((h3 - hfe) / (hge - hfe), 0.0, 0.95)
    over = np.maximum(f1 + f2, 1); rgc, rfc = sat("rg", pc), sat("rf", pc); f3p = np.maximum(f3, 0)
    mass = d["vc"] * (0.85 * rgc * f1 / over + mean_density(d, pc, x3, 1.0 + 0 * x3) * f2 / over + 0.5 * (rfc + d_liq(np.minimum(t3, 60))) * f3p)
    fe = np.minimum(ft, 1)
    mass = mass + d["ve"] * (mean_density(d, pe, x4, x1) * fe + 0.95 * sat("rg", pe) * (1 - fe)) + d["vl"] / (x3 / rgc + (1 - x3) / rfc) + d["vs"] * rho1
    r = np.array([(mo - m) / d["m0"], (h1c - h1) / 2e4, (h3c - h3) / 2e4, mass / (d["charge"] * k["ch"]) - 1])
    # what probes see
    ps, tl = pe * (1 - d["dps"]), np.minimum(t_liq(h3), sat("tb", pc))
    cae = ma * (1006 + 1860 * c["wi"])
    sup = qs * fe + m * np.maximum(h1 - hge, 0)
    seen = np.array([sat("td", ps), sat("tb", pd), te + sh1 + d["gain"] * (c["to"] - te - sh1) / 25, tl - d["cool"] * (tl - to) / 10, t2 - d["dis"],
                     (m * (h2 - h3) + d["loss"] * w) / ca + 0.1 * d["leaf"] * (m * (h2 - h3)) / ca, sup / cae - d["fan"] / k["ke"]])
    return r, seen, mass

def opening(d, sh):
    u = 25 * (sh - d["ss"]) / d["span"]
    return np.maximum((np.logaddexp(0, u) - np.logaddexp(0, u - 25)) / 25, 0.03)

def solve(d, c, k):
    n = c["ti"].size; best = None
    for start in (None, (0.3, -0.4), (0.25, 0.15), (-0.5, -0.5), (0.9, 0.05), (-0.3, 0.1)):
        x = d["x0"].copy()
        x[0] = np.log(p_dew(np.clip(d["te"] + 0.35 * (c["ti"] - 26.7) + 0.15 * (c["to"] - 35), -25, 20))); x[1] = np.log(p_bub(c["to"] + d["over"]))
        if start is not None: x[2], x[3] = start
        x, seen, err = newton(d, c, k, x)
        if best is None: best = [x, seen, err]
        else:
            b = err < best[2]
            best = [np.where(b, x, best[0]), np.where(b, seen, best[1]), np.where(b, err, best[2])]
        bad = best[2] > 1e-4
        if not bad.any(): break
        if start is None and bad.mean() > 0 :
            sub = np.flatnonzero(bad)
            if sub.size < n:
                ds = {q: (v[..., sub] if np.ndim(v) else v) for q, v in d.items()}
                s = solve(ds, {q: v[sub] for q, v in c.items()}, {q: v[sub] for q, v in k.items()})
                best[1][:, sub], best[2][sub] = s[0], s[1]
                break
    return best[1], best[2]

def newton(d, c, k, x):
    r, seen, _ = residual(d, c, k, x); n = x.shape[1]; nrm = np.abs(r).max(0)
    lim = np.array([0.15, 0.12, 0.35, 0.35])[:, None]
    for _ in range(40):
        if (nrm < 1e-6).all(): break
        J = np.zeros((n, 4, 4))
        for i in range(4):
            e = np.zeros((4, 1)); e[i] = 2e-5
            J[:, :, i] = ((residual(d, c, k, x + e)[0] - r) / 2e-5).T
        step = np.linalg.solve(J + 1e-8 * np.eye(4), -r.T[:, :, None])[:, :, 0].T
        step *= np.minimum(1, (lim / np.maximum(np.abs(step), 1e-12)).min(0)); lam = np.ones(n)
        for _ in range(5):
            xn = x + lam * step; rn, sn, _ = residual(d, c, k, xn); nn = np.abs(rn).max(0)
            bad = ~(nn < nrm * (1 - 0.1 * lam)) & (nrm > 1e-6)
            if not bad.any(): break
            lam = np.where(bad, lam * 0.5, lam)
        x, r, seen, nrm = xn, rn, sn, np.where(np.isfinite(nn), nn, 1e3)
    return x, seen, nrm

# ------------------------------------------------------------------ faults: each level is a range of severity
FAULTS = {   # order of engine::diagnose::finding::Fault
    "low_charge": ("ch", [(0.96, 0.89), (0.89, 0.81), (0.81, 0.73), (0.73, 0.63)]),
    "over_charge": ("ch", [(1.04, 1.11), (1.11, 1.18), (1.18, 1.26), (1.26, 1.36)]),
    "low_indoor_airflow": ("ke", [(0.94, 0.82), (0.82, 0.70), (0.70, 0.58), (0.58, 0.46)]),
    "condenser_fouling": ("kc", [(0.94, 0.82), (0.82, 0.70), (0.70, 0.58), (0.58, 0.46)]),
    "liquid_line_restriction": ("dp", [(0.3e5, 0.9e5), (0.9e5, 1.8e5), (1.8e5, 3.2e5), (3.2e5, 7.0e5)]),
    "compressor_valve_leakage": ("ev", [(0.95, 0.88), (0.88, 0.80), (0.80, 0.72), (0.72, 0.62)]),
    "non_condensables": ("pn", [(0.4e5, 1.0e5), (1.0e5, 1.9e5), (1.9e5, 3.2e5), (3.2e5, 5.0e5)]),
}
# A valve opens and so hides a small restriction and a small loss of charge: what shows, and what gets somebody called, is more.
TXV_LEVELS = {
    "low_charge": [(0.96, 0.88), (0.88, 0.78), (0.78, 0.66), (0.66, 0.48)],
    "liquid_line_restriction": [(1.0e5, 5.0e5), (5.0e5, 10.0e5), (10.0e5, 18.0e5), (18.0e5, 35.0e5)],
}
CENTRE = (25.0, 18.0, 33.0)
SCALE = (3.0, 3.0, 6.0)

def basis(c):
    a, b, o = ((c[q] - m) / s for q, m, s in zip(("ti", "wb", "to"), CENTRE, SCALE))
    return np.array([1 + 0 * a, a, b, o, a * a, b * b, o * o, a * b, a * o, b * o])

def conditions(n):
    ti, to = RNG.uniform(20.0, 29.0, n), RNG.uniform(19.0, 44.0, n); wb = ti - RNG.uniform(2.5, 10.0, n)
    return dict(ti=ti, wb=wb, wi=w_wb(ti, wb), to=to)

def study(txv, n_design, per):
    global RNG
    RNG = np.random.default_rng(SEED + txv)
    d = designs(n_design, txv); n = d["te"].size
    rep = lambda v: np.repeat(v, per, axis=-1) if np.ndim(v) else v
    D = {k: rep(v) for k, v in d.items()}; N = n * per
    print("designs kept", n, "of", n_design, "states", N, file=sys.stderr)
    # the charge of a healthy unit is not exact either
    def state(c, k):
        k = dict(k); k["ch"], k["ke"], k["kc"] = k["ch"] * D["ch0"], k["ke"] * D["ke0"], k["kc"] * D["kc0"]
        return solve(D, c, k)
    c0, cb = conditions(N), conditions(N)
    h0, e0 = state(c0, no_fault(N)); hb, eb = state(cb, no_fault(N))
    # in order: superheated and subcooled, as the charts ask
    # as designed: in weather where even a unit as designed floods or flashes nobody tests charge
    as_designed = {**D, **{q: D[q + "_designed"] for q in ("disp", "cda", "ur", "ntu", "nc", "kc")}}
    def good(c, e):
        h, ed = solve(as_designed, c, no_fault(N))
        return (e < 1e-4) & (ed < 1e-4) & (h[2] - h[0] > 2.0) & (h[1] - h[3] > 1.5)
    g0, gb = good(c0, e0), good(cb, eb)
    print("healthy good", g0.mean(), file=sys.stderr)
    B0 = basis(c0)
    mean = np.linalg.lstsq(B0[:, g0].T, h0[:, g0].T, rcond=None)[0]            # 10 x 7
    res0 = h0 - (B0.T @ mean).T
    cov = lambda x: np.cov(x)
    out = dict(mean=mean, none=cov(res0[:, g0]))
    both = g0 & gb
    resb = hb - (basis(cb).T @ mean).T
    out["none_base"] = cov((res0 - resb)[:, both])
    print("healthy sd", np.sqrt(np.diag(out["none"])).round(2), "against its own", np.sqrt(np.diag(out["none_base"])).round(2), file=sys.stderr)
    out["faults"] = {}
    for f, (knob, levels) in FAULTS.items():
        out["faults"][f] = []
        if txv: levels = TXV_LEVELS.get(f, levels)
        for lo, hi in levels:
            k = no_fault(N); k[knob] = RNG.uniform(min(lo, hi), max(lo, hi), N)
            h, e = state(c0, k)
            ok = (e < 1e-4) & g0; L = basis(c0)[:4]
            r = h - (B0.T @ mean).T
            coef = np.linalg.lstsq(L[:, ok].T, r[:, ok].T, rcond=None)[0]       # 4 x 7
            left = r - (L.T @ coef).T
            okb = ok & gb
            lb = r - resb - (L.T @ coef).T
            out["faults"][f].append((coef, cov(left[:, ok]), cov(lb[:, okb])))
            print(f"{f[:14]:14s} {ok.mean():.2f}", coef[0].round(2), "sd", np.sqrt(np.diag(out['faults'][f][-1][1])).round(1), np.sqrt(np.diag(out['faults'][f][-1][2])).round(1), file=sys.stderr)
    return out

def number(x):
    s = f"{x:.3f}".rstrip("0").rstrip(".")
    s = "0" if s in ("-0", "") else s
    return s if "." in s else s + ".0"
row = lambda v: "[" + ", ".join(number(x) for x in v) + "]"
def lower(c):
    return row([c[i, j] for i in range(7) for j in range(i + 1)])

def emit(results):
    print("//! Computed patterns of healthy and faulty units; made by `patterns/generate.py`, not by hand.\n\n#![expect(clippy::approx_constant, reason = \"computed values that happen to come near one\")]\n")
    print("use crate::engine::diagnose::patterns::{Level, Table};\n")
    for name, doc, o in results:
        print(f"/// {doc}\npub static {name}: Table = Table {{\nmean: [{', '.join(row(o['mean'][:, j]) for j in range(7))}],")
        print(f"none: {lower(o['none'])},\nnone_against_own: {lower(o['none_base'])},\nlevels: [")
        for f, levels in o["faults"].items():
            print(f"// {f}\n[" + ",\n".join(f"Level {{ shift: [{', '.join(row(c[:, j]) for j in range(7))}], spread: {lower(s)}, spread_against_own: {lower(b)} }}" for c, s, b in levels) + "],")
        print("],\n};\n")

if __name__ == "__main__":
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    emit([("FIXED_ORIFICE", "Units with a fixed orifice.", study(False, n, 5)), ("TXV", "Units with a thermostatic expansion valve.", study(True, n, 5))])
