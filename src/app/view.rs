//! What a screen shows of a session, in words and shares: the terminal's picture and the page are
//! two drawings of it.

use std::time::Duration;

use crate::app::findings;
use crate::app::wording;
use crate::edge::journal::NotRecording;
use crate::engine::channel::{Channel, Place};
use crate::engine::columns::Units;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::reading::State;
use crate::engine::snapshot::{ChannelStatus, ProbeStatus, Snapshot};
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// A session at one moment, as people see it.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// The moment.
    pub at: Elapsed,
    /// What the unit is doing.
    pub state: State,
    /// What is going on, in a sentence or two.
    pub sentence: String,
    /// The same without what changes from second to second: worth saying aloud when it changes.
    pub gist: String,
    /// What is amiss with the record, which must not be overlooked.
    pub notice: Option<String>,
    /// The channels, and the places that no probe has been heard at yet, in the order of places.
    pub rows: Vec<Row>,
    /// How far the whole run is from settled (0 to 1); `None` while nothing runs.
    pub share: Option<f64>,
    /// What the stretch that holds now says, or else the last settled set.
    pub diagnosis: Option<Diagnosis>,
}

/// One channel, or a place where a probe is awaited.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// What it is called.
    pub name: String,
    /// Its channel; `None` where nothing was heard yet.
    pub channel: Option<Channel>,
    /// Its value with the unit; a dash where nothing is known now.
    pub value: String,
    /// Its change a minute; empty where nothing is known now.
    pub rate: String,
    /// How far it is from settled (0 to 1); `None` where nothing is on its way to it.
    pub share: Option<f64>,
    /// What stands behind the bar: how long it has been silent, or how long it will take.
    pub remark: String,
    /// Whether its probe is missing: lost, or not heard yet.
    pub missing: bool,
}

impl View {
    /// The view of `snapshot`; `lost` says since when and why, where nothing is recorded.
    pub fn of(snapshot: &Snapshot, lost: Option<&NotRecording>, units: Units) -> Self {
        let mut rows: Vec<((Place, Option<QuantityKind>), Row)> = snapshot
            .channels
            .iter()
            .map(|s| (key(s), row(s, runs(snapshot.state), units)))
            .collect();
        rows.extend(
            snapshot.probes.iter().filter(|p| p.awaited).flat_map(|p| unheard(p, snapshot)),
        );
        rows.sort_by(|(a, _), (b, _)| a.cmp(b));
        Self {
            at: snapshot.at,
            state: snapshot.state,
            sentence: wording::sentence(snapshot, units),
            gist: gist(snapshot, lost.is_some()),
            notice: lost.map(|lost| format!("NOT RECORDING since {}: {}", lost.since, lost.why)),
            rows: rows.into_iter().map(|(_, row)| row).collect(),
            share: runs(snapshot.state).then_some(snapshot.progress.share),
            diagnosis: snapshot.diagnosis.clone(),
        }
    }

    /// What is missing, each with how long: `Suction line: silent 4 min`.
    pub fn missing(&self) -> Vec<String> {
        let missing = self.rows.iter().filter(|row| row.missing);
        missing.map(|row| format!("{}: {}", row.name, row.remark)).collect()
    }
}

/// Whether the compressor runs in a state.
pub const fn runs(state: State) -> bool {
    matches!(
        state,
        State::Starting | State::Settling | State::Settled | State::Hunting | State::Defrost
    )
}

fn key(status: &ChannelStatus) -> (Place, Option<QuantityKind>) {
    (status.channel.place.clone(), Some(status.channel.kind))
}

fn row(status: &ChannelStatus, running: bool, units: Units) -> Row {
    let kind = status.channel.kind;
    let (value, rate) = status.sample.map_or(("–".to_owned(), String::new()), |sample| {
        let moves = sample.rate_uncertainty.is_finite();
        let rate = moves.then(|| wording::rate(kind, sample.rate, units));
        (wording::value(kind, sample.level, units), rate.unwrap_or_default())
    });
    Row {
        name: wording::name(&status.channel),
        channel: Some(status.channel.clone()),
        value,
        rate,
        share: status.progress.as_ref().filter(|_| running).map(|progress| progress.share),
        remark: remark(status),
        missing: status.silent.is_some(),
    }
}

fn remark(status: &ChannelStatus) -> String {
    if let Some(silent) = status.silent {
        return format!("silent {}", wording::minutes(silent));
    }
    match &status.progress {
        Some(progress) if progress.share >= 1.0 => "steady".to_owned(),
        Some(progress) => progress.left.map_or(String::new(), |left| {
            format!("about {}", wording::minutes(Duration::from_secs_f64(left.likely_s)))
        }),
        None => String::new(),
    }
}

/// Rows for the places of a probe at which nothing was heard yet.
fn unheard<'a>(
    probe: &'a ProbeStatus,
    snapshot: &'a Snapshot,
) -> impl Iterator<Item = ((Place, Option<QuantityKind>), Row)> + 'a {
    let places = probe.places.iter().filter_map(|place| place.parse::<Place>().ok());
    let heard = |place: &Place| snapshot.channels.iter().any(|c| c.channel.place == *place);
    places.filter(move |place| !heard(place)).map(move |place| {
        let called = Channel { place: place.clone(), kind: QuantityKind::Temperature };
        let called_for =
            format!("not heard yet, {}", wording::minutes(snapshot.at - Elapsed::ZERO));
        let row = Row {
            name: wording::name(&called),
            channel: None,
            value: "–".to_owned(),
            rate: String::new(),
            share: None,
            remark: match probe.silent {
                // It is heard, and none of it belongs here.
                Some(_) => "heard, without a reading for here".to_owned(),
                None => format!("{called_for} ({})", probe.address),
            },
            missing: true,
        };
        ((place, None), row)
    })
}

/// What is worth saying aloud: the state, what is missing, and what is most likely.
fn gist(snapshot: &Snapshot, not_recording: bool) -> String {
    let state = match snapshot.state {
        State::Unknown => "It is not known yet whether the compressor runs.",
        State::Off => "The compressor rests.",
        State::FanOnly => "Only the indoor fan runs.",
        State::Defrost => "Defrosting.",
        State::Starting => "Running; too early to judge.",
        State::Settling => "Running; not settled yet.",
        State::Settled => &wording::trusted(snapshot),
        State::Hunting => "Hunting: readings swing.",
    };
    let mut text = state.to_owned();
    if not_recording {
        text.insert_str(0, "Not recording! ");
    }
    let lost: Vec<String> = snapshot
        .channels
        .iter()
        .filter(|status| status.silent.is_some())
        .map(|status| wording::name(&status.channel))
        .collect();
    if !lost.is_empty() {
        text = format!("{text} No longer heard: {}.", lost.join(", "));
    }
    let suspect = snapshot.diagnosis.as_ref().and_then(|diagnosis| diagnosis.suspects.first());
    if let Some(suspect) = suspect {
        text = format!("{text} Most likely: {}.", findings::fault_words(suspect.fault));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::input::Input;
    use crate::engine::job::{Job, Probe, ProbeRef};
    use crate::engine::profile::Profiles;
    use crate::engine::reading::{Payload, Via};
    use crate::engine::session::Session;

    fn session() -> Session {
        let probe = |address: &str, place: &str| Probe {
            which: ProbeRef::Address(address.into()),
            place: Some(place.parse().unwrap()),
            fields: std::collections::BTreeMap::new(),
            offset: None,
            average: false,
            gauge: None,
        };
        let probes = vec![probe("02:00:00:00:00:01", "suction-line"), probe("x", "return-air")];
        Session::new(Job { probes, ..Job::default() }, Profiles::shipped(), None)
    }

    #[test]
    fn a_probe_that_is_missing_stands_where_it_should_be() {
        let mut session = session();
        let bytes = [0x43, 0x4C, 1, 0, 0xFF, 0xC4, 0x09];
        let via = Via::Manufacturer(0xFFFF);
        let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &bytes, rssi_dbm: None };
        session.handle(Elapsed::from_secs(1), Input::Payload(payload));
        session.handle(Elapsed::from_secs(300), Input::Tick);

        let view = View::of(&session.snapshot(), None, Units::Us);
        let shown: Vec<(&str, &str)> =
            view.rows.iter().map(|row| (row.name.as_str(), row.remark.as_str())).collect();
        assert_eq!(
            shown,
            [("Return air", "not heard yet, 5 min (x)"), ("Suction line", "silent 4 min")]
        );
        assert!(view.rows.iter().all(|row| row.missing && row.value == "–"), "{:?}", view.rows);
        assert!(view.gist.contains("No longer heard: Suction line."), "{}", view.gist);
    }

    #[test]
    fn what_is_not_recorded_is_said_first() {
        let lost = NotRecording { since: Elapsed::from_secs(5), why: "disk full".to_owned() };
        let view = View::of(&session().snapshot(), Some(&lost), Units::Us);
        assert_eq!(view.notice.as_deref(), Some("NOT RECORDING since 0:05: disk full"));
        assert!(view.gist.starts_with("Not recording!"));
    }
}
