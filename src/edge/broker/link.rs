//! One connection to the broker, from its first byte to its last.
//!
//! Nothing of a connection outlives it: the client library's own queues, which hold what it has not
//! seen acknowledged, go with it, and what they held is read from the backlog again. So there is
//! one place that knows what is to be sent, and repeats keep their order. The library's loop is
//! polled by a task of its own, since a poll that is given up halfway may lose what it held, and
//! each poll has a limit, since the library does not see that a write hangs.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::time::Duration;

use rumqttc::Transport;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnectProperties, LastWill, LastWillProperties, Packet, PubAckReason, PublishProperties,
};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions, StateError};
use rumqttc::{Outgoing, TlsConfiguration};
use tokio::sync::mpsc::{Receiver, Sender, channel};
use tokio::task::JoinHandle;
use tokio::time::timeout;

use crate::edge::broker::backlog::Envelope;
use crate::edge::broker::{News, Settings, trouble};

/// Messages that may be on their way at once. The library's request queue holds as many, and the two
/// words of leave, so that nobody ever waits for room in it.
const FLYING_MAX: usize = 64;
/// Longest silence on the line before we ask whether the broker is there.
const KEEP_ALIVE: Duration = Duration::from_secs(15);
/// Longest time that connecting may take.
const CONNECT_LIMIT: Duration = Duration::from_secs(10);
/// Longest time in which the library does nothing at all: it should ask at each `KEEP_ALIVE`.
const POLL_LIMIT: Duration = Duration::from_secs(45);
/// How much longer the broker remembers us than until it says that we are gone: a session that has
/// ended would send the last will at once.
const REMEMBERED: Duration = Duration::from_mins(1);
/// How long a broker keeps a sample for a subscriber that is away. A day: who looks later has the
/// record.
const SAMPLE_KEPT: Duration = Duration::from_hours(24);

/// What is on its way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Sent {
    /// A message of the backlog: its number, topic, and whether it is a sample.
    Message(u64, String, bool),
    /// What is so now.
    State,
    /// That we are there, or have ended.
    Presence,
}

/// What came of a connection.
#[derive(Debug)]
pub(super) enum Happened {
    /// The broker has let us in.
    Connected,
    /// It has taken this.
    Taken(Sent),
    /// It has refused a message, for a reason that may pass.
    Refused(News),
    /// It will never take this message.
    Hopeless(Sent, News),
    /// The connection is over.
    Over(News),
    /// Nothing to act on.
    Nothing,
}

/// A connection.
#[derive(Debug)]
pub(super) struct Link {
    client: AsyncClient,
    events: Receiver<Result<Event, News>>,
    /// The first levels of all topics.
    topic: String,
    task: JoinHandle<()>,
    /// What was handed to the library and has no packet number yet, in order.
    handed: VecDeque<Sent>,
    flying: HashMap<u16, Sent>,
    /// The numbers of the backlog's messages that are on their way.
    numbers: BTreeSet<u64>,
    connected: bool,
    /// Whether the broker has taken a message of the backlog. Until then one thing is on its way at a
    /// time: a broker may close the connection right after a refusal, which is not read any more
    /// where more was being written.
    proven: bool,
}

impl Drop for Link {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Link {
    /// Begins to connect; `gone` is what the broker says of us should we fall silent.
    pub(super) fn begin(settings: &Settings, gone: &str) -> Self {
        let (client, events) = AsyncClient::new(options(settings, gone), FLYING_MAX + 2);
        let (tell, inbox) = channel(FLYING_MAX);
        let task = tokio::spawn(poll(events, tell, settings.host.clone()));
        Self {
            client,
            events: inbox,
            topic: settings.topic.clone(),
            task,
            handed: VecDeque::new(),
            flying: HashMap::new(),
            numbers: BTreeSet::new(),
            connected: false,
            proven: false,
        }
    }

    /// Whether the broker has let us in.
    pub(super) const fn is_connected(&self) -> bool {
        self.connected
    }

    /// Whether another message may be sent now.
    pub(super) fn has_room(&self) -> bool {
        let most = if self.proven { FLYING_MAX } else { 1 };
        self.connected && self.handed.len() + self.flying.len() < most
    }

    /// Whether all that was sent was taken.
    pub(super) fn is_quiet(&self) -> bool {
        self.handed.is_empty() && self.flying.is_empty()
    }

    /// Whether such a thing is on its way.
    pub(super) fn carries(&self, sent: &Sent) -> bool {
        self.handed.contains(sent) || self.flying.values().any(|flying| flying == sent)
    }

    /// The lowest number of the backlog that was sent and not taken yet.
    pub(super) fn first_flying(&self) -> Option<u64> {
        self.numbers.first().copied()
    }

    /// Sends a message of the backlog.
    pub(super) fn send(&mut self, envelope: Envelope, body: String) {
        let Envelope { number, topic, id, time_utc, sample, .. } = envelope;
        let mut user_properties = vec![("id".to_owned(), id)];
        if !time_utc.is_empty() {
            user_properties.push(("time_utc".to_owned(), time_utc));
        }
        let kept = sample.then_some(SAMPLE_KEPT.as_secs() as u32);
        let properties =
            PublishProperties { message_expiry_interval: kept, user_properties, ..json() };
        if self.publish(&topic, false, body, properties) {
            self.numbers.insert(number);
            self.handed.push_back(Sent::Message(number, topic, sample));
        }
    }

    /// Says something that the broker keeps until it is said anew.
    pub(super) fn keep(&mut self, sent: Sent, body: String) {
        if self.publish(&self.topic_of(&sent), true, body, json()) {
            self.handed.push_back(sent);
        }
    }

    fn topic_of(&self, sent: &Sent) -> String {
        match sent {
            Sent::Message(_, topic, _) => topic.clone(),
            Sent::State => format!("{}/state", self.topic),
            Sent::Presence => format!("{}/presence", self.topic),
        }
    }

    fn publish(
        &self,
        topic: &str,
        retain: bool,
        body: String,
        properties: PublishProperties,
    ) -> bool {
        let qos = QoS::AtLeastOnce;
        let sent = self.client.try_publish_with_properties(topic, qos, retain, body, properties);
        // There is room in the queue for all that may fly; who asked has seen to that.
        sent.is_ok()
    }

    /// Takes leave, so that no last will is sent.
    pub(super) fn disconnect(&self) {
        // Where it is too late, the broker will say that we are gone, as is true.
        let _ = self.client.try_disconnect();
    }

    /// Waits until the broker has closed the connection.
    pub(super) async fn until_over(&mut self) {
        while !matches!(self.next().await, Happened::Over(_)) {}
    }

    /// Waits for the next thing that happens.
    pub(super) async fn next(&mut self) -> Happened {
        match self.events.recv().await {
            Some(Ok(event)) => self.happened(event),
            Some(Err(news)) => Happened::Over(news),
            None => Happened::Over(trouble::silent()),
        }
    }

    fn happened(&mut self, event: Event) -> Happened {
        match event {
            Event::Incoming(Packet::ConnAck(_)) => {
                self.connected = true;
                Happened::Connected
            }
            Event::Outgoing(Outgoing::Publish(packet)) => {
                if let Some(sent) = self.handed.pop_front() {
                    self.flying.insert(packet, sent);
                }
                Happened::Nothing
            }
            Event::Incoming(Packet::PubAck(ack)) => {
                let Some(sent) = self.flying.remove(&ack.pkid) else { return Happened::Nothing };
                self.judged(sent, ack.reason)
            }
            _ => Happened::Nothing,
        }
    }

    fn judged(&mut self, sent: Sent, reason: PubAckReason) -> Happened {
        use PubAckReason as Reason;
        let news = match reason {
            Reason::Success | Reason::NoMatchingSubscribers => None,
            reason => Some(trouble::not_taken(reason, &self.topic_of(&sent))),
        };
        let hopeless = matches!(reason, Reason::TopicNameInvalid | Reason::PayloadFormatInvalid);
        match news {
            Some(news) if !hopeless => return Happened::Refused(news),
            _ => {}
        }
        if let Sent::Message(number, ..) = &sent {
            self.numbers.remove(number);
        }
        self.proven |= news.is_none() && matches!(sent, Sent::Message(..));
        match news {
            None => Happened::Taken(sent),
            Some(news) => Happened::Hopeless(sent, news),
        }
    }

    /// What the library had in hand when it ended: the message that was too large, where that is
    /// why.
    pub(super) fn in_hand(&mut self) -> Option<Sent> {
        let sent = self.handed.pop_front()?;
        if let Sent::Message(number, ..) = &sent {
            self.numbers.remove(number);
        }
        Some(sent)
    }
}

/// The event's name where a message is too large for the broker.
pub(super) const TOO_LARGE: &str = "broker-too-large";

/// Polls until the connection is over.
async fn poll(mut events: EventLoop, tell: Sender<Result<Event, News>>, host: String) {
    let end = loop {
        match timeout(POLL_LIMIT, events.poll()).await {
            Ok(Ok(event)) => {
                if tell.send(Ok(event)).await.is_err() {
                    return;
                }
            }
            Ok(Err(ConnectionError::MqttState(StateError::OutgoingPacketTooLarge {
                pkt_size,
                max,
            }))) => {
                let detail = format!("a message of {pkt_size} bytes; the broker takes {max}");
                break News { event: TOO_LARGE, detail };
            }
            Ok(Err(error)) => break trouble::of(&error, &host),
            Err(_) => break trouble::silent(),
        }
    };
    // The library tells the end before what it read last, as a refusal with which the broker closes.
    let read = std::mem::take(&mut events.state.events);
    for event in read.into_iter().filter(|event| matches!(event, Event::Incoming(_))) {
        if tell.send(Ok(event)).await.is_err() {
            return;
        }
    }
    // Where nobody listens any more, there is nobody to tell.
    let _ = tell.send(Err(end)).await;
}

fn options(settings: &Settings, gone: &str) -> MqttOptions {
    let mut options = MqttOptions::new(&settings.client, &settings.host, settings.port);
    let remembered = settings.gone_after + REMEMBERED;
    let connect = ConnectProperties {
        session_expiry_interval: Some(remembered.as_secs() as u32),
        ..ConnectProperties::new()
    };
    let will = LastWillProperties {
        delay_interval: Some(settings.gone_after.as_secs() as u32),
        payload_format_indicator: Some(1),
        message_expiry_interval: None,
        content_type: Some(JSON.to_owned()),
        response_topic: None,
        correlation_data: None,
        user_properties: Vec::new(),
    };
    let topic = format!("{}/presence", settings.topic);
    options
        .set_keep_alive(KEEP_ALIVE)
        .set_connection_timeout(CONNECT_LIMIT.as_secs())
        // A session begun anew would end the old one, and so send the last will.
        .set_clean_start(false)
        .set_connect_properties(connect)
        .set_last_will(LastWill::new(topic, gone, QoS::AtLeastOnce, true, Some(will)));
    if let Some(login) = &settings.login {
        options.set_credentials(&login.user, &login.password);
    }
    if let Some(tls) = &settings.tls {
        options.set_transport(Transport::Tls(TlsConfiguration::Rustls(tls.clone())));
    }
    options
}

const JSON: &str = "application/json";

fn json() -> PublishProperties {
    PublishProperties {
        payload_format_indicator: Some(1),
        content_type: Some(JSON.to_owned()),
        ..PublishProperties::default()
    }
}
