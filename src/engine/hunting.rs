//! Hunting: a slow, regular swing around a level that holds, as of an expansion valve that opens
//! and shuts in turn with the superheat.

use std::collections::VecDeque;

use crate::engine::window::Block;
use crate::physics::uncertainty::fit_line;

/// Fewest half swings that make a rhythm (4 to 10; default 5).
const HALVES_MIN: usize = 5;
/// How much half swings may differ in length (coefficient of variation, 0.2 to 0.6; default 0.4).
const IRREGULARITY_MAX: f64 = 0.4;
/// Smallest swing from lowest to highest that counts (K, 0.5 to 5; default 1.5).
const SWING_K_MIN: f64 = 1.5;
/// A crossing counts once the course has gone this share of the swing beyond the middle (0.05 to
/// 0.3; default 0.15).
const BEYOND: f64 = 0.15;
/// Longest time looked at (s, 600 to 3,600; default 1,500).
const BACK_S: f64 = 1_500.0;

/// A rhythm in a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hunt {
    /// Time from one highest point to the next (s).
    pub period_s: f64,
    /// From lowest to highest (K).
    pub swing_k: f64,
    /// Drift of the level around which it swings (K/s).
    pub drift: f64,
}

/// Finds a rhythm in the blocks, the newest last; `None` where there is none.
pub fn hunt(blocks: &VecDeque<Block>) -> Option<Hunt> {
    let last = blocks.back()?;
    let first = blocks.partition_point(|block| block.t < last.t - BACK_S);
    let recent: Vec<(f64, f64)> = blocks.range(first..).map(|block| (block.t, block.x)).collect();
    if recent.len() < 2 * HALVES_MIN {
        return None;
    }
    let level = fit_line(&recent, last.t)?;
    let off = |(t, x): &(f64, f64)| x - level.at(*t).0;
    // Root mean square times 2·√2 is the swing of a sine.
    let n = recent.len() as f64;
    let swing_k = level.deviation * (8.0 * (n - 2.0) / n).sqrt();
    if swing_k < SWING_K_MIN {
        return None;
    }
    let mut crossings = Vec::new();
    let (mut side, mut before) = (0.0, 0.0);
    for point in &recent {
        let now = off(point);
        if now.abs() > BEYOND * swing_k && now.signum() != side {
            if side != 0.0 {
                crossings.push(f64::midpoint(before, point.0));
            }
            side = now.signum();
        }
        if now.signum() == side {
            before = point.0;
        }
    }
    let halves: Vec<f64> = crossings.windows(2).map(|pair| pair[1] - pair[0]).collect();
    if halves.len() < HALVES_MIN {
        return None;
    }
    let n = halves.len() as f64;
    let mean = halves.iter().sum::<f64>() / n;
    let variance = halves.iter().map(|half| (half - mean) * (half - mean)).sum::<f64>() / n;
    let regular = variance.sqrt() <= IRREGULARITY_MAX * mean;
    // A rhythm of two blocks cannot be told from noise.
    let slow = mean >= 2.0 * (last.t - recent[0].0) / (recent.len() - 1) as f64;
    (regular && slow).then_some(Hunt { period_s: 2.0 * mean, swing_k, drift: level.slope })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::window::Window;

    fn blocks(course: impl Fn(f64) -> f64) -> VecDeque<Block> {
        let mut window = Window::new(10.0, 360);
        for t in 0..1_500 {
            window.take(f64::from(t), course(f64::from(t)));
        }
        window.blocks().clone()
    }

    #[test]
    fn a_slow_swing_is_found_with_its_period_and_size() {
        let course = |t: f64| 8.0 + 2.0 * libm::sin(t * std::f64::consts::TAU / 180.0);
        let found = hunt(&blocks(course)).unwrap();
        assert!((found.period_s - 180.0).abs() < 6.0, "{found:?}");
        assert!((found.swing_k - 4.0).abs() < 0.3, "{found:?}");
    }

    #[test]
    fn neither_an_approach_nor_irregular_noise_is_a_rhythm() {
        assert_eq!(hunt(&blocks(|t| 8.0 + 20.0 * libm::exp(-t / 300.0))), None);
        let mut state = 1_u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 40) as f64 / f64::from(1 << 24)
        };
        let values: Vec<f64> = (0..1_500).map(|_| noise()).collect();
        assert_eq!(hunt(&blocks(|t| 8.0 + values[t as usize])), None);
    }
}
