//! What a start makes of one probe's temperatures: a few numbers.

use std::time::Duration;

use crate::engine::place::start::Run;
use crate::engine::place::{RUN_ENOUGH, Trace};
use crate::units::time::Elapsed;

/// Rest is looked at for so long before a start, up to so shortly before it.
const REST: Duration = Duration::from_secs(120);
/// See `REST`.
pub const REST_GUARD: Duration = Duration::from_secs(20);
/// A level is the mean of so long, or of the last reading before it.
const LEVEL: Duration = Duration::from_secs(60);
/// A reading this old is still a level.
const HELD_MAX: Duration = Duration::from_mins(3);
/// The first share of a run, at whose end the early level is taken: 2 min of 10.
const EARLY_SHARE: f64 = 0.2;
/// How long after the stop it is looked at what is left.
pub const AFTER_STOP: Duration = Duration::from_mins(4);

/// One probe's start in numbers (°C).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Features {
    /// Level before the start; `None` where that was not heard.
    pub rest: Option<f64>,
    /// Level at the end of the run so far.
    pub level: f64,
    /// Level a fifth of the run after the start.
    pub early: Option<f64>,
    /// Level some minutes after the stop.
    pub after: Option<f64>,
    /// The same probe tells humidity.
    pub humid: bool,
    /// The same probe has a second temperature.
    pub paired: bool,
}

/// The features of a trace; `None` where it was not heard in the run.
pub fn of(trace: &Trace, run: &Run) -> Option<Features> {
    // What comes after ten minutes is weather and load; it tells nothing more of the place.
    let until = run.until.min(run.from + RUN_ENOUGH);
    let level = mean(trace, until, LEVEL)?;
    let rest = run.start.and_then(|start| {
        let to = start - REST_GUARD;
        mean(trace, to, REST)
    });
    let early = run.start.and_then(|start| {
        let after = Duration::from_secs_f64((until - start).as_secs_f64() * EARLY_SHARE);
        mean(trace, start + after + LEVEL / 4, LEVEL / 2)
    });
    let after = run.stop.and_then(|stop| {
        let to = stop + AFTER_STOP;
        let heard = trace.samples.last().is_some_and(|last| last.0 >= to);
        heard.then(|| mean(trace, to, LEVEL / 2)).flatten()
    });
    Some(Features { rest, level, early, after, humid: trace.humid, paired: trace.paired })
}

/// The mean of the readings in the `width` up to `to`, else the last before that is not too old.
fn mean(trace: &Trace, to: Elapsed, width: Duration) -> Option<f64> {
    let end = trace.samples.partition_point(|(at, _)| *at <= to);
    let heard = &trace.samples[..end];
    let from = heard.partition_point(|(at, _)| to.since(*at) > width);
    let window = &heard[from..];
    if window.is_empty() {
        let (at, value) = heard.last()?;
        return (to - *at <= HELD_MAX).then_some(*value);
    }
    Some(window.iter().map(|(_, value)| value).sum::<f64>() / window.len() as f64)
}
