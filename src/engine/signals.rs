//! All channels' smoothing, settling and cycles in one place: readings in, samples, states, runs
//! and settled sets out.
//!
//! What it says depends on readings and on the ticks of a regular grid only, so the same record
//! gives the same answers whenever it is read.

mod levels;
mod outlook;
mod sets;
mod track;

use std::collections::VecDeque;

use crate::engine::channel::Channel;
use crate::engine::cycle::{Change, Compressor, Cycles};
use crate::engine::job::{Job, Mode, Settle};
use crate::engine::progress::Progress;
use crate::engine::reading::{
    ChannelId, Cycle, Instrument, ProbeId, Reading, Sample, SettledSet, State,
};
use crate::engine::role::Role;
use crate::engine::run::Runs;
use crate::engine::settle::Limits;
use crate::engine::smooth::Taken;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;
use track::Track;

/// A run this short is `starting`: too short to judge anything (s, 30 to 300; default 120).
const STARTING_S: f64 = 120.0;
/// Readings this close before a stop are not part of a set (s, 0 to 60; default 10).
const BEFORE_STOP_S: f64 = 10.0;

/// Something that the signals tell.
#[derive(Debug, Clone, PartialEq)]
pub enum SignalEvent {
    /// The unit does something else now.
    State(State),
    /// A run and its pause are over, or as over as they will be.
    Cycle(Cycle),
    /// All channels held still.
    SettledSet(SettledSet),
    /// Something worth a row of `events.csv`.
    Remark {
        /// What it is true for, which may be before now.
        at: Elapsed,
        /// The event's name in `snake_case`: `short_run`.
        event: &'static str,
        /// What it is about: a channel, or `cycle 3`.
        subject: String,
        /// The rest, in words.
        detail: String,
    },
}

/// All channels' smoothing, settling and cycles.
#[derive(Debug, Clone)]
pub struct Signals {
    mode: Mode,
    settle: Settle,
    limits: Limits,
    tracks: Vec<Track>,
    cycles: Cycles,
    runs: Runs,
    state: State,
    progress: Progress,
    /// Told since the last tick.
    queue: Vec<SignalEvent>,
    candidates: VecDeque<SettledSet>,
    sets: u32,
    /// End of the last set of this run (s).
    last_set_s: Option<f64>,
    /// Since when the run may count as settling: its start, or a change on the unit (s).
    settling_since_s: f64,
    first_s: Option<f64>,
    now_s: f64,
}

impl Signals {
    /// No channels yet, for a visit as `job` tells it.
    pub fn new(job: &Job) -> Self {
        Self {
            mode: job.mode,
            settle: job.settle.clone(),
            limits: Limits {
                window_s: job.settle.window.as_secs_f64(),
                drift_k_per_s_max: job.settle.drift_k_per_min_max / 60.0,
                spread_k_max: job.settle.spread_k_max,
            },
            tracks: Vec::new(),
            cycles: Cycles::new(),
            runs: Runs::new(),
            state: State::Unknown,
            progress: Progress::default(),
            queue: Vec::new(),
            candidates: VecDeque::new(),
            sets: 0,
            last_set_s: None,
            settling_since_s: 0.0,
            first_s: None,
            now_s: 0.0,
        }
    }

    /// Adds a channel read with `instrument` by `probe`; ids count up from 0.
    ///
    /// # Panics
    ///
    /// With more than 65,536 channels.
    pub fn add_channel(
        &mut self,
        channel: &Channel,
        instrument: Instrument,
        probe: Option<ProbeId>,
    ) -> ChannelId {
        let id = u16::try_from(self.tracks.len()).expect("a unit has no 65,536 channels");
        let role = Role::of(channel, self.mode);
        self.cycles.add(role, instrument.time_constant_s);
        let window_s = self.limits.window_s;
        self.tracks.push(Track::new(channel.clone(), role, instrument, probe, window_s));
        ChannelId(id)
    }

    /// Takes a reading of a channel that was added.
    pub fn take(&mut self, reading: &Reading) {
        let which = usize::from(reading.channel.0);
        let Some(track) = self.tracks.get_mut(which) else { return };
        let (t, value) = (reading.at.as_secs(), reading.quantity.get());
        let x = value / track.role.unit_per_k;
        self.first_s.get_or_insert(t);
        match track.smoother.take(reading.at, value) {
            Taken::Accepted => self.accept(which, t, x),
            Taken::WithHeld(held_t, held_x) => {
                self.accept(which, held_t, held_x);
                self.accept(which, t, x);
            }
            Taken::Held | Taken::Stale => {}
        }
    }

    /// Nobody listened from `from` to `to`: what happened then is unknown, not off.
    pub fn lost_stretch(&mut self, from: Elapsed, to: Elapsed) {
        self.take_last_set(from.as_secs());
        self.runs.cut(&mut self.queue);
        self.cycles.lost();
        for track in &mut self.tracks {
            track.smoother.restart();
        }
        self.restart_windows(to.as_secs(), true);
        self.first_s = None;
    }

    /// Something was changed on the unit: settling starts again.
    pub fn changed(&mut self, at: Elapsed) {
        self.take_last_set(at.as_secs());
        self.last_set_s = None;
        self.restart_windows(at.as_secs(), true);
    }

    /// A moment of the grid: judges, and tells what there is to tell up to `at`.
    pub fn tick(&mut self, at: Elapsed, out: &mut Vec<SignalEvent>) {
        self.now_s = at.as_secs();
        self.ask_levels();
        let fresh = self.judge_all();
        let state = self.current_state();
        if fresh || state != self.state {
            self.foretell();
            self.make_progress();
        }
        if state == State::Settled && fresh {
            self.hold_set();
        }
        out.append(&mut self.queue);
        if state != self.state {
            self.state = state;
            out.push(SignalEvent::State(state));
        }
    }

    /// The record ends at `at`: tells the run that is open, and its set.
    pub fn finish(&mut self, at: Elapsed, out: &mut Vec<SignalEvent>) {
        self.now_s = at.as_secs();
        self.take_last_set(self.now_s);
        self.runs.finish(&mut self.queue);
        out.append(&mut self.queue);
    }

    /// What the unit is doing, as of the last tick.
    pub const fn state(&self) -> State {
        self.state
    }

    /// When the run that is not over began; `None` where nothing runs, or nobody heard it start.
    pub fn running_since(&self) -> Option<Elapsed> {
        if !matches!(self.cycles.compressor(), Compressor::On(_)) {
            return None;
        }
        let started_s = self.runs.open()?.started_s()?;
        Some(Elapsed::from_ms((started_s * 1_000.0) as u64))
    }

    /// The smoothed value of a channel at `at`; `None` where nothing is known of it then.
    pub fn sample(&self, channel: ChannelId, at: Elapsed) -> Option<Sample> {
        self.tracks.get(usize::from(channel.0))?.smoother.sample(channel, at)
    }

    /// How far everything is from settled, as of the last tick.
    pub const fn progress(&self) -> &Progress {
        &self.progress
    }

    /// The latest stretch that held, while the run goes on: the set that would be taken if it
    /// ended now. Its number is that of the next set; it may still be replaced by a later one.
    pub fn provisional(&self) -> Option<&SettledSet> {
        if self.state == State::Settled { self.candidates.back() } else { None }
    }

    fn accept(&mut self, which: usize, t: f64, x: f64) {
        let track = &mut self.tracks[which];
        let interval = track.smoother.interval_s();
        let silence = self.settle.silence.as_secs_f64().max(track.smoother.age_s_max());
        if t - track.last_s > silence {
            // A window across a silence would claim stillness where nobody looked.
            track.window.restart();
            track.holds = false;
        }
        track.last_s = t;
        track.fresh_block |= track.window.take(t, x);
        let scatter = track.smoother.scatter_k();
        if let Some(change) = self.cycles.take(which, (t, x), interval, scatter) {
            self.turned(&change, t);
        }
    }

    /// A start or stop became known at `told_s`.
    fn turned(&mut self, change: &Change, told_s: f64) {
        let how = self.names(&change.witnesses);
        let at_s = change.moment.map_or(told_s, |moment| moment.at_s);
        if change.runs {
            self.candidates.clear();
            self.last_set_s = None;
            self.runs.start(change.moment, at_s, &how, &mut self.queue);
        } else {
            let margin = change.moment.map_or(0.0, |moment| 2.0 * moment.uncertainty_s);
            self.take_last_set(at_s - BEFORE_STOP_S.max(margin));
            let reason = self.why_not();
            self.runs.stop(change.moment, &how, &reason, &mut self.queue);
        }
        self.restart_windows(at_s, false);
    }

    fn names(&self, witnesses: &[usize]) -> String {
        let names = witnesses.iter().map(|which| {
            let channel = &self.tracks[*which].channel;
            if channel.kind == QuantityKind::Temperature {
                channel.place.to_string()
            } else {
                channel.to_string()
            }
        });
        names.collect::<Vec<_>>().join(", ")
    }

    fn restart_windows(&mut self, from_s: f64, all: bool) {
        self.settling_since_s = from_s;
        self.candidates.clear();
        for track in &mut self.tracks {
            track.settle_from(from_s, all);
        }
    }

    /// Judges the channels that have a new block; says whether there was one.
    fn judge_all(&mut self) -> bool {
        let mut fresh = false;
        for track in &mut self.tracks {
            fresh |= track.judge(&self.limits);
        }
        if fresh && matches!(self.cycles.compressor(), Compressor::On(_)) {
            self.look_for_frost();
        }
        fresh
    }

    fn heard(&self, track: &Track) -> bool {
        let silence = self.settle.silence.as_secs_f64().max(track.smoother.age_s_max());
        self.now_s - track.last_s <= silence
    }

    fn current_state(&self) -> State {
        let run_s = match self.cycles.compressor() {
            Compressor::Unknown => return State::Unknown,
            Compressor::Off(_) => {
                let fan = self.cycles.fan(self.now_s) == Some(true);
                return if fan { State::FanOnly } else { State::Off };
            }
            Compressor::On(_) => self.now_s - self.settling_since_s,
        };
        let run_min = self.settle.run_min.as_secs_f64();
        if run_s < STARTING_S.min(run_min) {
            return State::Starting;
        }
        let (mut any, mut all, mut swings) = (false, true, false);
        for track in self.tracks.iter().filter(|track| track.role.matters && self.heard(track)) {
            any = true;
            let hunts =
                track.hunt.is_some_and(|hunt| hunt.drift.abs() < self.limits.drift_k_per_s_max);
            swings |= hunts;
            all &= track.holds || hunts;
        }
        match (any && all && run_s >= run_min, swings) {
            (true, true) => State::Hunting,
            (true, false) => State::Settled,
            (false, _) => State::Settling,
        }
    }
}
