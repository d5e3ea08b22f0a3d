//! Where in a record the compressor starts, found before anybody knows which probe sits where.
//!
//! At rest the probes read what is around them; a start drives them apart, hot from cold, and a
//! stop lets them come together again. So a start is where their spread begins to grow the most.

use std::time::Duration;

use crate::engine::place::Trace;
use crate::units::time::Elapsed;

/// Width of a bin.
const BIN: Duration = Duration::from_secs(10);
/// A probe that is silent for so many bins still counts as where it was.
const HOLD_BINS: usize = 12;
/// How far ahead a start must show, and how far back there must be rest (bins).
const AHEAD: usize = 18;
const BACK: usize = 6;
/// The spread must grow by so much (K, standard deviation over the probes) within `AHEAD`.
/// *Assumed*: return, supply and outdoor air alone grow apart by 3 K and more.
const GROWTH_MIN_K: f64 = 1.2;
/// A run whose start was not heard shows a spread of so much (K): hot lines beside cold ones.
const RUNNING_SPREAD_K: f64 = 8.0;
/// A stop takes away this share of the spread within `AHEAD` bins (*assumed*).
const STOP_SHARE: f64 = 0.15;

/// A run in the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Run {
    /// When it began; `None` where it was running from the first.
    pub start: Option<Elapsed>,
    /// From when it is known to run.
    pub from: Elapsed,
    /// Up to when it is looked at: its stop, or the end of the record.
    pub until: Elapsed,
    /// When it stopped, where that was heard.
    pub stop: Option<Elapsed>,
}

impl Run {
    /// How long it has run, as far as that was heard.
    pub fn ran(&self) -> Duration {
        self.until - self.from
    }
}

/// The run that shows best; `None` where nothing runs.
pub fn find(traces: &[Trace]) -> Option<Run> {
    let first = traces.iter().filter_map(|t| t.samples.first()).map(|s| s.0).min()?;
    let last = traces.iter().filter_map(|t| t.samples.last()).map(|s| s.0).max()?;
    let count = ((last - first).as_millis() / BIN.as_millis()) as usize + 1;
    let bins: Vec<Vec<f64>> = traces.iter().map(|trace| bins(trace, first, count)).collect();
    let spread: Vec<f64> = (0..count).map(|bin| spread(&bins, bin)).collect();
    let at = |bin: usize| first + BIN * bin as u32;
    let Some(start) = steepest(&spread, 0, 1.0).filter(|(_, growth)| *growth >= GROWTH_MIN_K)
    else {
        let now = *spread.last()?;
        let run = Run { start: None, from: first, until: last, stop: None };
        return (now >= RUNNING_SPREAD_K).then_some(run);
    };
    let start = start.0;
    let stop = steepest(&spread, start + AHEAD, -1.0)
        .filter(|(bin, fall)| *fall >= STOP_SHARE * spread[*bin] && *fall >= GROWTH_MIN_K / 2.0)
        .map(|(bin, _)| at(bin));
    let until = stop.unwrap_or(last);
    Some(Run { start: Some(at(start)), from: at(start), until, stop })
}

/// The bin after `from` from which the spread grows (sign 1) or falls (−1) the most, and by how
/// much, less what it was moving before.
fn steepest(spread: &[f64], from: usize, sign: f64) -> Option<(usize, f64)> {
    let ends = spread.len().saturating_sub(AHEAD);
    let growth = (from.max(1)..ends).filter_map(|bin| {
        let ahead = sign * (spread[bin + AHEAD] - spread[bin]);
        let before = (spread[bin] - spread[bin.saturating_sub(BACK)]).abs();
        let growth = ahead - before;
        growth.is_finite().then_some((bin, growth))
    });
    growth.max_by(|a, b| a.1.total_cmp(&b.1))
}

/// The means of a trace in each bin; one that is empty holds the one before, for a while.
fn bins(trace: &Trace, first: Elapsed, count: usize) -> Vec<f64> {
    let mut sums = vec![(0.0, 0.0); count];
    for (at, value) in &trace.samples {
        let bin = ((*at - first).as_millis() / BIN.as_millis()) as usize;
        sums[bin].0 += value;
        sums[bin].1 += 1.0;
    }
    let (mut held, mut age) = (f64::NAN, 0);
    let means = sums.into_iter().map(|(sum, n)| {
        age += 1;
        if n > 0.0 {
            (held, age) = (sum / n, 0);
        } else if age > HOLD_BINS {
            held = f64::NAN;
        }
        held
    });
    means.collect()
}

/// Standard deviation over the probes that are heard in a bin; NaN for fewer than two.
fn spread(bins: &[Vec<f64>], bin: usize) -> f64 {
    let values = || bins.iter().map(|trace| trace[bin]).filter(|value| value.is_finite());
    let count = values().count() as f64;
    if count < 2.0 {
        return f64::NAN;
    }
    let mean = values().sum::<f64>() / count;
    (values().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (count - 1.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line that rests at 30 °C and runs to `level` between 200 s and 900 s.
    fn trace(level: f64, length_s: u64) -> Trace {
        let mut value = 30.0;
        let samples = (0..length_s).map(|s| {
            let aim = if (200..900).contains(&s) { level } else { 30.0 };
            value += (aim - value) / 60.0;
            (Elapsed::from_secs(s), value)
        });
        Trace { samples: samples.collect(), humid: false, paired: false }
    }

    fn near(at: Option<Elapsed>, s: f64) -> bool {
        at.is_some_and(|at| (at.as_secs() - s).abs() <= 20.0)
    }

    #[test]
    fn start_and_stop_are_found_in_any_order_of_the_probes() {
        for levels in [[12.0, 75.0, 30.0], [30.0, 12.0, 75.0]] {
            let run = find(&levels.map(|level| trace(level, 1_800))).unwrap();
            assert!(near(run.start, 200.0) && near(run.stop, 900.0), "{run:?}");
        }
    }

    #[test]
    fn a_run_that_goes_on_has_no_stop_and_rest_has_no_run() {
        let run = find(&[trace(12.0, 800), trace(75.0, 800)]).unwrap();
        assert_eq!((run.stop, run.until), (None, Elapsed::from_secs(799)));
        assert_eq!(find(&[trace(12.0, 190), trace(75.0, 190)]), None);
        assert_eq!(find(&[]), None);
    }

    #[test]
    fn a_run_that_was_going_on_has_no_start() {
        let steady = |level: f64| Trace {
            samples: (0..400).map(|s| (Elapsed::from_secs(s), level)).collect(),
            humid: false,
            paired: false,
        };
        let run = find(&[steady(12.0), steady(75.0)]).unwrap();
        assert_eq!((run.start, run.ran().as_secs()), (None, 399));
    }
}
