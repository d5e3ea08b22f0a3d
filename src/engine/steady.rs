//! The R-statistic of Cao & Rhinehart (1995), formula from memory: evidence beside the decision.
//!
//! It compares the variance about an exponentially weighted mean with that of differences in a row.
//! Both are the same while nothing moves. It asks for independent readings, and none coarser than
//! their noise. It knows no limit: a drift far too slow to matter may be told, if the noise is
//! smaller still; so it has no veto.

use std::collections::VecDeque;

use crate::engine::settle::Stretch;
use crate::engine::window::Block;

/// Weights of the mean, of the variance about it and of that of differences (0.05 to 0.3).
const WEIGHTS: [f64; 3] = [0.2, 0.1, 0.1];
/// Fewest readings that say something (15 to 60; default 25): by then 0.9²⁵ = 7 % of where the
/// filters began is left.
const READINGS_MIN: usize = 25;
/// Autocorrelation that is left at the spacing used (0.01 to 0.1; default 0.05).
const CORRELATION_MAX: f64 = 0.05;
/// What R of N channels at steady state together stays below with 95 % probability, N = 1 to 16.
/// Source: own Monte-Carlo, tests/published/oracles/steady.py.
const CRITICAL: [f64; 16] = [
    1.436, 1.557, 1.629, 1.680, 1.720, 1.753, 1.781, 1.806, 1.827, 1.847, 1.864, 1.881, 1.895,
    1.910, 1.922, 1.934,
];

/// What R must stay below when `channels` (1 or more) are asked together; from 17 on as for 16.
pub fn critical(channels: usize) -> f64 {
    CRITICAL[channels.clamp(1, CRITICAL.len()) - 1]
}

/// What the statistic says of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Opinion {
    /// There are too few readings yet that are far enough apart.
    TooFew,
    /// The probe's step is coarser than the noise, so there is no answer.
    Coarse,
    /// R: 1 at steady state, larger in a transient.
    R(f64),
}

/// What the statistic says of a channel by its readings from `from_s` to `until_s`; `step` is the
/// probe's (K).
///
/// The readings are the last of each block, as many blocks apart as their correlation in `stretch`
/// asks for.
pub fn statistic(
    blocks: &VecDeque<Block>,
    (from_s, until_s): (f64, f64),
    stretch: &Stretch,
    step: f64,
) -> Opinion {
    let correlation = stretch.correlation;
    let apart = if correlation > CORRELATION_MAX {
        (libm::log(CORRELATION_MAX) / libm::log(correlation)).ceil() as usize
    } else {
        1
    };
    // From the newest backwards, so that the newest always counts.
    let within = |block: &&Block| block.from_s >= from_s && block.to_s <= until_s;
    let asked = blocks.iter().rev().filter(within).step_by(apart.max(1));
    if asked.clone().count() < READINGS_MIN {
        return Opinion::TooFew;
    }
    let mut readings: Vec<f64> = asked.map(|block| block.last).collect();
    readings.reverse();
    of(&readings, step)
}

/// R at the end of these readings (K), which are [`READINGS_MIN`] or more.
fn of(readings: &[f64], step: f64) -> Opinion {
    let [mean, about, between] = WEIGHTS;
    // Begun with the first readings' own mean and differences, which favours no answer.
    let first = &readings[..READINGS_MIN / 3];
    let n = first.len() as f64;
    let mut level = first.iter().sum::<f64>() / n;
    let differences = first.windows(2).map(|pair| (pair[1] - pair[0]) * (pair[1] - pair[0]));
    let mut twice = differences.sum::<f64>() / (n - 1.0);
    let mut spread = twice / (2.0 - mean);
    for pair in readings.windows(2) {
        let (before, x) = (pair[0], pair[1]);
        spread = about * (x - level) * (x - level) + (1.0 - about) * spread;
        level = mean * x + (1.0 - mean) * level;
        twice = between * (x - before) * (x - before) + (1.0 - between) * twice;
    }
    let noise = (twice / 2.0).sqrt();
    if noise > 0.0 && noise >= step {
        Opinion::R((2.0 - mean) * spread / twice)
    } else {
        Opinion::Coarse
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Noise(u64);

    impl Noise {
        /// A sum of twelve uniform numbers: near enough to a normal one for these limits.
        fn next(&mut self) -> f64 {
            let mut sum = -6.0;
            for _ in 0..12 {
                self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                sum += (self.0 >> 11) as f64 / (1_u64 << 53) as f64;
            }
            sum
        }
    }

    fn r_of(readings: &[f64]) -> f64 {
        let Opinion::R(r) = of(readings, 0.0) else { panic!("no answer") };
        r
    }

    #[test]
    fn the_critical_values_are_those_of_the_committed_monte_carlo() {
        let rows = include_str!("../../tests/published/oracles/steady.csv").lines().skip(1);
        let theirs: Vec<f64> =
            rows.map(|row| row.split_once(',').unwrap().1.parse().unwrap()).collect();
        assert_eq!(theirs, CRITICAL);
    }

    #[test]
    fn steady_noise_exceeds_the_critical_value_one_time_in_twenty() {
        let mut noise = Noise(77);
        let (mut above, draws) = (0, 2_000);
        for _ in 0..draws {
            let readings: Vec<f64> = (0..60).map(|_| 20.0 + 0.1 * noise.next()).collect();
            above += usize::from(r_of(&readings) > critical(1));
        }
        // Three standard deviations of the count about 5 %.
        assert!((71..=129).contains(&above), "{above} of {draws}");
    }

    #[test]
    fn a_ramp_is_no_steady_state_and_coarse_readings_give_no_answer() {
        let mut noise = Noise(78);
        let readings: Vec<f64> = (0..60).map(|n| 0.2 * f64::from(n) + 0.1 * noise.next()).collect();
        assert!(r_of(&readings) > 2.0 * critical(16));
        assert_eq!(of(&readings, 0.5), Opinion::Coarse);
        assert_eq!(of(&[7.0; 60], 0.0), Opinion::Coarse);
    }
}
