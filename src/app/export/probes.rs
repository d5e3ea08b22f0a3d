//! What is known of the probes of a session, counted while its record is heard.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::engine::input::Input;
use crate::engine::job::{Calibration, Job, ProbeRef};
use crate::engine::lake::{CalibrationFacts, ProbeFacts};
use crate::engine::profile::{ProfileId, Profiles};
use crate::engine::session::Session;

/// How many strangers are counted by themselves; a walk through a town meets thousands.
const PROBES_MAX: usize = 1_000;

/// What was heard of each probe, by its address.
#[derive(Debug)]
pub struct Heard {
    probes: BTreeMap<String, One>,
}

/// What was heard of one probe.
#[derive(Debug)]
struct One {
    name: Option<String>,
    payloads: u64,
    /// The profiles that fitted, each with its name.
    profiles: BTreeMap<ProfileId, String>,
    /// How often it was heard at each strength (dBm, from -128 to 127).
    rssi: [u64; 256],
}

impl Default for One {
    fn default() -> Self {
        Self { name: None, payloads: 0, profiles: BTreeMap::new(), rssi: [0; 256] }
    }
}

impl Heard {
    /// Nothing heard yet; the job's own probes are counted whatever comes before them.
    pub fn new(job: &Job) -> Self {
        let own = job.probes.iter().filter_map(|probe| match &probe.which {
            ProbeRef::Address(address) => Some((address.clone(), One::default())),
            ProbeRef::Name(_) => None,
        });
        Self { probes: own.collect() }
    }

    /// Counts a row.
    pub fn row(&mut self, input: &Input<'_>, profiles: &Profiles) {
        match input {
            Input::Payload(payload) => {
                let Some(one) = self.one(payload.probe) else { return };
                one.payloads += 1;
                one.heard(payload.rssi_dbm);
                if let Some(id) = profiles.match_payload(payload, one.name.as_deref()) {
                    one.profiles.entry(id).or_insert_with(|| profiles.get(id).name().to_owned());
                }
            }
            Input::Heard { probe, rssi_dbm } => {
                if let Some(one) = self.one(probe) {
                    one.heard(*rssi_dbm);
                }
            }
            Input::Named { probe, name } => {
                if let Some(one) = self.one(probe) {
                    one.name = Some((*name).to_owned());
                }
            }
            _ => {}
        }
    }

    /// What is known of each probe: the job's first, in its order.
    pub fn facts(&self, session: &Session, job: &Job) -> Vec<ProbeFacts> {
        let statuses = session.snapshot().probes.into_iter();
        let facts = statuses.map(|status| {
            let one = self.probes.get(&status.address);
            ProbeFacts {
                name: status.name,
                profile: one.and_then(One::profile),
                payloads: one.map_or(0, |one| one.payloads),
                battery: status.battery,
                rssi_median_dbm: one.and_then(One::rssi_median_dbm),
                calibration: calibration(&status.address, session, job),
                probe: status.address,
            }
        });
        facts.collect()
    }

    fn one(&mut self, address: &str) -> Option<&mut One> {
        if !self.probes.contains_key(address) {
            if self.probes.len() == PROBES_MAX {
                return None;
            }
            self.probes.insert(address.to_owned(), One::default());
        }
        self.probes.get_mut(address)
    }
}

impl One {
    fn heard(&mut self, rssi_dbm: Option<i16>) {
        if let Some(rssi) = rssi_dbm {
            self.rssi[(rssi.clamp(-128, 127) + 128) as usize] += 1;
        }
    }

    fn profile(&self) -> Option<String> {
        let names: Vec<&str> = self.profiles.values().map(String::as_str).collect();
        (!names.is_empty()).then(|| names.join(", "))
    }

    /// The median; between two, the middle.
    fn rssi_median_dbm(&self) -> Option<f64> {
        let count: u64 = self.rssi.iter().sum();
        let at = |rank: u64| {
            let mut below = 0;
            let place = self.rssi.iter().position(|here| {
                below += here;
                below > rank
            });
            place.map(|place| place as f64 - 128.0)
        };
        Some(f64::midpoint(at(count.checked_sub(1)? / 2)?, at(count / 2)?))
    }
}

/// What baths told of a probe: of its fields, the one that is farthest off.
fn calibration(address: &str, session: &Session, job: &Job) -> Option<CalibrationFacts> {
    let own = job.calibrations.iter().filter(|known| known.address == address);
    let farthest = |known: &Calibration| {
        let offsets = known.points.iter().map(|point| point.offset_k);
        offsets.max_by(|a, b| a.abs().total_cmp(&b.abs()))
    };
    let all = own.filter_map(|known| Some((known, farthest(known)?)));
    let (known, offset_k) = all.max_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()))?;
    let uncertainty_k = known.uncertainty_k();
    let accuracy = session.channels().iter().find(|channel| {
        let probe = channel.probe.map(|probe| session.address(probe));
        probe == Some(address) && channel.field == known.field
    });
    let accuracy = accuracy.map(|channel| channel.instrument.accuracy).filter(|a| *a > 0.0);
    Some(CalibrationFacts {
        day_ms: day_ms(&known.date),
        offset_k,
        uncertainty_k,
        // Some 95 % of what is possible lies within two standard uncertainties.
        beyond_accuracy: accuracy.map(|accuracy| offset_k.abs() - 2.0 * uncertainty_k > accuracy),
    })
}

/// The beginning of a day, `2031-06-04`, in UTC (ms since 1970).
fn day_ms(date: &str) -> Option<i64> {
    let date: Date = date.parse().ok()?;
    Some(date.to_zoned_datetime(TimeZone::UTC).ok()?.timestamp().as_millisecond())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::job::Probe;
    use crate::engine::reading::{Payload, Via};

    #[test]
    fn what_is_heard_of_a_probe_is_counted() {
        let profiles = Profiles::shipped();
        let mut heard = Heard::new(&Job::default());
        for rssi_dbm in [Some(-70), Some(-60), None, Some(-65), Some(-300)] {
            let payload =
                Payload { probe: "A", via: Via::Manufacturer(0xFFFF), bytes: &[1], rssi_dbm };
            heard.row(&Input::Payload(payload), &profiles);
        }
        heard.row(&Input::Heard { probe: "A", rssi_dbm: Some(-61) }, &profiles);
        heard.row(&Input::Heard { probe: "B", rssi_dbm: Some(-60) }, &profiles);
        heard.row(&Input::Heard { probe: "B", rssi_dbm: Some(-51) }, &profiles);
        let (a, b) = (&heard.probes["A"], &heard.probes["B"]);
        assert_eq!((a.payloads, a.rssi_median_dbm(), a.profile()), (5, Some(-65.0), None));
        assert_eq!((b.payloads, b.rssi_median_dbm()), (0, Some(-55.5)));
        assert_eq!(One::default().rssi_median_dbm(), None);
    }

    #[test]
    fn strangers_without_number_do_not_fill_the_memory() {
        let own = Probe {
            which: ProbeRef::Address("own".to_owned()),
            place: None,
            fields: BTreeMap::new(),
            offset: None,
            average: false,
            gauge: None,
        };
        let mut heard = Heard::new(&Job { probes: vec![own], ..Job::default() });
        let profiles = Profiles::shipped();
        for number in 0..2 * PROBES_MAX {
            let probe = number.to_string();
            heard.row(&Input::Heard { probe: &probe, rssi_dbm: None }, &profiles);
        }
        heard.row(&Input::Heard { probe: "own", rssi_dbm: Some(-60) }, &profiles);
        assert_eq!(heard.probes.len(), PROBES_MAX);
        assert_eq!(heard.probes["own"].rssi_median_dbm(), Some(-60.0));
    }

    #[test]
    fn a_day_begins_at_midnight() {
        assert_eq!(day_ms("2031-06-04"), Some(1_938_297_600_000));
        assert_eq!(day_ms("soon"), None);
    }
}
