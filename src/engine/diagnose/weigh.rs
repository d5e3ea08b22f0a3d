//! Weighing of the faults: every known feature enters at once, by its size.
//!
//! For each fault and level of severity the features follow a wide, heavy-tailed distribution
//! around what the patterns say for this weather; wide, since units differ by design far more than
//! probes err. The readings' own errors are added with all their correlations. Bayes' rule, with
//! the severity summed out, gives the probabilities.

use crate::engine::diagnose::finding::Fault;
use crate::engine::diagnose::observe::Evidence;
use crate::engine::diagnose::patterns::{FEATURES, Feature, Sign, Table, Triangle};
use crate::engine::diagnose::weigh_case::Case;
use crate::engine::job::Metering;

/// A pair of faults at once, with its probability.
pub type Pair = (Fault, Fault, f64);

/// The outcome.
#[derive(Debug, Clone)]
pub struct Weighing {
    /// Probability that each of [`Fault::ALL`] is there alone.
    pub single: [f64; 8],
    /// Probability of each two faults at once.
    pub pairs: Vec<Pair>,
    /// What each sign shows against a unit in good order.
    pub shown: Vec<Shown>,
    /// For each fault of [`Fault::ALL`], the shift of each feature at its likeliest level (K).
    pub shifts: [[f64; FEATURES]; 8],
    /// How units in good order differ (K²), readings' errors not included.
    pub family: &'static Triangle,
    /// The metering device that the patterns were taken for.
    pub metering: Metering,
    /// Whether it was judged against the unit's own baseline.
    pub against_own: bool,
    /// Drop along the liquid line (K), and the logarithm of the odds that it gives a restriction.
    pub line_drop: Option<(f64, f64)>,
}

/// What one sign shows.
#[derive(Debug, Clone, Copy)]
pub struct Shown {
    /// Which sign, or a line's temperature where there is no sign for it.
    pub what: Seen,
    /// Observed minus expected in good order (K).
    pub residual: f64,
    /// Standard deviation of that in good order, design and readings together (K).
    pub deviation: f64,
    /// The shift that each fault of [`Fault::ALL`] would give at its likeliest level (K).
    pub shifts: [f64; 8],
}

/// What was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// One of the published signs.
    Sign(Sign),
    /// Suction line, where no evaporating temperature is known.
    SuctionLine,
    /// Liquid line, where no condensing temperature is known.
    LiquidLine,
}

impl Seen {
    pub(super) fn parts(self) -> [(Feature, f64); 2] {
        match self {
            Self::Sign(sign) => sign.features(),
            Self::SuctionLine => [(Feature::SuctionLine, 1.0), (Feature::SuctionLine, 0.0)],
            Self::LiquidLine => [(Feature::LiquidLine, 1.0), (Feature::LiquidLine, 0.0)],
        }
    }
}

/// Weighs the faults on one circuit; `None` where nothing was observed.
///
/// With `baseline`, the same unit's visit in good order, residuals are taken against it instead of
/// the family of units, for the features that both visits have.
pub fn weigh(
    evidence: &Evidence,
    baseline: Option<&Evidence>,
    metering: Option<Metering>,
) -> Option<Weighing> {
    let Some(metering) = metering else {
        // Not known: both kinds are weighed, and count alike.
        let orifice = weigh(evidence, baseline, Some(Metering::FixedOrifice))?;
        let valve = weigh(evidence, baseline, Some(Metering::Txv))?;
        return Some(average(orifice, &valve));
    };
    let case = Case::new(evidence, baseline, Table::of(metering), metering)?;
    Some(case.weigh(metering))
}

/// The mean of two weighings; words are taken from the first.
fn average(mut first: Weighing, second: &Weighing) -> Weighing {
    for (a, b) in first.single.iter_mut().zip(second.single) {
        *a = f64::midpoint(*a, b);
    }
    for (a, b) in first.pairs.iter_mut().zip(&second.pairs) {
        a.2 = f64::midpoint(a.2, b.2);
    }
    first
}
