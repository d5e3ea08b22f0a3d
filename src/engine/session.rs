//! The session: takes inputs, wires the stages, says outputs.
//!
//! [`Session::handle`] takes one input, then [`Session::poll`] is called until `None`, then the
//! loop sleeps until [`Session::deadline`]. Before an input at t all deadlines before t are run at
//! their own times, so a late tick changes nothing and a replay equals the live session.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use crate::engine::channel::Channel;
use crate::engine::decode::{self, Decoded, Field, FieldValue};
use crate::engine::diagnose::derive::Layout;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::diagnose::{Context, diagnose};
use crate::engine::hearing::{Heard, Hearing, Slot, Who};
use crate::engine::input::{Input, Origin};
use crate::engine::job::Job;
use crate::engine::output::{Event, Moment, NewChannel, Output};
use crate::engine::place::Doubt;
use crate::engine::place::live::{Live, LiveDoubt};
use crate::engine::profile::{ProfileId, Profiles};
use crate::engine::reading::{
    ChannelId, Instrument, Payload, ProbeId, Reading, Sample, SettledSet, SettledValue, State, Via,
};
use crate::engine::signals::{SignalEvent, Signals};
use crate::engine::snapshot::{ChannelStatus, Counts, Snapshot};
use crate::units::quantity::{Quantity, QuantityKind};
use crate::units::time::Elapsed;

/// How long a typed value stands beside what the probes say (common practice, no source).
const TYPED_HOLD: Duration = Duration::from_mins(30);

/// How long after the last input moments are still said (common practice, no source): by then all
/// probes are long lost. A gap of months in an imported log would else be rows without a value.
const QUIET_MAX: Duration = Duration::from_hours(6);
/// How many channels a session can have. A unit has some twenty; a damaged record may claim any
/// number.
const CHANNELS_MAX: usize = 256;

/// One visit, from its first input to its last.
#[derive(Debug)]
pub struct Session {
    job: Job,
    profiles: Profiles,
    baseline: Option<SettledSet>,
    now: Elapsed,
    grid: Elapsed,
    /// When the last input came that was no tick.
    told: Elapsed,
    hearing: Hearing,
    placing: Live,
    signals: Signals,
    channels: Vec<NewChannel>,
    layout: Arc<Layout>,
    instruments: Vec<(Channel, Instrument)>,
    typed: Vec<Typed>,
    notes: Vec<String>,
    diagnosis: Option<Diagnosis>,
    counts: Counts,
    fields: Vec<Field>,
    events: Vec<SignalEvent>,
    outputs: VecDeque<Output>,
}

/// A value that a technician typed.
#[derive(Debug, Clone, Copy)]
struct Typed {
    at: Elapsed,
    channel: ChannelId,
    quantity: Quantity,
    uncertainty: Option<f64>,
    shown: bool,
}

impl Session {
    /// A session of `job` that decodes by `profiles`; `baseline` is a settled set of the same unit
    /// in good order, where there is one.
    pub fn new(job: Job, profiles: Profiles, baseline: Option<SettledSet>) -> Self {
        Self {
            signals: Signals::new(&job),
            grid: Elapsed::ZERO + job.interval,
            told: Elapsed::ZERO,
            hearing: Hearing::new(&job),
            placing: Live::new(job.mode),
            profiles,
            baseline,
            now: Elapsed::ZERO,
            channels: Vec::new(),
            layout: Arc::default(),
            instruments: Vec::new(),
            typed: Vec::new(),
            notes: Vec::new(),
            diagnosis: None,
            counts: Counts::default(),
            fields: Vec::new(),
            events: Vec::new(),
            outputs: VecDeque::new(),
            job,
        }
    }

    /// Takes one thing that happened at `now`; a time before the last one counts as the last.
    pub fn handle(&mut self, now: Elapsed, input: Input<'_>) {
        self.handle_decoded(now, input, None);
    }

    /// The same with a payload that was decoded beforehand, by the profiles of this session.
    pub fn handle_decoded(&mut self, now: Elapsed, input: Input<'_>, decoded: Option<Decoded<'_>>) {
        self.run_deadlines(now);
        self.now = self.now.max(now);
        if input != Input::Tick {
            self.told = self.now;
        }
        match input {
            Input::Payload(payload) => self.take_payload(&payload, decoded),
            Input::Heard { probe, rssi_dbm } => self.take_unchanged(probe, rssi_dbm),
            Input::Named { probe, name } => self.take_name(probe, name),
            Input::Value { channel, quantity, uncertainty, origin } => {
                self.take_value(&channel, quantity, uncertainty, origin);
            }
            Input::Note(text) => {
                self.notes.push(text.to_owned());
                self.event("note", "", text);
            }
            Input::Changed(text) => self.take_change(text),
            Input::Event { event, subject, detail } => {
                self.event(&event.replace('-', "_"), subject, detail);
            }
            Input::RecordingResumed { lost_from, lost_rows } => {
                self.signals.lost_stretch(lost_from, self.now);
                self.placing.again();
                let detail = format!("{lost_rows} inputs since {lost_from} were not recorded");
                self.event("recording_resumed", "", &detail);
            }
            Input::Restarted { pause } => self.take_restart(pause),
            Input::Tick => {}
        }
    }

    /// What the session has to say, in order; `None` when it has said all.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When the session wants to be called even if nothing happens.
    pub fn deadline(&self) -> Elapsed {
        self.grid + Duration::from_millis(1)
    }

    /// Ends the session at its last input: what is still open is closed as far as it is known.
    pub fn finish(&mut self) {
        self.run_deadlines(self.now + Duration::from_millis(1));
        let mut events = std::mem::take(&mut self.events);
        self.signals.finish(self.now, &mut events);
        self.take_signal_events(&mut events);
        self.events = events;
    }

    /// What the unit was doing at the last moment of the grid.
    pub fn state(&self) -> State {
        self.signals.state()
    }

    /// What was counted so far.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// The channels known so far, by their ids.
    pub fn channels(&self) -> &[NewChannel] {
        &self.channels
    }

    /// The probe's address.
    pub fn address(&self, probe: ProbeId) -> &str {
        self.hearing.address(probe)
    }

    /// The level and rate of a channel at `at`, which is not before the last input; `None` where
    /// nothing is known then.
    pub fn sample(&self, channel: ChannelId, at: Elapsed) -> Option<Sample> {
        self.signals.sample(channel, at)
    }

    /// All that a screen shows, as it is now.
    pub fn snapshot(&self) -> Snapshot {
        let progress = self.signals.progress();
        let status = |known: &NewChannel| ChannelStatus {
            channel: known.channel.clone(),
            sample: self.sample(known.id, self.now),
            progress: progress.channels.get(usize::from(known.id.0)).cloned(),
            silent: known.probe.and_then(|probe| self.hearing.silence(probe, self.now)),
        };
        Snapshot {
            at: self.now,
            state: self.signals.state(),
            run: self.signals.running_since().map(|start| self.now - start),
            probes: self.hearing.statuses(self.now),
            channels: self.channels.iter().map(status).collect(),
            progress,
            diagnosis: self.diagnosis_now(),
            counts: self.counts,
        }
    }

    /// Runs all deadlines before `until`, each at its own time.
    fn run_deadlines(&mut self, until: Elapsed) {
        let quiet = self.told + QUIET_MAX;
        while self.grid < until && self.grid <= quiet {
            self.now = self.now.max(self.grid);
            self.moment(self.grid);
            self.grid = self.grid + self.job.interval;
        }
        if self.grid < until {
            let step_ms = (self.job.interval.as_millis() as u64).max(1);
            let steps = (until.as_ms() - self.grid.as_ms()).div_ceil(step_ms);
            self.grid =
                Elapsed::from_ms(self.grid.as_ms().saturating_add(steps.saturating_mul(step_ms)));
        }
    }

    /// One moment of the grid: silences, then the stages, then the row.
    fn moment(&mut self, at: Elapsed) {
        for (address, silence) in self.hearing.newly_silent(at) {
            let detail = format!("nothing heard for {} s", silence.as_secs());
            self.outputs.push_back(event(at, "probe_lost", &address, &detail));
        }
        let mut events = std::mem::take(&mut self.events);
        self.signals.tick(at, &mut events);
        self.take_signal_events(&mut events);
        self.events = events;
        let level = |known: &NewChannel| self.signals.level(known.id, at);
        let mut levels: Vec<Option<f64>> = self.channels.iter().map(level).collect();
        for typed in self.typed.iter_mut().filter(|typed| !typed.shown) {
            levels[usize::from(typed.channel.0)] = Some(typed.quantity.get());
            typed.shown = true;
        }
        for LiveDoubt { channel, doubt } in self.placing.look(at) {
            self.doubt_place(at, channel, &doubt);
        }
        let (state, layout) = (self.signals.state(), Arc::clone(&self.layout));
        self.outputs.push_back(Output::Moment(Box::new(Moment { at, state, levels, layout })));
    }

    fn take_payload(&mut self, payload: &Payload<'_>, decoded: Option<Decoded<'_>>) {
        self.counts.payloads += 1;
        let probe = self.heard(payload.probe, payload.rssi_dbm);
        if let Some(decoded) = decoded {
            return self.take_fields(probe, payload.via, decoded);
        }
        let name = self.hearing.name(probe);
        let Some(profile) = self.profiles.match_payload(payload, name) else {
            self.refuse(payload.probe, "no profile fits");
            return;
        };
        let known = self.profiles.get(profile);
        let mut fields = std::mem::take(&mut self.fields);
        match decode::decode(known, payload.via, payload.bytes, &mut fields) {
            Ok(_) => self.take_fields(probe, payload.via, Decoded { profile, fields: &fields }),
            Err(error) => {
                let reason = error.in_words(known);
                self.refuse(payload.probe, &reason);
            }
        }
        self.fields = fields;
    }

    fn take_fields(&mut self, probe: ProbeId, via: Via, decoded: Decoded<'_>) {
        let Decoded { profile, fields } = decoded;
        let sequence = self.profiles.get(profile).sequence(fields);
        let lasts = sequence.is_none() && !matches!(via, Via::Characteristic(_));
        if !self.hearing.is_new(probe, profile, sequence) {
            self.counts.repeated += 1;
            return;
        }
        for field in fields {
            self.take_field(probe, profile, field, lasts);
        }
    }

    /// A field's value becomes a reading where the job gives it a place. One that `lasts` holds
    /// for as long as the probe is heard to send the same.
    fn take_field(&mut self, probe: ProbeId, profile: ProfileId, field: &Field, lasts: bool) {
        let value = match field.value {
            FieldValue::Number(value) => value,
            FieldValue::OutOfRange(value) => {
                return self.refuse_field(probe, profile, field, value);
            }
            FieldValue::Absent | FieldValue::Bytes { .. } => return,
        };
        let key = (profile, field.index, field.repeat);
        let known = self.hearing.slot(probe, key).copied();
        let slot = known.unwrap_or_else(|| self.make_slot(probe, profile, field));
        match slot {
            Slot::Nowhere => {}
            Slot::Battery => self.take_battery(probe, value),
            Slot::Channel { channel, offset, gain, member } => {
                let corrected = value + offset + gain * value;
                let value = self.hearing.average(channel, member, self.now, corrected);
                if lasts {
                    self.hearing.advertised(probe, channel, value);
                }
                self.take_reading(channel, value);
            }
        }
    }

    fn refuse_field(&mut self, probe: ProbeId, profile: ProfileId, field: &Field, value: f64) {
        let name =
            self.profiles.get(profile).fields()[usize::from(field.index)].numbered(field.repeat);
        let reason = format!("{name} is {value}, which is out of its range");
        let address = self.hearing.address(probe).to_owned();
        self.refuse(&address, &reason);
    }

    fn take_reading(&mut self, channel: ChannelId, value: f64) {
        let kind = self.channels[usize::from(channel.0)].channel.kind;
        let Some(quantity) = Quantity::new(kind, value) else {
            let what = format!("{} is {value}, which is not possible", kind.word());
            let known = &self.channels[usize::from(channel.0)];
            let address = known.probe.map_or(String::new(), |p| self.hearing.address(p).to_owned());
            self.refuse(&address, &what);
            return;
        };
        let reading = Reading { at: self.now, channel, quantity };
        self.counts.readings += 1;
        self.signals.take(&reading);
        self.placing.take(channel, self.now, value);
        self.outputs.push_back(Output::Reading(reading));
    }

    /// The readings speak for another place than the job's; nothing is changed by it.
    fn doubt_place(&mut self, at: Elapsed, channel: ChannelId, doubt: &Doubt) {
        let known = &self.channels[usize::from(channel.0)];
        let address = known.probe.map_or(String::new(), |p| self.hearing.address(p).to_owned());
        let detail = format!(
            "the job says {}; its start looks like {} (odds {:.1} to 1); see where it is clamped",
            doubt.job, doubt.seems, doubt.odds
        );
        self.outputs.push_back(event(at, "placement_doubt", &address, &detail));
    }

    /// Finds out, once, where a field of a probe belongs.
    fn make_slot(&mut self, probe: ProbeId, profile_id: ProfileId, field: &Field) -> Slot {
        let profile = self.profiles.get(profile_id);
        let described = &profile.fields()[usize::from(field.index)];
        let name = described.numbered(field.repeat).into_owned();
        let slot = match (described.kind, self.hearing.placement(probe, &name)) {
            (Some(QuantityKind::Battery), _) => Slot::Battery,
            (None, _) | (_, None) => Slot::Nowhere,
            (Some(kind), Some(placed)) if !placed.takes(kind) => Slot::Nowhere,
            (Some(kind), Some(placed)) => {
                // Hand-held and clamped-on pressure probes read gauge (common practice, no source).
                let gauge = described.gauge.or(placed.gauge).unwrap_or(true);
                let correction = match kind {
                    QuantityKind::Temperature => (placed.offset_k, placed.gain),
                    QuantityKind::Pressure if gauge => (self.job.barometer.get(), 0.0),
                    _ => (0.0, 0.0),
                };
                let channel = Channel { place: placed.place, kind };
                let instrument = calibrated(described.instrument(), kind, placed.corrected_to_k);
                self.join(probe, channel, (name, instrument), (correction, placed.average))
            }
        };
        self.hearing.set_slot(probe, (profile_id, field.index, field.repeat), slot);
        slot
    }

    /// The slot of `probe` on `channel`: a new channel, a further member of an average, or none
    /// where another probe already sits there.
    fn join(
        &mut self,
        probe: ProbeId,
        channel: Channel,
        (field, instrument): (String, Instrument),
        ((offset, gain), average): ((f64, f64), bool),
    ) -> Slot {
        let known = self.channels.iter().find(|known| known.channel == channel);
        match known.map(|known| (known.id, known.probe)) {
            None => {
                let id = self.add_channel(channel, Some(probe), field, instrument);
                let member = self.hearing.add_member(id, average);
                Slot::Channel { channel: id, offset, gain, member }
            }
            Some((id, _)) if average => {
                let member = self.hearing.add_member(id, true);
                Slot::Channel { channel: id, offset, gain, member }
            }
            Some((_, owner)) => {
                let owner =
                    owner.map_or("typed values".to_owned(), |p| self.hearing.address(p).to_owned());
                let detail = format!(
                    "{channel} already comes from {owner}; give field.{field}.position another \
                     place, or say average = true in both"
                );
                let subject = self.hearing.address(probe).to_owned();
                self.event("position_taken", &subject, &detail);
                Slot::Nowhere
            }
        }
    }

    fn add_channel(
        &mut self,
        channel: Channel,
        probe: Option<ProbeId>,
        field: String,
        instrument: Instrument,
    ) -> ChannelId {
        let id = self.signals.add_channel(&channel, instrument, probe);
        if probe.is_some() {
            self.placing.add(id, &channel);
        }
        let known = NewChannel { id, channel, probe, field, instrument };
        self.instruments.push((known.channel.clone(), instrument));
        self.channels.push(known.clone());
        let channels: Vec<Channel> = self.channels.iter().map(|k| k.channel.clone()).collect();
        self.layout = Arc::new(Layout::new(&self.job, &channels));
        self.outputs.push_back(Output::Channel(Box::new(known)));
        id
    }

    fn take_battery(&mut self, probe: ProbeId, level: f64) {
        if self.hearing.take_battery(probe, level) {
            let detail = format!("{:.0} % left; have a fresh battery at hand", level * 100.0);
            let address = self.hearing.address(probe).to_owned();
            self.event("battery_low", &address, &detail);
        }
    }

    /// A probe still sends what it sent before: its last readings hold now as well.
    fn take_unchanged(&mut self, address: &str, rssi_dbm: Option<i16>) {
        let probe = self.heard(address, rssi_dbm);
        for number in 0.. {
            let Some((channel, value)) = self.hearing.last_advertised(probe, number) else { break };
            self.take_reading(channel, value);
        }
    }

    fn take_name(&mut self, address: &str, name: &str) {
        let probe = self.hearing.probe(address);
        self.hearing.set_name(probe, name);
    }

    /// Notes that a probe was heard, and says so where it had been lost.
    fn heard(&mut self, address: &str, rssi_dbm: Option<i16>) -> ProbeId {
        let (probe, who) = self.hearing.found_at(address, self.now);
        match who {
            Who::Same => {}
            Who::Moved(before) => {
                let detail = format!("the same probe by its name; its address was {before}");
                self.event("address_changed", address, &detail);
            }
            Who::Second(first) => {
                let detail = format!(
                    "a second device of the name that the job gives a place; {first} has it; \
                     to use both, give their addresses in the job"
                );
                self.event("name_shared", address, &detail);
            }
        }
        if let Heard::Back(silence) = self.hearing.heard(probe, self.now, rssi_dbm) {
            let detail = format!("heard again after {} s", silence.as_secs());
            self.event("probe_back", address, &detail);
        }
        probe
    }

    fn take_value(
        &mut self,
        channel: &Channel,
        quantity: Quantity,
        uncertainty: Option<f64>,
        origin: Origin,
    ) {
        self.counts.payloads += 1;
        let known = self.channels.iter().find(|known| known.channel == *channel).map(|k| k.id);
        if known.is_none() && self.channels.len() >= CHANNELS_MAX {
            self.refuse("", "there are more channels than any unit has");
            return;
        }
        let id = known.unwrap_or_else(|| {
            let half_width = uncertainty.unwrap_or(0.0) * 3.0_f64.sqrt();
            let instrument =
                Instrument { accuracy: half_width, resolution: 0.0, time_constant_s: None };
            self.add_channel(channel.clone(), None, channel.kind.word().to_owned(), instrument)
        });
        match origin {
            Origin::Import => self.take_reading(id, quantity.get()),
            Origin::Typed => {
                self.counts.readings += 1;
                self.typed.retain(|typed| typed.channel != id);
                let at = self.now;
                self.typed.push(Typed { at, channel: id, quantity, uncertainty, shown: false });
                let reading = Reading { at, channel: id, quantity };
                self.outputs.push_back(Output::Reading(reading));
            }
        }
    }

    fn take_change(&mut self, text: &str) {
        self.signals.changed(self.now);
        self.placing.again();
        self.typed.clear();
        self.event("changed", "", text);
    }

    fn take_restart(&mut self, pause: Option<Duration>) {
        let from = self.now - pause.unwrap_or(Duration::ZERO);
        self.signals.lost_stretch(from, self.now);
        self.placing.again();
        let detail = match pause {
            Some(pause) => format!("nobody listened for {} s", pause.as_secs()),
            None => "pause unknown".to_owned(),
        };
        self.event("restart", "", &detail);
    }

    fn take_signal_events(&mut self, events: &mut Vec<SignalEvent>) {
        for signal in events.drain(..) {
            match signal {
                SignalEvent::State(_) => {}
                SignalEvent::Cycle(cycle) => {
                    self.counts.cycles += 1;
                    self.outputs.push_back(Output::Cycle(Box::new(cycle)));
                }
                SignalEvent::SettledSet(set) => self.take_set(set),
                SignalEvent::Remark { at, event: name, subject, detail } => {
                    self.outputs.push_back(event(at, name, &subject, &detail));
                }
            }
        }
    }

    fn take_set(&mut self, mut set: SettledSet) {
        self.counts.settled_sets += 1;
        self.add_typed(&mut set);
        let diagnosis = self.diagnose(&set);
        self.diagnosis = Some(diagnosis.clone());
        self.outputs.push_back(Output::SettledSet(Box::new(set)));
        self.outputs.push_back(Output::Diagnosis(diagnosis));
    }

    /// What would be said of the stretch that holds now; else what the last set said.
    fn diagnosis_now(&self) -> Option<Diagnosis> {
        let holds = self.signals.provisional().map(|set| {
            let mut set = set.clone();
            self.add_typed(&mut set);
            self.diagnose(&set)
        });
        holds.or_else(|| self.diagnosis.clone())
    }

    fn diagnose(&self, set: &SettledSet) -> Diagnosis {
        let context = Context {
            baseline: self.baseline.as_ref(),
            instruments: &self.instruments,
            notes: &self.notes,
        };
        diagnose(&self.job, set, &context)
    }

    /// Values that were typed lately stand beside what the probes say.
    fn add_typed(&self, set: &mut SettledSet) {
        for typed in &self.typed {
            let channel = &self.channels[usize::from(typed.channel.0)].channel;
            if set.to - typed.at <= TYPED_HOLD && set.value(channel).is_none() {
                set.values.push(SettledValue {
                    channel: channel.clone(),
                    quantity: typed.quantity,
                    spread: 0.0,
                    uncertainty: typed.uncertainty.unwrap_or(0.0),
                    probe: None,
                });
            }
        }
    }

    fn refuse(&mut self, probe: &str, reason: &str) {
        self.counts.refused += 1;
        let (at, probe, reason) = (self.now, probe.to_owned(), reason.to_owned());
        self.outputs.push_back(Output::Refused { at, probe, reason });
    }

    fn event(&mut self, name: &str, subject: &str, detail: &str) {
        self.outputs.push_back(event(self.now, name, subject, detail));
    }
}

/// An instrument whose temperature was held against a known one is as good as that told, and not
/// worse than its maker states.
fn calibrated(instrument: Instrument, kind: QuantityKind, told_k: Option<f64>) -> Instrument {
    /// What comes since: handling, temperatures away from the bath's (K, standard; *assumed*).
    const SINCE_K: f64 = 0.05;
    match (kind, told_k) {
        (QuantityKind::Temperature, Some(u)) => {
            let half_width = (3.0 * (u * u + SINCE_K * SINCE_K)).sqrt();
            Instrument { accuracy: instrument.accuracy.min(half_width), ..instrument }
        }
        _ => instrument,
    }
}

fn event(at: Elapsed, name: &str, subject: &str, detail: &str) -> Output {
    Output::Event(Box::new(Event {
        at,
        event: name.to_owned(),
        subject: subject.to_owned(),
        detail: detail.to_owned(),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::job::{Probe, ProbeRef};

    #[test]
    fn a_gap_of_any_length_ends_in_a_few_hours_of_moments_whatever_ticks_come() {
        let end = Elapsed::from_ms(u64::MAX);
        for last in [Elapsed::from_secs(400 * 86_400), end] {
            let mut all = Vec::new();
            for ticks in [0, 3] {
                let mut session = session(vec![]);
                let mut said = Vec::new();
                session.handle(Elapsed::from_secs(1), Input::Note("begun"));
                for tick in 1..=ticks {
                    session.handle(Elapsed::from_secs(tick * 86_399), Input::Tick);
                }
                session.handle(last, Input::Note("back"));
                session.finish();
                while let Some(output) = session.poll() {
                    said.push(output);
                }
                all.push(said);
            }
            assert!(all[0].len() > 6 * 3_600 && all[0].len() < 6 * 3_600 + 10, "{}", all[0].len());
            assert_eq!(all[0], all[1]);
        }
    }

    #[test]
    fn a_damaged_record_makes_no_channels_without_end() {
        let mut session = session(vec![]);
        for n in 0..2 * CHANNELS_MAX as u64 {
            let channel: Channel = format!("other:n{n}.temperature").parse().unwrap();
            let quantity = Quantity::new(QuantityKind::Temperature, 20.0).unwrap();
            let (uncertainty, origin) = (None, Origin::Import);
            let value = Input::Value { channel, quantity, uncertainty, origin };
            session.handle(Elapsed::from_ms(n), value);
        }
        assert_eq!(session.channels().len(), CHANNELS_MAX);
        assert_eq!(session.counts().refused, CHANNELS_MAX as u64);
    }

    const CLAMP: &str = "02:00:00:00:00:01";
    const OTHER: &str = "02:00:00:00:00:02";

    fn probe(address: &str, position: &str) -> Probe {
        Probe {
            which: ProbeRef::Address(address.to_owned()),
            place: Some(position.parse().unwrap()),
            fields: std::collections::BTreeMap::new(),
            offset: None,
            average: false,
            gauge: None,
        }
    }

    fn session(probes: Vec<Probe>) -> Session {
        Session::new(Job { probes, ..Job::default() }, Profiles::shipped(), None)
    }

    /// A plain clamp's bytes, which carry a sequence number.
    fn clamp(sequence: u8, hundredths: i16) -> Vec<u8> {
        let [low, high] = hundredths.to_le_bytes();
        vec![0x43, 0x4C, 1, sequence, 0xFF, low, high]
    }

    /// A constant payload of a format without sequence numbers: 25.06 °C by BTHome v2.
    const BTHOME: [u8; 4] = [0x40, 0x02, 0xCA, 0x09];

    fn send(session: &mut Session, ms: u64, address: &str, bytes: &[u8]) {
        let via = if bytes[0] == 0x43 {
            Via::Manufacturer(0xFFFF)
        } else {
            Via::Service(crate::engine::profile::uuid::full(0xFCD2))
        };
        let payload = Payload { probe: address, via, bytes, rssi_dbm: Some(-60) };
        session.handle(Elapsed::from_ms(ms), Input::Payload(payload));
    }

    fn said(session: &mut Session) -> Vec<Output> {
        std::iter::from_fn(|| session.poll()).collect()
    }

    fn readings(outputs: &[Output]) -> Vec<f64> {
        let value = |output: &Output| match output {
            Output::Reading(reading) => Some(reading.quantity.get()),
            _ => None,
        };
        outputs.iter().filter_map(value).collect()
    }

    fn events(outputs: &[Output]) -> Vec<(u64, String)> {
        let value = |output: &Output| match output {
            Output::Event(event) => Some((event.at.as_ms(), event.event.clone())),
            _ => None,
        };
        outputs.iter().filter_map(value).collect()
    }

    #[test]
    fn a_placed_field_becomes_a_reading_and_an_unplaced_probe_none() {
        let mut session = session(vec![probe(CLAMP, "suction-line")]);
        send(&mut session, 100, CLAMP, &clamp(0, -1));
        send(&mut session, 200, OTHER, &clamp(0, 2_500));
        assert_eq!(readings(&said(&mut session)), [-0.01]);
        assert_eq!(session.channels()[0].channel.to_string(), "suction-line.temperature");
        assert_eq!(session.counts().readings, 1);
    }

    #[test]
    fn a_sequence_number_that_was_seen_is_no_news() {
        let mut session = session(vec![probe(CLAMP, "suction-line")]);
        for (ms, sequence) in [(0, 1), (100, 1), (200, 2)] {
            send(&mut session, ms, CLAMP, &clamp(sequence, 2_500));
        }
        assert_eq!(readings(&said(&mut session)).len(), 2);
        assert_eq!(session.counts().repeated, 1);
    }

    #[test]
    fn a_probe_that_is_heard_unchanged_still_reads_what_it_read() {
        let mut session = session(vec![probe(CLAMP, "supply-air")]);
        send(&mut session, 0, CLAMP, &BTHOME);
        let heard = Input::Heard { probe: CLAMP, rssi_dbm: Some(-70) };
        session.handle(Elapsed::from_ms(500), heard);
        assert_eq!(readings(&said(&mut session)), [25.06, 25.06]);
    }

    #[test]
    fn silence_loses_a_probe_at_its_own_time_however_late_the_tick() {
        let run = |ticks: &[u64]| {
            let mut session = session(vec![probe(CLAMP, "suction-line")]);
            for second in 0..30 {
                send(&mut session, second * 1_000, CLAMP, &clamp(second as u8, 2_500));
            }
            for ms in ticks {
                session.handle(Elapsed::from_ms(*ms), Input::Tick);
            }
            said(&mut session)
        };
        let late = run(&[300_001]);
        let every_second: Vec<u64> = (30..=300).map(|second| second * 1_000 + 1).collect();
        assert_eq!(run(&every_second), late, "a tick's time changed what was said");
        let lost = events(&late);
        assert_eq!(lost.len(), 1, "{lost:?}");
        assert_eq!(lost[0].1, "probe_lost");
    }

    #[test]
    fn a_lost_probe_that_is_heard_again_is_told() {
        let mut session = session(vec![probe(CLAMP, "suction-line")]);
        send(&mut session, 0, CLAMP, &clamp(0, 2_500));
        send(&mut session, 1_000, CLAMP, &clamp(1, 2_500));
        send(&mut session, 400_000, CLAMP, &clamp(2, 2_500));
        let names: Vec<String> = events(&said(&mut session)).into_iter().map(|e| e.1).collect();
        assert_eq!(names, ["probe_lost", "probe_back"]);
    }

    #[test]
    fn a_gauge_reads_absolute_at_the_local_barometer() {
        let mut gauge = probe(CLAMP, "suction-line");
        gauge.place = None;
        let place = Some("suction-line".parse().unwrap());
        let field = crate::engine::job::FieldPlace { place, offset: None };
        gauge.fields.insert("pressure".to_owned(), field);
        let mut session = session(vec![gauge]);
        let mut bytes = vec![0x43, 0x4C, 3, 0, 0xFF];
        bytes.extend(800_000_i32.to_le_bytes());
        bytes.extend(i16::MIN.to_le_bytes());
        send(&mut session, 0, CLAMP, &bytes);
        assert_eq!(readings(&said(&mut session)), [901_325.0]);
    }

    #[test]
    fn a_second_probe_at_a_position_is_told_and_left_out() {
        let mut session = session(vec![probe(CLAMP, "supply-air"), probe(OTHER, "supply-air")]);
        send(&mut session, 0, CLAMP, &BTHOME);
        send(&mut session, 100, OTHER, &BTHOME);
        send(&mut session, 200, OTHER, &BTHOME);
        let outputs = said(&mut session);
        assert_eq!(readings(&outputs).len(), 1);
        assert_eq!(events(&outputs), [(100, "position_taken".to_owned())]);
    }

    #[test]
    fn probes_that_share_a_position_are_averaged() {
        let both = |address| Probe { average: true, ..probe(address, "supply-air") };
        let mut session = session(vec![both(CLAMP), both(OTHER)]);
        send(&mut session, 0, CLAMP, &clamp(0, 2_000));
        send(&mut session, 100, OTHER, &clamp(0, 2_200));
        assert_eq!(readings(&said(&mut session)), [20.0, 21.0]);
        assert_eq!(session.channels().len(), 1);
    }

    #[test]
    fn a_probe_is_found_by_the_name_that_it_tells() {
        let named = Probe { which: ProbeRef::Name("bench".into()), ..probe("", "supply-air") };
        let mut session = session(vec![named]);
        send(&mut session, 0, CLAMP, &BTHOME);
        session.handle(Elapsed::from_ms(50), Input::Named { probe: CLAMP, name: "bench" });
        send(&mut session, 100, CLAMP, &BTHOME);
        assert_eq!(readings(&said(&mut session)), [25.06]);
    }

    #[test]
    fn bytes_that_no_profile_fits_are_refused_and_counted() {
        let mut session = session(vec![probe(CLAMP, "suction-line")]);
        send(&mut session, 0, CLAMP, &[0x43, 0x4C, 1]);
        let outputs = said(&mut session);
        assert!(matches!(outputs[..], [Output::Refused { .. }]), "{outputs:?}");
        assert_eq!(session.counts().refused, 1);
    }

    #[test]
    fn a_typed_value_shows_once_and_is_no_repeat() {
        let mut session = session(Vec::new());
        let channel: Channel = "return-air.wet-bulb".parse().unwrap();
        let quantity = Quantity::new(QuantityKind::WetBulb, 18.0).unwrap();
        let origin = Origin::Typed;
        let typed = Input::Value { channel, quantity, uncertainty: Some(0.3), origin };
        session.handle(Elapsed::from_ms(500), typed);
        session.handle(Elapsed::from_ms(3_500), Input::Tick);
        let levels: Vec<Option<f64>> = said(&mut session)
            .into_iter()
            .filter_map(|output| match output {
                Output::Moment(moment) => Some(moment.levels[0]),
                _ => None,
            })
            .collect();
        assert_eq!(levels, [Some(18.0), None, None]);
    }

    #[test]
    fn time_that_goes_back_counts_as_the_last_time() {
        let mut session = session(vec![probe(CLAMP, "suction-line")]);
        send(&mut session, 5_000, CLAMP, &clamp(0, 2_500));
        send(&mut session, 1_000, CLAMP, &clamp(1, 2_500));
        let times: Vec<u64> = said(&mut session)
            .iter()
            .filter_map(|output| match output {
                Output::Reading(reading) => Some(reading.at.as_ms()),
                _ => None,
            })
            .collect();
        assert_eq!(times, [5_000, 5_000]);
    }
}
