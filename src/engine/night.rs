//! What the compressor did over a night or a day: run and pause lengths, duty, starts per hour.
//!
//! Only time that the cycles determine counts: from a start that was heard to its stop, and on to the
//! next start. A run whose beginning or end nobody heard adds nothing, so what is unheard is
//! neither on nor off. When it is night is the caller's to say, who knows the time zone.

use crate::engine::reading::Cycle;
use crate::engine::run::{SHORT_PAUSE_S, SHORT_RUN_S};
use crate::units::time::Elapsed;

/// Determined time below which duty and starts per hour are not told (s, 600 to 7,200; default
/// 1,800): of less, one run more or less decides.
const TOLD_S_MIN: f64 = 1_800.0;

/// A stretch of the session, its end not included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// Beginning.
    pub from: Elapsed,
    /// End.
    pub to: Elapsed,
}

impl Stretch {
    /// How long this and the other overlap (s).
    fn overlap_s(self, other: Self) -> f64 {
        self.to.min(other.to).since(self.from.max(other.from)).as_secs_f64()
    }

    fn holds(self, at: Elapsed) -> bool {
        self.from <= at && at < self.to
    }
}

/// Runs and pauses, over all of the time or a part of it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Activity {
    /// Starts that were heard.
    pub starts: usize,
    /// Time that the compressor ran (s).
    pub running_s: f64,
    /// Time that it rested between runs (s).
    pub resting_s: f64,
    /// Runs that began in this part and were heard in full.
    pub runs: usize,
    /// Length of the shortest of them (s).
    pub run_s_min: Option<f64>,
    /// Of them, those too short for the usual thermostat.
    pub short_runs: usize,
    /// Pauses that began in this part and were too short for the usual timer.
    pub short_pauses: usize,
    /// Runs in which a settled set was taken.
    pub settled: usize,
    /// Runs with a defrost.
    pub defrosts: usize,
}

impl Activity {
    /// Share of the time that the compressor ran (0 to 1); `None` where too little is determined.
    pub fn duty(&self) -> Option<f64> {
        let determined_s = self.running_s + self.resting_s;
        (determined_s >= TOLD_S_MIN).then(|| self.running_s / determined_s)
    }

    /// Starts an hour; `None` where too little is determined.
    pub fn starts_per_hour(&self) -> Option<f64> {
        let determined_s = self.running_s + self.resting_s;
        (determined_s >= TOLD_S_MIN).then(|| 3_600.0 * self.starts as f64 / determined_s)
    }

    fn add(&mut self, cycle: &Cycle, parts: &[Stretch]) {
        let within = |from: Elapsed, to: Elapsed| -> f64 {
            let whole = Stretch { from, to };
            parts.iter().map(|part| part.overlap_s(whole)).sum()
        };
        let here = |at: Elapsed| parts.iter().any(|part| part.holds(at));
        let Some(start) = cycle.start else { return };
        let Some(stop) = cycle.stop else { return };
        self.running_s += within(start, stop);
        if let Some(next) = cycle.next_start {
            self.resting_s += within(stop, next);
            let short = next.since(stop).as_secs_f64() < SHORT_PAUSE_S;
            self.short_pauses += usize::from(here(stop) && short);
        }
        if !here(start) {
            return;
        }
        let run_s = stop.since(start).as_secs_f64();
        self.starts += 1;
        self.runs += 1;
        self.run_s_min = Some(self.run_s_min.map_or(run_s, |least| least.min(run_s)));
        self.short_runs += usize::from(run_s < SHORT_RUN_S);
        self.settled += usize::from(cycle.settled);
        self.defrosts += usize::from(cycle.defrost);
    }
}

/// All of a session, and its night and day.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Summary {
    /// All of it.
    pub whole: Activity,
    /// What of it fell into the night.
    pub night: Activity,
    /// The rest.
    pub day: Activity,
}

/// Sums up the cycles, with the nights in order and without overlap.
///
/// A run counts where it starts; its seconds count where they fall.
pub fn summary(cycles: &[Cycle], nights: &[Stretch]) -> Summary {
    let mut summary = Summary::default();
    let always = [Stretch { from: Elapsed::ZERO, to: Elapsed::from_ms(u64::MAX) }];
    let days = between(nights);
    for cycle in cycles {
        summary.whole.add(cycle, &always);
        summary.night.add(cycle, nights);
        summary.day.add(cycle, &days);
    }
    summary
}

/// What the compressor did in one stretch.
pub fn activity(cycles: &[Cycle], stretch: Stretch) -> Activity {
    let mut activity = Activity::default();
    for cycle in cycles {
        activity.add(cycle, &[stretch]);
    }
    activity
}

/// Whether a run began in one of the nights; `None` where its start was not heard.
pub fn began_at_night(cycle: &Cycle, nights: &[Stretch]) -> Option<bool> {
    let start = cycle.start?;
    Some(nights.iter().any(|night| night.holds(start)))
}

/// What lies before, between and after the nights.
fn between(nights: &[Stretch]) -> Vec<Stretch> {
    let mut from = Elapsed::ZERO;
    let mut days = Vec::with_capacity(nights.len() + 1);
    for night in nights {
        days.push(Stretch { from, to: night.from });
        from = night.to;
    }
    days.push(Stretch { from, to: Elapsed::from_ms(u64::MAX) });
    days
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cycle(start: Option<u64>, stop: Option<u64>, next: Option<u64>) -> Cycle {
        Cycle {
            number: 1,
            start: start.map(Elapsed::from_secs),
            stop: stop.map(Elapsed::from_secs),
            start_uncertainty_s: None,
            stop_uncertainty_s: None,
            next_start: next.map(Elapsed::from_secs),
            complete: true,
            defrost: false,
            settled: true,
            how: String::new(),
        }
    }

    #[test]
    fn seconds_count_where_they_fall_and_runs_where_they_start() {
        // Night begins in the middle of the second run and never ends in this session.
        let nights = [Stretch { from: Elapsed::from_secs(4_500), to: Elapsed::from_secs(90_000) }];
        let cycles = [
            cycle(Some(0), Some(1_200), Some(3_600)),
            cycle(Some(3_600), Some(4_800), Some(7_200)),
            cycle(Some(7_200), Some(7_320), Some(7_420)),
        ];
        let summary = summary(&cycles, &nights);
        assert_eq!((summary.whole.running_s, summary.whole.resting_s), (2_520.0, 4_900.0));
        assert_eq!((summary.day.running_s, summary.day.resting_s), (2_100.0, 2_400.0));
        assert_eq!((summary.night.running_s, summary.night.resting_s), (420.0, 2_500.0));
        assert_eq!((summary.day.starts, summary.night.starts), (2, 1));
        assert_eq!((summary.night.short_runs, summary.night.short_pauses), (1, 1));
        assert_eq!(summary.day.duty(), Some(2_100.0 / 4_500.0));
        assert_eq!(summary.day.starts_per_hour(), Some(1.6));
        assert_eq!(began_at_night(&cycles[1], &nights), Some(false));
        assert_eq!(began_at_night(&cycles[2], &nights), Some(true));
    }

    #[test]
    fn what_nobody_heard_is_neither_on_nor_off() {
        let cycles = [cycle(None, Some(4_000), Some(5_000)), cycle(Some(5_000), None, None)];
        let whole = summary(&cycles, &[]).whole;
        assert_eq!((whole.running_s, whole.resting_s), (0.0, 0.0));
        assert_eq!((whole.duty(), whole.starts_per_hour()), (None, None));
        assert_eq!(began_at_night(&cycles[0], &[]), None);
    }
}
