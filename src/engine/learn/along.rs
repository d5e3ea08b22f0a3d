//! Known values from a second probe that was held beside the unknown one.

use std::time::Duration;

use crate::engine::learn::Known;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Known values taken from a second probe, at most.
const KNOWN_MAX: usize = 12;
/// Around a value that is taken the second probe must hold still for so long on either side.
const STILL: Duration = Duration::from_secs(10);
/// Holding still, in terms of how far the two probes may be apart.
const STILL_SHARE: f64 = 0.5;

/// Picks values over the whole range of what the second probe read, where it held still; where it
/// never did, over all that it read, and then the two may be apart three times as far.
///
/// `series` is in the order of time (SI); `half_width` says how far the two probes may be apart.
pub fn sampled_along(series: &[(Elapsed, f64)], kind: QuantityKind, half_width: f64) -> Vec<Known> {
    let still: Vec<(Elapsed, f64)> =
        series.iter().filter(|(at, _)| holds_still(series, *at, half_width)).copied().collect();
    let moving = spread(&still) < 0.5 * spread(series);
    let (from, half_width) =
        if moving { (series.to_vec(), 3.0 * half_width) } else { (still, half_width) };
    let mut sorted = from;
    sorted.sort_by(|a, b| a.1.total_cmp(&b.1));
    let Some((lowest, highest)) = sorted.first().zip(sorted.last()) else { return Vec::new() };
    let step = (highest.1 - lowest.1) / (KNOWN_MAX - 1) as f64;
    let mut picked: Vec<(Elapsed, f64)> = Vec::new();
    for (at, value) in &sorted {
        // The first of each step upwards, and not two of one moment.
        let wanted = lowest.1 + step * picked.len() as f64;
        let near = |other: &(Elapsed, f64)| other.0.since(*at) + at.since(other.0) < STILL;
        if picked.len() < KNOWN_MAX && *value >= wanted && !picked.iter().any(near) {
            picked.push((*at, *value));
        }
    }
    picked.sort_by_key(|(at, _)| *at);
    let known = |(at, value)| Known { at, kind, value, gauge: false, half_width };
    picked.into_iter().map(known).collect()
}

fn spread(series: &[(Elapsed, f64)]) -> f64 {
    let (low, high) =
        series.iter().fold((f64::MAX, f64::MIN), |(low, high), (_, v)| (low.min(*v), high.max(*v)));
    (high - low).max(0.0)
}

fn holds_still(series: &[(Elapsed, f64)], at: Elapsed, half_width: f64) -> bool {
    let from = series.partition_point(|(other, _)| *other + STILL < at);
    let to = series.partition_point(|(other, _)| *other <= at + STILL);
    to - from >= 3 && spread(&series[from..to]) <= STILL_SHARE * half_width
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_taken_where_the_second_probe_holds_still() {
        let read = |n: u64| if n < 100 { 5.0 } else { (5.0 + 0.2 * (n - 100) as f64).min(25.0) };
        let series: Vec<(Elapsed, f64)> =
            (0..400).map(|n| (Elapsed::from_secs(n), read(n))).collect();
        let known = sampled_along(&series, QuantityKind::Temperature, 0.5);
        assert!(known.len() >= 2 && known.len() <= KNOWN_MAX, "{known:?}");
        assert!(known.iter().all(|k| k.value < 6.0 || k.value > 24.0), "{known:?}");
        assert!(known.iter().all(|k| k.half_width == 0.5));
    }

    #[test]
    fn a_probe_that_never_rests_gives_values_that_say_less() {
        let series: Vec<(Elapsed, f64)> =
            (0..400).map(|n| (Elapsed::from_secs(n), n as f64 / 10.0)).collect();
        let known = sampled_along(&series, QuantityKind::Temperature, 0.5);
        assert_eq!(known.len(), KNOWN_MAX);
        assert!(known.iter().all(|k| k.half_width == 1.5));
        assert!(sampled_along(&[], QuantityKind::Temperature, 0.5).is_empty());
    }
}
