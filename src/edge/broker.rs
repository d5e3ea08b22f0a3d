//! What a session says, published to an MQTT 5 broker.
//!
//! Whoever tells hands messages to [`Broker`] and waits for nobody: a thread of its own puts them
//! into the backlog on the disk, and sends from there, in order, what the broker has not
//! acknowledged. A network that is away, a broker that refuses and a disk that hangs hold up this
//! thread and nothing else.

pub mod backlog;
mod link;
mod sender;
pub mod tls;
pub mod topic;
mod trouble;

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{self, Receiver};
use std::thread;
use std::time::Duration;

use rustls::ClientConfig;
use tokio::sync::mpsc::Sender;

use crate::edge::broker::backlog::{Backlog, Message, Place};
use crate::edge::broker::sender::Thread;
use crate::edge::folder::{FolderError, io_error};

/// Words that may wait for the thread: an hour of samples. When it is full a message is dropped
/// and counted; the disk is then the trouble, and the record says so too.
const QUEUE_MAX: usize = 4_096;
/// News that may wait for whoever tells; beyond it they are dropped, since all are repeated.
const NEWS_MAX: usize = 64;
/// What a broker takes at the end of a session: half a second, so that who stops the program does
/// not wait. The rest is sent by the next watch.
const END_LIMIT: Duration = Duration::from_millis(500);

/// Where to publish, and how.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The broker's name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How it is known to be the right one; `None` is plain text.
    pub tls: Option<Arc<ClientConfig>>,
    /// User name and password.
    pub login: Option<Login>,
    /// The name by which the broker knows us; one at a time may have it.
    pub client: String,
    /// The first levels of all topics, the site's included.
    pub topic: String,
    /// How long we may be silent before the broker says that we are gone.
    pub gone_after: Duration,
    /// Longest time between two tries to connect.
    pub reconnect_max: Duration,
    /// The folder in which messages wait.
    pub folder: PathBuf,
    /// How much may wait there (bytes).
    pub backlog_bytes_max: u64,
}

/// User name and password; the password is never printed.
#[derive(Clone)]
pub struct Login {
    /// The user's name.
    pub user: String,
    /// The password.
    pub password: String,
}

impl std::fmt::Debug for Login {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Login").field("user", &self.user).finish_non_exhaustive()
    }
}

/// What is said of us as long as the broker keeps it: each is one line of JSON.
#[derive(Debug, Clone)]
pub struct Presence {
    /// We are there.
    pub online: String,
    /// We have ended, as somebody wished.
    pub ended: String,
    /// Nothing is heard of us; the broker says it.
    pub gone: String,
}

/// Something that whoever watches should know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct News {
    /// The event's name: `broker-away`.
    pub event: &'static str,
    /// What happened and what to do, in words.
    pub detail: String,
}

/// What is told to the thread.
#[derive(Debug)]
enum Word {
    /// From now on messages are of this session.
    Session(String, Presence),
    /// To be kept and sent.
    Messages(Vec<Message>),
    /// What is so now; only the latest matters.
    State(String),
    /// Time to end.
    End,
}

/// The way to the broker.
#[derive(Debug)]
pub struct Broker {
    words: Sender<Word>,
    news: Receiver<News>,
    ended: Receiver<()>,
    known: Vec<(String, Place)>,
    lost: u64,
}

/// Why nothing can be published.
#[derive(Debug, thiserror::Error)]
pub enum BrokerError {
    /// The folder of the messages that wait cannot be used.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// Somebody else has it.
    #[error("another watch publishes as `{0}`; give each job its own `broker.client`")]
    InUse(String),
}

impl Broker {
    /// Opens the backlog and begins to send what waits in it, once the session has a name.
    ///
    /// # Errors
    /// Where the backlog cannot be used, or the system gives no thread.
    pub fn start(settings: Settings) -> Result<Self, BrokerError> {
        let folder = settings.folder.clone();
        let backlog = Backlog::open(&folder, settings.backlog_bytes_max)?;
        let backlog = backlog.ok_or_else(|| BrokerError::InUse(settings.client.clone()))?;
        let known = backlog.places();
        let (words, inbox) = tokio::sync::mpsc::channel(QUEUE_MAX);
        let (tell, news) = mpsc::sync_channel(NEWS_MAX);
        let (end, ended) = mpsc::channel();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(io_error("begin to send from", &folder))?;
        let broken = io_error("begin to send from", &folder);
        let thread = Thread::new(settings, backlog, inbox, tell);
        let run = move || {
            runtime.block_on(thread.run());
            // A name that is being looked up is not waited for.
            runtime.shutdown_background();
            drop(end);
        };
        thread::Builder::new().name("broker".to_owned()).spawn(run).map_err(broken)?;
        Ok(Self { words, news, ended, known, lost: 0 })
    }

    /// Where the last message of a session was said that waits or was sent; `None` where nothing
    /// is known of it.
    pub fn place(&self, session: &str) -> Option<Place> {
        self.known.iter().find(|(known, _)| known == session).map(|(_, place)| *place)
    }

    /// From now on messages are of `session`.
    pub fn session(&mut self, session: String, presence: Presence) {
        self.say(Word::Session(session, presence), 0);
    }

    /// Hands messages over, to be kept and sent.
    pub fn send(&mut self, messages: Vec<Message>) {
        let count = messages.len() as u64;
        self.say(Word::Messages(messages), count);
    }

    /// Says what is so now.
    pub fn state(&mut self, body: String) {
        self.say(Word::State(body), 0);
    }

    fn say(&mut self, word: Word, messages: u64) {
        if self.words.try_send(word).is_err() {
            self.lost += messages;
        }
    }

    /// What has happened since it was asked last.
    pub fn news(&mut self) -> Option<News> {
        if self.lost > 0 && self.words.capacity() > QUEUE_MAX / 2 {
            let detail = format!(
                "{} messages were dropped: the disk did not take them in time; they are in the \
                 record",
                std::mem::take(&mut self.lost)
            );
            return Some(News { event: "broker-dropped", detail });
        }
        self.news.try_recv().ok()
    }

    /// Ends; what cannot be sent at once is sent by the next watch.
    pub fn end(self) {
        if self.words.try_send(Word::End).is_ok() {
            // The sender's end is dropped when the thread ends. It is not waited for any longer
            // than it may take.
            let _ = self.ended.recv_timeout(2 * END_LIMIT);
        }
    }
}

/// The folder in which messages of `client` wait, where sessions are kept in `sessions`.
pub fn backlog_folder(sessions: &Path, client: &str) -> PathBuf {
    sessions.join(".to-broker").join(topic::level(client))
}

/// Reads a file and ends with words that say what to do where that is not possible.
///
/// # Errors
/// The file cannot be read.
pub fn read_file(what: &str, path: &Path) -> Result<String, String> {
    std::fs::read_to_string(path)
        .map_err(|error: io::Error| format!("cannot read the {what} {}: {error}", path.display()))
}
