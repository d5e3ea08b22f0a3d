//! Compares a measure before and after: what changed beyond what is not known of it.
//!
//! A side's value is the mean of its settled sets. What is not known of it has two parts: the
//! probes' own errors, which all sets of a side share and no mean takes away, and the scatter from
//! set to set. The errors of the two sides count as independent. For probes that stayed where they
//! were they cancel in part, so a change that is found is real, and a small one may be missed.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::physics::uncertainty::{Component, combined, effective_degrees, estimate};

/// Degrees of freedom of what is known from a probe's statement and not from scatter.
const DEGREES_STATED: f64 = 1e6;

/// A measure in one settled set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The value (SI).
    pub value: f64,
    /// Its standard uncertainty (SI, k = 1).
    pub uncertainty: f64,
}

/// A measure over all settled sets of one side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pooled {
    /// The mean (SI).
    pub value: f64,
    /// Its standard uncertainty (SI, k = 1).
    pub uncertainty: f64,
    /// Effective degrees of freedom of the uncertainty.
    pub degrees: f64,
    /// How many sets there are.
    pub sets: usize,
}

/// How a measure changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// It rose.
    Up,
    /// It fell.
    Down,
    /// No change is seen beyond what is not known.
    None,
}

impl Change {
    /// The word in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Down => "down",
            Self::None => "none",
        }
    }
}

/// After minus before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// The difference (SI).
    pub value: f64,
    /// Its standard uncertainty (SI, k = 1).
    pub uncertainty: f64,
    /// The interval that holds the true difference with 95 % probability (SI).
    pub interval_95: [f64; 2],
    /// What it says.
    pub change: Change,
}

/// The mean of a measure over the sets of one side; `None` where there is no set.
///
/// ```
/// use settled::engine::compare::{Measured, pool};
/// // By hand: mean 11, scatter 1/√3 = 0.577 beside the probes' own 0.5: √(0.25 + 0.333) = 0.764.
/// let sets = [10.0, 11.0, 12.0].map(|value| Measured { value, uncertainty: 0.5 });
/// let pooled = pool(&sets).unwrap();
/// assert_eq!(pooled.value, 11.0);
/// assert!((pooled.uncertainty - 0.7638).abs() < 1e-4);
/// ```
pub fn pool(sets: &[Measured]) -> Option<Pooled> {
    let first = sets.first()?;
    // The sets share the probes' errors: the largest stands for all.
    let stated = sets.iter().map(|set| set.uncertainty).fold(first.uncertainty, f64::max);
    let values: Vec<f64> = sets.iter().map(|set| set.value).collect();
    let (value, scatter) = match estimate(&values) {
        Some(estimate) => (estimate.mean, estimate.uncertainty),
        None => (first.value, 0.0),
    };
    let parts = [(stated, DEGREES_STATED), (scatter, (sets.len() as f64 - 1.0).max(1.0))];
    let degrees = effective_degrees(&parts).unwrap_or(DEGREES_STATED);
    let uncertainty = combined(&parts.map(|(u, _)| Component::normal(u)));
    Some(Pooled { value, uncertainty, degrees, sets: sets.len() })
}

/// The interval that holds the pooled value with 95 % probability (SI).
pub fn interval_95(pooled: &Pooled) -> [f64; 2] {
    let half = coverage(pooled.degrees) * pooled.uncertainty;
    [pooled.value - half, pooled.value + half]
}

/// After minus before, with what it says (JCGM 100, annex G: Student's t with the effective
/// degrees of freedom of Welch and Satterthwaite).
///
/// ```
/// use settled::engine::compare::{Change, Measured, difference, pool};
/// let one = |value| pool(&[Measured { value, uncertainty: 0.3 }]).unwrap();
/// // By hand: u = 0.3·√2 = 0.424, half-width 1.96 u = 0.83.
/// let found = difference(&one(5.0), &one(6.0));
/// assert!((found.interval_95[0] - 0.168).abs() < 1e-3);
/// assert_eq!(found.change, Change::Up);
/// assert_eq!(difference(&one(5.0), &one(5.8)).change, Change::None);
/// ```
pub fn difference(before: &Pooled, after: &Pooled) -> Difference {
    let value = after.value - before.value;
    let parts = [(before.uncertainty, before.degrees), (after.uncertainty, after.degrees)];
    let degrees = effective_degrees(&parts).unwrap_or(DEGREES_STATED);
    let uncertainty = combined(&parts.map(|(u, _)| Component::normal(u)));
    let half = coverage(degrees) * uncertainty;
    let interval_95 = [value - half, value + half];
    let change = match interval_95 {
        [low, _] if low > 0.0 => Change::Up,
        [_, high] if high < 0.0 => Change::Down,
        _ => Change::None,
    };
    Difference { value, uncertainty, interval_95, change }
}

/// How many standard uncertainties hold 95 %, rounded before it decides anything.
fn coverage(degrees: f64) -> f64 {
    // Without a distribution the interval is as wide as that of one degree of freedom.
    let wide = StudentsT::new(0.0, 1.0, degrees.clamp(1.0, DEGREES_STATED));
    wide.map_or(12.7062, |student| (student.inverse_cdf(0.975) * 1e4).round() / 1e4)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coverage_is_that_of_the_published_table() {
        // JCGM 100, table G.2, p = 95 %.
        for (degrees, published) in
            [(1.0, 12.71), (2.0, 4.30), (5.0, 2.57), (10.0, 2.23), (50.0, 2.01), (1e9, 1.960)]
        {
            assert!((coverage(degrees) - published).abs() < 0.006, "{degrees}");
        }
    }

    #[test]
    fn more_sets_take_scatter_away_and_not_what_they_share() {
        let sets = |n: usize| -> Vec<Measured> {
            (0..n)
                .map(|i| Measured { value: 10.0 + 0.1 * (i % 2) as f64, uncertainty: 0.5 })
                .collect()
        };
        let (few, many) = (pool(&sets(2)).unwrap(), pool(&sets(40)).unwrap());
        assert!(many.uncertainty < few.uncertainty && many.uncertainty > 0.5);
        assert_eq!(pool(&[]), None);
    }

    #[test]
    fn two_scattered_sets_prove_little() {
        let sets = [5.0, 9.0].map(|value| Measured { value, uncertainty: 0.1 });
        let other = [11.0, 13.0].map(|value| Measured { value, uncertainty: 0.1 });
        let found = difference(&pool(&sets).unwrap(), &pool(&other).unwrap());
        assert_eq!(found.change, Change::None, "{found:?}");
    }
}
