//! Which probes are heard: names, silences, batteries, and where their fields belong.

use std::collections::HashMap;
use std::time::Duration;

use foldhash::fast::RandomState;

use crate::engine::channel::Place;
use crate::engine::job::{Calibration, Job, Probe, ProbeRef};
use crate::engine::presence::Presence;
use crate::engine::profile::ProfileId;
use crate::engine::reading::{ChannelId, ProbeId};
use crate::engine::snapshot::ProbeStatus;
use crate::units::quantity::{Kelvins, QuantityKind};
use crate::units::time::Elapsed;

/// A battery is low at this level (fraction), and no longer low 0.05 above it.
const BATTERY_LOW: f64 = 0.10;
/// A member of an average counts while it is no older than this.
const MEMBER_AGE_MAX: Duration = Duration::from_mins(1);
/// A new address of the same name is the same probe once the old one has been silent for so long, or
/// for three of its intervals if longer: two devices of one name are both heard.
const MOVED_AFTER: Duration = Duration::from_secs(10);

/// How many probes are told apart. Tags that change their addresses pass by for as long as a session
/// lasts, and a damaged record may name any number.
const PROBES_MAX: usize = 16_384;
/// Who stands for all strangers beyond that.
const STRANGERS: ProbeId = ProbeId(PROBES_MAX as u16);
/// Two devices of one name are two once both were heard within so much of each other, the first one
/// last: a probe that changes its address does not go back and forth.
const BOTH_WITHIN: Duration = Duration::from_secs(1);

/// So many numbers may a late payload lie behind. More is a probe that counts from the beginning,
/// after its battery was changed.
const LATE_MAX: u64 = 16;

/// A field of a profile, with the number of its repeat.
pub type FieldKey = (ProfileId, u16, u8);

/// Where a field's values go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Slot {
    /// Nowhere: the job gives it no place.
    Nowhere,
    /// To the probe's battery.
    Battery,
    /// To a channel.
    Channel {
        /// The channel.
        channel: ChannelId,
        /// Added to the value (SI).
        offset: f64,
        /// The share of the value that is added besides, as two baths tell it.
        gain: f64,
        /// Which member of the channel's average the probe is; `None` where it is alone.
        member: Option<u8>,
    },
}

/// What hearing a probe changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    /// Nothing: it was there before.
    Still,
    /// It was lost, for this long.
    Back(Duration),
}

/// Who is heard at an address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Who {
    /// The probe that was there before.
    Same,
    /// A probe that the job knows by its name, and that had this address before.
    Moved(String),
    /// A second device of a name that the job gives to the one at this address; told once.
    Second(String),
}

/// Where the job puts a field.
#[derive(Debug, Clone, PartialEq)]
pub struct Placement {
    /// The place.
    pub place: Place,
    /// Added to a temperature (K).
    pub offset_k: f64,
    /// The share of a temperature (°C) that is added besides.
    pub gain: f64,
    /// Standard uncertainty of the correction (K), where a known temperature told it.
    pub corrected_to_k: Option<f64>,
    /// Whether it shares the place with other probes.
    pub average: bool,
    /// Gauge or absolute, where the job says so.
    pub gauge: Option<bool>,
    /// Whether the job names this very field.
    pub named: bool,
}

impl Placement {
    /// Whether a field of `kind` can be meant. A probe's voltage is its own battery's, unless the
    /// probe sits on a unit's electricity or the job names the field.
    pub fn takes(&self, kind: QuantityKind) -> bool {
        let electric =
            matches!(kind, QuantityKind::Voltage | QuantityKind::Current | QuantityKind::Power);
        let position = &self.place.position;
        self.named || !electric || !(position.is_air() || position.is_line() || position.is_coil())
    }
}

/// All probes heard so far.
#[derive(Debug)]
pub struct Hearing {
    job_probes: Vec<Probe>,
    calibrations: Vec<Calibration>,
    silence: Duration,
    probes: Vec<One>,
    /// Looked up by address only; its order is never used.
    by_address: HashMap<String, ProbeId, RandomState>,
    averages: Vec<(ChannelId, Vec<Member>)>,
}

/// When a member of an average was last heard, and what it read.
type Member = Option<(Elapsed, f64)>;

/// One probe.
#[derive(Debug)]
struct One {
    address: String,
    name: Option<String>,
    job_probe: Option<usize>,
    /// The probe that had this one's name in the job before.
    namesake: Option<ProbeId>,
    /// Since when this one is heard beside it.
    beside_since: Option<Elapsed>,
    /// `None` before it was heard.
    presence: Option<Presence>,
    battery: Option<f64>,
    battery_low: bool,
    rssi_dbm: Option<i16>,
    sequences: Vec<(ProfileId, u64)>,
    slots: Vec<(FieldKey, Slot)>,
    advertised: Vec<(ChannelId, f64)>,
}

impl Hearing {
    /// Nothing heard yet; the job says which probes are awaited.
    pub fn new(job: &Job) -> Self {
        let mut hearing = Self {
            job_probes: job.probes.clone(),
            calibrations: job.calibrations.clone(),
            silence: job.settle.silence,
            probes: Vec::new(),
            by_address: HashMap::default(),
            averages: Vec::new(),
        };
        for probe in &job.probes {
            if let ProbeRef::Address(address) = &probe.which {
                hearing.probe(address);
            }
        }
        hearing
    }

    /// The number of the probe at `address`, which is given one where it has none. Beyond
    /// `PROBES_MAX` all further strangers share the last.
    pub fn probe(&mut self, address: &str) -> ProbeId {
        if let Some(id) = self.by_address.get(address) {
            return *id;
        }
        if self.probes.len() > PROBES_MAX {
            address.clone_into(&mut self.one_mut(STRANGERS).address);
            return STRANGERS;
        }
        let id = ProbeId(self.probes.len() as u16);
        let wanted = ProbeRef::Address(address.to_owned());
        self.probes.push(One {
            address: address.to_owned(),
            name: None,
            job_probe: self.job_probes.iter().position(|probe| probe.which == wanted),
            namesake: None,
            beside_since: None,
            presence: None,
            battery: None,
            battery_low: false,
            rssi_dbm: None,
            sequences: Vec::new(),
            slots: Vec::new(),
            advertised: Vec::new(),
        });
        // The last one's address is whichever was heard last.
        if id != STRANGERS {
            self.by_address.insert(address.to_owned(), id);
        }
        id
    }

    /// The probe's address.
    pub fn address(&self, probe: ProbeId) -> &str {
        &self.one(probe).address
    }

    /// The probe's name, where it told one.
    pub fn name(&self, probe: ProbeId) -> Option<&str> {
        self.one(probe).name.as_deref()
    }

    /// Notes the probe's name; a job may know it by that.
    pub fn set_name(&mut self, probe: ProbeId, name: &str) {
        if probe == STRANGERS {
            return;
        }
        let wanted = ProbeRef::Name(name.to_owned());
        let by_name = self.job_probes.iter().position(|probe| probe.which == wanted);
        let holder =
            self.probes.iter().position(|one| by_name.is_some() && one.job_probe == by_name);
        let holder = holder.map(|n| ProbeId(n as u16)).filter(|holder| *holder != probe);
        let one = self.one_mut(probe);
        if one.name.as_deref() != Some(name) {
            one.namesake = holder;
        }
        if one.job_probe.is_none() && by_name.is_some() && holder.is_none() {
            one.job_probe = by_name;
            one.slots.clear();
        }
        one.name = Some(name.to_owned());
    }

    /// The probe that is heard at `address`. Where the job knows it by its name and it has changed
    /// its address, that is the same probe; where the one of that name is still heard, a second.
    pub fn found_at(&mut self, address: &str, at: Elapsed) -> (ProbeId, Who) {
        let probe = self.probe(address);
        let Some(holder) = self.one(probe).namesake else { return (probe, Who::Same) };
        let (heard, interval_s) = match &self.one(holder).presence {
            Some(presence) => (presence.heard, presence.interval_s.unwrap_or(0.0)),
            None => return self.moved(probe, holder, address),
        };
        let since = *self.one_mut(probe).beside_since.get_or_insert(at);
        if heard.since(since) >= BOTH_WITHIN {
            // Never again the same: a place must not wander from one device to another.
            self.one_mut(probe).namesake = None;
            return (probe, Who::Second(self.one(holder).address.clone()));
        }
        if at - heard >= MOVED_AFTER.max(Duration::from_secs_f64(3.0 * interval_s)) {
            return self.moved(probe, holder, address);
        }
        (probe, Who::Same)
    }

    /// The two change places, so that the old address waits its turn should it be heard again.
    fn moved(&mut self, probe: ProbeId, holder: ProbeId, address: &str) -> (ProbeId, Who) {
        let before = std::mem::replace(&mut self.one_mut(holder).address, address.to_owned());
        let old = self.one_mut(probe);
        old.address.clone_from(&before);
        old.beside_since = None;
        self.by_address.insert(address.to_owned(), holder);
        self.by_address.insert(before.clone(), probe);
        (holder, Who::Moved(before))
    }

    /// Notes that the probe was heard at `at`.
    pub fn heard(&mut self, probe: ProbeId, at: Elapsed, rssi_dbm: Option<i16>) -> Heard {
        let least = self.silence;
        let one = self.one_mut(probe);
        one.rssi_dbm = rssi_dbm.or(one.rssi_dbm);
        let Some(presence) = &mut one.presence else {
            one.presence = Some(Presence::new(at, least));
            return Heard::Still;
        };
        presence.hear(at).map_or(Heard::Still, Heard::Back)
    }

    /// The job's probes that have become lost by `at`, each with how long it has been silent.
    pub fn newly_silent(&mut self, at: Elapsed) -> Vec<(String, Duration)> {
        let awaited = self.probes.iter_mut().filter(|one| one.job_probe.is_some());
        awaited
            .filter_map(|one| {
                let silence = one.presence.as_mut()?.lose(at)?;
                Some((one.address.clone(), silence))
            })
            .collect()
    }

    /// How long a lost probe has been silent; `None` where it is heard.
    pub fn silence(&self, probe: ProbeId, now: Elapsed) -> Option<Duration> {
        let presence = self.one(probe).presence.as_ref()?;
        presence.lost.then(|| now - presence.heard)
    }

    /// Whether a payload is new by its sequence number; one without a number always is. One that
    /// comes late, after those that were sent after it, is not: it would be taken for news.
    pub fn is_new(&mut self, probe: ProbeId, profile: ProfileId, sequence: Option<u64>) -> bool {
        let Some(sequence) = sequence else { return true };
        let sequences = &mut self.one_mut(probe).sequences;
        match sequences.iter_mut().find(|(of, _)| *of == profile) {
            Some((_, last)) if *last == sequence || lies_behind(sequence, *last) => false,
            Some((_, last)) => {
                *last = sequence;
                true
            }
            None => {
                sequences.push((profile, sequence));
                true
            }
        }
    }

    /// Where a field was found to belong.
    pub fn slot(&self, probe: ProbeId, key: FieldKey) -> Option<&Slot> {
        self.one(probe).slots.iter().find(|(of, _)| *of == key).map(|(_, slot)| slot)
    }

    /// Notes where a field belongs.
    pub fn set_slot(&mut self, probe: ProbeId, key: FieldKey, slot: Slot) {
        self.one_mut(probe).slots.push((key, slot));
    }

    /// Where the job puts the field called `name`.
    pub fn placement(&self, probe: ProbeId, name: &str) -> Option<Placement> {
        let job_probe = &self.job_probes[self.one(probe).job_probe?];
        let field = job_probe.fields.get(name);
        let own = field.and_then(|f| f.place.as_ref());
        let place = own.or(job_probe.place.as_ref())?;
        // What the job says of the probe goes before what a bath told of it.
        let offset = field.and_then(|f| f.offset).or(job_probe.offset);
        let address = &self.one(probe).address;
        let mut calibrations = self.calibrations.iter();
        let bath = calibrations.find(|c| c.address == *address && c.field == name);
        let bath = bath.filter(|_| offset.is_none());
        let (offset_k, gain) =
            bath.map_or((offset.map_or(0.0, Kelvins::get), 0.0), Calibration::correction);
        Some(Placement {
            place: place.clone(),
            offset_k,
            gain,
            corrected_to_k: bath.filter(|c| c.absolute).map(Calibration::uncertainty_k),
            average: job_probe.average,
            gauge: job_probe.gauge,
            named: own.is_some(),
        })
    }

    /// Makes room for one more member of the channel's average.
    pub fn add_member(&mut self, channel: ChannelId, average: bool) -> Option<u8> {
        if !average {
            return None;
        }
        if let Some((_, members)) = self.averages.iter_mut().find(|(of, _)| *of == channel) {
            members.push(None);
            return Some((members.len() - 1) as u8);
        }
        self.averages.push((channel, vec![None]));
        Some(0)
    }

    /// The value of the channel when `member` reads `value` at `at`: the mean of all members that
    /// were heard lately.
    pub fn average(
        &mut self,
        channel: ChannelId,
        member: Option<u8>,
        at: Elapsed,
        value: f64,
    ) -> f64 {
        let Some(member) = member else { return value };
        let Some((_, members)) = self.averages.iter_mut().find(|(of, _)| *of == channel) else {
            return value;
        };
        members[usize::from(member)] = Some((at, value));
        let fresh = members.iter().flatten().filter(|(when, _)| at - *when <= MEMBER_AGE_MAX);
        let (sum, count) = fresh.fold((0.0, 0.0), |(sum, n), (_, value)| (sum + value, n + 1.0));
        sum / count
    }

    /// Remembers what an advertisement said, for when it is heard again unchanged.
    pub fn advertised(&mut self, probe: ProbeId, channel: ChannelId, value: f64) {
        let advertised = &mut self.one_mut(probe).advertised;
        match advertised.iter_mut().find(|(of, _)| *of == channel) {
            Some((_, last)) => *last = value,
            None => advertised.push((channel, value)),
        }
    }

    /// What the probe's advertisements last said: the channel at `number`, counted from 0.
    pub fn last_advertised(&self, probe: ProbeId, number: usize) -> Option<(ChannelId, f64)> {
        self.one(probe).advertised.get(number).copied()
    }

    /// Notes the battery's level (fraction); true when it has become low.
    pub fn take_battery(&mut self, probe: ProbeId, level: f64) -> bool {
        let one = self.one_mut(probe);
        one.battery = Some(level);
        let was_low = one.battery_low;
        one.battery_low = level <= BATTERY_LOW || (was_low && level <= BATTERY_LOW + 0.05);
        one.battery_low && !was_low
    }

    /// What a screen shows of the probes: the job's first, in its order, then the others.
    pub fn statuses(&self, now: Elapsed) -> Vec<ProbeStatus> {
        let awaited = self.job_probes.iter().enumerate().map(|(number, wanted)| {
            let one = self.probes.iter().find(|one| one.job_probe == Some(number));
            status(one, Some(wanted), now)
        });
        let others = self.probes.iter().filter(|one| one.job_probe.is_none());
        awaited.chain(others.map(|one| status(Some(one), None, now))).collect()
    }

    fn one(&self, probe: ProbeId) -> &One {
        &self.probes[usize::from(probe.0)]
    }

    fn one_mut(&mut self, probe: ProbeId) -> &mut One {
        &mut self.probes[usize::from(probe.0)]
    }
}

fn status(one: Option<&One>, wanted: Option<&Probe>, now: Elapsed) -> ProbeStatus {
    let called = wanted.map(|probe| match &probe.which {
        ProbeRef::Address(text) | ProbeRef::Name(text) => text.clone(),
    });
    let presence = one.and_then(|one| one.presence.as_ref());
    let mut places: Vec<String> =
        wanted.iter().flat_map(|p| p.place.iter()).map(ToString::to_string).collect();
    let fields = wanted.iter().flat_map(|probe| probe.fields.values());
    places.extend(fields.filter_map(|f| f.place.as_ref()).map(ToString::to_string));
    places.dedup();
    ProbeStatus {
        address: one.map(|one| one.address.clone()).or(called).unwrap_or_default(),
        name: one.and_then(|one| one.name.clone()),
        places,
        awaited: wanted.is_some(),
        silent: presence.map(|presence| now - presence.heard),
        lost: presence.is_some_and(|presence| presence.lost),
        interval_s: presence.and_then(|presence| presence.interval_s),
        battery: one.and_then(|one| one.battery),
        rssi_dbm: one.and_then(|one| one.rssi_dbm),
    }
}

/// Whether a sequence number was sent shortly before `last`, also where the counter, of one to four
/// bytes, has begun anew between them.
fn lies_behind(sequence: u64, last: u64) -> bool {
    let behind = |by: u64| (1..=LATE_MAX).contains(&by);
    let wraps = [8, 16, 24, 32].map(|bits| 1_u64 << bits);
    behind(last.saturating_sub(sequence))
        || wraps.iter().any(|wrap| sequence < *wrap && behind(last + wrap - sequence))
}

#[cfg(test)]
mod tests {
    use super::*;

    const OLD: &str = "7A:00:00:00:00:01";
    const NEW: &str = "7A:00:00:00:00:02";

    /// A job that knows one probe by its name, and two addresses that tell it.
    fn two_of_a_name() -> Hearing {
        let which = ProbeRef::Name("clamp".to_owned());
        let (fields, place, offset) = (std::collections::BTreeMap::new(), None, None);
        let probe = Probe { which, place, fields, offset, average: false, gauge: None };
        let mut hearing = Hearing::new(&Job { probes: vec![probe], ..Job::default() });
        for address in [OLD, NEW] {
            let probe = hearing.probe(address);
            hearing.set_name(probe, "clamp");
        }
        hearing
    }

    #[test]
    fn a_payload_that_comes_late_is_not_new() {
        for (last, sequence, behind) in [
            (7, 6, true),
            (20, 4, true),
            (20, 3, false),
            (7, 8, false),
            (1, 254, true),
            (254, 1, false),
            (3, 65_530, true),
            (200, 0, false),
        ] {
            assert_eq!(lies_behind(sequence, last), behind, "{sequence} after {last}");
        }
    }

    #[test]
    fn strangers_without_end_share_one_place_and_no_name() {
        let mut hearing = two_of_a_name();
        for n in 0..PROBES_MAX + 70_000 {
            let probe = hearing.probe(&format!("stranger {n}"));
            assert!(usize::from(probe.0) <= PROBES_MAX);
        }
        assert_eq!(hearing.probes.len(), PROBES_MAX + 1);
        assert_eq!(hearing.by_address.len(), PROBES_MAX);
        assert_eq!(hearing.probe(OLD), ProbeId(0), "who was there before is still known");
        hearing.set_name(STRANGERS, "clamp");
        assert_eq!(hearing.name(STRANGERS), None);
    }

    fn hear(hearing: &mut Hearing, address: &str, s: u64) -> (ProbeId, Who) {
        let found = hearing.found_at(address, Elapsed::from_secs(s));
        hearing.heard(found.0, Elapsed::from_secs(s), None);
        found
    }

    #[test]
    fn a_named_probe_under_a_new_address_is_the_same_once_the_old_one_is_silent() {
        let mut hearing = two_of_a_name();
        let (one, _) = hear(&mut hearing, OLD, 0);
        let (other, _) = hear(&mut hearing, NEW, 9);
        assert_ne!(one, other, "both are heard");
        assert_eq!(hear(&mut hearing, NEW, 10), (one, Who::Moved(OLD.to_owned())));
        assert_eq!(hear(&mut hearing, NEW, 11), (one, Who::Same));
        assert_eq!(hearing.address(one), NEW);
        assert_eq!(hear(&mut hearing, OLD, 12), (other, Who::Same), "it waits its turn");
    }

    #[test]
    fn two_devices_of_one_name_are_told_once_and_never_change_places() {
        let mut hearing = two_of_a_name();
        let (one, _) = hear(&mut hearing, OLD, 0);
        let (other, _) = hear(&mut hearing, NEW, 1);
        assert_eq!(hear(&mut hearing, OLD, 2), (one, Who::Same));
        assert_eq!(hear(&mut hearing, NEW, 3), (other, Who::Second(OLD.to_owned())));
        assert_eq!(hear(&mut hearing, NEW, 4), (other, Who::Same));
        assert_eq!(hear(&mut hearing, NEW, 400), (other, Who::Same), "the first is long silent");
        assert_eq!(hearing.address(one), OLD);
    }
}
