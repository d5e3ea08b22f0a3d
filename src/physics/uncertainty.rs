//! Uncertainty of a measurement, after JCGM 100 (GUM) and, for intervals, JCGM 101.

use core::f64::consts::{PI, SQRT_2};

/// How an error is distributed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Shape {
    /// The normal distribution.
    Normal,
    /// The rectangular distribution: anything between two limits, and nothing beyond.
    Rectangular,
}

/// One independent contribution to a value's uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// How it is distributed, around zero.
    pub shape: Shape,
    /// Its standard uncertainty (k = 1), in the value's unit.
    pub uncertainty: f64,
}

impl Component {
    /// A normal contribution with this standard uncertainty.
    pub const fn normal(uncertainty: f64) -> Self {
        Self { shape: Shape::Normal, uncertainty }
    }

    /// A contribution that lies anywhere within ± `half_width`: `u = a / √3`.
    ///
    /// Source: JCGM 100, 4.3.7.
    pub fn rectangular(half_width: f64) -> Self {
        Self { shape: Shape::Rectangular, uncertainty: half_width / 3f64.sqrt() }
    }

    /// A triangular contribution within ± `half_width`, `u = a / √6`: the same as two rectangular
    /// ones of half the width.
    ///
    /// Source: JCGM 100, 4.3.9.
    pub fn triangular(half_width: f64) -> [Self; 2] {
        [Self::rectangular(half_width / 2.0); 2]
    }
}

/// Combined standard uncertainty of independent contributions: the root of the sum of squares.
///
/// Source: JCGM 100, 5.1.2.
pub fn combined(components: &[Component]) -> f64 {
    components.iter().map(|c| c.uncertainty * c.uncertainty).sum::<f64>().sqrt()
}

/// Half-width of the interval that holds the sum of these errors with 95 % probability.
///
/// Where one contribution dominates, the two widest rectangular ones are convolved with the rest
/// exactly (closed form), the rest taken as normal. Where none does, the quantile is expanded in
/// the sum's cumulants (Cornish and Fisher). Both are within 1 % of Monte-Carlo (JCGM 101).
///
/// ```
/// use settled::physics::uncertainty::{Component, coverage_half_width};
/// // A single rectangular error of ±1 lies within ±0.95 with 95 % probability.
/// let half = coverage_half_width(&[Component::rectangular(1.0)]);
/// assert!((half - 0.95).abs() < 1e-6);
/// ```
pub fn coverage_half_width(components: &[Component]) -> f64 {
    let (mut wide, mut second, mut rest) = (0.0_f64, 0.0_f64, 0.0_f64);
    for component in components {
        let u = component.uncertainty.abs();
        match component.shape {
            Shape::Rectangular if u > wide => {
                rest += second * second;
                (wide, second) = (u, wide);
            }
            Shape::Rectangular if u > second => {
                rest += second * second;
                second = u;
            }
            Shape::Normal | Shape::Rectangular => rest += u * u,
        }
    }
    let total = (rest + wide * wide + second * second).sqrt();
    if total == 0.0 {
        return 0.0;
    }
    if wide * wide < DOMINANT * total * total {
        return total * expanded(components, total);
    }
    // A rectangle much narrower than the whole cannot be told from a normal error, and dividing
    // by its width would lose digits.
    if second < 0.1 * total {
        rest += second * second;
        second = 0.0;
    }
    if wide < 0.1 * total {
        return NORMAL_95 * total;
    }
    let (a, b, s) = (wide * 3f64.sqrt(), second * 3f64.sqrt(), rest.sqrt());
    // The density falls away from zero, so Newton's steps from below never pass the root.
    let mut x = 1.6 * total;
    for _ in 0..10 {
        let (probability, density) = distribution(x, a, b, s);
        let step = (0.975 - probability) / density.max(1e-12 / total);
        x += step;
        if step < 1e-7 * total {
            break;
        }
    }
    x
}

/// Share of the variance over which a rectangular contribution dominates.
const DOMINANT: f64 = 0.45;

/// The 97.5 % point of the sum for unit variance, from its fourth and sixth cumulants.
fn expanded(components: &[Component], total: f64) -> f64 {
    // Cumulants of the rectangle of unit variance: −6/5 and 48/7. The polynomials are those of
    // Cornish and Fisher at 1.96.
    let (mut fourth, mut sixth) = (0.0, 0.0);
    for component in components.iter().filter(|c| c.shape == Shape::Rectangular) {
        let share = (component.uncertainty / total) * (component.uncertainty / total);
        fourth -= 1.2 * share * share;
        sixth += 48.0 / 7.0 * share * share * share;
    }
    NORMAL_95 + 0.068_73 * fourth + 0.096_6 * fourth * fourth - 0.023_57 * sixth
}

/// 97.5 % point of the standard normal distribution.
const NORMAL_95: f64 = 1.959_963_984_540_054;

/// Distribution and density at `x` of the sum of rectangles ±`a` and ±`b` and a normal error `s`.
fn distribution(x: f64, a: f64, b: f64, s: f64) -> (f64, f64) {
    if b == 0.0 {
        let p = (first(x + a, s) - first(x - a, s)) / (2.0 * a);
        return (p, (step(x + a, s) - step(x - a, s)) / (2.0 * a));
    }
    let corners = [(x + a + b, 1.0), (x + a - b, -1.0), (x - a + b, -1.0), (x - a - b, 1.0)];
    let (mut p, mut d) = (0.0, 0.0);
    for (u, sign) in corners {
        p += sign * second_integral(u, s);
        d += sign * first(u, s);
    }
    (p / (4.0 * a * b), d / (4.0 * a * b))
}

/// Normal distribution of standard deviation `s` at `u`.
fn step(u: f64, s: f64) -> f64 {
    if s == 0.0 {
        return if u >= 0.0 { 1.0 } else { 0.0 };
    }
    0.5 * libm::erfc(-u / (s * SQRT_2))
}

/// Normal density of standard deviation `s` at `u`, times `s`².
fn bell(u: f64, s: f64) -> f64 {
    if s == 0.0 { 0.0 } else { s * libm::exp(-0.5 * (u / s) * (u / s)) / (2.0 * PI).sqrt() }
}

/// Integral of [`step`].
fn first(u: f64, s: f64) -> f64 {
    u * step(u, s) + bell(u, s)
}

/// Integral of [`first`].
fn second_integral(u: f64, s: f64) -> f64 {
    0.5 * ((u * u + s * s) * step(u, s) + u * bell(u, s))
}

/// Mean of repeated readings with what is not known of it (type A).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Arithmetic mean.
    pub mean: f64,
    /// Experimental standard deviation of one reading.
    pub deviation: f64,
    /// Standard uncertainty of the mean: `deviation / √n`.
    pub uncertainty: f64,
}

/// The mean of at least two readings.
///
/// Source: JCGM 100, 4.2.
pub fn estimate(readings: &[f64]) -> Option<Estimate> {
    if readings.len() < 2 {
        return None;
    }
    let n = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / n;
    let squares: f64 = readings.iter().map(|x| (x - mean) * (x - mean)).sum();
    let deviation = (squares / (n - 1.0)).sqrt();
    Some(Estimate { mean, deviation, uncertainty: deviation / n.sqrt() })
}

/// Effective degrees of freedom of a combined uncertainty, from `(uncertainty, degrees)` of each.
///
/// Welch–Satterthwaite: `ν = u⁴ / Σ(uᵢ⁴ / νᵢ)`. Source: JCGM 100, G.4.1.
pub fn effective_degrees(contributions: &[(f64, f64)]) -> Option<f64> {
    let square: f64 = contributions.iter().map(|(u, _)| u * u).sum();
    let below: f64 = contributions.iter().map(|(u, degrees)| u * u * u * u / degrees).sum();
    (below > 0.0).then(|| square * square / below)
}

/// A straight line through points, with what is not known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Where `intercept` is taken.
    pub origin: f64,
    /// Value at the origin.
    pub intercept: f64,
    /// Change for each unit of x.
    pub slope: f64,
    /// Standard uncertainty of the intercept.
    pub intercept_uncertainty: f64,
    /// Standard uncertainty of the slope.
    pub slope_uncertainty: f64,
    /// Correlation of intercept and slope.
    pub correlation: f64,
    /// Standard deviation of the points around the line.
    pub deviation: f64,
}

impl Line {
    /// The line's value at `x`, and its standard uncertainty.
    ///
    /// Source: JCGM 100, H.3.4 (correlation included).
    pub fn at(&self, x: f64) -> (f64, f64) {
        let d = x - self.origin;
        let (u1, u2) = (self.intercept_uncertainty, self.slope_uncertainty);
        let square = u1 * u1 + d * d * u2 * u2 + 2.0 * d * u1 * u2 * self.correlation;
        (self.intercept + self.slope * d, square.max(0.0).sqrt())
    }
}

/// The line of least squares through at least three points that do not share one x.
///
/// Source: JCGM 100, H.3.2.
pub fn fit_line(points: &[(f64, f64)], origin: f64) -> Option<Line> {
    let n = points.len() as f64;
    let sum =
        |f: fn(f64, f64) -> f64| -> f64 { points.iter().map(|(x, y)| f(x - origin, *y)).sum() };
    let (sx, sy) = (sum(|x, _| x), sum(|_, y| y));
    let (sxx, sxy) = (sum(|x, _| x * x), sum(|x, y| x * y));
    let d = n * sxx - sx * sx;
    if points.len() < 3 || d <= 0.0 {
        return None;
    }
    let (intercept, slope) = ((sy * sxx - sxy * sx) / d, (n * sxy - sx * sy) / d);
    let miss = |(x, y): &(f64, f64)| y - intercept - slope * (x - origin);
    let squares: f64 = points.iter().map(|point| miss(point) * miss(point)).sum();
    let deviation = (squares / (n - 2.0)).sqrt();
    Some(Line {
        origin,
        intercept,
        slope,
        intercept_uncertainty: deviation * (sxx / d).sqrt(),
        slope_uncertainty: deviation * (n / d).sqrt(),
        correlation: -sx / (n * sxx).sqrt(),
        deviation,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A small generator of random numbers (splitmix64), so that the check needs no other crate.
    struct Random(u64);

    impl Random {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        }

        fn draw(&mut self, component: Component) -> f64 {
            match component.shape {
                Shape::Rectangular => {
                    component.uncertainty * 3f64.sqrt() * (2.0 * self.uniform() - 1.0)
                }
                Shape::Normal => {
                    let radius = (-2.0 * libm::log(1.0 - self.uniform())).sqrt();
                    component.uncertainty * radius * libm::cos(2.0 * PI * self.uniform())
                }
            }
        }
    }

    /// JCGM 101: the interval by Monte-Carlo, 200,000 draws, against the closed form.
    fn check(components: &[Component], tolerance: f64) {
        let mut random = Random(7);
        let mut sums: Vec<f64> = (0..200_000)
            .map(|_| components.iter().map(|c| random.draw(*c)).sum::<f64>().abs())
            .collect();
        sums.sort_by(f64::total_cmp);
        let drawn = sums[190_000];
        let closed = coverage_half_width(components);
        assert!((closed / drawn - 1.0).abs() < tolerance, "{components:?}: {closed} {drawn}");
    }

    #[test]
    fn the_closed_interval_agrees_with_monte_carlo() {
        let (rectangular, normal) = (Component::rectangular, Component::normal);
        // 200,000 draws place the 95 % point within about 0.4 %.
        check(&[rectangular(1.0), normal(0.05)], 0.005);
        check(&[rectangular(1.0), normal(0.5)], 0.005);
        check(&[rectangular(0.2), normal(0.5)], 0.005);
        check(&[rectangular(0.8), normal(0.52)], 0.005);
        check(&[rectangular(1.0), rectangular(0.8), normal(0.3)], 0.007);
        check(&[rectangular(1.0), rectangular(0.6), normal(0.1)], 0.005);
        check(&Component::triangular(1.0), 0.005);
        // Three and more: the rest is taken as normal.
        check(&[rectangular(1.0), rectangular(1.0), rectangular(1.0)], 0.01);
        check(&[rectangular(1.0), rectangular(0.8), rectangular(0.5), normal(0.2)], 0.01);
    }

    #[test]
    fn nothing_unknown_gives_an_interval_of_no_width() {
        assert_eq!(coverage_half_width(&[]), 0.0);
        assert_eq!(coverage_half_width(&[Component::normal(0.0)]), 0.0);
        assert!((coverage_half_width(&[Component::normal(2.0)]) - 3.919_928).abs() < 1e-6);
    }
}
