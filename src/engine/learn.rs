//! What an unknown probe's bytes mean, from what was heard of it and a few values that are known.
//!
//! Every way in which a field could be read is a hypothesis, with every usual scale and with a
//! free one. Each is weighed by how well it gives the known values, by how usual it is, and by
//! whether its bits move together as one number does (Bayes' rule; `weigh` adds them up). Counters,
//! checksums, batteries and what never changes are found by their behaviour alone. What comes out
//! is a profile with worked examples, how sure it is, and, where the data do not decide, which
//! value would.

mod along;
mod behaviour;
mod movement;
mod next;
mod scale;
mod shape;
mod smooth;
mod stream;
mod sums;
mod weigh;
mod write;

use crate::engine::profile::uuid;
use crate::engine::reading::Via;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

pub use along::sampled_along;
pub use next::Next;
pub use weigh::Sureness;

use behaviour::Behaviour;
use stream::Stream;
use weigh::Weighed;

/// Bytes that the probe sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// When.
    pub at: Elapsed,
    /// The way they came.
    pub via: Via,
    /// The bytes, without company id or UUID.
    pub bytes: Vec<u8>,
}

/// A value that the probe is known to have shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// When.
    pub at: Elapsed,
    /// What it is.
    pub kind: QuantityKind,
    /// The value (SI).
    pub value: f64,
    /// For a pressure: whether it is above the air around the gauge.
    pub gauge: bool,
    /// How far it may be wrong, either way (SI).
    pub half_width: f64,
}

/// What the profile is to be called, and whose bytes they are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subject<'a> {
    /// The profile's name, in kebab-case.
    pub profile: &'a str,
    /// The probe's address.
    pub address: &'a str,
    /// The probe's name, where it told one.
    pub name: Option<&'a str>,
}

/// What was learnt of one quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// The quantity.
    pub kind: QuantityKind,
    /// How sure the first reading is.
    pub sureness: Sureness,
    /// The readings that are left, the best first; at most five.
    pub readings: Vec<Candidate>,
    /// How likely it is that no field holds the quantity.
    pub none: f64,
    /// Which value to produce next, where the data do not decide.
    pub next: Option<Next>,
    /// What the known values leave open though the field is found, in words.
    pub open: Vec<String>,
}

/// One way to read the quantity from the bytes.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// How likely it is, 0 to 1, with those that give the same values.
    pub probability: f64,
    /// The field in words: `bytes 5 and 6, low byte first, signed, · 0.01 degC`.
    pub words: String,
    /// Root mean square of what is left between it and the known values (SI).
    pub residual: f64,
}

/// What was learnt of a probe.
#[derive(Debug, Clone, PartialEq)]
pub struct Learnt {
    /// For each quantity of which values are known.
    pub answers: Vec<Answer>,
    /// The profile's file; `None` where nothing could be found at all.
    pub profile: Option<String>,
    /// What was found by its behaviour, in words.
    pub found: Vec<String>,
}

/// Why nothing can be learnt.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LearnError {
    /// The probe sent nothing.
    #[error("nothing was heard of the probe; give a record in which it is in range")]
    Silent,
    /// No value is known.
    #[error("no value is known; give at least one, as --known 19:05:00=32F")]
    NothingKnown,
    /// No payload is near a known value.
    #[error("nothing was heard within two minutes before or at the known value at {0}")]
    NothingNear(Elapsed),
}

/// Learns what the bytes mean.
///
/// `heard` is in the order of time; `known` in any.
///
/// # Errors
/// Where nothing was heard, nothing is known, or nothing was heard near a known value.
pub fn learn(
    subject: &Subject<'_>,
    heard: &[Heard],
    known: &[Known],
) -> Result<Learnt, LearnError> {
    if heard.is_empty() {
        return Err(LearnError::Silent);
    }
    if known.is_empty() {
        return Err(LearnError::NothingKnown);
    }
    let far = known.iter().find(|k| heard.iter().all(|h| !stream::is_near(h.at, k.at)));
    if let Some(known) = far {
        return Err(LearnError::NothingNear(known.at));
    }
    let streams = stream::split(heard);
    let behaviours: Vec<Behaviour> =
        streams.iter().map(|stream| behaviour::of(stream, subject.address)).collect();
    let mut kinds: Vec<QuantityKind> = Vec::new();
    for known in known {
        if !kinds.contains(&known.kind) {
            kinds.push(known.kind);
        }
    }
    let weighed: Vec<Weighed<'_>> = kinds
        .iter()
        .map(|kind| {
            let known: Vec<Known> = known.iter().filter(|k| k.kind == *kind).copied().collect();
            weigh::weigh(&streams, &behaviours, *kind, &known)
        })
        .collect();
    let profile = write::profile(subject, &streams, &behaviours, &weighed, known);
    let found = found(&streams, &behaviours, &weighed);
    let answers = weighed.iter().map(Weighed::answer).collect();
    Ok(Learnt { answers, profile, found })
}

/// What was found by behaviour in the streams that answers came from.
fn found(streams: &[Stream], behaviours: &[Behaviour], weighed: &[Weighed<'_>]) -> Vec<String> {
    let mut used: Vec<usize> = weighed.iter().filter_map(Weighed::stream).collect();
    used.sort_unstable();
    used.dedup();
    let each = used.iter().flat_map(|place| {
        let (stream, behaviour) = (&streams[*place], &behaviours[*place]);
        let way = match stream.via {
            Via::Manufacturer(_) if stream.from_company => {
                "manufacturer data that begins in the company id's place".to_owned()
            }
            Via::Manufacturer(company) => format!("manufacturer data of 0x{company:04X}"),
            Via::Service(id) => format!("service data of {}", uuid::short(id)),
            Via::ServiceOpened(id, _) => format!("opened service data of {}", uuid::short(id)),
            Via::Characteristic(id) => format!("characteristic {}", uuid::short(id)),
        };
        let count = stream.payloads.len();
        let head = format!("{count} different payloads, {}, {way}", stream.length_in_words());
        std::iter::once(head).chain(behaviour.in_words())
    });
    each.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two bytes of 0.1 °C, low byte first, after a byte that counts.
    fn heard(celsius: &[(u64, f64)]) -> Vec<Heard> {
        let payload = |(second, celsius): &(u64, f64)| {
            let [low, high] = ((celsius * 10.0).round() as i16).to_le_bytes();
            let bytes = vec![*second as u8, low, high];
            Heard { at: Elapsed::from_secs(*second), via: Via::Manufacturer(0xFFFF), bytes }
        };
        celsius.iter().map(payload).collect()
    }

    fn known(second: u64, value: f64) -> Known {
        let kind = QuantityKind::Temperature;
        Known { at: Elapsed::from_secs(second), kind, value, gauge: false, half_width: 0.5 }
    }

    const SUBJECT: Subject<'_> = Subject { profile: "p", address: "02:00:00:00:00:07", name: None };

    #[test]
    fn without_bytes_or_values_nothing_is_learnt() {
        let some = heard(&[(0, 20.0)]);
        assert_eq!(learn(&SUBJECT, &[], &[known(0, 20.0)]), Err(LearnError::Silent));
        assert_eq!(learn(&SUBJECT, &some, &[]), Err(LearnError::NothingKnown));
        let far = learn(&SUBJECT, &some, &[known(500, 20.0)]);
        assert_eq!(far, Err(LearnError::NothingNear(Elapsed::from_secs(500))));
    }

    #[test]
    fn one_value_decides_nothing_and_more_are_asked_for() {
        let all: Vec<(u64, f64)> = (0..200).map(|n| (n, 20.0 + (n % 3) as f64 / 10.0)).collect();
        let learnt = learn(&SUBJECT, &heard(&all), &[known(100, 20.0)]).unwrap();
        let answer = &learnt.answers[0];
        assert_ne!(answer.sureness, Sureness::Sure);
        assert!(answer.next.is_some());
    }

    #[test]
    fn values_that_no_field_gives_are_not_called_sure() {
        let all: Vec<(u64, f64)> = (0..400).map(|n| (n, 20.0 + (n % 5) as f64 / 10.0)).collect();
        // The temperature moved, and no byte did.
        let values = [known(50, 0.0), known(150, 30.0), known(250, 10.0), known(350, 22.0)];
        let learnt = learn(&SUBJECT, &heard(&all), &values).unwrap();
        assert_ne!(learnt.answers[0].sureness, Sureness::Sure, "{learnt:?}");
    }
}
