//! Runs and pauses on the record: numbers, lengths, and what is remarkable about them.

use std::collections::VecDeque;

use crate::engine::frost::Seen;
use crate::engine::reading::Cycle;
use crate::engine::signals::SignalEvent;
use crate::engine::turn::Moment;
use crate::units::time::Elapsed;

/// A run shorter than this is remarked (s). A thermostat that allows 3 starts an hour never makes
/// one under 300 s: `60/(4·3)` min, the conventional thermostat curve as EnergyPlus has it
/// (CoilCoolingDXCurveFitSpeed). A flag, not a fault.
pub const SHORT_RUN_S: f64 = 300.0;
/// A pause shorter than this is remarked (s): two makers' anti-short-cycle timers hold at least
/// 3 min (manuals unhv09 and hsu-07hv03-r2).
pub const SHORT_PAUSE_S: f64 = 180.0;
/// Starts within an hour beyond which it is remarked: 3, attributed to NEMA DC 3, from memory.
const STARTS_PER_HOUR_MAX: usize = 3;

/// A run, or a run and the pause after it, that is not over yet.
#[derive(Debug, Clone)]
pub struct Run {
    cycle: Cycle,
    iced: bool,
    icing_suspected: bool,
}

impl Run {
    /// Its number, from 1.
    pub const fn number(&self) -> u32 {
        self.cycle.number
    }

    /// When the compressor started (s), where that was heard.
    pub fn started_s(&self) -> Option<f64> {
        self.cycle.start.map(Elapsed::as_secs)
    }

    /// Whether this frost is news in this run.
    pub fn frost_told(&mut self, seen: &Seen) -> bool {
        let told = match seen {
            Seen::Frost { .. } => &mut self.iced,
            Seen::Suspected { .. } => &mut self.icing_suspected,
        };
        !std::mem::replace(told, true)
    }
}

/// The runs of a session.
#[derive(Debug, Clone, Default)]
pub struct Runs {
    count: u32,
    open: Option<Run>,
    /// Starts of the last hour (s).
    starts: VecDeque<f64>,
}

impl Runs {
    /// None yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// The run that is not over yet.
    pub const fn open(&self) -> Option<&Run> {
        self.open.as_ref()
    }

    /// The run that is not over yet.
    pub const fn open_mut(&mut self) -> Option<&mut Run> {
        self.open.as_mut()
    }

    /// The compressor started.
    pub fn start(
        &mut self,
        moment: Option<Moment>,
        told_s: f64,
        how: &str,
        out: &mut Vec<SignalEvent>,
    ) {
        if let Some(mut run) = self.open.take() {
            run.cycle.next_start = moment.map(at);
            run.cycle.complete =
                run.cycle.start.is_some() && run.cycle.stop.is_some() && moment.is_some();
            if let (Some(stop), Some(next)) = (run.cycle.stop, run.cycle.next_start) {
                let pause_s = next.since(stop).as_secs_f64();
                if pause_s < SHORT_PAUSE_S {
                    remark(out, next, "short_pause", &run.cycle, format!("paused {pause_s:.0} s"));
                }
            }
            out.push(SignalEvent::Cycle(run.cycle));
        }
        self.begin(moment, how);
        self.starts.push_back(told_s);
        while self.starts.front().is_some_and(|start| *start < told_s - 3_600.0) {
            self.starts.pop_front();
        }
        if self.starts.len() > STARTS_PER_HOUR_MAX
            && let Some(run) = &self.open
        {
            let detail = format!("{} starts within an hour", self.starts.len());
            remark(out, seconds(told_s), "many_starts", &run.cycle, detail);
        }
    }

    /// The compressor stopped; `why_not` says why the run has no set, should it have none.
    pub fn stop(
        &mut self,
        moment: Option<Moment>,
        how: &str,
        why_not: &str,
        out: &mut Vec<SignalEvent>,
    ) {
        let Some(run) = &mut self.open else { return };
        let cycle = &mut run.cycle;
        cycle.stop = moment.map(at);
        cycle.stop_uncertainty_s = moment.map(|moment| moment.uncertainty_s);
        if cycle.how.is_empty() {
            how.clone_into(&mut cycle.how);
        } else if !how.is_empty() && cycle.how != how {
            cycle.how = format!("{}; {how}", cycle.how);
        }
        let Some(stop) = cycle.stop else { return };
        if let Some(start) = cycle.start {
            let run_s = stop.since(start).as_secs_f64();
            if run_s < SHORT_RUN_S {
                remark(out, stop, "short_run", cycle, format!("ran {run_s:.0} s"));
            }
        }
        if !cycle.settled {
            remark(out, stop, "run_never_settled", cycle, why_not.to_owned());
        }
    }

    /// The unit defrosts in the open run; says whether that is news.
    pub fn defrosts(&mut self) -> bool {
        self.open.as_mut().is_some_and(|run| !std::mem::replace(&mut run.cycle.defrost, true))
    }

    /// A settled set was taken in the open run.
    pub const fn settled(&mut self) {
        if let Some(run) = &mut self.open {
            run.cycle.settled = true;
        }
    }

    /// The compressor runs, and nobody heard it start.
    pub fn found_running(&mut self, _since_s: f64) {
        self.begin(None, "");
    }

    /// The compressor rests, and nobody heard it stop.
    pub fn found_resting(&mut self) {
        self.open = None;
    }

    /// Nobody listened for a while: the open run will never be known in full.
    pub fn cut(&mut self, out: &mut Vec<SignalEvent>) {
        self.finish(out);
        self.starts.clear();
    }

    /// Says why the open run, of which nothing more is heard after `until`, has no set.
    pub fn never_settled(&self, until: Elapsed, why_not: String, out: &mut Vec<SignalEvent>) {
        if let Some(run) = self.open.as_ref().filter(|run| !run.cycle.settled) {
            remark(out, until, "run_never_settled", &run.cycle, why_not);
        }
    }

    /// The record ends: the open run is told as far as it is known.
    pub fn finish(&mut self, out: &mut Vec<SignalEvent>) {
        if let Some(mut run) = self.open.take() {
            run.cycle.complete = false;
            out.push(SignalEvent::Cycle(run.cycle));
        }
    }

    fn begin(&mut self, moment: Option<Moment>, how: &str) {
        self.count += 1;
        self.open = Some(Run {
            cycle: Cycle {
                number: self.count,
                start: moment.map(at),
                stop: None,
                start_uncertainty_s: moment.map(|moment| moment.uncertainty_s),
                stop_uncertainty_s: None,
                next_start: None,
                complete: false,
                defrost: false,
                settled: false,
                how: how.to_owned(),
            },
            iced: false,
            icing_suspected: false,
        });
    }
}

fn at(moment: Moment) -> Elapsed {
    seconds(moment.at_s)
}

fn seconds(t: f64) -> Elapsed {
    Elapsed::from_ms((t.max(0.0) * 1000.0).round() as u64)
}

fn remark(
    out: &mut Vec<SignalEvent>,
    at: Elapsed,
    event: &'static str,
    cycle: &Cycle,
    detail: String,
) {
    let subject = format!("cycle {}", cycle.number);
    out.push(SignalEvent::Remark { at, event, subject, detail });
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn moment(at_s: f64) -> Moment {
        Moment { at_s, uncertainty_s: 3.0 }
    }

    /// Runs from these (start, stop), and what was told of them by name, with the cycles.
    fn told(runs: &[(f64, f64)]) -> (Vec<&'static str>, Vec<Cycle>) {
        let (mut all, mut out) = (Runs::new(), Vec::new());
        for (start, stop) in runs {
            all.start(Some(moment(*start)), *start, "supply-air", &mut out);
            all.settled();
            all.stop(Some(moment(*stop)), "discharge-line", "it drifted", &mut out);
        }
        all.finish(&mut out);
        let (mut names, mut cycles) = (Vec::new(), Vec::new());
        for event in out {
            match event {
                SignalEvent::Remark { event, .. } => names.push(event),
                SignalEvent::Cycle(cycle) => cycles.push(cycle),
                _ => {}
            }
        }
        (names, cycles)
    }

    #[test]
    fn a_run_ends_with_the_next_start_and_the_last_one_stays_open() {
        let (names, cycles) = told(&[(100.0, 700.0), (1_500.0, 2_400.0)]);
        assert!(names.is_empty(), "{names:?}");
        assert_eq!(cycles.len(), 2);
        assert_eq!(cycles[0].next_start, Some(Elapsed::from_secs(1_500)));
        assert_eq!((cycles[0].complete, cycles[1].complete), (true, false));
        assert_eq!((cycles[1].number, cycles[1].start_uncertainty_s), (2, Some(3.0)));
        assert_eq!(cycles[0].how, "supply-air; discharge-line");
    }

    #[test]
    fn short_runs_short_pauses_and_many_starts_are_remarked_at_their_limits() {
        let check = |runs: &[(f64, f64)], expected: &[&str]| assert_eq!(told(runs).0, expected);
        check(&[(0.0, 299.0)], &["short_run"]);
        check(&[(0.0, 300.0)], &[]);
        check(&[(0.0, 600.0), (779.0, 1_500.0)], &["short_pause"]);
        check(&[(0.0, 600.0), (780.0, 1_500.0)], &[]);
        let four = |apart: f64| [0.0, 1.0, 2.0, 3.0].map(|n| (n * apart, n * apart + 500.0));
        check(&four(1_000.0), &["many_starts"]);
        check(&four(1_201.0), &[]);
    }

    #[test]
    fn a_run_without_a_set_says_why_and_one_that_nobody_heard_start_is_not_complete() {
        let (mut runs, mut out) = (Runs::new(), Vec::new());
        runs.found_running(0.0);
        runs.stop(Some(moment(900.0)), "supply-air", "it drifted", &mut out);
        runs.start(Some(moment(2_000.0)), 2_000.0, "supply-air", &mut out);
        let why = |event: &SignalEvent| {
            matches!(event, SignalEvent::Remark { event: "run_never_settled", detail, .. }
                if detail == "it drifted")
        };
        assert!(out.iter().any(why), "{out:?}");
        let Some(SignalEvent::Cycle(cycle)) = out.last() else { panic!("{out:?}") };
        assert_eq!((cycle.start, cycle.complete, cycle.settled), (None, false, false));
    }

    #[test]
    fn a_defrost_is_news_once_a_run() {
        let mut runs = Runs::new();
        assert!(!runs.defrosts());
        runs.start(Some(moment(0.0)), 0.0, "", &mut Vec::new());
        assert!(runs.defrosts() && !runs.defrosts());
    }
}
