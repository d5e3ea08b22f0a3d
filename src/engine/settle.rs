//! Settling: whether a channel holds still, shown with 95 % confidence, over a window that grows
//! until it can be shown.
//!
//! The drift is the slope of a least-squares line through block averages. What the blocks leave
//! over tells the noise and how long it lasts: its first autocorrelation widens the slope's
//! interval and takes degrees of freedom away (an AR(1) correction; Zwiers & von Storch 1995, from
//! memory). A channel holds when the whole one-sided 95 % bound of |drift| lies within the limit
//! (two one-sided tests), so few or noisy readings never pass for stillness.

use std::collections::VecDeque;

use crate::engine::window::Block;

/// Lengths of window that are tried, as multiples of the shortest.
pub const GROWTH: [f64; 8] = [1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0];
/// Fewest blocks that a line is laid through (4 to 20; default 6).
const BLOCKS_MIN: usize = 6;

/// When a channel holds still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Shortest window (s).
    pub window_s: f64,
    /// Largest drift (K/s).
    pub drift_k_per_s_max: f64,
    /// Largest standard deviation (K).
    pub spread_k_max: f64,
}

/// A stretch of a channel, laid on a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// First reading (s).
    pub from_s: f64,
    /// Last reading (s).
    pub to_s: f64,
    /// Mean (K).
    pub mean: f64,
    /// Standard uncertainty of the mean from scatter, its correlation accounted for (K).
    pub mean_uncertainty: f64,
    /// Drift (K/s).
    pub drift: f64,
    /// Half-width of the drift's one-sided 95 % bound, the probe's step included (K/s).
    pub drift_margin: f64,
    /// Of that, what is due to the probe's step (K/s).
    pub step_margin: f64,
    /// Standard deviation of the readings (K).
    pub spread: f64,
    /// The same about the line (K): in a window that has grown, a drift within the limit alone
    /// spreads the readings.
    pub scatter: f64,
    /// First autocorrelation of what the line leaves over (0 to 0.95).
    pub correlation: f64,
}

/// How a channel stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stand {
    /// There are too few readings yet.
    TooFew,
    /// No window tried can tell yet; it grows.
    Growing,
    /// It drifts faster than the limit, for sure.
    Drifts,
    /// It does not drift, but spreads wider than the limit.
    Spreads,
    /// It holds.
    Holds,
    /// The probe's step is so coarse that no window can tell.
    CannotShow,
}

/// How a channel stands, and the stretch that shows it best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// How it stands.
    pub stand: Stand,
    /// The longest stretch looked at; `None` with too few readings.
    pub stretch: Option<Stretch>,
    /// The window that will be needed, as far as can be told (s).
    pub window_s: f64,
}

/// Judges a channel by its blocks, the newest last; `step` is the probe's (K, 0 where fine).
pub fn judge(blocks: &VecDeque<Block>, limits: &Limits, step: f64) -> Judgement {
    let mut judgement =
        Judgement { stand: Stand::TooFew, stretch: None, window_s: limits.window_s };
    let Some(last) = blocks.back() else { return judgement };
    for growth in GROWTH {
        let length_s = growth * limits.window_s;
        let first = blocks.partition_point(|block| block.from_s < last.to_s - length_s * 1.001);
        let usual = (last.to_s - blocks[0].from_s) / blocks.len() as f64;
        let filled = last.to_s - blocks[first].from_s + usual;
        if filled < length_s * 0.98 {
            break;
        }
        judgement.window_s = length_s;
        if blocks.len() - first < BLOCKS_MIN {
            // Known beforehand: a line needs this many readings, whatever they show.
            judgement.window_s = length_s.max(usual * BLOCKS_MIN as f64);
            continue;
        }
        let stretch = lay(blocks, first, step);
        judgement.stretch = Some(stretch);
        let drift = stretch.drift.abs();
        if drift - stretch.drift_margin > limits.drift_k_per_s_max {
            judgement.stand = Stand::Drifts;
            return judgement;
        }
        if drift + stretch.drift_margin <= limits.drift_k_per_s_max {
            let quiet = stretch.scatter <= limits.spread_k_max;
            judgement.stand = if quiet { Stand::Holds } else { Stand::Spreads };
            return judgement;
        }
        judgement.stand = Stand::Growing;
        // What the step alone takes can be told beforehand: it shrinks as the window grows.
        let needed_s = length_s * stretch.step_margin / limits.drift_k_per_s_max;
        if needed_s > limits.window_s * GROWTH[GROWTH.len() - 1] {
            judgement.stand = Stand::CannotShow;
            judgement.window_s = needed_s;
            return judgement;
        }
    }
    judgement
}

/// The last line that was laid, for who asks for the same one again.
#[derive(Debug, Clone, Copy, Default)]
pub struct Laid(Option<(usize, Stretch)>);

impl Laid {
    /// Lays a line through the blocks from `first` on, of a probe without a step, unless that is
    /// what it did last.
    pub fn lay(&mut self, blocks: &VecDeque<Block>, first: usize) -> Stretch {
        let ends = (blocks[first].from_s, blocks[blocks.len() - 1].to_s);
        let count = blocks.len() - first;
        // No block changes once it is complete, so those between the same two are the same.
        let same = |(n, at): &(usize, Stretch)| *n == count && (at.from_s, at.to_s) == ends;
        match self.0.filter(same) {
            Some((_, stretch)) => stretch,
            None => self.0.insert((count, lay(blocks, first, 0.0))).1,
        }
    }
}

/// Lays a line through the blocks from `first` on.
pub fn lay(blocks: &VecDeque<Block>, first: usize, step: f64) -> Stretch {
    let count = blocks.len() - first;
    let n = count as f64;
    let (from_s, to_s) = (blocks[first].from_s, blocks[blocks.len() - 1].to_s);
    // Times from the middle keep the sums small, so that no digits are lost late in a session.
    let middle = f64::midpoint(from_s, to_s);
    let (mut st, mut sx, mut stt, mut stx) = (0.0, 0.0, 0.0, 0.0);
    let origin = blocks[first].x;
    for block in blocks.range(first..) {
        let (t, x) = (block.t - middle, block.x - origin);
        st += t;
        sx += x;
        stt += t * t;
        stx += t * x;
    }
    let (mean_t, mean_x) = (st / n, sx / n);
    let across = stt - n * mean_t * mean_t;
    let drift = if across > 0.0 { (stx - n * mean_t * mean_x) / across } else { 0.0 };

    // What an approach bends within the window is no noise: it is taken out before the noise is
    // measured, and leaves the slope as it is.
    let (mut sqq, mut sqt, mut sq) = (0.0, 0.0, 0.0);
    for block in blocks.range(first..) {
        let t = block.t - middle - mean_t;
        sq += t * t;
        sqt += t * t * t;
        sqq += t * t * t * t;
    }
    let (q_mean, q_slope) = (sq / n, if across > 0.0 { sqt / across } else { 0.0 });
    let q_square = sqq - n * q_mean * q_mean - q_slope * q_slope * across;
    let bow_of = |t: f64| t * t - q_mean - q_slope * t;
    let mut bow = 0.0;
    for block in blocks.range(first..) {
        bow += bow_of(block.t - middle - mean_t) * (block.x - origin - mean_x);
    }
    let bow = if q_square > 1e-9 * sqq { bow / q_square } else { 0.0 };

    let (mut squares, mut products, mut within) = (0.0, 0.0, 0.0);
    let (mut about_mean, mut about_line) = (0.0, 0.0);
    let (mut readings, mut before) = (0_u32, 0.0);
    for block in blocks.range(first..) {
        let (t, x) = (block.t - middle - mean_t, block.x - origin - mean_x);
        let off = x - drift * t - bow * bow_of(t);
        squares += off * off;
        products += off * before;
        within += block.within;
        about_mean += f64::from(block.readings) * x * x;
        about_line += f64::from(block.readings) * (x - drift * t) * (x - drift * t);
        readings += block.readings;
        before = off;
    }
    let correlation = corrected(if squares > 0.0 { products / squares } else { 0.0 }, n);
    let inflation = (1.0 + correlation) / (1.0 - correlation);
    let freedom = (n / inflation - 3.0).max(1.0);
    let variance = squares / (n - 3.0).max(1.0);
    let span = (to_s - from_s).max(1.0);
    let single = f64::from(readings);
    let noise = within / (single - n).max(1.0) + variance;
    let step_margin = step_margin(step, noise, span);
    let drift_sd = if across > 0.0 { (variance * inflation / across).sqrt() } else { 0.0 };
    Stretch {
        from_s,
        to_s,
        mean: origin + mean_x,
        mean_uncertainty: (variance * inflation / n).sqrt(),
        drift,
        drift_margin: student_95(freedom) * drift_sd + step_margin,
        step_margin,
        spread: ((within + about_mean) / (single - 1.0).max(1.0)).sqrt(),
        scatter: ((within + about_line) / (single - 2.0).max(1.0)).sqrt(),
        correlation,
    }
}

/// A first autocorrelation put right for its bias: of white noise about a bent line through n
/// points it comes out near −3/n, and a true ρ short by about 4ρ/n (Kendall & Stuart, from memory).
fn corrected(correlation: f64, n: f64) -> f64 {
    (correlation + (3.0 + 4.0 * correlation.max(0.0)) / n).clamp(0.0, 0.95)
}

/// How much drift (K/s) may hide behind a probe's step (K) over `span` seconds.
///
/// A value without noise may creep by a whole step unseen: `step/span`. Noise of standard
/// deviation σ dithers it: the mean of a rounded value is off by at most
/// `step/π · exp(−2π²σ²/step²)` (first harmonic of the rounding error; Widrow, from memory), and
/// the two ends and the middle of a line may be off by that: `3/span` times it, which without
/// noise is the whole step again. The variance of the readings holds step²/12 of rounding itself.
fn step_margin(step: f64, variance: f64, span: f64) -> f64 {
    if step <= 0.0 {
        return 0.0;
    }
    let dither = (variance / (step * step) - 1.0 / 12.0).max(0.0);
    let pi = std::f64::consts::PI;
    3.0 * step / pi * libm::exp(-2.0 * pi * pi * dither) / span
}

/// The 95 % point of Student's t for `freedom` degrees of freedom (1 or more), rounded down to
/// whole ones; above 30 by two terms of its expansion about the normal.
///
/// Values: scipy 1.17.1, `scipy.stats.t.ppf(0.95, n)`.
pub fn student_95(freedom: f64) -> f64 {
    const TABLE: [f64; 30] = [
        6.313752, 2.919986, 2.353363, 2.131847, 2.015048, 1.943180, 1.894579, 1.859548, 1.833113,
        1.812461, 1.795885, 1.782288, 1.770933, 1.761310, 1.753050, 1.745884, 1.739607, 1.734064,
        1.729133, 1.724718, 1.720743, 1.717144, 1.713872, 1.710882, 1.708141, 1.705618, 1.703288,
        1.701131, 1.699127, 1.697261,
    ];
    let whole = freedom.max(1.0) as usize;
    TABLE.get(whole - 1).copied().unwrap_or_else(|| {
        let z = 1.644_853_626_951_473;
        z + z * (z * z + 1.0) / (4.0 * freedom)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::window::Window;

    const LIMITS: Limits =
        Limits { window_s: 300.0, drift_k_per_s_max: 0.1 / 60.0, spread_k_max: 0.5 };

    /// Readings each second in blocks of ten, with white noise of this half-width.
    fn blocks(seconds: u32, noise: f64, course: impl Fn(f64) -> f64) -> VecDeque<Block> {
        let (mut window, mut state) = (Window::new(10.0, 362), 5_u64);
        for t in 0..seconds {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let share = (state >> 40) as f64 / f64::from(1 << 24);
            window.take(f64::from(t), course(f64::from(t)) + noise * (2.0 * share - 1.0));
        }
        window.blocks().clone()
    }

    #[test]
    fn a_line_gives_its_own_slope_mean_and_spread() {
        // x = 10 + 0.002·t over 0 to 599 s: mean 10.599; the spread of a ramp is its height, 1.2 K,
        // over the square root of 12.
        let stretch = lay(&blocks(601, 0.0, |t| 10.0 + 0.002 * t), 0, 0.0);
        assert!((stretch.drift - 0.002).abs() < 1e-9, "{stretch:?}");
        assert!((stretch.mean - 10.599).abs() < 1e-9, "{stretch:?}");
        assert!((stretch.spread - 1.2 / 12.0_f64.sqrt()).abs() < 0.002, "{stretch:?}");
    }

    #[test]
    fn white_noise_gives_the_mean_s_uncertainty_of_the_textbook() {
        // Uniform noise of ±0.3 K has σ = 0.173 K; of 600 readings σ/√600 = 0.0071 K. The correlation
        // that is estimated from 60 blocks makes it up to a half wider.
        let stretch = lay(&blocks(601, 0.3, |_| 10.0), 0, 0.0);
        assert!((0.005..0.0107).contains(&stretch.mean_uncertainty), "{stretch:?}");
        assert!((stretch.spread - 0.173).abs() < 0.01, "{stretch:?}");
    }

    #[test]
    fn a_channel_stands_as_it_moves() {
        let check = |blocks: &VecDeque<Block>, step: f64, expected: Stand| {
            let judgement = judge(blocks, &LIMITS, step);
            assert_eq!(judgement.stand, expected, "{judgement:?}");
        };
        check(&blocks(200, 0.1, |_| 10.0), 0.0, Stand::TooFew);
        check(&blocks(400, 0.1, |_| 10.0), 0.0, Stand::Holds);
        check(&blocks(400, 0.1, |t| 10.0 + 0.2 / 60.0 * t), 0.0, Stand::Drifts);
        check(&blocks(400, 1.0, |_| 10.0), 0.0, Stand::Spreads);
        // Just at the limit nothing can be shown, so it is not called still.
        check(&blocks(400, 0.1, |t| 10.0 + 0.1 / 60.0 * t), 0.0, Stand::Growing);
        // A step of 9 K without noise hides 0.1 K a minute for longer than any window.
        check(&blocks(400, 0.0, |_| 9.0), 9.0, Stand::CannotShow);
    }

    #[test]
    fn the_window_grows_until_a_coarse_probe_can_show_it() {
        // A step of 1 K may hide 1 K over the window: 600 s at 0.1 K a minute.
        assert_eq!(judge(&blocks(500, 0.0, |_| 10.0), &LIMITS, 1.0).stand, Stand::Growing);
        let judgement = judge(&blocks(1_000, 0.0, |_| 10.0), &LIMITS, 1.0);
        assert_eq!(judgement.stand, Stand::Holds);
        assert!(judgement.window_s >= 600.0, "{judgement:?}");
    }

    #[test]
    fn student_s_quantile_goes_over_smoothly_to_its_expansion() {
        // 1.695519 for 31 and 1.660234 for 100, from memory of the usual tables. The next term of the
        // expansion is 1.5e-3 at 31 and a tenth of that at 100.
        assert!((student_95(31.0) - 1.695_519).abs() < 2e-3);
        assert!((student_95(100.0) - 1.660_234).abs() < 2e-4);
        assert_eq!(student_95(0.2), student_95(1.0));
    }
}
