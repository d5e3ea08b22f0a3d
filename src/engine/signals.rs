//! All channels' smoothing, settling and cycles in one place: readings in, samples, states, runs
//! and settled sets out.
//!
//! What it says depends on readings and on the ticks of a regular grid only, so the same record
//! gives the same answers whenever it is read.

use std::collections::VecDeque;

use crate::engine::approach::{Approach, approach};
use crate::engine::channel::{Channel, Position};
use crate::engine::cycle::{Change, Compressor, Cycles, Levels};
use crate::engine::frost;
use crate::engine::hunting::{Hunt, hunt};
use crate::engine::job::{Job, Mode, Settle};
use crate::engine::progress::{self, ChannelProgress, Left, Progress};
use crate::engine::reading::{
    ChannelId, Cycle, Instrument, ProbeId, Reading, Sample, SettledSet, State,
};
use crate::engine::role::Role;
use crate::engine::run::{Run, Runs};
use crate::engine::set::{Part, settled_set};
use crate::engine::settle::{GROWTH, Judgement, Limits, Stand, judge};
use crate::engine::smooth::{Smoother, Taken};
use crate::engine::window::Window;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// How many blocks the shortest window has (10 to 60; default 30).
const BLOCKS_A_WINDOW: usize = 30;
/// A run this short is `starting`: too short to judge anything (s, 30 to 300; default 120).
const STARTING_S: f64 = 120.0;
/// Levels are asked whether the compressor runs once this much was heard (s, default 90).
const LEVELS_S: f64 = 90.0;
/// How often an approach is fitted anew (s, 10 to 120; default 20).
const FORETELL_S: f64 = 20.0;
/// How many sets are held back, so that one from before a stop that is told late can be taken.
const CANDIDATES_MAX: usize = 64;
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

/// One channel on its way.
#[derive(Debug, Clone)]
struct Track {
    channel: Channel,
    role: Role,
    instrument: Instrument,
    probe: Option<ProbeId>,
    smoother: Smoother,
    window: Window,
    fresh_block: bool,
    judgement: Judgement,
    /// Whether it held when it was last shown either way.
    holds: bool,
    hunt: Option<Hunt>,
    approach: Option<Approach>,
    foretold_s: f64,
    last_s: f64,
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
        let blocks = BLOCKS_A_WINDOW * GROWTH[GROWTH.len() - 1] as usize + 2;
        self.cycles.add(role, instrument.time_constant_s);
        self.tracks.push(Track {
            channel: channel.clone(),
            role,
            instrument,
            probe,
            smoother: Smoother::new(instrument, role.unit_per_k),
            window: Window::new(self.limits.window_s / BLOCKS_A_WINDOW as f64, blocks),
            fresh_block: false,
            judgement: Judgement {
                stand: Stand::TooFew,
                stretch: None,
                window_s: self.limits.window_s,
            },
            holds: false,
            hunt: None,
            approach: None,
            foretold_s: f64::NEG_INFINITY,
            last_s: f64::NEG_INFINITY,
        });
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
            let begun = change.moment.or(None);
            self.runs.start(begun, at_s, &how, &mut self.queue);
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
            if all {
                track.window.restart();
            } else {
                track.window.trim_before(from_s);
            }
            track.holds = false;
            track.hunt = None;
            track.approach = None;
            track.foretold_s = f64::NEG_INFINITY;
            track.judgement.stand = Stand::TooFew;
            track.judgement.stretch = None;
        }
    }

    /// Where no turn was heard, clear levels tell whether the compressor runs.
    fn ask_levels(&mut self) {
        if self.cycles.compressor() != Compressor::Unknown
            || self.first_s.is_none_or(|first| self.now_s - first < LEVELS_S)
        {
            return;
        }
        let Some(runs) = self.levels().runs(self.mode) else { return };
        if let Some(change) = self.cycles.infer(runs) {
            if change.runs {
                self.runs.found_running(self.first_s.unwrap_or(self.now_s));
                self.settling_since_s = self.first_s.unwrap_or(self.now_s);
            } else {
                self.runs.found_resting();
            }
        }
    }

    fn levels(&self) -> Levels {
        let at = Elapsed::from_ms((self.now_s * 1000.0) as u64);
        let sample = |position: &Position, kind: QuantityKind| {
            self.tracks.iter().enumerate().find_map(|(which, track)| {
                let here = track.channel.place.position == *position && track.channel.kind == kind;
                if here { track.smoother.sample(ChannelId(which as u16), at) } else { None }
            })
        };
        let celsius = |position: Position| {
            sample(&position, QuantityKind::Temperature).map(|sample| sample.level)
        };
        let pascals = |position: Position| {
            sample(&position, QuantityKind::Pressure).map(|sample| sample.level)
        };
        let supply = sample(&Position::SupplyAir, QuantityKind::Temperature);
        Levels {
            discharge: celsius(Position::DischargeLine),
            suction: celsius(Position::SuctionLine),
            supply: supply.map(|sample| sample.level),
            back: celsius(Position::MixedAir).or_else(|| celsius(Position::ReturnAir)),
            leaving: celsius(Position::CondenserLeavingAir),
            outdoor: celsius(Position::OutdoorAir),
            low_pa: pascals(Position::SuctionLine),
            high_pa: pascals(Position::LiquidLine).or_else(|| pascals(Position::DischargeLine)),
            supply_holds: supply.is_none_or(|sample| sample.rate.abs() < 0.3 / 60.0),
        }
    }

    /// Judges the channels that have a new block; says whether there was one.
    fn judge_all(&mut self) -> bool {
        let mut fresh = false;
        for track in &mut self.tracks {
            if !std::mem::take(&mut track.fresh_block) {
                continue;
            }
            fresh = true;
            let stated = track.instrument.resolution / track.role.unit_per_k;
            let step = if stated > 0.0 { stated } else { track.window.step() };
            let step = if step.is_finite() { step } else { 0.0 };
            track.judgement = judge(track.window.blocks(), &self.limits, step);
            track.holds = match track.judgement.stand {
                Stand::Holds => true,
                // Not shown either way: what was shown before stands.
                Stand::Growing => track.holds,
                _ => false,
            };
            let matters = track.role.matters && !track.holds;
            track.hunt = if matters { hunt(track.window.blocks()) } else { None };
        }
        if fresh && matches!(self.cycles.compressor(), Compressor::On(_)) {
            self.look_for_frost();
        }
        fresh
    }

    fn look_for_frost(&mut self) {
        let Some(run) = self.runs.open_mut() else { return };
        let find = |position: &Position, kind: QuantityKind| {
            let is = |track: &&Track| {
                track.channel.place.position == *position && track.channel.kind == kind
            };
            self.tracks.iter().find(is)
        };
        let Some(suction) = find(&Position::SuctionLine, QuantityKind::Temperature) else {
            return;
        };
        let evaporating = find(&Position::SuctionLine, QuantityKind::Pressure)
            .or_else(|| find(&Position::IndoorCoil, QuantityKind::Temperature));
        let back = find(&Position::ReturnAir, QuantityKind::Temperature);
        let seen = frost::look(
            &frost::Lines {
                suction: &suction.window,
                evaporating: evaporating.map(|track| &track.window),
                back: back.map(|track| &track.window),
            },
            self.settle.frost.get(),
            self.mode,
        );
        if let Some(seen) = seen
            && run.frost_told(&seen)
        {
            self.queue.push(SignalEvent::Remark {
                at: Elapsed::from_ms((self.now_s * 1000.0) as u64),
                event: seen.event(),
                subject: suction.channel.to_string(),
                detail: seen.detail(),
            });
        }
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

    fn make_progress(&mut self) {
        let at = Elapsed::from_ms((self.now_s * 1000.0) as u64);
        let runs = matches!(self.cycles.compressor(), Compressor::On(_));
        let run_s = self.now_s - self.settling_since_s;
        let run_min = self.settle.run_min.as_secs_f64();
        let mut whole = Progress { share: 1.0, ..Progress::default() };
        for (which, track) in self.tracks.iter().enumerate() {
            let id = ChannelId(which as u16);
            let sample = track.smoother.sample(id, at);
            let mut one = ChannelProgress {
                channel: id,
                matters: track.role.matters,
                rate_per_min: sample.map(|sample| 60.0 * sample.rate),
                share: 0.0,
                reason: String::new(),
                left: None,
                forecast: None,
            };
            if let Some(approach) = track.approach.filter(|_| runs) {
                // The fit is a little old by now.
                let aged = self.now_s - track.foretold_s;
                let [likely_s, low_s, high_s] = approach.left_s.map(|s| (s - aged).max(0.0));
                one.left = Some(Left { likely_s, low_s, high_s });
                let unit = track.role.unit_per_k;
                one.forecast = Some((approach.level * unit, approach.level_uncertainty * unit));
            }
            if runs && sample.is_some() {
                one.share = if track.holds {
                    1.0
                } else {
                    progress::share(&track.judgement, &self.limits, run_s)
                };
                one.reason = self.channel_reason(track);
            } else if sample.is_none() {
                one.reason = "not heard".to_owned();
            }
            if runs && track.role.matters && self.heard(track) && one.share < whole.share {
                whole.share = one.share;
                whole.held_up_by = Some(id);
            }
            whole.channels.push(one);
        }
        if run_s < run_min {
            whole.share = whole.share.min((run_s / run_min).max(0.0));
        }
        if !runs {
            whole.share = 0.0;
        }
        whole.reason = self.whole_reason(whole.held_up_by, run_s);
        whole.left = self.time_left(&whole.channels, run_s);
        self.progress = whole;
    }

    fn channel_reason(&self, track: &Track) -> String {
        if let Some(hunt) = track.hunt {
            return format!(
                "swings by {:.1} K every {:.1} min",
                hunt.swing_k,
                hunt.period_s / 60.0
            );
        }
        if track.holds {
            return "holds still".to_owned();
        }
        let unit = track.channel.kind.unit();
        progress::reason(&track.judgement, &self.limits, unit, track.role.unit_per_k)
    }

    fn whole_reason(&self, held_up_by: Option<ChannelId>, run_s: f64) -> String {
        match self.cycles.compressor() {
            Compressor::Unknown => "whether the compressor runs is not known".to_owned(),
            Compressor::Off(_) => "the compressor rests".to_owned(),
            Compressor::On(_) => match held_up_by {
                Some(id) => {
                    let track = &self.tracks[usize::from(id.0)];
                    format!("{} {}", track.channel, self.channel_reason(track))
                }
                None if run_s < self.settle.run_min.as_secs_f64() => {
                    "the compressor has not run long enough".to_owned()
                }
                None => "all channels hold still".to_owned(),
            },
        }
    }

    /// Time left for the whole: that of the channel which takes longest; none where any channel
    /// that is waited for has none.
    fn time_left(&self, channels: &[ChannelProgress], run_s: f64) -> Option<Left> {
        if !matches!(self.cycles.compressor(), Compressor::On(_)) {
            return None;
        }
        let least = (self.settle.run_min.as_secs_f64() - run_s).max(0.0);
        let mut whole = Left { likely_s: least, low_s: least, high_s: least };
        for (track, progress) in self.tracks.iter().zip(channels) {
            if !track.role.matters || track.holds || !self.heard(track) {
                continue;
            }
            let left = progress.left?;
            whole.likely_s = whole.likely_s.max(left.likely_s);
            whole.low_s = whole.low_s.max(left.low_s);
            whole.high_s = whole.high_s.max(left.high_s);
        }
        Some(whole)
    }

    /// Fits the approaches of the channels that are waited for, now and then.
    fn foretell(&mut self) {
        if !matches!(self.cycles.compressor(), Compressor::On(_)) {
            return;
        }
        for track in self.tracks.iter_mut().filter(|track| track.role.matters) {
            if track.holds || track.hunt.is_some() {
                track.approach = None;
                continue;
            }
            if self.now_s - track.foretold_s < FORETELL_S {
                continue;
            }
            track.foretold_s = self.now_s;
            let margin = track.judgement.stretch.map_or(0.0, |stretch| stretch.drift_margin);
            track.approach =
                approach(track.window.blocks(), self.settling_since_s, &self.limits, margin);
        }
    }

    /// Makes the set of the latest stretch, and tells one when a run has gone on long enough.
    fn hold_set(&mut self) {
        let matters = self.tracks.iter().filter(|track| track.role.matters && self.heard(track));
        let (mut from_s, mut to_s) = (f64::NEG_INFINITY, f64::INFINITY);
        for track in matters {
            let (Some(stretch), Some(last)) =
                (track.judgement.stretch, track.window.blocks().back())
            else {
                return;
            };
            from_s = from_s.max(stretch.from_s);
            to_s = to_s.min(last.to_s);
        }
        if !(to_s - from_s > 0.5 * self.limits.window_s) {
            return;
        }
        let parts: Vec<Part<'_>> = self
            .tracks
            .iter()
            .filter(|track| self.heard(track))
            .map(|track| Part {
                channel: &track.channel,
                blocks: track.window.blocks(),
                instrument: &track.instrument,
                unit_per_k: track.role.unit_per_k,
                scatter_k: track.smoother.scatter_k(),
                probe: track.probe,
            })
            .collect();
        let run = self.runs.open().map(Run::number);
        let started = self.runs.open().and_then(Run::started_s);
        let set = settled_set(self.sets + 1, run, (from_s, to_s), started, &parts);
        if self.candidates.len() == CANDIDATES_MAX {
            self.candidates.pop_front();
        }
        self.candidates.push_back(set);
        let since = self.last_set_s.unwrap_or(self.settling_since_s);
        if to_s - since >= self.settle.set_interval.as_secs_f64() {
            self.take_last_set(to_s);
        }
    }

    /// Tells the last set that ends by `until_s`, when the last one of this run is long past.
    fn take_last_set(&mut self, until_s: f64) {
        let interval = self.settle.set_interval.as_secs_f64();
        let last = self.last_set_s;
        let fits = |set: &&SettledSet| {
            let to = set.to.as_secs();
            to <= until_s && last.is_none_or(|last| to - last >= interval)
        };
        if let Some(set) = self.candidates.iter().rev().find(fits).cloned() {
            self.sets += 1;
            self.last_set_s = Some(set.to.as_secs());
            self.runs.settled();
            self.queue.push(SignalEvent::SettledSet(set));
        }
        self.candidates.clear();
    }

    /// Why the run that ends now has no set, in words.
    fn why_not(&self) -> String {
        let waiting = self.tracks.iter().filter(|track| track.role.matters && self.heard(track));
        let reasons: Vec<String> = waiting
            .filter(|track| !track.holds)
            .map(|track| format!("{} {}", track.channel, self.channel_reason(track)))
            .collect();
        if reasons.is_empty() { "the run was too short".to_owned() } else { reasons.join("; ") }
    }
}
