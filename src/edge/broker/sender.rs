//! The thread that keeps what is told, and sends it.

use std::collections::HashSet;
use std::future::pending;
use std::pin::Pin;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use tokio::sync::mpsc::Receiver;
use tokio::time::{Sleep, sleep, timeout};

use crate::edge::broker::backlog::{Backlog, Dropped};
use crate::edge::broker::link::{Happened, Link, Sent, TOO_LARGE};
use crate::edge::broker::{END_LIMIT, News, Presence, Settings, Word};
use crate::edge::clock;
use crate::engine::radio::backoff::Backoff;

/// Longest time between what is told and its place on the disk; it is sent only from there.
const COMMIT_EVERY: Duration = Duration::from_secs(1);
/// What is put onto the disk at once (bytes).
const COMMIT_BYTES: usize = 256 * 1024;
/// First wait before the next try to connect; it doubles from try to try.
const RETRY_FIRST: Duration = Duration::from_secs(1);
/// Troubles that are told at most until the broker serves again.
const TOLD_MAX: usize = 8;

/// All that the thread owns.
pub(super) struct Thread {
    settings: Settings,
    backlog: Backlog,
    inbox: Receiver<Word>,
    news: SyncSender<News>,
    session: Option<(String, Presence)>,
    /// What is so now, and whether the broker has to be told.
    state: Option<(String, bool)>,
    link: Option<Link>,
    /// Failures in a row, and the wait after the last.
    failures: u32,
    retry: Option<Pin<Box<Sleep>>>,
    commit: Option<Pin<Box<Sleep>>>,
    backoff: Backoff,
    /// The troubles that were told since the broker served last: two that take turns are no news.
    told: Vec<News>,
    serves: bool,
    disk_fails: bool,
    overflows: bool,
    /// The numbers of messages that the broker will never take.
    hopeless: HashSet<u64>,
}

/// What the thread waits for.
enum Next {
    Word(Option<Word>),
    Link(Happened),
    Commit,
    Retry,
}

impl Thread {
    pub(super) fn new(
        settings: Settings,
        backlog: Backlog,
        inbox: Receiver<Word>,
        news: SyncSender<News>,
    ) -> Self {
        Self {
            settings,
            backlog,
            inbox,
            news,
            session: None,
            state: None,
            link: None,
            failures: 0,
            retry: None,
            commit: None,
            backoff: Backoff::new(clock::machine_ms()),
            told: Vec::new(),
            serves: false,
            disk_fails: false,
            overflows: false,
            hopeless: HashSet::new(),
        }
    }

    /// Runs until it is told to end, or whoever tells is gone.
    pub(super) async fn run(mut self) {
        loop {
            match self.next().await {
                Next::Word(Some(Word::End)) => return self.end().await,
                Next::Word(Some(word)) => self.take(word),
                Next::Word(None) => return self.put_onto_disk(),
                Next::Link(happened) => self.happened(happened),
                Next::Commit => self.put_onto_disk(),
                Next::Retry => self.connect(),
            }
            self.send();
        }
    }

    async fn next(&mut self) -> Next {
        let link = async {
            match &mut self.link {
                Some(link) => link.next().await,
                None => pending().await,
            }
        };
        tokio::select! {
            word = self.inbox.recv() => Next::Word(word),
            happened = link => Next::Link(happened),
            () = due(&mut self.commit) => Next::Commit,
            () = due(&mut self.retry) => Next::Retry,
        }
    }

    fn take(&mut self, word: Word) {
        match word {
            Word::Session(name, presence) => {
                let first = self.session.is_none();
                self.session = Some((name, presence));
                if first {
                    self.connect();
                }
            }
            Word::Messages(messages) => {
                let Some((session, _)) = &self.session else { return };
                for message in messages {
                    let (site, kind) = (&self.settings.topic, message.kind);
                    self.backlog.add(session, format!("{site}/{session}/{kind}"), message);
                }
                if self.backlog.unwritten() > COMMIT_BYTES && !self.disk_fails {
                    self.put_onto_disk();
                } else {
                    self.commit_soon();
                }
            }
            Word::State(body) => self.state = Some((body, true)),
            Word::End => {}
        }
    }

    fn commit_soon(&mut self) {
        self.commit.get_or_insert_with(|| Box::pin(sleep(COMMIT_EVERY)));
    }

    fn put_onto_disk(&mut self) {
        self.commit = None;
        match self.backlog.commit() {
            Ok(()) => self.disk_fails = false,
            Err(error) => {
                if !std::mem::replace(&mut self.disk_fails, true) {
                    let folder = self.settings.folder.display();
                    let detail = format!("messages cannot be kept in {folder}: {error}");
                    self.tell(News { event: "broker-disk", detail });
                }
                self.commit_soon();
            }
        }
        let drops = !self.backlog.dropped().is_none();
        if drops && !std::mem::replace(&mut self.overflows, drops) {
            let detail = format!(
                "{} bytes are full (broker.backlog_bytes): the oldest samples are dropped",
                self.settings.backlog_bytes_max
            );
            self.tell(News { event: "broker-dropped", detail });
        }
    }

    fn connect(&mut self) {
        self.retry = None;
        if let Some((_, presence)) = &self.session {
            self.link = Some(Link::begin(&self.settings, &presence.gone));
        }
    }

    fn happened(&mut self, happened: Happened) {
        match happened {
            Happened::Connected => {
                self.backlog.rewind();
                if let (Some(link), Some((_, presence))) = (&mut self.link, &self.session) {
                    link.keep(Sent::Presence, presence.online.clone());
                }
                if let Some((_, to_tell)) = &mut self.state {
                    *to_tell = true;
                }
            }
            Happened::Taken(sent) => self.taken(&sent),
            Happened::Hopeless(sent, news) => {
                self.give_up(&sent);
                self.tell_trouble(&news);
            }
            Happened::Over(news) if news.event == TOO_LARGE => {
                if let Some(sent) = self.link.as_mut().and_then(Link::in_hand) {
                    self.give_up(&sent);
                }
                self.over(&News { event: "broker-refused", ..news });
            }
            Happened::Over(news) | Happened::Refused(news) => self.over(&news),
            Happened::Nothing => {}
        }
    }

    /// The broker took something: it serves, once what waited reaches it too.
    fn taken(&mut self, sent: &Sent) {
        self.acknowledge();
        let waits = self.backlog.waiting() > 0;
        if !matches!(sent, Sent::Message(..)) && waits {
            return;
        }
        self.failures = 0;
        let was_told = !std::mem::take(&mut self.told).is_empty();
        if !self.serves || was_told {
            self.serves = true;
            let host = &self.settings.host;
            let waiting = self.backlog.waiting();
            let Dropped { samples, others } = self.backlog.take_dropped();
            self.overflows = false;
            let mut detail = format!("publishing to {host}; {waiting} messages wait");
            if samples + others > 0 {
                detail = format!(
                    "{detail}; {samples} samples and {others} other messages were dropped for \
                     want of room"
                );
            }
            self.tell(News { event: "broker-connected", detail });
        }
    }

    fn acknowledge(&mut self) {
        let first = self.link.as_ref().and_then(Link::first_flying);
        self.backlog.acknowledge(first.unwrap_or(self.backlog.cursor()));
        self.commit_soon();
    }

    /// A message that the broker will never take is not sent again.
    fn give_up(&mut self, sent: &Sent) {
        if let Sent::Message(number, _, sample) = sent
            && self.hopeless.insert(*number)
        {
            self.backlog.give_up(*sample);
            self.acknowledge();
        }
    }

    /// The connection is over; the next try comes after a while.
    fn over(&mut self, news: &News) {
        self.link = None;
        self.failures += 1;
        let longest = self.settings.reconnect_max;
        let wait = self.backoff.wait(self.failures, RETRY_FIRST, longest);
        self.retry = Some(Box::pin(sleep(wait)));
        // A connection that is lost and at once there again is not worth a word.
        if self.failures > 1 || !self.serves {
            self.tell_trouble(news);
        }
    }

    /// Tells of a trouble, once until the broker serves again.
    fn tell_trouble(&mut self, news: &News) {
        if !self.told.contains(news) && self.told.len() < TOLD_MAX {
            self.told.push(news.clone());
            let Settings { host, port, .. } = &self.settings;
            let detail = format!("{host}:{port}: {}", news.detail);
            self.tell(News { event: news.event, detail });
        }
    }

    fn tell(&self, news: News) {
        // When the queue is full whoever watches is far behind, and has enough to read.
        let _ = self.news.try_send(news);
    }

    /// Sends as much as may be on its way.
    fn send(&mut self) {
        let Some(link) = &mut self.link else { return };
        if let Some((body, to_tell)) = &mut self.state
            && *to_tell
            && link.has_room()
            && !link.carries(&Sent::State)
        {
            *to_tell = false;
            link.keep(Sent::State, body.clone());
        }
        while link.has_room() {
            match self.backlog.read() {
                Ok(Some((envelope, _))) if self.hopeless.contains(&envelope.number) => {}
                Ok(Some((envelope, body))) => link.send(envelope, body),
                Ok(None) => break,
                Err(error) => {
                    if !std::mem::replace(&mut self.disk_fails, true) {
                        let folder = self.settings.folder.display();
                        let detail = format!("messages in {folder} cannot be read: {error}");
                        self.tell(News { event: "broker-disk", detail });
                    }
                    break;
                }
            }
        }
    }

    /// Sends what can be sent in the time allowed, and takes leave.
    async fn end(mut self) {
        self.put_onto_disk();
        self.retry = None;
        if let (Some(link), Some((_, presence))) = (&mut self.link, &self.session)
            && link.is_connected()
        {
            link.keep(Sent::Presence, presence.ended.clone());
            let _ = timeout(END_LIMIT / 2, self.until_quiet()).await;
        }
        if let Some(link) = &mut self.link {
            link.disconnect();
            let _ = timeout(END_LIMIT / 2, link.until_over()).await;
        }
        self.put_onto_disk();
    }

    async fn until_quiet(&mut self) {
        loop {
            self.send();
            let Some(link) = self.link.as_mut().filter(|link| !link.is_quiet()) else { return };
            let happened = link.next().await;
            self.happened(happened);
        }
    }
}

async fn due(sleep: &mut Option<Pin<Box<Sleep>>>) {
    match sleep {
        Some(sleep) => sleep.as_mut().await,
        None => pending().await,
    }
}
