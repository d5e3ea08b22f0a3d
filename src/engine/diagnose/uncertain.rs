//! A value that carries where its uncertainty comes from, so that what two values share is not
//! counted twice.

use crate::physics::uncertainty::{Component, Shape, coverage_half_width};

/// What makes a value uncertain: one independent error of one reading or of the job.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// The value of the set that it belongs to; `None` for what the job tells.
    pub value: Option<usize>,
    /// What it is, in words.
    pub what: &'static str,
    /// How it is distributed.
    pub shape: Shape,
}

/// All independent errors of one set.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sources {
    list: Vec<Source>,
}

impl Sources {
    /// Notes one more source and gives its number.
    pub fn add(&mut self, source: Source) -> u16 {
        self.list.push(source);
        (self.list.len() - 1) as u16
    }

    /// The source of this number.
    pub fn get(&self, number: u16) -> Source {
        self.list[usize::from(number)]
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }
}

/// A value with its dependence on each source: `(source, signed standard uncertainty)`, by source.
///
/// Linear propagation (JCGM 100, 5.1 and 5.2): sums and multiples keep the sign of each term, so
/// correlation through a shared source comes out by itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Uncertain {
    /// The value (SI).
    pub value: f64,
    terms: Vec<(u16, f64)>,
}

impl Uncertain {
    /// A value that depends on nothing uncertain.
    pub fn exact(value: f64) -> Self {
        Self { value, terms: Vec::new() }
    }

    /// Adds a dependence; sources are added in rising order.
    pub fn push(&mut self, source: u16, uncertainty: f64) {
        self.terms.push((source, uncertainty));
    }

    /// Its dependences, by source.
    pub fn terms(&self) -> &[(u16, f64)] {
        &self.terms
    }

    /// `a·self + b·other`, with this value in place of the sum's.
    #[must_use]
    pub fn mix(&self, a: f64, other: &Self, b: f64, value: f64) -> Self {
        let mut terms = Vec::with_capacity(self.terms.len() + other.terms.len());
        let (mut i, mut j) = (0, 0);
        while i < self.terms.len() || j < other.terms.len() {
            let left = self.terms.get(i).map_or(u16::MAX, |t| t.0);
            let right = other.terms.get(j).map_or(u16::MAX, |t| t.0);
            let mut sum = 0.0;
            if left <= right {
                sum += a * self.terms[i].1;
                i += 1;
            }
            if right <= left {
                sum += b * other.terms[j].1;
                j += 1;
            }
            terms.push((left.min(right), sum));
        }
        Self { value, terms }
    }

    /// The difference.
    #[must_use]
    pub fn minus(&self, other: &Self) -> Self {
        self.mix(1.0, other, -1.0, self.value - other.value)
    }

    /// The sum.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        self.mix(1.0, other, 1.0, self.value + other.value)
    }

    /// The value after a function of it, with the function's slope here.
    #[must_use]
    pub fn mapped(&self, value: f64, slope: f64) -> Self {
        Self { value, terms: self.terms.iter().map(|(s, u)| (*s, u * slope)).collect() }
    }

    /// A function of this value alone; the slope is taken over a small part of its uncertainty.
    pub fn apply(&self, f: impl Fn(f64) -> Option<f64>) -> Option<Self> {
        let value = f(self.value)?;
        let slope = slope(&f, self.value, value, self.step());
        Some(self.mapped(value, slope))
    }

    /// A function of two values.
    pub fn apply_two(&self, other: &Self, f: impl Fn(f64, f64) -> Option<f64>) -> Option<Self> {
        let value = f(self.value, other.value)?;
        let a = slope(|x| f(x, other.value), self.value, value, self.step());
        let b = slope(|y| f(self.value, y), other.value, value, other.step());
        Some(self.mix(a, other, b, value))
    }

    /// A step over which a smooth function is a straight line.
    fn step(&self) -> f64 {
        (0.02 * self.uncertainty()).max(1e-7 * self.value.abs()).max(1e-9)
    }

    /// Whether it depends on a source for which `is` holds.
    pub fn depends_on(&self, sources: &Sources, is: impl Fn(Source) -> bool) -> bool {
        self.terms.iter().any(|(source, _)| is(sources.get(*source)))
    }

    /// Variance.
    pub fn variance(&self) -> f64 {
        self.terms.iter().map(|(_, u)| u * u).sum()
    }

    /// Standard uncertainty.
    pub fn uncertainty(&self) -> f64 {
        self.variance().sqrt()
    }

    /// Covariance with another value of the same sources.
    pub fn covariance(&self, other: &Self) -> f64 {
        let (mut i, mut j, mut sum) = (0, 0, 0.0);
        while let (Some(a), Some(b)) = (self.terms.get(i), other.terms.get(j)) {
            match a.0.cmp(&b.0) {
                core::cmp::Ordering::Less => i += 1,
                core::cmp::Ordering::Greater => j += 1,
                core::cmp::Ordering::Equal => {
                    sum += a.1 * b.1;
                    i += 1;
                    j += 1;
                }
            }
        }
        sum
    }

    /// Half-width of the interval that holds the true value with 95 % probability.
    pub fn half_width(&self, sources: &Sources) -> f64 {
        let mut components = [Component::normal(0.0); 32];
        let mut rest = 0.0;
        for (i, (source, u)) in self.terms.iter().enumerate() {
            match components.get_mut(i) {
                Some(place) => {
                    *place = Component { shape: sources.get(*source).shape, uncertainty: *u };
                }
                None => rest += u * u,
            }
        }
        let used = self.terms.len().min(32);
        if rest > 0.0 {
            let last = components[31].uncertainty;
            components[31] = Component::normal((last * last + rest).sqrt());
        }
        coverage_half_width(&components[..used])
    }
}

/// Slope of `f` at `x`, over `step` upwards, or downwards where `f` ends above.
fn slope(f: impl Fn(f64) -> Option<f64>, x: f64, at_x: f64, step: f64) -> f64 {
    let upwards = f(x + step).map(|above| (above - at_x) / step);
    upwards.or_else(|| f(x - step).map(|below| (at_x - below) / step)).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sources() -> Sources {
        let mut sources = Sources::default();
        for what in ["own", "shared", "other"] {
            sources.add(Source { value: None, what, shape: Shape::Normal });
        }
        sources
    }

    fn value(value: f64, terms: &[(u16, f64)]) -> Uncertain {
        let mut made = Uncertain::exact(value);
        for (source, uncertainty) in terms {
            made.push(*source, *uncertainty);
        }
        made
    }

    #[test]
    fn what_two_readings_share_leaves_their_difference() {
        let (a, b) = (value(30.0, &[(0, 0.3), (1, 0.4)]), value(20.0, &[(1, 0.4), (2, 0.3)]));
        let difference = a.minus(&b);
        // JCGM 100, 5.2.2: u² = u₁² + u₂² − 2·r·u₁·u₂ with r = 0.16 / 0.25.
        let expected = (0.25_f64 + 0.25 - 2.0 * 0.64 * 0.25).sqrt();
        assert!((difference.uncertainty() - expected).abs() < 1e-12);
        assert!((a.covariance(&b) - 0.16).abs() < 1e-12);
        assert!((a.plus(&b).variance() - 0.82).abs() < 1e-12);
    }

    #[test]
    fn a_function_scales_by_its_slope() {
        let x = value(3.0, &[(0, 0.1)]);
        let square = x.apply(|x| Some(x * x)).unwrap();
        assert!((square.uncertainty() - 0.6).abs() < 1e-3);
        let product = x.apply_two(&value(2.0, &[(2, 0.2)]), |a, b| Some(a * b)).unwrap();
        assert!((product.uncertainty() - (0.04_f64 + 0.36).sqrt()).abs() < 1e-6);
        assert!((product.half_width(&sources()) / product.uncertainty() - 1.96).abs() < 1e-3);
    }
}
