//! A probe's time constant from how it follows when it is plunged into the bath.

use crate::engine::calibrate::line;

/// A plunge must change the reading by so much (K).
const STEP_MIN_K: f64 = 5.0;
/// The change is looked for over so long (s).
const STEP_OVER_S: f64 = 20.0;
/// The shares of the step that are left, between which the line is laid: above, the probe is still
/// on its way in; below, noise and the bath's drift count.
const LEFT: (f64, f64) = (0.8, 0.08);
/// Points that a line needs.
const POINTS_MIN: usize = 5;

/// A first-order time constant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeConstant {
    /// The time constant (s).
    pub seconds: f64,
    /// Its standard uncertainty (s).
    pub uncertainty: f64,
    /// When the plunge began (s).
    pub onset_s: f64,
}

/// The time constant that the largest plunge in `samples` (s, °C) shows; `None` where there is none.
///
/// A first-order probe leaves `e^(−t/τ)` of the step, so the logarithm of what is left falls by a
/// straight line of slope `−1/τ`.
pub fn time_constant(samples: &[(f64, f64)]) -> Option<TimeConstant> {
    let onset = onset(samples)?;
    let after = &samples[onset..];
    let (start_s, from) = after[0];
    // A first guess of the end, then of how long it takes, then the end as that tells it.
    let rough = level(after, start_s + 120.0, start_s + 180.0)?;
    let share = |x: f64, end: f64| (x - end) / (from - end);
    let tau = after.iter().find(|(_, x)| share(*x, rough) < 0.368)?.0 - start_s;
    let end = level(after, start_s + 6.0 * tau, start_s + 6.0 * tau + 60.0).unwrap_or(rough);
    if (end - from).abs() < STEP_MIN_K {
        return None;
    }
    let within = after
        .iter()
        .skip_while(|(_, x)| share(*x, end) > LEFT.0)
        .take_while(|(_, x)| share(*x, end) > LEFT.1);
    let (t, log): (Vec<f64>, Vec<f64>) =
        within.map(|(t, x)| (t - start_s, libm::log(share(*x, end)))).unzip();
    if t.len() < POINTS_MIN {
        return None;
    }
    let (slope, error) = line(&t, &log);
    (slope < 0.0).then(|| {
        let seconds = -1.0 / slope;
        TimeConstant { seconds, uncertainty: seconds * seconds * error, onset_s: start_s }
    })
}

/// The sample from which the reading changes the most.
fn onset(samples: &[(f64, f64)]) -> Option<usize> {
    let mut ahead = 0;
    let mut best = (0.0, None);
    for (n, (t, x)) in samples.iter().enumerate() {
        while ahead + 1 < samples.len() && samples[ahead + 1].0 - t <= STEP_OVER_S {
            ahead += 1;
        }
        let change = (samples[ahead].1 - x).abs();
        if change > best.0 {
            best = (change, Some(n));
        }
    }
    best.1.filter(|_| best.0 >= STEP_MIN_K / 5.0)
}

/// The mean of the readings from `from_s` to `to_s`.
fn level(samples: &[(f64, f64)], from_s: f64, to_s: f64) -> Option<f64> {
    let held = samples.iter().filter(|(t, _)| (from_s..=to_s).contains(t));
    let (sum, count) = held.fold((0.0, 0.0), |(sum, n), (_, x)| (sum + x, n + 1.0));
    (count > 0.0).then(|| sum / count)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plunge(tau: f64, step: f64) -> Vec<(f64, f64)> {
        let at = |s: u32| f64::from(s);
        (0..900)
            .map(|s| {
                let since = (at(s) - 100.0).max(0.0);
                (at(s), 25.0 + step * (1.0 - libm::exp(-since / tau)))
            })
            .collect()
    }

    #[test]
    fn an_exact_plunge_gives_its_time_constant_back() {
        for tau in [3.0, 12.0, 40.0] {
            let told = time_constant(&plunge(tau, -25.0)).unwrap();
            assert!((told.seconds / tau - 1.0).abs() < 0.02, "{tau} {told:?}");
            assert!((told.onset_s - 100.0).abs() <= 2.0, "{told:?}");
        }
    }

    #[test]
    fn without_a_plunge_there_is_none() {
        assert_eq!(time_constant(&plunge(12.0, -2.0)), None);
        assert_eq!(time_constant(&[]), None);
        assert_eq!(time_constant(&[(0.0, 25.0), (1.0, 0.0)]), None);
    }
}
