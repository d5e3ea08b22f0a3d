//! Scales and offsets: which are usual, and how well one gives the known values.

use crate::engine::learn::Known;
use crate::engine::profile::unit::{Unit, units_of};
use crate::units::quantity::QuantityKind;

/// Scales of open formats and of common sensors, with how usual each is (no source; a prior).
const SCALES: [(f64, f64); 26] = [
    (0.1, 0.26),
    (0.01, 0.26),
    (1.0, 0.12),
    (0.5, 0.05),
    (0.0625, 0.045),
    (0.003_906_25, 0.045),
    (0.001, 0.02),
    (0.25, 0.02),
    (0.2, 0.02),
    (0.05, 0.02),
    (0.02, 0.02),
    (0.005, 0.02),
    (0.125, 0.015),
    (0.031_25, 0.015),
    (0.007_812_5, 0.015),
    (0.015_625, 0.008),
    (0.002, 0.006),
    (0.04, 0.004),
    (0.025, 0.004),
    (0.35, 0.003),
    (0.4, 0.003),
    (2.0, 0.003),
    (10.0, 0.003),
    (100.0, 0.002),
    (0.000_1, 0.003),
    (0.000_015_258_789_062_5, 0.002),
];

/// Scale and offset in °C of raw readings of common sensors (data sheets, from memory).
const SENSORS: [(f64, f64); 4] = [
    (175.72 / 65_536.0, -46.85),
    (175.0 / 65_535.0, -45.0),
    (165.0 / 65_536.0, -40.0),
    (200.0 / 1_048_576.0, -50.0),
];

/// Usual offsets in °C, with how usual each is.
const OFFSETS_C: [(f64, f64); 12] = [
    (0.0, 0.82),
    (-40.0, 0.06),
    (-50.0, 0.025),
    (-100.0, 0.02),
    (-273.15, 0.01),
    (-20.0, 0.008),
    (-30.0, 0.008),
    (-10.0, 0.004),
    (-55.0, 0.004),
    (-60.0, 0.004),
    (-273.0, 0.004),
    (-128.0, 0.004),
];

/// Usual offsets in °F.
const OFFSETS_F: [(f64, f64); 5] =
    [(0.0, 0.9), (-40.0, 0.04), (-100.0, 0.01), (-50.0, 0.01), (32.0, 0.01)];

/// Share of usual scales with an offset that is none of the usual ones.
const ODD_OFFSET: f64 = 0.03;
/// Share of scales that are none of the usual ones.
const ODD_SCALE: f64 = 0.04;
/// An odd offset lies within this range, in its unit.
const OFFSET_RANGE: f64 = 400.0;
/// Logarithm of the range that an odd scale lies in, both signs: 1e-6 to 1e3.
const SCALE_RANGE_LN: f64 = 41.4;
/// How wrong known values are, in terms of what was said of them, and how often: some people
/// read better than they say, and some worse.
const ERRORS: [(f64, f64); 3] = [(0.4, 0.25), (1.0, 0.6), (2.5, 0.15)];

/// Around a known value the probe moves by less than so many of the value's uncertainties.
const STILL: f64 = 3.0;
/// Most that one restless value takes from a reading (nats, doubled).
const UNREST_MAX: f64 = 24.0;

/// Numbers read from the payloads around one known value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    /// Their mean.
    pub x: f64,
    /// Their variance.
    pub scatter: f64,
    /// How many there are.
    pub count: f64,
    /// The known value (SI).
    pub y: f64,
    /// Its standard uncertainty (SI).
    pub sd: f64,
}

/// From what is read to a value, in one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Map {
    pub unit: Unit,
    pub scale: f64,
    pub offset: f64,
    /// Whether the scale or the offset is none of the usual ones.
    pub odd: bool,
}

impl Map {
    /// The value in SI of a number that was read.
    pub(super) fn si(&self, x: f64) -> f64 {
        self.unit.to_si.apply(x * self.scale + self.offset)
    }

    /// The scale in SI.
    pub(super) fn si_scale(&self) -> f64 {
        self.unit.to_si.apply_to_difference(self.scale)
    }

    /// The number that would be read for a value in SI.
    pub(super) fn undo(&self, si: f64) -> f64 {
        (self.unit.to_si.undo(si) - self.offset) / self.scale
    }
}

/// The units of a quantity, with how usual each is.
pub(super) fn units(kind: QuantityKind, gauge: bool) -> Vec<(Unit, f64)> {
    let words: &[(&str, f64)] = match kind {
        QuantityKind::Pressure if gauge => {
            &[("psig", 0.4), ("kPag", 0.25), ("barg", 0.25), ("Pag", 0.1)]
        }
        QuantityKind::Pressure => {
            &[("Paa", 0.35), ("hPaa", 0.25), ("kPaa", 0.2), ("psia", 0.1), ("bara", 0.1)]
        }
        QuantityKind::Humidity | QuantityKind::Battery => &[("percent", 0.97), ("fraction", 0.03)],
        QuantityKind::Superheat | QuantityKind::Subcooling => {
            &[("delta_degC", 0.6), ("delta_degF", 0.4)]
        }
        QuantityKind::StaticPressure => &[("Pa", 0.7), ("inH2O", 0.2), ("mmH2O", 0.1)],
        QuantityKind::Airflow => {
            &[("m3_per_h", 0.4), ("cfm", 0.3), ("L_per_s", 0.2), ("m3_per_s", 0.1)]
        }
        QuantityKind::Current => &[("A", 0.8), ("mA", 0.2)],
        QuantityKind::Power => &[("W", 0.9), ("kW", 0.1)],
        QuantityKind::Voltage => &[("V", 0.7), ("mV", 0.3)],
        _ => &[("degC", 0.74), ("degF", 0.22), ("K", 0.04)],
    };
    let known = units_of(kind);
    let find = |(word, share): &(&str, f64)| {
        known.iter().find(|unit| unit.word == *word).map(|unit| (*unit, *share))
    };
    words.iter().filter_map(find).collect()
}

fn offsets(unit: &Unit) -> &'static [(f64, f64)] {
    match unit.word {
        "degC" => &OFFSETS_C,
        "degF" => &OFFSETS_F,
        "Paa" => &[(0.0, 0.93), (50_000.0, 0.05)],
        _ => &[(0.0, 0.98)],
    }
}

/// Where known values could lie if nothing were known of the field: centre and width (SI).
pub(super) fn anywhere(kind: QuantityKind, known: &[Known]) -> (f64, f64) {
    let mean = known.iter().map(|k| k.value).sum::<f64>() / known.len().max(1) as f64;
    let sd = known.iter().map(sd).fold(0.0, f64::max);
    match kind {
        QuantityKind::Temperature => (20.0, 25.0),
        QuantityKind::Humidity | QuantityKind::Battery => (0.5, 0.3),
        _ => (mean, 80.0 * sd),
    }
}

/// Standard uncertainty of a known value (SI): rectangular between its limits.
pub(super) fn sd(known: &Known) -> f64 {
    known.half_width / 3.0_f64.sqrt()
}

/// Logarithm of the density of a normal distribution.
pub(super) fn ln_normal(residual: f64, variance: f64) -> f64 {
    -0.5 * (residual * residual / variance + libm::log(core::f64::consts::TAU * variance))
}

/// All scales and offsets that give the points tolerably, each with the logarithm of its evidence
/// (prior included).
pub(super) fn maps(
    points: &[Point],
    units: &[(Unit, f64)],
    whole: bool,
    scales_itself: bool,
) -> Vec<(Map, f64)> {
    let fit = Fit::of(points);
    let mut found = Vec::new();
    if !fit.is_near(whole) {
        return found;
    }
    for (unit, share) in units {
        let unit_ln = libm::log(*share);
        let own: &[(f64, f64)] = if scales_itself { &[(1.0, 0.97)] } else { &SCALES };
        for (scale, share) in own {
            if !fit.allows(unit, *scale, whole) {
                continue;
            }
            let scale_ln = unit_ln + libm::log(*share);
            for (offset, share) in offsets(unit) {
                if scales_itself && *offset != 0.0 {
                    continue;
                }
                let map = Map { unit: *unit, scale: *scale, offset: *offset, odd: false };
                let evidence = ln_likelihood(points, &map, whole) + scale_ln + libm::log(*share);
                found.push((map, evidence));
            }
            if points.len() >= 2 {
                found.push(fit.odd_offset(points, unit, *scale, whole, scale_ln));
            }
        }
    }
    if scales_itself {
        return found;
    }
    if let Some((celsius, share)) = units.first().filter(|(unit, _)| unit.word == "degC") {
        for (scale, offset) in SENSORS {
            let map = Map { unit: *celsius, scale, offset, odd: false };
            let evidence = ln_likelihood(points, &map, whole) + libm::log(share * 0.004);
            found.push((map, evidence));
        }
    }
    if points.len() >= 3
        && let Some((unit, _)) = units.first()
    {
        found.extend(fit.odd_scale(points, unit, whole));
    }
    found
}

/// Logarithm of the likelihood of the points.
///
/// A probe's own error is common to all of them; what is wrong with each value is its own.
fn ln_likelihood(points: &[Point], map: &Map, whole: bool) -> f64 {
    let step = map.si_scale();
    let mut parts = [0.0; ERRORS.len()];
    for (part, (factor, share)) in parts.iter_mut().zip(ERRORS) {
        let (mut sum_ln, mut quad, mut precision, mut pull, mut common) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for point in points {
            let sd = factor * point.sd;
            let quantum = if whole { step * step / 12.0 } else { 0.0 };
            let variance = sd * sd + quantum + step * step * point.scatter / point.count;
            let residual = point.y - map.si(point.x);
            sum_ln += libm::log(core::f64::consts::TAU * variance);
            quad += residual * residual / variance;
            precision += 1.0 / variance;
            pull += residual / variance;
            common = f64::max(common, point.sd * point.sd);
            // Who gives a value has let the probe come to rest.
            let still = STILL * STILL * point.sd * point.sd;
            quad += (step * step * point.scatter * point.count / still).min(UNREST_MAX);
        }
        // Sherman and Morrison: the common error adds the same to every covariance.
        let more = 1.0 + common * precision;
        let quad = quad - common * pull * pull / more;
        *part = libm::log(share) - 0.5 * (sum_ln + libm::log(more) + quad);
    }
    ln_sum(&parts)
}

/// Logarithm of a sum of exponentials.
pub(super) fn ln_sum(logs: &[f64]) -> f64 {
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + libm::log(logs.iter().map(|l| libm::exp(l - most)).sum::<f64>())
}

/// A straight line through the points, by least squares.
struct Fit {
    count: f64,
    slope: f64,
    intercept: f64,
    /// Root mean square of what is left (SI).
    rms: f64,
    /// Mean variance of the known values (SI²).
    variance: f64,
    /// Mean variance of the means of what is read around them.
    scatter: f64,
    /// Sum of squares of x around its mean.
    spread: f64,
}

impl Fit {
    fn of(points: &[Point]) -> Self {
        let count = points.len() as f64;
        let mean = |of: fn(&Point) -> f64| points.iter().map(of).sum::<f64>() / count;
        let (x, y) = (mean(|p| p.x), mean(|p| p.y));
        let spread: f64 = points.iter().map(|p| (p.x - x) * (p.x - x)).sum();
        let both: f64 = points.iter().map(|p| (p.x - x) * (p.y - y)).sum();
        let slope = if spread > 0.0 { both / spread } else { 0.0 };
        let intercept = y - slope * x;
        let left = |p: &Point| p.y - (intercept + slope * p.x);
        let rms = (points.iter().map(|p| left(p) * left(p)).sum::<f64>() / count).sqrt();
        let (variance, scatter) = (mean(|p| p.sd * p.sd), mean(|p| p.scatter / p.count));
        Self { count, slope, intercept, rms, variance, scatter, spread }
    }

    /// How far a point may be off the line (SI), one standard deviation, generously.
    fn tolerance(&self, slope: f64, whole: bool) -> f64 {
        let quantum = if whole { slope * slope / 12.0 } else { 0.0 };
        (6.25 * self.variance + quantum + slope * slope * self.scatter).sqrt()
    }

    /// Whether any line gives the points tolerably.
    fn is_near(&self, whole: bool) -> bool {
        self.rms <= 4.0 * self.tolerance(self.slope, whole)
    }

    /// Whether the points allow this scale.
    fn allows(&self, unit: &Unit, scale: f64, whole: bool) -> bool {
        let slope = unit.to_si.apply_to_difference(scale);
        let off = (slope - self.slope).abs() * (self.spread / self.count).sqrt();
        off <= 5.0 * self.tolerance(slope, whole)
    }

    /// A usual scale with the offset that gives the points best.
    fn odd_offset(
        &self,
        points: &[Point],
        unit: &Unit,
        scale: f64,
        whole: bool,
        scale_ln: f64,
    ) -> (Map, f64) {
        let own = |p: &Point| unit.to_si.undo(p.y) - scale * p.x;
        let offset = points.iter().map(own).sum::<f64>() / self.count;
        let slope = unit.to_si.apply_to_difference(1.0);
        let width = (self.variance + self.variance / self.count).sqrt() / slope;
        let map = Map { unit: *unit, scale, offset: round_within(offset, width), odd: true };
        let exact = Map { offset, ..map };
        let occam = libm::log((core::f64::consts::TAU).sqrt() * width / OFFSET_RANGE);
        let evidence = ln_likelihood(points, &exact, whole) + occam.min(0.0);
        (map, evidence + scale_ln + libm::log(ODD_OFFSET))
    }

    /// The line itself, in the first unit.
    fn odd_scale(&self, points: &[Point], unit: &Unit, whole: bool) -> Option<(Map, f64)> {
        if self.slope == 0.0 || self.spread == 0.0 {
            return None;
        }
        let per_unit = unit.to_si.apply_to_difference(1.0);
        let scale_sd = (self.variance / self.spread).sqrt() / per_unit;
        let scale = round_within(self.slope / per_unit, 0.1 * scale_sd);
        let offset_sd = (self.variance / self.count).sqrt() / per_unit;
        let at_zero = unit.to_si.undo(self.intercept);
        let offset = round_within(at_zero, 0.1 * offset_sd);
        let map = Map { unit: *unit, scale, offset, odd: true };
        let occam = libm::log(core::f64::consts::TAU * scale_sd * offset_sd)
            - libm::log(scale.abs() * SCALE_RANGE_LN)
            - libm::log(OFFSET_RANGE);
        let evidence = ln_likelihood(points, &map, whole) + occam.min(0.0);
        Some((map, evidence + libm::log(ODD_SCALE)))
    }
}

/// The shortest decimal within `width` of `number`.
fn round_within(number: f64, width: f64) -> f64 {
    if width <= 0.0 || number == 0.0 {
        return number;
    }
    let digits = libm::ceil(-libm::log10(2.0 * width)) as i32;
    let power = libm::pow(10.0, f64::from(digits));
    let rounded = if digits >= 0 {
        (number * power).round() / power
    } else {
        let step = libm::pow(10.0, f64::from(-digits));
        (number / step).round() * step
    };
    if (1e-15..1e15).contains(&rounded.abs()) || rounded == 0.0 { rounded } else { number }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(of: impl Fn(f64) -> f64) -> Vec<Point> {
        let at = |y: f64| Point { x: of(y), scatter: 0.0, count: 1.0, y, sd: 0.3 };
        [0.2, 8.1, 14.0, 21.9].map(at).to_vec()
    }

    #[track_caller]
    fn check(points: &[Point], wanted: (&str, f64, f64)) {
        let maps = maps(points, &units(QuantityKind::Temperature, false), true, false);
        let best = maps.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap().0;
        assert_eq!((best.unit.word, best.scale, best.offset), wanted);
    }

    #[test]
    fn usual_scales_are_found_again() {
        check(&points(|c| (c * 100.0).round()), ("degC", 0.01, 0.0));
        check(&points(|c| ((c * 1.8 + 32.0) * 10.0).round()), ("degF", 0.1, 0.0));
        check(&points(|c| (c + 40.0).round()), ("degC", 1.0, -40.0));
        check(&points(|c| (c + 273.15) * 10.0), ("K", 0.1, 0.0));
        check(&points(|c| (c + 46.85) / 175.72 * 65_536.0), ("degC", 175.72 / 65_536.0, -46.85));
    }

    #[test]
    fn a_number_is_rounded_no_further_than_it_is_known() {
        assert_eq!(round_within(0.123_456, 0.001), 0.123);
        assert_eq!(round_within(-17.76, 0.3), -17.8);
        assert_eq!(round_within(1234.0, 30.0), 1230.0);
        assert_eq!(round_within(0.5, 0.0), 0.5);
    }
}
