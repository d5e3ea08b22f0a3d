//! The approach: where a channel is going, and when it will be found to hold still.
//!
//! A start-up follows a sum of two exponentials (Kim & Bullard's abstract on a cooling start-up,
//! see the published methods). The fast one is over within a minute or two; through the later part
//! of the run goes one exponential, `y = a + b·exp(−t/τ)`, by least squares over a grid of τ. The
//! values of τ that fit about as well give the interval. Where they disagree widely there is no
//! number.

use std::collections::VecDeque;

use crate::engine::settle::Limits;
use crate::engine::window::Block;

/// The slowest time constant tried (s), and how many; each is 1/√2 of the one before.
const SLOWEST_S: f64 = 2_400.0;
const TRIED: usize = 14;
/// What is left out after the start: dead times and the fast exponential (s, 20 to 120; default 60).
const SKIPPED_S: f64 = 60.0;
/// Share of the run, the latest, that is fitted (0.4 to 0.9; default 0.7).
const LATEST: f64 = 0.7;
/// Fewest and most points fitted; more are averaged by twos, threes and so on.
const POINTS_MIN: usize = 8;
const POINTS_MAX: usize = 48;
/// A fit is as good as the best within this many variances (F of one and some degrees of freedom
/// at 95 %, 4, times 2.5 for the correlation of what is left over).
const AS_GOOD: f64 = 10.0;
/// No number is given where the end of the interval lies more than this beyond (ratio, s).
const RATIO_MAX: f64 = 3.0;
const APART_S_MAX: f64 = 600.0;
/// What a fit cannot know: a slower exponential behind this one, the house, the weather (shares
/// of the time left). Chosen so that the intervals hold about 90 % in the settling study.
const SOONER: f64 = 0.25;
const LATER: f64 = 0.4;

/// Where a channel is going.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Approach {
    /// The level it goes to (K), a forecast.
    pub level: f64,
    /// Standard uncertainty of that level (K).
    pub level_uncertainty: f64,
    /// Time constant of the way there (s).
    pub time_constant_s: f64,
    /// Time until it will be found to hold (s): likely, at the least, at the most.
    pub left_s: [f64; 3],
}

/// One fit: squares left over, level, amplitude at the first point.
#[derive(Debug, Clone, Copy)]
struct Fit {
    squares: f64,
    level: f64,
    amplitude: f64,
}

/// Fits the approach of a channel that has been settling since `since_s`; `margin` is the present
/// half-width of its drift (K/s), which must also fit within the limit.
pub fn approach(
    blocks: &VecDeque<Block>,
    since_s: f64,
    limits: &Limits,
    margin: f64,
) -> Option<Approach> {
    let now_s = blocks.back()?.to_s;
    let run_s = now_s - since_s;
    let from_s = (since_s + SKIPPED_S).max(now_s - LATEST * run_s);
    let points = thinned(blocks, from_s);
    if points.len() < POINTS_MIN {
        return None;
    }
    let first_s = points[0].0;
    let fits = fit_all(&points);
    let best = (0..TRIED).min_by(|a, b| fits[*a].squares.total_cmp(&fits[*b].squares))?;
    let freedom = (points.len() - 3) as f64;
    let limit = fits[best].squares * (1.0 + AS_GOOD / freedom) + 1e-9;

    let enough = limits.drift_k_per_s_max - margin.min(0.6 * limits.drift_k_per_s_max);
    // The call needs a whole window of this run.
    let earliest = (since_s + limits.window_s - now_s).max(0.0);
    let left = |tau: f64, fit: &Fit| {
        let reached = still_after(tau, fit.amplitude.abs(), limits.window_s, enough);
        (first_s + reached - now_s).max(earliest)
    };
    if best == 0 {
        // As good as straight: no end is in sight.
        return None;
    }
    let (tau, fit) = refined(&points, tau_of(best));
    let likely = left(tau, &fit);
    let (mut low, mut high) = (likely, likely);
    let (mut lowest, mut highest) = (fit.level, fit.level);
    for (place, other) in fits.iter().enumerate().filter(|(_, other)| other.squares <= limit) {
        let reached = left(tau_of(place), other);
        low = low.min(reached);
        high = high.max(reached);
        lowest = lowest.min(other.level);
        highest = highest.max(other.level);
    }
    let (low, high) = (low * (1.0 - SOONER) - 10.0, high * (1.0 + LATER) + 20.0);
    if high > RATIO_MAX * likely.max(1.0) && high - likely > APART_S_MAX {
        return None;
    }
    let scatter = (fits[best].squares / freedom).sqrt();
    Some(Approach {
        level: fit.level,
        // The fits that are as good span two standard uncertainties to each side.
        level_uncertainty: libm::hypot((highest - lowest) / 4.0, scatter),
        time_constant_s: tau,
        left_s: [likely, low.max(0.0), high],
    })
}

fn tau_of(place: usize) -> f64 {
    let halvings = (place / 2) as i32;
    let tau = libm::ldexp(SLOWEST_S, -halvings);
    if place.is_multiple_of(2) { tau } else { tau * std::f64::consts::FRAC_1_SQRT_2 }
}

/// When (s after the first point) a line through a window's length of `amplitude·exp(−t/τ)` has
/// become as flat as `enough` (K/s). The end of that window.
fn still_after(tau: f64, amplitude: f64, window_s: f64, enough: f64) -> f64 {
    let u = window_s / tau;
    let decay = libm::exp(-u);
    // Slope of the least-squares line through exp(−s/τ), 0 ≤ s ≤ window, in closed form.
    let flat = 12.0 / (window_s * u * u) * (0.5 * u * (1.0 + decay) - (1.0 - decay));
    let start = tau * libm::log((amplitude * flat.max(1e-12) / enough).max(1e-12));
    start + window_s
}

/// Blocks from `from_s` on as points (s, K), averaged so that there are not too many.
fn thinned(blocks: &VecDeque<Block>, from_s: f64) -> Vec<(f64, f64)> {
    let first = blocks.partition_point(|block| block.from_s < from_s);
    let count = blocks.len() - first;
    let stride = count.div_ceil(POINTS_MAX).max(1);
    let whole = count / stride;
    // What does not fill a stride is left out at the old end.
    let first = blocks.len() - whole * stride;
    (0..whole)
        .map(|k| {
            let part = blocks.range(first + k * stride..first + (k + 1) * stride);
            let (t, x) = part.fold((0.0, 0.0), |(t, x), block| (t + block.t, x + block.x));
            (t / stride as f64, x / stride as f64)
        })
        .collect()
}

/// All fits of the grid. Two exponentials a point suffice: half the time constant is the square.
fn fit_all(points: &[(f64, f64)]) -> [Fit; TRIED] {
    let n = points.len() as f64;
    let (first_t, first_y) = points[0];
    let (mut se, mut see, mut sey) = ([0.0; TRIED], [0.0; TRIED], [0.0; TRIED]);
    let (mut sy, mut syy) = (0.0, 0.0);
    for (t, y) in points {
        let y = y - first_y;
        sy += y;
        syy += y * y;
        let mut even = libm::exp(-(t - first_t) / tau_of(0));
        let mut odd = libm::exp(-(t - first_t) / tau_of(1));
        for pair in 0..TRIED / 2 {
            for (place, e) in [(2 * pair, even), (2 * pair + 1, odd)] {
                se[place] += e;
                see[place] += e * e;
                sey[place] += e * y;
            }
            even *= even;
            odd *= odd;
        }
    }
    std::array::from_fn(|k| {
        let (across, along) = (see[k] - se[k] * se[k] / n, sey[k] - se[k] * sy / n);
        let amplitude = if across > 1e-9 { along / across } else { 0.0 };
        Fit {
            squares: (syy - sy * sy / n - amplitude * along).max(0.0),
            level: first_y + (sy - amplitude * se[k]) / n,
            amplitude,
        }
    })
}

fn fit_one(points: &[(f64, f64)], tau: f64) -> Fit {
    let n = points.len() as f64;
    let (first_t, first_y) = points[0];
    let (mut se, mut see, mut sey, mut sy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (t, y) in points {
        let (e, y) = (libm::exp(-(t - first_t) / tau), y - first_y);
        se += e;
        see += e * e;
        sey += e * y;
        sy += y;
        syy += y * y;
    }
    let (across, along) = (see - se * se / n, sey - se * sy / n);
    let amplitude = if across > 1e-9 { along / across } else { 0.0 };
    Fit {
        squares: (syy - sy * sy / n - amplitude * along).max(0.0),
        level: first_y + (sy - amplitude * se) / n,
        amplitude,
    }
}

/// The time constant between those of the grid, by two parabolas through three least squares.
fn refined(points: &[(f64, f64)], tau: f64) -> (f64, Fit) {
    let mut tau = tau;
    for width in [0.35, 0.1] {
        let squares = |shift: f64| fit_one(points, tau * libm::exp(shift)).squares;
        let (a, b, c) = (squares(-width), squares(0.0), squares(width));
        let bow = a - 2.0 * b + c;
        let shift = if bow > 0.0 { (0.5 * (a - c) / bow).clamp(-1.0, 1.0) } else { 0.0 };
        tau *= libm::exp(shift * width);
    }
    (tau, fit_one(points, tau))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::window::Window;

    const LIMITS: Limits =
        Limits { window_s: 300.0, drift_k_per_s_max: 0.1 / 60.0, spread_k_max: 0.5 };

    fn blocks(length: u32, course: impl Fn(f64) -> f64) -> VecDeque<Block> {
        let mut window = Window::new(10.0, 362);
        for t in 0..length {
            window.take(f64::from(t), course(f64::from(t)));
        }
        window.blocks().clone()
    }

    #[test]
    fn an_exponential_is_foretold() {
        let course = |t: f64| 10.0 + 15.0 * libm::exp(-t / 200.0);
        let found = approach(&blocks(420, course), 0.0, &LIMITS, 0.0).unwrap();
        assert!((found.time_constant_s - 200.0).abs() < 10.0, "{found:?}");
        assert!((found.level - 10.0).abs() < 0.1, "{found:?}");
        // The slope of the line through a window that ends at t, found by trying.
        let slope = |end: f64| {
            let (mut tt, mut tx) = (0.0, 0.0);
            for k in 0..3_000 {
                let s = f64::from(k) * 0.1 - 149.95;
                tt += s * s;
                tx += s * course(end - 150.0 + s);
            }
            (tx / tt).abs()
        };
        let mut end = 420.0;
        while slope(end) > LIMITS.drift_k_per_s_max {
            end += 1.0;
        }
        assert!((found.left_s[0] - (end - 420.0)).abs() < 20.0, "{found:?} {end}");
        assert!(found.left_s[1] <= found.left_s[0] && found.left_s[0] <= found.left_s[2]);
    }

    #[test]
    fn a_straight_drift_has_no_end_in_sight() {
        assert_eq!(approach(&blocks(600, |t| 20.0 + 0.02 * t), 0.0, &LIMITS, 0.0), None);
    }
}
