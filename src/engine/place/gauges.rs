//! Which gauge is on which side: a start drives the two pressures apart.

use std::time::Duration;

use crate::engine::place::start::Run;
use crate::units::time::Elapsed;

/// Which side of the compressor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The suction side, which falls at a start.
    Low,
    /// The discharge side, which rises.
    High,
}

/// Change of the logarithm of the absolute pressure that a start makes at each side, with its
/// standard deviation. *Assumed*, wide: R-410A at 27 °C rests at 1.75 MPa and runs at 0.9 to 1.1 and
/// 2.2 to 3.2 MPa.
const FALL: (f64, f64) = (-0.55, 0.25);
const RISE: (f64, f64) = (0.45, 0.25);
/// No odds are better than this.
const ODDS_MAX: f64 = 250.0;
/// A gauge reads over the air's pressure (Pa).
const AIR_PA: f64 = 101_325.0;

/// The side of a gauge whose readings (Pa over the air) these are, with odds; `None` where the
/// start was not heard.
pub fn side(samples: &[(Elapsed, f64)], run: &Run) -> Option<(Side, f64)> {
    let start = run.start?;
    let before = last(samples, start)?;
    let level = last(samples, run.until.min(start + Duration::from_mins(10)))?;
    let change = libm::log((level + AIR_PA).max(1.0) / (before + AIR_PA).max(1.0));
    let distance = |(centre, width): (f64, f64)| {
        let z = (change - centre) / width;
        z * z / 2.0
    };
    let log_odds = distance(FALL) - distance(RISE);
    let odds = libm::exp(log_odds.abs()).min(ODDS_MAX);
    Some((if log_odds > 0.0 { Side::High } else { Side::Low }, odds))
}

fn last(samples: &[(Elapsed, f64)], to: Elapsed) -> Option<f64> {
    let end = samples.partition_point(|(at, _)| *at <= to);
    samples[..end].last().map(|(_, value)| *value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_side_that_falls_is_the_low_one() {
        let run = Run {
            start: Some(Elapsed::from_secs(60)),
            from: Elapsed::from_secs(60),
            until: Elapsed::from_secs(700),
            stop: None,
        };
        let samples =
            |level: f64| [(Elapsed::from_secs(50), 1.65e6), (Elapsed::from_secs(650), level)];
        let (low, odds) = side(&samples(0.85e6), &run).unwrap();
        assert!(low == Side::Low && odds > 20.0, "{odds}");
        assert_eq!(side(&samples(2.5e6), &run).unwrap().0, Side::High);
        assert_eq!(side(&samples(2.5e6), &Run { start: None, ..run }), None);
    }
}
