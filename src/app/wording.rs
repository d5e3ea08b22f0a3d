//! What a screen says in words: one sentence for what is going on, and values as people read them.

use std::collections::BTreeSet;
use std::time::Duration;

use crate::app::findings::fault_words;
use crate::engine::channel::Channel;
use crate::engine::columns::{Shown, Units};
use crate::engine::diagnose::finding::Suspect;
use crate::engine::output::Event;
use crate::engine::phrase::Phrase;
pub use crate::engine::phrase::short;
use crate::engine::reading::State;
use crate::engine::snapshot::Snapshot;
use crate::units::quantity::QuantityKind;

/// A change a minute that two decimals show as nothing.
const LEAST_SAID: f64 = 0.005;

/// One sentence, or two, that say what is going on: is it running, can the numbers be trusted.
pub fn sentence(snapshot: &Snapshot, units: Units) -> String {
    let heard =
        snapshot.probes.iter().filter(|p| p.awaited && p.silent.is_some() && !p.lost).count();
    let awaited = snapshot.probes.iter().filter(|probe| probe.awaited).count();
    if heard == 0 && awaited > 0 {
        return format!("Listening: none of the job's probes ({awaited}) is heard yet.");
    }
    let running = match snapshot.run {
        Some(run) => format!("Running {}.", minutes(run)),
        None => "Running.".to_owned(),
    };
    match snapshot.state {
        State::Unknown => format!(
            "Hearing {heard} of {awaited} probes; they do not show yet whether the compressor runs."
        ),
        State::Off => "The compressor rests; the next start begins a new run.".to_owned(),
        State::FanOnly => "Only the indoor fan runs; the compressor rests.".to_owned(),
        State::Defrost => "Defrosting; readings count again after it.".to_owned(),
        State::Starting => format!("{running} Too early to judge."),
        State::Settling => format!("{running} {}", what_drifts(snapshot, units)),
        State::Settled => format!("{running} {}", trusted(snapshot)),
        State::Hunting => {
            format!("{running} Hunting: readings swing around a level that holds; see what swings.")
        }
    }
}

/// Whether what is heard of a settled run can be trusted, and whether that is all of it.
pub fn trusted(snapshot: &Snapshot) -> String {
    match silent_places(snapshot) {
        0 => "Settled: the numbers can be trusted.".to_owned(),
        1 => "Settled, but one place is silent; what is heard can be trusted.".to_owned(),
        more => format!("Settled, but {more} places are silent; what is heard can be trusted."),
    }
}

/// Places whose probe is no longer heard, or was never heard.
fn silent_places(snapshot: &Snapshot) -> usize {
    let channels = snapshot.channels.iter().filter(|status| status.silent.is_some());
    let lost = channels.map(|status| status.channel.place.to_string());
    let awaited = snapshot.probes.iter().filter(|probe| probe.awaited && probe.silent.is_none());
    let never = awaited.flat_map(|probe| probe.places.iter().cloned());
    lost.chain(never).collect::<BTreeSet<String>>().len()
}

/// Which channel holds the run up, which way it goes, and how long that will take.
fn what_drifts(snapshot: &Snapshot, units: Units) -> String {
    let slowest = snapshot.progress.held_up_by.map(|id| &snapshot.channels[usize::from(id.0)]);
    let drift = slowest.and_then(|status| {
        let sample = status.sample?;
        let shown = rate_unit(status.channel.kind, units);
        let per_minute = sample.rate * 60.0 * shown.scale;
        let way = if per_minute < 0.0 { "falls" } else { "rises" };
        let name = name(&status.channel);
        if per_minute.abs() < LEAST_SAID {
            return Some(format!("{name} has not been steady for long enough"));
        }
        let rate = Phrase::of(status.channel.kind, units).rate(sample.rate.abs());
        Some(format!("{name} still {way} {rate}"))
    });
    let left = snapshot.progress.left.map(|left| {
        let (from, about) = (minutes_of(left.low_s), minutes_of(left.likely_s));
        if !left.high_s.is_finite() {
            return format!("at least {from} min left, most likely {about}");
        }
        let to = minutes_of(left.high_s);
        if from == to {
            format!("about {about} min left")
        } else {
            format!("about {about} min left ({from} to {to})")
        }
    });
    match (drift, left) {
        (Some(drift), Some(left)) => format!("{drift}; {left}."),
        (Some(drift), None) => format!("{drift}."),
        (None, Some(left)) => format!("Not settled yet; {left}."),
        (None, None) => "Not settled yet.".to_owned(),
    }
}

/// A channel's name as people say it: `Suction line`, `Return air humidity`, `Suction line 2`.
pub fn name(channel: &Channel) -> String {
    let place = channel.place.to_string().replace('@', " ").replace("other:", "").replace('-', " ");
    let text = match channel.kind {
        QuantityKind::Temperature => place,
        kind => format!("{place} {}", kind.word().replace('-', " ")),
    };
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// A channel's value with its unit, as a screen shows it.
pub fn value(kind: QuantityKind, si: f64, units: Units) -> String {
    Phrase::of(kind, units).value(si)
}

/// A channel's rate a minute with its unit.
pub fn rate(kind: QuantityKind, si_per_s: f64, units: Units) -> String {
    let shown = rate_unit(kind, units);
    // What rounds to nothing goes neither up nor down.
    let per_minute = Some(si_per_s * 60.0 * shown.scale).filter(|rate| rate.abs() >= LEAST_SAID);
    let unit = Phrase::of(kind, units).unit_of_change();
    format!("{:+.2} {unit}/min", per_minute.unwrap_or(0.0))
}

fn rate_unit(kind: QuantityKind, units: Units) -> Shown {
    Shown::of(kind, units).width()
}

/// A length of time in whole minutes, or seconds below two minutes.
pub fn minutes(length: Duration) -> String {
    let seconds = length.as_secs();
    if seconds < 120 { format!("{seconds} s") } else { format!("{} min", seconds / 60) }
}

fn minutes_of(seconds: f64) -> u64 {
    (seconds / 60.0).ceil().max(1.0) as u64
}

/// An event on one line: `probe lost: C4:7C:8D:00:00:01 nothing heard for 31 s`.
pub fn event(event: &Event) -> String {
    let name = event.event.replace('_', " ");
    let about = format!("{} {}", event.subject, event.detail);
    format!("{name}: {}", about.trim())
}

/// A suspect on one line: name, probability, and what it cannot be told from.
pub fn suspect(suspect: &Suspect) -> String {
    let mut line =
        format!("{:>3.0} %  {}", suspect.probability * 100.0, fault_words(suspect.fault));
    if let Some(with) = suspect.with {
        line = format!("{line} together with {}", fault_words(with));
    }
    if !suspect.cannot_tell_from.is_empty() {
        let others: Vec<&str> =
            suspect.cannot_tell_from.iter().map(|other| fault_words(*other)).collect();
        line = format!("{line}; not ruled out: {}", others.join(", "));
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::job::{Job, Probe, ProbeRef};
    use crate::engine::profile::Profiles;
    use crate::engine::session::Session;

    fn snapshot() -> Snapshot {
        let probe = Probe {
            which: ProbeRef::Address("02:00:00:00:00:01".into()),
            place: Some("suction-line".parse().unwrap()),
            fields: std::collections::BTreeMap::new(),
            offset: None,
            average: false,
            gauge: None,
        };
        let job = Job { probes: vec![probe], ..Job::default() };
        Session::new(job, Profiles::shipped(), None).snapshot()
    }

    /// The sentence for a state, in °F, with one probe heard.
    #[track_caller]
    fn check(state: State, run_s: Option<u64>, expected: &str) {
        let mut snapshot = snapshot();
        snapshot.probes[0].silent = Some(Duration::ZERO);
        snapshot.state = state;
        snapshot.run = run_s.map(Duration::from_secs);
        assert_eq!(sentence(&snapshot, Units::Us), expected);
    }

    #[test]
    fn the_sentence_says_whether_it_runs_and_can_be_trusted() {
        check(State::Settled, Some(1_080), "Running 18 min. Settled: the numbers can be trusted.");
        check(State::Starting, Some(40), "Running 40 s. Too early to judge.");
        check(State::Settling, Some(600), "Running 10 min. Not settled yet.");
        check(State::Off, None, "The compressor rests; the next start begins a new run.");
    }

    #[test]
    fn a_settled_run_with_a_silent_place_says_so() {
        let mut snapshot = snapshot();
        let mut other = snapshot.probes[0].clone();
        snapshot.probes[0].silent = Some(Duration::ZERO);
        other.places = vec!["return-air".to_owned()];
        snapshot.probes.push(other);
        assert_eq!(
            trusted(&snapshot),
            "Settled, but one place is silent; what is heard can be trusted."
        );
    }

    #[test]
    fn no_probe_heard_is_said_before_all_else() {
        let text = sentence(&snapshot(), Units::Us);
        assert_eq!(text, "Listening: none of the job's probes (1) is heard yet.");
    }

    #[test]
    fn channels_are_called_as_people_call_them() {
        let of = |text: &str| name(&text.parse().unwrap());
        assert_eq!(of("suction-line.temperature"), "Suction line");
        assert_eq!(of("suction-line@2.pressure"), "Suction line 2 pressure");
        assert_eq!(of("other:attic.temperature"), "Attic");
    }

    #[test]
    fn values_have_the_units_of_the_job() {
        assert_eq!(value(QuantityKind::Temperature, 20.0, Units::Us), "68.0 °F");
        assert_eq!(value(QuantityKind::Pressure, 914_906.0, Units::Us), "132.7 psia");
        assert_eq!(rate(QuantityKind::Temperature, -0.01, Units::Us), "-1.08 °F/min");
    }
}
