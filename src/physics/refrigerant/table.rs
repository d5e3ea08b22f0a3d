//! The series of one refrigerant and how they are summed.

use super::SafetyClass;

/// Terms of each saturation series.
const SATURATION_TERMS: usize = 12;
/// Terms over pressure of the vapour's series.
const VAPOR_TERMS_P: usize = 12;
/// Terms over superheat of the vapour's series.
const VAPOR_TERMS_S: usize = 10;
/// Superheat that the vapour's series reach (K).
pub(super) const SUPERHEAT_MAX_K: f64 = 130.0;
/// Where the scale of superheat turns from linear to saturating (K).
const SUPERHEAT_SCALE_K: f64 = 40.0;
/// `y` is 2·s / (s + scale) / `SUPERHEAT_SPAN` − 1.
const SUPERHEAT_SPAN: f64 = SUPERHEAT_MAX_K / (SUPERHEAT_MAX_K + SUPERHEAT_SCALE_K);

/// Which saturation curve, in the order of the generator.
#[derive(Debug, Clone, Copy)]
pub(super) enum Curve {
    /// Bubble temperature (°C).
    Bubble,
    /// Dew temperature (°C).
    Dew,
    /// Enthalpy of bubble liquid (J/kg).
    LiquidEnthalpy,
    /// Entropy of bubble liquid (J/(kg·K)).
    LiquidEntropy,
    /// Density of bubble liquid (kg/m³).
    LiquidDensity,
    /// One over the heat capacity of bubble liquid (kg·K/J).
    LiquidInverseHeatCapacity,
    /// Change of the liquid's enthalpy with pressure at constant temperature (J/(kg·Pa)).
    LiquidEnthalpySlope,
    /// One over the heat capacity of dew vapour (kg·K/J).
    VaporInverseHeatCapacity,
}

/// Number of saturation curves.
const CURVES: usize = 8;

/// The way back from a temperature to a place `x` on a saturation curve.
#[derive(Debug)]
pub(super) struct Inverse {
    /// What the curve covers (°C).
    pub range_c: (f64, f64),
    /// At the critical point or a little above the range (°C).
    pub hottest_c: f64,
    /// Series of `x` in `z`, which is linear in the root of the distance to `hottest_c`.
    pub terms: Series,
}

/// Coefficients of a Chebyshev series.
type Series = [f64; SATURATION_TERMS];

/// One refrigerant, as `generate.py` writes it.
#[derive(Debug)]
pub(super) struct Table {
    /// As the trade writes it: `R-410A`.
    pub name: &'static str,
    /// ANSI/ASHRAE 34 safety class.
    pub safety: SafetyClass,
    /// What the table covers (Pa, absolute).
    pub pressure: (f64, f64),
    /// The pressure at which `θ` is 0 (Pa).
    pub scale: f64,
    /// `θ` = √ln(scale/p) at the highest and at the lowest pressure.
    pub theta: (f64, f64),
    /// The property model's own upper limit of temperature (°C).
    pub vapor_max_c: f64,
    /// From bubble temperature to `x`.
    pub bubble: Inverse,
    /// From dew temperature to `x`.
    pub dew: Inverse,
    /// Series in `x`, one for each [`Curve`].
    pub saturation: [Series; CURVES],
    /// Series in `x` and `y`: for each term in `x`, for each in `y`, enthalpy (J/kg), entropy
    /// (J/(kg·K)) and p/(ρ·T) (J/(kg·K)).
    pub vapor: [[f64; 3 * VAPOR_TERMS_S]; VAPOR_TERMS_P],
}

/// Enthalpy (J/kg), entropy (J/(kg·K)) and p/(ρ·T) (J/(kg·K)) of vapour.
pub(super) type VaporPoint = [f64; 3];

impl Table {
    /// The place of this pressure (Pa) on the tables, or `None` outside them.
    pub(super) fn place(&self, pressure: f64) -> Option<f64> {
        let (low, high) = self.pressure;
        if !(low..=high).contains(&pressure) {
            return None;
        }
        let theta = libm::log(self.scale / pressure).sqrt();
        let (from, to) = self.theta;
        Some(unit(theta, from, to))
    }

    /// The pressure (Pa) at this place.
    pub(super) fn pressure_at(&self, x: f64) -> f64 {
        let (from, to) = self.theta;
        let theta = ((to - from) * x + from + to) / 2.0;
        let (low, high) = self.pressure;
        (self.scale * libm::exp(-theta * theta)).clamp(low, high)
    }

    /// The value of one saturation curve at this place.
    pub(super) fn curve(&self, curve: Curve, x: f64) -> f64 {
        sum(&self.saturation[curve as usize], x)
    }

    /// The vapour's series over superheat, at this place.
    pub(super) fn isobar(&self, x: f64) -> Isobar {
        let mut terms = self.vapor[0];
        let (mut before, mut basis) = (1.0, x);
        for row in &self.vapor[1..] {
            for (sum, term) in terms.iter_mut().zip(row) {
                *sum += basis * term;
            }
            (before, basis) = (basis, 2.0 * x * basis - before);
        }
        Isobar { terms }
    }
}

impl Inverse {
    /// The place at which the curve has this temperature (°C), or `None` outside it.
    pub(super) fn place(&self, temperature: f64) -> Option<f64> {
        let (low, high) = self.range_c;
        if !(low..=high).contains(&temperature) {
            return None;
        }
        let z = unit(
            (self.hottest_c - temperature).sqrt(),
            (self.hottest_c - high).sqrt(),
            (self.hottest_c - low).sqrt(),
        );
        Some(sum(&self.terms, z).clamp(-1.0, 1.0))
    }
}

/// The vapour's properties at one pressure, as series over superheat.
pub(super) struct Isobar {
    terms: [f64; 3 * VAPOR_TERMS_S],
}

impl Isobar {
    /// The properties at this superheat (K, 0 to [`SUPERHEAT_MAX_K`]).
    pub(super) fn at(&self, superheat: f64) -> VaporPoint {
        let t = &self.terms;
        let y = scaled(superheat);
        let mut value = [t[0] + y * t[3], t[1] + y * t[4], t[2] + y * t[5]];
        let (mut before, mut basis) = (1.0, y);
        for term in t[6..].chunks_exact(3) {
            (before, basis) = (basis, 2.0 * y * basis - before);
            for (value, term) in value.iter_mut().zip(term) {
                *value += basis * term;
            }
        }
        value
    }

    /// The superheat (K) at which property `index` (0 enthalpy, 1 entropy) has this value; `None`
    /// when it is wet or beyond the series.
    ///
    /// `slack` below the dew point's value still counts as dew, so that a value got from there
    /// and rounded is found again.
    pub(super) fn find(&self, index: usize, value: f64, slack: f64) -> Option<f64> {
        /// A step in `y` whose square is below rounding.
        const SHORT: f64 = 1e-8;
        let (dew, _) = self.with_slope(index, -1.0);
        let (hottest, _) = self.with_slope(index, 1.0);
        if !(dew - slack..=hottest).contains(&value) {
            return None;
        }
        if value <= dew {
            return Some(0.0);
        }
        let (mut low, mut high) = (-1.0, 1.0);
        let mut y = scaled(SUPERHEAT_MAX_K * (value - dew) / (hottest - dew));
        // Both rise with superheat and bend little, so Newton's steps serve; the bracket is for
        // the step that leaves it.
        for _ in 0..30 {
            let (got, slope) = self.with_slope(index, y);
            let off = got - value;
            if off > 0.0 {
                high = y;
            } else {
                low = y;
            }
            let next = y - off / slope;
            let next = if (low..=high).contains(&next) { next } else { f64::midpoint(low, high) };
            let settled = (next - y).abs() < SHORT;
            y = next;
            if settled {
                break;
            }
        }
        Some(unscaled(y))
    }

    /// One property at `y` and its slope over it.
    fn with_slope(&self, index: usize, y: f64) -> (f64, f64) {
        // Clenshaw's sum, and the same differentiated.
        let (mut b1, mut b2, mut d1, mut d2) = (0.0, 0.0, 0.0, 0.0);
        for term in self.terms.chunks_exact(3).skip(1).rev() {
            (d1, d2) = (2.0 * b1 + 2.0 * y * d1 - d2, d1);
            (b1, b2) = (term[index] + 2.0 * y * b1 - b2, b1);
        }
        (self.terms[index] + y * b1 - b2, b1 + y * d1 - d2)
    }
}

/// A Chebyshev series at `x`.
fn sum(series: &Series, x: f64) -> f64 {
    // The even and the odd terms each by their own recurrence in T2, so that the two chains of
    // dependent steps run side by side.
    let twice = 4.0 * x * x - 2.0;
    let (mut even, mut even_before) = (1.0, twice / 2.0);
    let (mut odd, mut odd_before) = (x, x);
    let mut total = (0.0, 0.0);
    for pair in series.chunks_exact(2) {
        total.0 += pair[0] * even;
        total.1 += pair[1] * odd;
        (even, even_before) = (twice * even - even_before, even);
        (odd, odd_before) = (twice * odd - odd_before, odd);
    }
    total.0 + total.1
}

/// `value` on −1 to 1, where it lies between `from` and `to`.
fn unit(value: f64, from: f64, to: f64) -> f64 {
    (2.0 * value - from - to) / (to - from)
}

/// `y` of this superheat (K).
fn scaled(superheat: f64) -> f64 {
    2.0 * superheat / (superheat + SUPERHEAT_SCALE_K) / SUPERHEAT_SPAN - 1.0
}

/// The superheat (K) at this `y`.
fn unscaled(y: f64) -> f64 {
    let share = f64::midpoint(y, 1.0) * SUPERHEAT_SPAN;
    SUPERHEAT_SCALE_K * share / (1.0 - share)
}
