//! What a session's runs did, over a night or a week: the runs and pauses, what happened beside
//! them, duty by the hour with outdoor temperature, and how the measures change from run to run.
//!
//! A view of what the engine says, made alike live and in replay; the page, the report and the
//! pictures show it. It holds no readings, so that a week of them takes no memory.

use std::collections::VecDeque;

use jiff::tz::TimeZone;
use serde_json::{Value, json};

use crate::app::findings::fault_words;
use crate::app::trend::{MEASURES, Trends, measured};
use crate::app::wording;
use crate::edge::clock::Utc;
use crate::edge::times::Times;
use crate::engine::channel::{Channel, Position};
use crate::engine::diagnose::finding::{Diagnosis, Fault};
use crate::engine::json::{self as engine_json, number};
use crate::engine::night::{Activity, Stretch, Summary, activity, summary};
use crate::engine::output::{Event, Moment, Output};
use crate::engine::reading::{ChannelId, Cycle, SettledSet, Verdict};
use crate::engine::tables;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Most runs that are kept, and most settled ones; the oldest go first.
const RUNS_MAX: usize = 16_384;
/// Most marks that are kept; the oldest go first.
const MARKS_MAX: usize = 4_096;
/// Most hours that are kept: a year; the oldest go first.
const HOURS_MAX: usize = 8_784;
/// An hour (ms).
const HOUR_MS: u64 = 3_600_000;

/// What a session's runs did.
#[derive(Debug, Clone)]
pub struct Night {
    zone: TimeZone,
    times: Times,
    end: Elapsed,
    outdoor: Option<ChannelId>,
    hours: VecDeque<OutdoorHour>,
    cycles: VecDeque<Cycle>,
    runs: VecDeque<SettledRun>,
    last_set: Option<SettledSet>,
    marks: VecDeque<Event>,
    trends: Trends,
}

/// Outdoor temperature over one hour of the session.
#[derive(Debug, Clone, Copy, PartialEq)]
struct OutdoorHour {
    number: u64,
    sum: f64,
    moments: u32,
}

/// The last settled set of a run, with what it says.
#[derive(Debug, Clone, PartialEq)]
pub struct SettledRun {
    /// The run, from 1; `None` where the set belongs to none.
    pub cycle: Option<u32>,
    /// The set's number.
    pub set: u32,
    /// Start of the settled stretch.
    pub from: Elapsed,
    /// End of the settled stretch.
    pub to: Elapsed,
    /// Outdoor temperature (°C), where known.
    pub outdoor: Option<f64>,
    /// The measures of the first circuit at their places in [`MEASURES`] (K).
    pub measures: [Option<RunMeasure>; MEASURES.len()],
    /// The likeliest suspect with its probability.
    pub suspect: Option<(Fault, f64)>,
}

/// A measure as one run gave it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunMeasure {
    /// The value (K).
    pub value: f64,
    /// The interval that holds it with 95 % probability (K).
    pub interval_95: Option<[f64; 2]>,
    /// How it stands to what is expected.
    pub verdict: Verdict,
}

/// One hour of the session.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hour {
    /// When it begins.
    pub from: Elapsed,
    /// Share of it that the compressor ran (0 to 1); `None` where too little of it is determined.
    pub duty: Option<f64>,
    /// Mean outdoor temperature (°C), where known.
    pub outdoor: Option<f64>,
}

impl Night {
    /// An empty view, which tells day from night in `zone`.
    pub fn new(zone: TimeZone) -> Self {
        Self {
            zone,
            times: Times::default(),
            end: Elapsed::ZERO,
            outdoor: None,
            hours: VecDeque::new(),
            cycles: VecDeque::new(),
            runs: VecDeque::new(),
            last_set: None,
            marks: VecDeque::new(),
            trends: Trends::default(),
        }
    }

    /// A row of the record was at `at` and bears `label`. Call it before the row's outputs are
    /// taken, for every row, in order.
    pub fn row(&mut self, at: Elapsed, label: Option<Utc>) {
        self.times.row(at, label);
    }

    /// Takes what a session says.
    pub fn take(&mut self, output: &Output) {
        self.trends.take(output);
        match output {
            Output::Channel(new) if new.channel == outdoor_air() => self.outdoor = Some(new.id),
            Output::Moment(moment) => self.moment(moment),
            Output::Cycle(cycle) => push(&mut self.cycles, (**cycle).clone(), RUNS_MAX),
            Output::SettledSet(set) => self.last_set = Some((**set).clone()),
            Output::Diagnosis(diagnosis) => self.diagnosis(diagnosis),
            Output::Event(event) => push(&mut self.marks, (**event).clone(), MARKS_MAX),
            _ => {}
        }
    }

    /// The last moment that was heard of.
    pub fn end(&self) -> Elapsed {
        self.end
    }

    /// The runs, each with the pause after it, in order.
    pub fn cycles(&self) -> impl ExactSizeIterator<Item = &Cycle> {
        self.cycles.iter()
    }

    /// The last settled set of each run that settled, in order.
    pub fn settled(&self) -> impl ExactSizeIterator<Item = &SettledRun> {
        self.runs.iter()
    }

    /// What happened, in order: a probe lost, the clock set, frost, a short run, a note.
    pub fn marks(&self) -> impl DoubleEndedIterator<Item = &Event> + ExactSizeIterator {
        self.marks.iter()
    }

    /// How the measures change from run to run.
    pub fn trends(&self) -> &Trends {
        &self.trends
    }

    /// The zone in which people see it.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// The local time of day, `02:05`, or where no clock tells the time since the beginning.
    pub fn clock(&self, at: Elapsed) -> String {
        match self.times.near(at) {
            Some(utc) => {
                utc.timestamp().to_zoned_datetime(self.zone.clone()).strftime("%H:%M").to_string()
            }
            None => at.to_string(),
        }
    }

    /// The wall-clock time of a moment, where a clock told it.
    pub fn utc(&self, at: Elapsed) -> Option<Utc> {
        self.times.near(at)
    }

    /// The nights of the session (10 in the evening to 6 in the morning, local time), in order.
    pub fn nights(&self) -> Vec<Stretch> {
        let minutes = self.end.as_ms().div_ceil(60_000);
        let (mut nights, mut began) = (Vec::new(), None);
        for minute in 0..=minutes {
            let at = Elapsed::from_ms((minute * 60_000).min(self.end.as_ms()));
            match (self.is_night(at), began) {
                (true, None) if minute == 0 => began = Some(at),
                (true, None) => began = Some(self.change(at, true)),
                (false, Some(from)) => {
                    nights.push(Stretch { from, to: self.change(at, false) });
                    began = None;
                }
                _ => {}
            }
        }
        nights.extend(began.map(|from| Stretch { from, to: self.end }));
        nights
    }

    /// Whether some of the session was in a night, looked at once an hour.
    pub fn has_night(&self) -> bool {
        let hours = (0..=self.end.as_ms() / HOUR_MS).map(|n| Elapsed::from_ms(n * HOUR_MS));
        hours.chain([self.end]).any(|at| self.is_night(at))
    }

    /// Runs and pauses summed up: all of the session, its nights, and the rest.
    pub fn summary(&self) -> Summary {
        let cycles: Vec<Cycle> = self.cycles.iter().cloned().collect();
        summary(&cycles, &self.nights())
    }

    /// Duty and outdoor temperature by the hour.
    pub fn hours(&self) -> Vec<Hour> {
        let cycles: Vec<Cycle> = self.cycles.iter().cloned().collect();
        let hour = |number: u64| {
            let from = Elapsed::from_ms(number * HOUR_MS);
            let to = Elapsed::from_ms((number + 1) * HOUR_MS);
            let outdoor = self.hours.iter().find(|hour| hour.number == number);
            Hour {
                from,
                duty: activity(&cycles, Stretch { from, to }).duty(),
                outdoor: outdoor.map(|hour| hour.sum / f64::from(hour.moments)),
            }
        };
        let hours = self.end.as_ms().div_ceil(HOUR_MS);
        (hours.saturating_sub(HOURS_MAX as u64)..hours).map(hour).collect()
    }

    /// What the runs came to, in a sentence or two for people.
    pub fn sentence(&self) -> String {
        words(&self.summary().whole, self.cycles.len())
    }

    /// `{"kind":"night",…}`: summary, runs, hours, marks and trends, in SI.
    pub fn json(&self) -> Value {
        let nights = self.nights();
        let summary = self.summary();
        let stretch = |s: &Stretch| json!([s.from.as_secs(), s.to.as_secs()]);
        let hour = |hour: &Hour| {
            json!({
                "from_s": hour.from.as_secs(),
                "duty": number(hour.duty),
                "outdoor_c": number(hour.outdoor),
            })
        };
        json!({
            "kind": "night",
            "end_s": self.end.as_secs(),
            "zone": self.zone.iana_name(),
            "began_utc": self.times.near(Elapsed::ZERO).map(|utc| utc.timestamp().to_string()),
            "sentence": self.sentence(),
            "nights": nights.iter().map(stretch).collect::<Vec<_>>(),
            "whole": activity_json(&summary.whole),
            "night": activity_json(&summary.night),
            "day": activity_json(&summary.day),
            "runs": self.cycles.iter().map(engine_json::cycle).collect::<Vec<_>>(),
            "settled": self.runs.iter().map(settled_json).collect::<Vec<_>>(),
            "hours": self.hours().iter().map(hour).collect::<Vec<_>>(),
            "marks": self.marks.iter().map(engine_json::event).collect::<Vec<_>>(),
            "trends": self.trends.json(),
        })
    }

    fn moment(&mut self, moment: &Moment) {
        self.end = self.end.max(moment.at);
        let level = self.outdoor.and_then(|id| *moment.levels.get(usize::from(id.0))?);
        let Some(level) = level else { return };
        let number = moment.at.as_ms() / HOUR_MS;
        match self.hours.back_mut() {
            Some(hour) if hour.number == number => {
                hour.sum += level;
                hour.moments += 1;
            }
            _ => {
                let hour = OutdoorHour { number, sum: level, moments: 1 };
                push(&mut self.hours, hour, HOURS_MAX);
            }
        }
    }

    fn diagnosis(&mut self, diagnosis: &Diagnosis) {
        let Some(set) = self.last_set.take_if(|set| set.number == diagnosis.set) else { return };
        let measure = |name: &str| {
            let found = measured(diagnosis, name)?;
            let (interval_95, verdict) = (found.interval_95, found.verdict);
            Some(RunMeasure { value: found.value?, interval_95, verdict })
        };
        let run = SettledRun {
            cycle: set.cycle,
            set: set.number,
            from: set.from,
            to: set.to,
            outdoor: set.value(&outdoor_air()).map(|value| value.quantity.get()),
            measures: MEASURES.map(measure),
            suspect: diagnosis.suspects.first().map(|s| (s.fault, s.probability)),
        };
        if run.cycle.is_some() && self.runs.back().is_some_and(|last| last.cycle == run.cycle) {
            self.runs.pop_back();
        }
        push(&mut self.runs, run, RUNS_MAX);
    }

    fn is_night(&self, at: Elapsed) -> bool {
        self.times.near(at).is_some_and(|utc| {
            let local = utc.timestamp().to_zoned_datetime(self.zone.clone());
            tables::is_night(local.hour())
        })
    }

    /// The first moment within the minute up to `at` from which on it is night, or is not.
    fn change(&self, at: Elapsed, night: bool) -> Elapsed {
        let (mut before, mut after) = (at.as_ms().saturating_sub(60_000), at.as_ms());
        while after - before > 1 {
            let middle = u64::midpoint(before, after);
            if self.is_night(Elapsed::from_ms(middle)) == night {
                after = middle;
            } else {
                before = middle;
            }
        }
        Elapsed::from_ms(after)
    }
}

/// What an event is called on a page or a picture: `probe lost`.
pub fn mark_words(event: &Event) -> String {
    event.event.replace(['_', '-'], " ")
}

/// What runs came to, in words.
fn words(whole: &Activity, heard: usize) -> String {
    if heard == 0 {
        return "No run of the compressor was heard.".to_owned();
    }
    let Some(least_s) = whole.run_s_min else {
        return "The compressor ran, but no run was heard from its start to its end.".to_owned();
    };
    let runs = if whole.runs == 1 {
        "1 whole run".to_owned()
    } else {
        format!("{} whole runs", whole.runs)
    };
    let mut text = format!("The compressor made {runs}");
    if let Some(duty) = whole.duty() {
        text = format!("{text}; it ran {:.0} % of the time", 100.0 * duty);
    }
    if let Some(starts) = whole.starts_per_hour() {
        text = format!("{text}, with {starts:.1} starts an hour");
    }
    let least = wording::minutes(std::time::Duration::from_secs_f64(least_s));
    text = format!("{text}. The shortest run took {least}");
    match whole.short_runs {
        0 => text + ".",
        1 => text + "; one was too short for a usual thermostat.",
        more => format!("{text}; {more} were too short for a usual thermostat."),
    }
}

fn activity_json(activity: &Activity) -> Value {
    json!({
        "starts": activity.starts,
        "running_s": number(activity.running_s),
        "resting_s": number(activity.resting_s),
        "duty": number(activity.duty()),
        "starts_per_hour": number(activity.starts_per_hour()),
        "runs": activity.runs,
        "run_s_min": number(activity.run_s_min),
        "short_runs": activity.short_runs,
        "short_pauses": activity.short_pauses,
        "settled": activity.settled,
        "defrosts": activity.defrosts,
    })
}

fn settled_json(run: &SettledRun) -> Value {
    let mut line = json!({
        "cycle": run.cycle,
        "set": run.set,
        "from_s": run.from.as_secs(),
        "to_s": run.to.as_secs(),
        "outdoor_c": number(run.outdoor),
        "suspect": run.suspect.map(|(fault, _)| fault.word()),
        "suspect_words": run.suspect.map(|(fault, _)| fault_words(fault)),
        "probability": number(run.suspect.map(|(_, probability)| probability)),
    });
    for (name, found) in MEASURES.iter().zip(&run.measures) {
        line[name] = found.map_or(Value::Null, |found| {
            json!({
                "value": number(found.value),
                "interval_95": found.interval_95.map(|pair| pair.map(number)),
                "verdict": found.verdict.word(),
            })
        });
    }
    line
}

fn outdoor_air() -> Channel {
    Channel::new(Position::OutdoorAir, QuantityKind::Temperature)
}

/// Appends, and drops the oldest beyond `max`.
fn push<T>(queue: &mut VecDeque<T>, value: T, max: usize) {
    if queue.len() == max {
        queue.pop_front();
    }
    queue.push_back(value);
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::edge::clock::Labels;
    use crate::engine::output::NewChannel;
    use crate::engine::reading::{Instrument, State};

    fn night(began: &str) -> Night {
        let mut night = Night::new(TimeZone::get("America/Chicago").unwrap());
        night.row(Elapsed::ZERO, Labels::default().read(began.as_bytes()));
        night
    }

    fn moment(at_s: u64, outdoor: Option<f64>) -> Output {
        Output::Moment(Box::new(Moment {
            at: Elapsed::from_secs(at_s),
            state: State::Off,
            levels: vec![outdoor],
            layout: Arc::default(),
        }))
    }

    fn cycle(number: u32, start_s: u64, stop_s: u64, next_s: Option<u64>) -> Output {
        Output::Cycle(Box::new(Cycle {
            number,
            start: Some(Elapsed::from_secs(start_s)),
            stop: Some(Elapsed::from_secs(stop_s)),
            start_uncertainty_s: None,
            stop_uncertainty_s: None,
            next_start: next_s.map(Elapsed::from_secs),
            complete: next_s.is_some(),
            defrost: false,
            settled: true,
            how: String::new(),
        }))
    }

    #[test]
    fn nights_are_those_of_the_site_s_clock() {
        // 01:30 UTC is 20:30 in Chicago in summer: 90 minutes to the night, which lasts 8 hours.
        let mut night = night("2031-06-05T01:30:00.000Z");
        night.take(&moment(20 * 3_600, None));
        let expected = Stretch {
            from: Elapsed::from_secs(90 * 60),
            to: Elapsed::from_secs(90 * 60 + 8 * 3_600),
        };
        assert_eq!(night.nights(), [expected]);
        assert_eq!(night.clock(expected.from), "22:00");
    }

    #[test]
    fn without_a_clock_there_is_no_night_and_time_counts_from_the_beginning() {
        let mut night = Night::new(TimeZone::UTC);
        night.take(&moment(20 * 3_600, None));
        assert_eq!(night.nights(), []);
        assert_eq!(night.clock(Elapsed::from_secs(3_725)), "1:02:05");
    }

    #[test]
    fn an_hour_has_its_duty_and_its_outdoor_air() {
        let mut night = night("2031-06-05T01:30:00.000Z");
        night.take(&Output::Channel(Box::new(NewChannel {
            id: ChannelId(0),
            channel: outdoor_air(),
            probe: None,
            field: String::new(),
            instrument: Instrument { accuracy: 0.5, resolution: 0.0, time_constant_s: None },
        })));
        for at_s in [10, 20] {
            night.take(&moment(at_s, Some(20.0 + at_s as f64)));
        }
        night.take(&moment(7_000, None));
        night.take(&cycle(1, 0, 900, Some(3_600)));
        let hours = night.hours();
        assert_eq!(hours.len(), 2);
        assert_eq!((hours[0].duty, hours[0].outdoor), (Some(0.25), Some(35.0)));
        assert_eq!((hours[1].duty, hours[1].outdoor), (None, None));
        assert_eq!(
            night.sentence(),
            "The compressor made 1 whole run; it ran 25 % of the time, with 1.0 starts an hour. \
             The shortest run took 15 min."
        );
    }

    #[test]
    fn of_a_run_the_last_set_stands() {
        let mut night = night("2031-06-05T01:30:00.000Z");
        for number in 1..=3 {
            let set = SettledSet {
                number,
                cycle: Some(number.max(2)),
                from: Elapsed::from_secs(600),
                to: Elapsed::from_secs(900),
                run_s: None,
                values: vec![],
            };
            night.take(&Output::SettledSet(Box::new(set)));
            night.take(&Output::Diagnosis(Diagnosis { set: number, ..Diagnosis::default() }));
        }
        let sets: Vec<u32> = night.settled().map(|run| run.set).collect();
        assert_eq!(sets, [2, 3]);
    }

    #[test]
    fn what_is_kept_has_a_bound() {
        let mut queue = VecDeque::new();
        for number in 0..10 {
            push(&mut queue, number, 3);
        }
        assert_eq!(queue, [7, 8, 9]);
    }
}
