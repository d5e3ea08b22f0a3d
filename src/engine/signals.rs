//! All channels' smoothing, settling and cycles in one place: readings in, samples, states, runs
//! and settled sets out.
//!
//! What it says depends on readings and on the ticks of a regular grid only, so the same record
//! gives the same answers whenever it is read.

mod levels;
mod melting;
mod mode;
mod outlook;
mod second_opinion;
mod sets;
mod stage;
mod track;

use std::collections::VecDeque;

use crate::engine::channel::Channel;
use crate::engine::columns::Units;
use crate::engine::cycle::{Change, Compressor, Cycles};
use crate::engine::job::{Job, Mode, Settle};
use crate::engine::reading::{
    ChannelId, Cycle, Instrument, ProbeId, Reading, Sample, SettledSet, State,
};
use crate::engine::role::Role;
use crate::engine::run::Runs;
use crate::engine::settle::Limits;
use crate::engine::smooth::Taken;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;
use second_opinion::Asked;
use track::Track;

/// A run this short is `starting`: too short to judge anything (s, 30 to 300; default 120).
const STARTING_S: f64 = 120.0;
/// A silence of all that tells of the compressor that is longer than this (s) may hide a stop and a
/// start: thermostats hold a compressor back for three minutes and more (common practice, no
/// source).
const UNHEARD_S_MAX: f64 = 180.0;
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
    units: Units,
    mode: Mode,
    /// What is known of it: with `auto` what the data told, once they did.
    way: Mode,
    variable_speed: bool,
    defrost: bool,
    /// What the R-statistic was asked in this run.
    asked: Asked,
    /// Whether it was told that the stages of this session cannot be seen.
    stages_told: bool,
    stages: u8,
    /// When the speed of the compressor last changed within this run (s).
    stepped_s: f64,
    settle: Settle,
    limits: Limits,
    tracks: Vec<Track>,
    cycles: Cycles,
    runs: Runs,
    state: State,
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
            units: job.units,
            mode: job.mode,
            way: job.mode,
            variable_speed: job.unit.variable_speed,
            defrost: false,
            asked: Asked::default(),
            stages_told: false,
            stages: job.unit.stages,
            stepped_s: f64::NEG_INFINITY,
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
        let role = Role::of(channel, self.way);
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
        self.end_unheard(from.as_secs());
        self.runs.cut(&mut self.queue);
        self.cycles.lost();
        self.defrost = false;
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
        self.look_for_silence(at);
        self.ask_mode();
        self.ask_levels();
        let fresh = self.judge_all();
        if fresh {
            self.look_for_stage();
            self.look_for_defrost();
        }
        let state = self.current_state();
        if state == State::Settled && fresh {
            self.hold_set();
        }
        self.opinion_on(state, fresh);
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
        self.end_unheard(self.now_s);
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

    /// The smoothed level of a channel at `at` (SI); `None` where nothing is known of it then.
    pub fn level(&self, channel: ChannelId, at: Elapsed) -> Option<f64> {
        self.tracks.get(usize::from(channel.0))?.smoother.level(at)
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
            self.asked = Asked::default();
            self.last_set_s = None;
            self.runs.start(change.moment, at_s, &how, &mut self.queue);
        } else {
            let margin = change.moment.map_or(0.0, |moment| 2.0 * moment.uncertainty_s);
            self.take_last_set(at_s - BEFORE_STOP_S.max(margin));
            self.opinion_at_end(at_s);
            let reason = self.why_not(at_s - margin);
            self.runs.stop(change.moment, &how, &reason, &mut self.queue);
        }
        self.restart_windows(at_s, false);
        self.defrost = false;
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
        self.asked = Asked::default();
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
        track.heard(self.now_s, self.settle.silence.as_secs_f64())
    }

    /// Where nothing that tells of the compressor was heard for longer than a unit needs to stop and
    /// start again, whatever it did meanwhile is unknown.
    fn look_for_silence(&mut self, at: Elapsed) {
        let Some(last_s) = self.cycles.unheard_since(self.now_s) else { return };
        if self.cycles.compressor() != Compressor::Unknown && self.now_s - last_s > UNHEARD_S_MAX {
            self.lost_stretch(Elapsed::from_ms((last_s * 1_000.0) as u64), at);
        }
    }

    fn current_state(&self) -> State {
        if self.cycles.unheard_since(self.now_s).is_some() {
            return State::Unknown;
        }
        if self.defrost {
            return State::Defrost;
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::quantity::Quantity;

    /// Invented channels, one value of each a second, from a course of time (s).
    fn listen(
        mode: Mode,
        seconds: u64,
        channels: &[(&str, &dyn Fn(f64) -> f64)],
    ) -> (Signals, Vec<(f64, SignalEvent)>) {
        hear(&Job { mode, ..Job::default() }, seconds, channels)
    }

    /// The same for a whole job.
    pub(super) fn hear(
        job: &Job,
        seconds: u64,
        channels: &[(&str, &dyn Fn(f64) -> f64)],
    ) -> (Signals, Vec<(f64, SignalEvent)>) {
        let mut signals = Signals::new(job);
        let instrument = Instrument { accuracy: 0.3, resolution: 0.0, time_constant_s: None };
        // `NAME#300` reads every 300 s.
        let named: Vec<(Channel, u64)> = channels
            .iter()
            .map(|(name, _)| {
                let (name, every) = name.split_once('#').unwrap_or((name, "1"));
                (name.parse().unwrap(), every.parse().unwrap())
            })
            .collect();
        for (channel, _) in &named {
            signals.add_channel(channel, instrument, None);
        }
        let (mut told, mut out, mut state) = (Vec::new(), Vec::new(), 1_u64);
        for second in 0..seconds {
            for (which, (channel, every)) in named.iter().enumerate() {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                if second % every != 0 {
                    continue;
                }
                let noise = 0.1 * ((state >> 40) as f64 / f64::from(1 << 24) - 0.5);
                let unit = match channel.kind {
                    QuantityKind::Pressure => Role::of(channel, Mode::Cooling).unit_per_k,
                    _ => 1.0,
                };
                let value = channels[which].1(second as f64) + unit * noise;
                let quantity = Quantity::new(channel.kind, value).unwrap();
                let (at, channel) = (Elapsed::from_secs(second), ChannelId(which as u16));
                signals.take(&Reading { at, channel, quantity });
            }
            signals.tick(Elapsed::from_secs(second), &mut out);
            told.extend(out.drain(..).map(|event| (second as f64, event)));
        }
        signals.finish(Elapsed::from_secs(seconds), &mut out);
        told.extend(out.drain(..).map(|event| (seconds as f64, event)));
        (signals, told)
    }

    /// From `from` to `to` (both levels) by an exponential that begins at `at` (s).
    pub(super) fn goes(from: f64, to: f64, at: f64, t: f64) -> f64 {
        from + (to - from) * (1.0 - libm::exp(-(t - at).max(0.0) / 60.0))
    }

    pub(super) fn remarks<'a>(told: &'a [(f64, SignalEvent)], name: &str) -> Vec<&'a SignalEvent> {
        let is = |event: &&SignalEvent| matches!(event, SignalEvent::Remark { event, .. } if *event == name);
        told.iter().map(|(_, event)| event).filter(is).collect()
    }

    #[test]
    fn a_run_that_drifts_says_so_in_the_units_of_the_job() {
        for (units, expected) in [(Units::Us, "°F a minute"), (Units::Si, "°C a minute")] {
            let (_, told) = hear(
                &Job { units, ..Job::default() },
                1_500,
                &[
                    ("outdoor-unit.current", &|t| {
                        if (100.0..1_200.0).contains(&t) { 6.0 } else { 0.2 }
                    }),
                    ("supply-air.temperature", &|t| {
                        // After the stop it warms up, which is no part of the run.
                        goes(25.0, 14.0, 100.0, t) - 0.3 / 60.0 * t + goes(0.0, 9.0, 1_200.0, t)
                    }),
                ],
            );
            let found = remarks(&told, "run_never_settled");
            let [SignalEvent::Remark { detail, .. }] = found[..] else { panic!("{told:?}") };
            assert!(detail.starts_with("supply-air.temperature falls by 0."), "{detail}");
            assert!(detail.ends_with(expected), "{detail}");
        }
    }

    #[test]
    fn a_probe_that_reads_every_five_minutes_cannot_show_a_run_of_twenty() {
        let (_, told) = hear(
            &Job::default(),
            1_600,
            &[
                ("outdoor-unit.current", &|t| {
                    if (100.0..1_300.0).contains(&t) { 6.0 } else { 0.2 }
                }),
                ("supply-air.temperature#300", &|_| 14.0),
            ],
        );
        let found = remarks(&told, "run_never_settled");
        let [SignalEvent::Remark { detail, .. }] = found[..] else { panic!("{told:?}") };
        assert!(detail.contains("cannot be shown with this probe in a run of 20 min"), "{detail}");
    }

    #[test]
    fn a_stretch_that_nobody_heard_cuts_the_run() {
        let (mut signals, told) = listen(
            Mode::Cooling,
            900,
            &[
                ("outdoor-unit.current", &|t| if t < 100.0 { 0.2 } else { 6.0 }),
                ("supply-air.temperature", &|t| goes(25.0, 14.0, 100.0, t)),
            ],
        );
        assert_eq!(told.iter().filter(|(_, e)| matches!(e, SignalEvent::Cycle(_))).count(), 1);
        signals.runs.start(None, 900.0, "", &mut Vec::new());
        signals.lost_stretch(Elapsed::from_secs(950), Elapsed::from_secs(2_000));
        let mut out = Vec::new();
        signals.tick(Elapsed::from_secs(2_001), &mut out);
        let cut = out.iter().find_map(|event| match event {
            SignalEvent::Cycle(cycle) => Some((cycle.complete, cycle.stop)),
            _ => None,
        });
        assert_eq!((cut, signals.state()), (Some((false, None)), State::Unknown), "{out:?}");
    }

    fn sets(told: &[(f64, SignalEvent)]) -> Vec<&SettledSet> {
        told.iter()
            .filter_map(|(_, event)| match event {
                SignalEvent::SettledSet(set) => Some(set),
                _ => None,
            })
            .collect()
    }

    #[test]
    fn no_set_reaches_across_the_step_of_a_second_stage() {
        // Supply air moves by less than the limits see; the current tells.
        let (_, told) = listen(
            Mode::Cooling,
            3_000,
            &[
                ("outdoor-unit.current", &|t| {
                    if t < 100.0 {
                        0.2
                    } else if t < 1_500.0 {
                        6.0
                    } else {
                        9.0
                    }
                }),
                ("return-air.temperature", &|_| 25.0),
                ("supply-air.temperature", &|t| {
                    goes(25.0, 14.0, 100.0, t) - goes(0.0, 0.2, 1_500.0, t)
                }),
            ],
        );
        assert_eq!(remarks(&told, "stage_changed").len(), 1, "{told:?}");
        let sets = sets(&told);
        assert!(sets.len() == 2 && sets[0].to.as_secs() < 1_500.0, "{sets:?}");
        assert!(sets[1].from.as_secs() >= 1_490.0, "{sets:?}");
    }

    #[test]
    fn with_auto_the_air_tells_heating_from_cooling() {
        for (supply, expected) in [(42.0, Mode::Heating), (12.0, Mode::Cooling)] {
            let (signals, told) = listen(
                Mode::Auto,
                1_500,
                &[
                    ("outdoor-unit.power", &|t| if t < 100.0 { 20.0 } else { 2_000.0 }),
                    ("return-air.temperature", &|_| 21.0),
                    ("supply-air.temperature", &move |t| goes(21.0, supply, 100.0, t)),
                ],
            );
            assert_eq!((signals.way, signals.state()), (expected, State::Settled));
            assert_eq!(remarks(&told, "mode").len(), 1);
        }
    }

    #[test]
    fn with_auto_and_air_alone_later_starts_are_heard_in_either_mode() {
        let (signals, told) = listen(
            Mode::Auto,
            4_000,
            &[
                ("return-air.temperature", &|_| 21.0),
                ("supply-air.temperature", &|t| {
                    if t < 1_400.0 {
                        42.0
                    } else if t < 2_400.0 {
                        goes(42.0, 21.0, 1_400.0, t)
                    } else {
                        goes(21.0, 42.0, 2_400.0, t)
                    }
                }),
            ],
        );
        assert_eq!(signals.way, Mode::Heating);
        let starts: Vec<f64> = told
            .iter()
            .filter_map(|(_, event)| match event {
                SignalEvent::Cycle(cycle) => cycle.start.map(Elapsed::as_secs),
                _ => None,
            })
            .collect();
        assert!(matches!(starts[..], [at] if (at - 2_400.0).abs() < 15.0), "{starts:?}");
    }

    #[test]
    fn a_defrost_is_a_state_of_its_own_and_marks_its_run() {
        // From 1500 to 1800 s the circuit is turned round; the compressor runs on.
        let turned = |warm: f64, cold: f64| {
            move |t: f64| {
                if t < 1_500.0 {
                    warm
                } else if t < 1_800.0 {
                    goes(warm, cold, 1_500.0, t)
                } else {
                    goes(cold, warm, 1_800.0, t)
                }
            }
        };
        let (supply, coil) = (turned(38.0, 16.0), turned(-6.0, 15.0));
        let (signals, told) = listen(
            Mode::Heating,
            3_000,
            &[
                ("outdoor-unit.current", &|t| if t < 60.0 { 0.2 } else { 6.0 }),
                ("supply-air.temperature", &supply),
                ("outdoor-coil.temperature", &coil),
            ],
        );
        let states: Vec<(f64, State)> = told
            .iter()
            .filter_map(|(at, event)| match event {
                SignalEvent::State(state) => Some((*at, *state)),
                _ => None,
            })
            .collect();
        let begun = states.iter().find(|(_, state)| *state == State::Defrost).unwrap().0;
        assert!((1_500.0..1_620.0).contains(&begun), "{states:?}");
        assert_eq!(signals.state(), State::Settled);
        let marked = |event: &SignalEvent| matches!(event, SignalEvent::Cycle(c) if c.defrost);
        assert!(told.iter().any(|(_, event)| marked(event)));
        assert_eq!(remarks(&told, "defrost").len(), 1);
    }

    #[test]
    fn the_r_statistic_is_remarked_where_it_disagrees_and_does_not_veto() {
        // Noise of 0.03 K over a drift of 0.05 K a minute: within the limit, and no steady state.
        let run = |drift: f64| {
            listen(
                Mode::Cooling,
                1_500,
                &[
                    ("outdoor-unit.current", &|t| if t < 60.0 { 0.2 } else { 6.0 }),
                    ("supply-air.temperature", &move |t| 14.0 + drift / 60.0 * t),
                ],
            )
        };
        let (signals, told) = run(0.05);
        assert_eq!(signals.state(), State::Settled);
        assert_eq!(remarks(&told, "r_statistic_disagrees").len(), 1);
        assert!(remarks(&run(0.0).1, "r_statistic_disagrees").is_empty());
    }
}
