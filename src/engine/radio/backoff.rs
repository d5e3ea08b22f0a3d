//! How long to wait before the next try: doubling, bounded, with jitter from a seed.

use std::time::Duration;

/// A small generator, so that the same seed gives the same waits.
///
/// SplitMix64: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014.
#[derive(Debug, Clone)]
pub struct Backoff {
    state: u64,
}

impl Backoff {
    /// A generator that starts from `seed`.
    pub const fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// The wait after `failures` failures in a row (1 or more): `first` doubled for each further
    /// one, at most `longest`, then shortened by up to a quarter.
    ///
    /// Shortened and never lengthened, so that `longest` holds.
    pub fn wait(&mut self, failures: u32, first: Duration, longest: Duration) -> Duration {
        let doubled = first.saturating_mul(1 << failures.saturating_sub(1).min(20)).min(longest);
        doubled.mul_f64(1.0 - 0.25 * self.fraction())
    }

    /// The next number, 0 to 1.
    fn fraction(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) as f64 / u64::MAX as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest_and_jitter_shortens_only() {
        let mut backoff = Backoff::new(7);
        let (first, longest) = (Duration::from_millis(250), Duration::from_secs(3));
        for failures in 1..100 {
            let whole = first.saturating_mul(1 << (failures - 1).min(10)).min(longest);
            let wait = backoff.wait(failures, first, longest);
            assert!(wait <= whole && wait >= whole.mul_f64(0.749), "{failures}: {wait:?}");
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_waits() {
        let waits = |seed| {
            let mut backoff = Backoff::new(seed);
            (1..9)
                .map(|n| backoff.wait(n, Duration::from_secs(1), Duration::from_mins(1)))
                .collect::<Vec<_>>()
        };
        assert_eq!(waits(3), waits(3));
        assert_ne!(waits(3), waits(4));
    }
}
