//! What the page knows of a visit beyond the present moment, in bounded memory.

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::time::Duration;

use jiff::tz::TimeZone;

use super::series::{Points, Series};
use super::when::When;
use crate::app::night::Night;
use crate::app::view::runs;
use crate::app::wording;
use crate::edge::clock::Utc;
use crate::edge::journal::Status;
use crate::engine::channel::Channel;
use crate::engine::columns::Units;
use crate::engine::diagnose::diagram::{Diagram, Missing, diagram};
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::job::Job;
use crate::engine::output::{Derived, Event, Moment, NewChannel, Output};
use crate::engine::reading::{Instrument, Reading, SettledSet, State};
use crate::engine::snapshot::Counts;
use crate::units::time::Elapsed;

/// Settled sets that are kept, the latest.
const SETS_MAX: usize = 10_000;
/// Diagnoses that are kept, the latest; each is some 20 kB.
const DIAGNOSES_MAX: usize = 1_000;
/// Changes of state that are kept, the latest.
const STATES_MAX: usize = 50_000;
/// Columns before the channels': the derived measures.
const DERIVED: usize = Derived::ALL.len();

/// Where the inputs come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The radio: this is now.
    Live,
    /// A record; whether it has been heard to its end.
    Record {
        /// It has.
        ended: bool,
    },
    /// The virtual unit; whether it has come to its end.
    Simulation {
        /// It has.
        ended: bool,
    },
}

/// A channel, and what was heard on it last.
#[derive(Debug, Clone)]
pub struct Known {
    /// The channel as the session told of it.
    pub new: NewChannel,
    /// The address of its probe; empty for typed and imported values.
    pub probe: String,
    /// Readings so far.
    pub readings: u64,
    /// The last one.
    pub last: Option<Reading>,
}

/// A visit so far.
#[derive(Debug)]
pub struct History {
    /// The site, as people call it.
    pub site: String,
    /// How people see values unless they ask for others.
    pub units: Units,
    /// Where the inputs come from.
    pub source: Source,
    /// How moments are labelled.
    pub when: When,
    /// The session's folder, where notes are left; `None` where none are taken.
    pub folder: Option<PathBuf>,
    /// The job.
    pub job: Job,
    /// The channels, by their ids.
    pub channels: Vec<Known>,
    /// Settled sets.
    pub sets: VecDeque<SettledSet>,
    /// What each set says.
    pub diagnoses: VecDeque<Diagnosis>,
    /// Runs, marks and trends.
    pub night: Night,
    /// How often each kind of event happened.
    pub events_by_name: BTreeMap<String, u64>,
    /// What the session counted.
    pub counts: Counts,
    /// How the journal stands.
    pub journal: Status,
    /// Outputs that came faster than they were taken, and are missing here.
    pub missed: u64,
    /// Each moment at which the state changed, and to what.
    pub states: VecDeque<(usize, State)>,
    series: Series,
}

impl History {
    /// A visit that begins, with a moment every `interval`.
    pub fn new(
        site: &str,
        units: Units,
        source: Source,
        interval: Duration,
        zone: TimeZone,
    ) -> Self {
        Self {
            site: site.to_owned(),
            units,
            source,
            when: When { began: None, zone: zone.clone() },
            folder: None,
            job: Job { interval, ..Job::default() },
            channels: Vec::new(),
            sets: VecDeque::new(),
            diagnoses: VecDeque::new(),
            night: Night::new(zone),
            events_by_name: BTreeMap::new(),
            counts: Counts::default(),
            journal: Status::default(),
            missed: 0,
            states: VecDeque::new(),
            series: Series::new(DERIVED),
        }
    }

    /// A row of the record was at `at` and bears `label`.
    pub fn row(&mut self, at: Elapsed, label: Option<Utc>) {
        self.night.row(at, label);
        let began = label.and_then(|label| label.plus_ms(-(at.as_ms() as i64)));
        self.when.began = began.or(self.when.began);
    }

    /// Takes what the session said; `probe` is the address that belongs to a new channel.
    pub fn take(&mut self, output: Output, probe: String) {
        self.night.take(&output);
        match output {
            Output::Channel(new) => {
                self.channels.push(Known { new: *new, probe, readings: 0, last: None });
            }
            Output::Reading(reading) => self.reading(&reading),
            Output::Moment(moment) => self.take_moment(&moment),
            Output::SettledSet(set) => keep(&mut self.sets, *set, SETS_MAX),
            Output::Diagnosis(diagnosis) => keep(&mut self.diagnoses, diagnosis, DIAGNOSES_MAX),
            Output::Event(event) => {
                *self.events_by_name.entry(event.event).or_default() += 1;
            }
            Output::Cycle(_) | Output::Refused { .. } => {}
        }
    }

    /// Takes a reading.
    pub fn reading(&mut self, reading: &Reading) {
        if let Some(known) = self.channels.get_mut(usize::from(reading.channel.0)) {
            known.readings += 1;
            known.last = Some(*reading);
        }
    }

    fn take_moment(&mut self, moment: &Moment) {
        let number = self.number(moment.at);
        // Moments that were missed are gaps, so that those after them stand where they belong.
        while self.series.len() < number {
            self.series.push(std::iter::empty());
        }
        if self.states.back().is_none_or(|(_, state)| *state != moment.state) {
            keep(&mut self.states, (number, moment.state), STATES_MAX);
        }
        let values: Vec<f32> = (moment.derived().iter().chain(&moment.levels))
            .map(|value| value.map_or(f32::NAN, |value| value as f32))
            .collect();
        self.series.push(values.into_iter());
    }

    /// The number of the moment at `at`; the first is one interval after the beginning.
    fn number(&self, at: Elapsed) -> usize {
        (at.as_ms() / self.interval_ms()).saturating_sub(1) as usize
    }

    /// When a moment is.
    pub fn moment(&self, number: usize) -> Elapsed {
        Elapsed::from_ms((number as u64 + 1) * self.interval_ms())
    }

    fn interval_ms(&self) -> u64 {
        (self.job.interval.as_millis() as u64).max(1)
    }

    /// The last settled set of a run.
    pub fn set_of(&self, cycle: u32) -> Option<&SettledSet> {
        self.sets.iter().rev().find(|set| set.cycle == Some(cycle))
    }

    /// The circuit on pressure and enthalpy, as a settled set shows it.
    ///
    /// # Errors
    /// What is missing for it, in words.
    pub fn diagram(&self, set: &SettledSet) -> Result<Diagram, Missing> {
        let instruments: Vec<(Channel, Instrument)> = (self.channels.iter())
            .map(|known| (known.new.channel.clone(), known.new.instrument))
            .collect();
        diagram(&self.job, set, &instruments, 1)
    }

    /// An event in words, with the places of the probe that it is about.
    pub fn event_words(&self, event: &Event) -> String {
        let words = wording::event(event);
        let on = self.channels.iter().filter(|known| known.probe == event.subject);
        let mut places: Vec<String> =
            on.map(|known| known.new.channel.place.to_string().replace('-', " ")).collect();
        places.dedup();
        if event.subject.is_empty() || places.is_empty() {
            return words;
        }
        format!("{words} ({})", places.join(", "))
    }

    /// A little before the last start of the compressor, at the most three hours ago; without one,
    /// an hour ago.
    pub fn last_start(&self) -> Elapsed {
        const BEFORE: Duration = Duration::from_mins(2);
        const SHOWN_MAX: Duration = Duration::from_hours(3);
        let mut start = None;
        for (number, state) in self.states.iter().rev() {
            if runs(*state) {
                start = Some(*number);
            } else if start.is_some() {
                break;
            }
        }
        let start =
            start.map_or(self.end() - Duration::from_hours(1), |start| self.moment(start) - BEFORE);
        start.max(self.end() - SHOWN_MAX)
    }

    /// The last moment.
    pub fn end(&self) -> Elapsed {
        self.series.len().checked_sub(1).map_or(Elapsed::ZERO, |last| self.moment(last))
    }

    /// At most some `points_max` points from `from` to `to`; columns are those of
    /// [`Derived::ALL`], then the channels'.
    pub fn points(&self, from: Elapsed, to: Elapsed, points_max: usize) -> Points {
        self.series.points(self.number(from), self.number(to) + 1, points_max)
    }
}

/// Adds to what is kept, and forgets the oldest where that is too much.
fn keep<T>(kept: &mut VecDeque<T>, new: T, most: usize) {
    if kept.len() >= most {
        kept.pop_front();
    }
    kept.push_back(new);
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;

    fn moment(at_s: u64, state: State) -> Output {
        let levels = vec![Some(at_s as f64)];
        Output::Moment(Box::new(Moment {
            at: Elapsed::from_secs(at_s),
            state,
            levels,
            layout: Arc::default(),
        }))
    }

    fn history() -> History {
        History::new("bench", Units::Si, Source::Live, Duration::from_secs(1), TimeZone::UTC)
    }

    #[test]
    fn moments_that_were_missed_are_gaps() {
        let mut history = history();
        for at_s in [1, 2, 5] {
            history.take(moment(at_s, State::Off), String::new());
        }
        let points = history.points(Elapsed::ZERO, Elapsed::from_secs(9), 100);
        assert_eq!(points.moments.len(), 5);
        let levels = &points.values[DERIVED];
        assert_eq!((levels[0], levels[1], levels[4]), (1.0, 2.0, 5.0));
        assert!(levels[2].is_nan() && levels[3].is_nan());
        assert_eq!(history.end(), Elapsed::from_secs(5));
    }

    #[test]
    fn a_state_is_kept_once_for_as_long_as_it_lasts() {
        let mut history = history();
        for (at_s, state) in [(1, State::Off), (2, State::Off), (3, State::Starting)] {
            history.take(moment(at_s, state), String::new());
        }
        assert_eq!(history.states, [(0, State::Off), (2, State::Starting)]);
    }
}
