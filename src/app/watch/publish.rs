//! What a watch publishes: the JSON kinds of the command line, a moment now and then, and what is
//! so now.

use std::path::Path;

use serde_json::{Map, Value, json};
use tracing::warn;

use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::app::{broker, findings, tell, wording};
use crate::edge::broker::backlog::{Message, Place};
use crate::edge::broker::{Broker, News, Presence};
use crate::edge::clock::{Labels, Stamp, Utc};
use crate::engine::channel::Channel;
use crate::engine::columns::Units;
use crate::engine::json;
use crate::engine::output::{Derived, Moment, Output};
use crate::engine::reading::State;
use crate::engine::session::Session;
use crate::engine::snapshot::Counts;
use crate::units::time::Elapsed;

/// Longest time between two sentences of what is so now (ms).
const STATE_EVERY_MS: u64 = 60_000;

/// Publishes what a session says.
pub struct Publisher {
    broker: Broker,
    units: Units,
    moment_interval_ms: u64,
    session: Option<String>,
    /// The last place that was published before the program was started again.
    published: Option<Place>,
    /// Messages of a session whose name is not known yet.
    held: Vec<Message>,
    now: Place,
    /// The stretch of time of which a moment was published.
    stretch: Option<u64>,
    labels: Labels,
    /// The wall clock when the session began (ms), where it is known to be right.
    began_ms: Option<i64>,
    state: Option<(State, u64)>,
    finding: Option<(String, Elapsed)>,
}

impl Publisher {
    /// Begins to publish, where the job says so. Recording matters more, and goes on without it.
    ///
    /// # Errors
    /// Files that the job names and that are of no use.
    pub fn start(file: &JobFile, job: &Path) -> Result<Option<Self>, Failure> {
        let (Some(settings), Some(table)) =
            (broker::settings(file, job.parent().unwrap_or(Path::new("")))?, &file.broker)
        else {
            return Ok(None);
        };
        for warning in broker::warnings(file) {
            warn!("{warning}");
        }
        let broker = match Broker::start(settings) {
            Ok(broker) => broker,
            Err(error) => {
                warn!("nothing is published: {error}");
                return Ok(None);
            }
        };
        Ok(Some(Self {
            broker,
            units: file.units,
            moment_interval_ms: table.moment_interval.as_millis() as u64,
            session: None,
            published: None,
            held: Vec::new(),
            now: Place::default(),
            stretch: None,
            labels: Labels::default(),
            began_ms: None,
            state: None,
            finding: None,
        }))
    }

    /// The session in `path` goes on: what was published of it is not published again.
    pub fn go_on(&mut self, path: &Path) {
        match broker::published_as(path) {
            Ok(name) => self.published = self.broker.place(&name),
            Err(failure) => warn!("{}", failure.line()),
        }
    }

    /// What the clock shows at a row.
    pub fn row(&mut self, stamp: &Stamp) {
        if let Some(label) = stamp.label {
            self.began_ms = Some(label.as_ms() - stamp.at.as_ms() as i64);
        }
    }

    /// The session's folder is known, and when it began by the clock.
    pub fn know(&mut self, folder: &Path, began: Option<Utc>) {
        self.began_ms = began.map(Utc::as_ms).or(self.began_ms);
        if self.session.is_some() {
            return;
        }
        let name = match broker::published_as(folder) {
            Ok(name) => name,
            Err(failure) => return warn!("nothing is published: {}", failure.line()),
        };
        self.broker.session(name.clone(), presence(&name));
        self.session = Some(name);
        let mut held = std::mem::take(&mut self.held);
        for message in &mut held {
            message.time_utc = self.time(message.place.at_ms);
        }
        if !held.is_empty() {
            self.broker.send(held);
        }
    }

    /// What was said before the program was started again: what of it was not kept for the broker
    /// is kept now.
    pub fn retell(&mut self, session: &Session, output: &Output) {
        let messages = self.new_messages(session, output);
        self.held.extend(messages);
    }

    /// Publishes what an output says.
    pub fn hear(&mut self, session: &Session, output: &Output) {
        let messages = self.new_messages(session, output);
        if self.session.is_none() {
            self.held.extend(messages);
        } else if !messages.is_empty() {
            self.broker.send(messages);
        }
        if let Output::Moment(moment) = output {
            self.say_state(session, moment);
        }
    }

    /// What was not published before the program was started again. What deadlines brought after
    /// the record's last row is said once more too when the session goes on.
    fn new_messages(&mut self, session: &Session, output: &Output) -> Vec<Message> {
        let mut messages = self.messages(session, output);
        messages.retain(|message| self.published.is_none_or(|last| message.place > last));
        messages
    }

    fn messages(&mut self, session: &Session, output: &Output) -> Vec<Message> {
        match output {
            Output::Moment(moment) => {
                self.now = Place { at_ms: moment.at.as_ms(), nth: 0 };
                let stretch = self.now.at_ms / self.moment_interval_ms;
                if self.stretch.replace(stretch) == Some(stretch) {
                    return Vec::new();
                }
                vec![self.message("moment", true, &moment_json(session, moment))]
            }
            Output::Cycle(cycle) => vec![self.message("cycle", false, &json::cycle(cycle))],
            Output::SettledSet(set) => {
                vec![self.message("settled_set", false, &json::settled_set(set))]
            }
            Output::Event(event) => vec![self.message("event", false, &json::event(event))],
            Output::Diagnosis(diagnosis) => {
                let at = Elapsed::from_ms(self.now.at_ms);
                self.finding = Some((findings::sentence(diagnosis), at));
                // The next moment says it in the state.
                self.state = None;
                let findings = diagnosis.findings.iter();
                let findings = findings.map(|finding| ("finding", json::finding(finding)));
                let suspects = diagnosis.suspects.iter();
                let suspects = suspects.map(|suspect| ("suspect", json::suspect(suspect)));
                let all = findings.chain(suspects);
                all.map(|(kind, value)| self.message(kind, false, &value)).collect()
            }
            Output::Channel(_) | Output::Reading(_) | Output::Refused { .. } => Vec::new(),
        }
    }

    fn message(&mut self, kind: &'static str, sample: bool, value: &Value) -> Message {
        if !sample {
            self.now.nth += 1;
        }
        let time_utc = self.time(self.now.at_ms);
        Message { kind, place: self.now, time_utc, sample, body: value.to_string() }
    }

    /// The wall clock at a moment (RFC 3339); empty where it is not known.
    fn time(&mut self, at_ms: u64) -> String {
        let utc = self.began_ms.and_then(|began| Utc::from_ms(began + at_ms as i64));
        self.labels.text(utc)
    }

    /// Says what is so now, where that has changed or was said a while ago.
    fn say_state(&mut self, session: &Session, moment: &Moment) {
        let at_ms = moment.at.as_ms();
        let is_told = |(state, said_ms): (State, u64)| {
            state == moment.state && at_ms.saturating_sub(said_ms) < STATE_EVERY_MS
        };
        if self.session.is_none() || self.state.is_some_and(is_told) {
            return;
        }
        self.state = Some((moment.state, at_ms));
        let time_utc = self.time(at_ms);
        let body = json!({
            "kind": "state",
            "session": self.session,
            "elapsed_s": moment.at.as_secs(),
            "time_utc": (!time_utc.is_empty()).then_some(time_utc),
            "state": moment.state.word(),
            "sentence": wording::sentence(&session.snapshot(), self.units),
            "finding": self.finding.as_ref().map(|(sentence, _)| sentence),
            "finding_elapsed_s": self.finding.as_ref().map(|(_, at)| at.as_secs()),
        });
        self.broker.state(body.to_string());
    }

    /// What has happened on the way to the broker since it was asked last.
    pub fn news(&mut self) -> Option<News> {
        self.broker.news()
    }

    /// Ends with what the session counted; what cannot be sent at once is sent by the next watch.
    pub fn end(mut self, counts: Counts) {
        let summary = self.message("summary", false, &tell::summary(counts));
        self.broker.send(vec![summary]);
        self.broker.end();
    }
}

/// `{"kind":"presence",…}`, as we say it and as the broker says it of us.
fn presence(session: &str) -> Presence {
    let program = format!("settled {}", env!("CARGO_PKG_VERSION"));
    let say = |presence: &str| {
        json!({"kind": "presence", "presence": presence, "session": session, "program": program})
            .to_string()
    };
    Presence { online: say("online"), ended: say("ended"), gone: say("gone") }
}

/// `{"kind":"moment",…}`: a row of `readings.csv`.
fn moment_json(session: &Session, moment: &Moment) -> Value {
    let known = session.channels().iter().zip(&moment.levels);
    let values: Map<String, Value> = known
        .filter_map(|(known, level)| {
            let channel = &known.channel;
            let value = json!({"value": json::number((*level)?), "unit": channel.kind.unit()});
            Some((Channel::to_string(channel), value))
        })
        .collect();
    let derived: Map<String, Value> = Derived::ALL
        .iter()
        .zip(moment.derived())
        .filter_map(|(measure, value)| {
            let unit = if measure.is_temperature() { "degC" } else { "delta_degC" };
            let value = json!({"value": json::number(value?), "unit": unit});
            Some((measure.word().to_owned(), value))
        })
        .collect();
    json!({
        "kind": "moment",
        "elapsed_s": moment.at.as_secs(),
        "state": moment.state.word(),
        "values": values,
        "derived": derived,
    })
}
