//! Makers' charts and published regressions: what a unit in good order should show.
//!
//! Values are kept in °F as printed, since that is what the sources can be checked against; what
//! goes in and comes out is SI. Between cells they are interpolated; a dash, or a place outside the
//! chart, is a refusal with its reason.

use crate::engine::phrase::Phrase;
use crate::units::quantity::{Celsius, Kelvins};

/// Superheat (K) under which the charts print a dash: 5 °F.
const TARGET_MIN_K: f64 = 5.0 / 1.8;

/// Why a chart gives no target here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoTarget {
    /// It is warmer or cooler outdoors than the chart goes.
    OutdoorOutside,
    /// The return air's dry bulb lies outside the chart.
    DryBulbOutside,
    /// The return air's wet bulb lies outside the chart.
    WetBulbOutside,
    /// The chart prints a dash: the target would be under 5 °F, and liquid could reach the
    /// compressor.
    Dash,
}

impl NoTarget {
    /// The reason in words; `said` is how temperatures are said.
    pub fn words(self, said: Phrase) -> String {
        match self {
            Self::OutdoorOutside => "outdoor air lies outside the makers' charts".to_owned(),
            Self::DryBulbOutside => "return air lies outside the maker's chart".to_owned(),
            Self::WetBulbOutside => {
                "the return air's wet bulb lies outside the makers' charts".to_owned()
            }
            Self::Dash => format!(
                "the makers' charts show a dash here (target under {}): no valid test and no \
                 charging in this weather; warm the rooms or come back",
                said.limit_gap(TARGET_MIN_K)
            ),
        }
    }
}

/// Target superheat at the outdoor unit for a fixed orifice (K), by two makers' charts.
///
/// Both charts are interpolated and the mean is given; they agree within 1 °F wherever both print
/// a number. Valid for outdoor air of 40 to 115 °F (the second chart alone below 55 °F) and a
/// return-air wet bulb of 50 to 76 °F.
///
/// Source: chart A, <https://manuals.online/carrier/heat-pump/38vta040/dimensions-and-installation-guide/19xq4>
/// (its 26 at 80 °F outdoors and 70 °F wet bulb is a misprint for 25: the same source prints
/// 13.9 °C, and chart B 25); chart B,
/// <http://homeappliance.manualsonline.com/manuals/mfg/lennox_international_inc/merit_series_14acx_units.html?p=26>,
/// which states ±5 °F.
///
/// # Errors
/// Outside the charts, or where a cell needed prints a dash.
///
/// ```
/// use settled::engine::diagnose::charts::target_superheat;
/// use settled::units::quantity::Celsius;
/// let f = |t| Celsius::from_fahrenheit(t).unwrap();
/// // 95 °F outdoors and 64 °F wet bulb: both charts print 6 °F.
/// let target = target_superheat(f(95.0), f(64.0)).unwrap();
/// assert!((target.fahrenheit() - 6.0).abs() < 1e-9);
/// ```
pub fn target_superheat(outdoor: Celsius, wet_bulb: Celsius) -> Result<Kelvins, NoTarget> {
    let (outdoor, wet_bulb) = (nudged(outdoor.fahrenheit()), nudged(wet_bulb.fahrenheit()));
    let b = interpolate(&CHART_B, 40.0, outdoor, wet_bulb)?;
    let target = match interpolate(&CHART_A, 55.0, outdoor, wet_bulb) {
        Ok(a) => f64::midpoint(a, b),
        Err(NoTarget::OutdoorOutside) => b,
        Err(reason) => return Err(reason),
    };
    Kelvins::from_fahrenheit(target).ok_or(NoTarget::OutdoorOutside)
}

/// Target superheat for a fixed orifice by the trade's formula, `(3·WB − 80 − DB) / 2` in °F (K).
///
/// Within 5 °F of chart B at 116 of its 118 cells from 55 to 115 °F, and within 3 °F at 57 of 65
/// from 75 °F up; poor where it is hot and humid. Shown beside the charts, never instead of them.
///
/// Source: from memory, a long-standing rule of the trade.
///
/// ```
/// use settled::engine::diagnose::charts::formula_superheat;
/// use settled::units::quantity::Celsius;
/// let f = |t| Celsius::from_fahrenheit(t).unwrap();
/// assert!((formula_superheat(f(96.0), f(64.0)).unwrap().fahrenheit() - 8.0).abs() < 1e-9);
/// ```
pub fn formula_superheat(outdoor: Celsius, wet_bulb: Celsius) -> Option<Kelvins> {
    let target = (3.0 * wet_bulb.fahrenheit() - 80.0 - outdoor.fahrenheit()) / 2.0;
    Kelvins::from_fahrenheit(target).filter(|_| (75.0..=110.0).contains(&outdoor.fahrenheit()))
}

/// Target drop of the air over the indoor coil (K), from the return air's dry and wet bulb.
///
/// Valid for 70 to 80 °F dry bulb and 57 to 70 °F wet bulb; the maker allows ±3 °F.
///
/// Source: <https://manualshive.com/en/manual/lennox/t-class-tsa-h4-series/t-class-tsa-h4-series_installation-instructions-manual_1876679-20.html>.
/// Its row for 72 °F repeats that for 70 °F from 61 °F wet bulb up, and 80/64 prints 22 between 22
/// and 20: taken as misprints, the mean of the neighbours stands here instead.
///
/// # Errors
/// Outside the chart.
///
/// ```
/// use settled::engine::diagnose::charts::target_split;
/// use settled::units::quantity::Celsius;
/// let f = |t| Celsius::from_fahrenheit(t).unwrap();
/// assert!((target_split(f(76.0), f(63.0)).unwrap().fahrenheit() - 19.0).abs() < 1e-9);
/// ```
pub fn target_split(dry_bulb: Celsius, wet_bulb: Celsius) -> Result<Kelvins, NoTarget> {
    let (dry, wet) = (nudged(dry_bulb.fahrenheit()), nudged(wet_bulb.fahrenheit()));
    let (i, u) = place(dry, 70.0, 2.0, SPLIT.len()).ok_or(NoTarget::DryBulbOutside)?;
    let (j, v) = place(wet, 57.0, 1.0, SPLIT[0].len()).ok_or(NoTarget::WetBulbOutside)?;
    let row = |i: usize| SPLIT[i][j] * (1.0 - v) + SPLIT[i][j + 1] * v;
    let target = row(i) * (1.0 - u) + row(i + 1) * u;
    Kelvins::from_fahrenheit(target).ok_or(NoTarget::DryBulbOutside)
}

/// Gross cooling capacity to the rated one, and sensible heat ratio, both as fractions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Performance {
    /// Gross capacity to the rated gross capacity.
    pub capacity: f64,
    /// Sensible heat ratio (0 to 1).
    pub sensible_heat_ratio: f64,
}

/// What a typical unit gives in these conditions, by the California compliance regressions.
///
/// `cfm_per_ton` is airflow for each rated ton (250 to 450). `None` outside 65 to 85 °F return dry
/// bulb, 50 to 75 °F wet bulb and 65 to 115 °F outdoors, limits taken here as where such fits are
/// used; the source states none.
///
/// Source: github bigladder/resdx, resdx/models/title24.py at commit 17ad73a5.
pub fn performance(
    dry_bulb: Celsius,
    wet_bulb: Celsius,
    outdoor: Celsius,
    cfm_per_ton: f64,
) -> Option<Performance> {
    let (edb, ewb) = (dry_bulb.fahrenheit(), wet_bulb.fahrenheit());
    let (odb, v) = (outdoor.fahrenheit(), cfm_per_ton);
    let inside = (65.0..=85.0).contains(&edb)
        && (50.0..=75.0).contains(&ewb)
        && (65.0..=115.0).contains(&odb)
        && (250.0..=450.0).contains(&v);
    if !inside {
        return None;
    }
    let shr = 0.024_202_0 * edb - 0.059_215_3 * ewb + 0.001_265_1 * odb + 0.001_637_5 * v
        - 0.000_016_5 * ewb * v
        + 0.000_202_1 * ewb * ewb
        + 1.508_528_5;
    let sensible_heat_ratio = shr.clamp(0.0, 1.0);
    let capacity = if sensible_heat_ratio < 1.0 {
        0.009_645_9 * ewb + 0.002_536_9 * odb + 0.000_171_5 * v - 0.000_095_9 * ewb * odb
            + 0.000_008_18 * ewb * v
            - 0.000_007_55 * odb * v
            + 0.000_105_7 * ewb * ewb
            - 53.542_3 / v
            + 0.381_567_15
    } else {
        0.009_483_1 * edb - 0.000_600_6 * odb - 0.000_148_9 * v - 0.000_032_6 * edb * odb
            + 0.000_011_9 * edb * v
            - 0.000_005_05 * odb * v
            - 52.561_74 / v
            + 0.430_751_6
    };
    Some(Performance { capacity, sensible_heat_ratio })
}

/// The charts print whole degrees: a value a hair off a cell through unit conversion is that cell.
fn nudged(value: f64) -> f64 {
    let whole = value.round();
    if (value - whole).abs() < 1e-6 { whole } else { value }
}

/// Cell and share within it, for a value on a grid of `count` lines from `first` by `step`.
fn place(value: f64, first: f64, step: f64, count: usize) -> Option<(usize, f64)> {
    let u = (value - first) / step;
    if u < 0.0 || u > (count - 1) as f64 {
        return None;
    }
    let i = (u as usize).min(count - 2);
    Some((i, u - i as f64))
}

/// A superheat chart at a place, in °F. Cells of no weight may hold a dash.
fn interpolate(
    chart: &[[u8; 14]],
    first_outdoor: f64,
    outdoor: f64,
    wet_bulb: f64,
) -> Result<f64, NoTarget> {
    let (i, u) = place(outdoor, first_outdoor, 5.0, chart.len()).ok_or(NoTarget::OutdoorOutside)?;
    let (j, v) = place(wet_bulb, 50.0, 2.0, 14).ok_or(NoTarget::WetBulbOutside)?;
    let corners = [
        (chart[i][j], (1.0 - u) * (1.0 - v)),
        (chart[i][j + 1], (1.0 - u) * v),
        (chart[i + 1][j], u * (1.0 - v)),
        (chart[i + 1][j + 1], u * v),
    ];
    let mut sum = 0.0;
    for (cell, weight) in corners {
        if cell == DASH && weight > 1e-9 {
            return Err(NoTarget::Dash);
        }
        sum += f64::from(cell) * weight;
    }
    Ok(sum)
}

/// Stands for a dash in the superheat charts.
const DASH: u8 = 0;

/// Chart A (°F): outdoor air from 55 °F by 5 down, wet bulb from 50 °F by 2 across.
const CHART_A: [[u8; 14]; 13] = [
    [9, 12, 14, 17, 20, 23, 26, 29, 32, 35, 37, 40, 42, 45],
    [7, 10, 12, 15, 18, 21, 24, 27, 30, 33, 35, 38, 40, 43],
    [0, 6, 10, 13, 16, 19, 21, 24, 27, 30, 33, 36, 38, 41],
    [0, 0, 7, 10, 13, 16, 19, 21, 24, 27, 30, 33, 36, 39],
    [0, 0, 0, 6, 9, 12, 15, 18, 21, 24, 28, 31, 34, 37],
    [0, 0, 0, 0, 5, 8, 12, 15, 18, 21, 25, 28, 31, 35],
    [0, 0, 0, 0, 0, 0, 8, 11, 15, 19, 22, 26, 30, 33],
    [0, 0, 0, 0, 0, 0, 5, 9, 13, 16, 20, 24, 27, 31],
    [0, 0, 0, 0, 0, 0, 0, 6, 10, 14, 18, 22, 25, 29],
    [0, 0, 0, 0, 0, 0, 0, 0, 8, 12, 15, 20, 23, 27],
    [0, 0, 0, 0, 0, 0, 0, 0, 5, 9, 13, 17, 22, 26],
    [0, 0, 0, 0, 0, 0, 0, 0, 0, 6, 11, 15, 20, 25],
    [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 8, 14, 18, 23],
];

/// Chart B (°F): outdoor air from 40 °F by 5 down, wet bulb from 50 °F by 2 across.
const CHART_B: [[u8; 14]; 16] = [
    [15, 18, 20, 23, 26, 29, 32, 34, 38, 41, 43, 46, 48, 51],
    [13, 16, 18, 21, 24, 27, 30, 33, 36, 39, 41, 44, 46, 49],
    [11, 14, 16, 19, 22, 25, 28, 31, 34, 37, 39, 42, 44, 47],
    [9, 12, 14, 17, 20, 23, 27, 30, 33, 36, 38, 40, 42, 44],
    [7, 10, 12, 15, 18, 21, 24, 27, 30, 33, 35, 38, 40, 43],
    [0, 6, 10, 13, 16, 19, 21, 24, 27, 30, 33, 36, 38, 41],
    [0, 0, 7, 10, 13, 16, 19, 21, 24, 27, 30, 33, 36, 39],
    [0, 0, 0, 6, 9, 12, 15, 18, 21, 24, 28, 31, 34, 37],
    [0, 0, 0, 0, 5, 8, 12, 15, 18, 21, 25, 28, 31, 35],
    [0, 0, 0, 0, 0, 0, 8, 11, 15, 19, 22, 26, 30, 33],
    [0, 0, 0, 0, 0, 0, 5, 9, 13, 16, 20, 24, 27, 31],
    [0, 0, 0, 0, 0, 0, 0, 6, 10, 14, 18, 22, 25, 29],
    [0, 0, 0, 0, 0, 0, 0, 0, 8, 12, 16, 21, 24, 28],
    [0, 0, 0, 0, 0, 0, 0, 0, 5, 9, 13, 17, 22, 26],
    [0, 0, 0, 0, 0, 0, 0, 0, 0, 6, 11, 15, 20, 25],
    [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 8, 14, 18, 24],
];

/// Drop over the indoor coil (°F): dry bulb from 70 °F by 2 down, wet bulb from 57 °F by 1 across.
const SPLIT: [[f64; 14]; 6] = [
    [19.0, 19.0, 18.0, 18.0, 17.0, 17.0, 16.0, 15.0, 15.0, 14.0, 13.0, 12.0, 11.0, 10.0],
    [20.0, 20.0, 19.0, 18.0, 18.0, 18.0, 17.0, 16.0, 15.5, 15.0, 14.0, 13.0, 12.0, 11.0],
    [21.0, 21.0, 21.0, 20.0, 19.0, 19.0, 18.0, 17.0, 16.0, 16.0, 15.0, 14.0, 13.0, 12.0],
    [22.0, 22.0, 22.0, 21.0, 21.0, 20.0, 19.0, 19.0, 18.0, 17.0, 16.0, 15.0, 14.0, 13.0],
    [23.0, 23.0, 23.0, 22.0, 22.0, 21.0, 21.0, 20.0, 19.0, 18.0, 17.0, 16.0, 15.0, 14.0],
    [24.0, 24.0, 24.0, 23.0, 23.0, 22.0, 22.0, 21.0, 20.0, 19.0, 18.0, 17.0, 16.0, 15.0],
];
