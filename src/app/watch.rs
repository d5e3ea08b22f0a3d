//! `settled watch`: the daemon. Receives, smooths, settles, logs and diagnoses until it is stopped.

use std::collections::{HashMap, HashSet};
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel, sync_channel};
use std::time::Duration;

use jiff::tz::TimeZone;
use tracing::warn;

use crate::app::calibrations;
use crate::app::connect;
use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::app::keys::{Keys, KeysError};
use crate::app::profile;
use crate::app::ready::{self, Leaving};
use crate::app::screen::Screen;
use crate::app::shutdown::Shutdown;
use crate::app::tell::{self, Teller};
use crate::app::visit::{Begin, Ended, Visit};
use crate::edge::bluetooth::{self, RadioMessage, RadioSettings};
use crate::edge::clock::{SessionClock, Stamp, WallChange};
use crate::edge::folder::Folder;
use crate::edge::journal::Notice;
use crate::edge::service_manager::ServiceManager;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::input::Input;
use crate::engine::job::ProbeRef;
use crate::engine::output::Output;
use crate::engine::profile::Profiles;
use crate::engine::radio::Limits;
use crate::engine::reading::{Payload, Via};
use crate::engine::session::Session;
use crate::units::time::Elapsed;

/// Messages that may wait for this loop; beyond it the radio drops and counts, and says so.
const QUEUE_MAX: usize = 16_384;
/// Time between two pictures on the terminal.
const PICTURE_EVERY: Duration = Duration::from_millis(250);
/// Time between two looks for notes.
const NOTES_EVERY: Duration = Duration::from_millis(500);
/// Longest sleep, so that a wish to stop is seen in time.
const SLEEP_MAX: Duration = Duration::from_millis(500);

/// Receives, smooths, settles, logs and diagnoses until it is stopped.
///
/// Ctrl-C or SIGTERM ends the session with everything on the disk. It keeps what the job's probes
/// send, and what any other probe sends that a profile fits.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  settled watch bakery.toml")]
pub struct Args {
    /// The job file: the unit, and where each probe sits.
    job: PathBuf,
    /// Folder with further profiles; they win over shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
    /// Stop after so many seconds; without it, watch until it is stopped.
    #[arg(long, value_name = "S")]
    seconds: Option<u32>,
    /// Goes on with the last session of the same job, where it broke off less than ten minutes
    /// ago; else a new one begins.
    #[arg(long = "continue", conflicts_with = "new")]
    go_on: bool,
    /// Begins a new session, whatever was before (as without --continue).
    #[arg(long)]
    new: bool,
}

/// Runs the daemon.
///
/// # Errors
/// A job, key or profile that is wrong; a disk or a radio that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let mut file = JobFile::read(&args.job)?;
    for old in calibrations::add_to(&mut file, &args.job)? {
        warn!("{old}");
    }
    let profiles = profile::load(args.profiles.as_deref())?;
    let keys = Keys::read(&file.keys, args.job.parent().unwrap_or(Path::new("")))?;
    let (notices, disk) = channel();
    // The loop that reads the notices ends only after the journal does.
    let notice = move |notice| drop(notices.send(notice));
    let mut teller = Teller::new(file.units, json, true);
    let (mut last, mut failed) = (None, None);
    let hear = &mut |session: &Session, output: &Output| {
        hear((session, output), &mut teller, (&mut last, &mut failed), out);
    };
    let (visit, clock) = begin(args, &file, &profiles, notice, hear)?;
    let shutdown = Shutdown::watch().map_err(Failure::world)?;
    bluetooth::hook_panics();
    let (sender, inbox) = sync_channel(QUEUE_MAX);
    let radio =
        bluetooth::start(radio_settings(&file, &profiles), sender).map_err(Failure::world)?;
    if !json {
        let folder = visit.folder().display();
        writeln!(out, "Recording to {folder}; Ctrl-C ends it.").map_err(Failure::world)?;
        out.flush().map_err(Failure::world)?;
    }
    let screen = if json { None } else { Screen::open(file.units).map_err(Failure::world)? };
    let named_by_clock = !is_unnamed(visit.folder());
    let end = args.seconds.map(|s| Elapsed::from_secs(u64::from(s)));
    let leaving = Leaving::new(&file, &profiles);
    let mut watch = Watch {
        teller: Teller::new(file.units, json, screen.is_none()),
        json,
        screen,
        clock,
        profiles,
        keys,
        known: file.job.probes.iter().map(|probe| probe.which.clone()).collect(),
        names: HashMap::new(),
        complained: HashSet::new(),
        visit,
        shown: Elapsed::ZERO,
        looked: Elapsed::ZERO,
        leaving,
        manager: ServiceManager::from_env(),
        named_by_clock,
        last,
        failed,
    };
    watch.manager.ready();
    let outcome =
        watch.until(&|now| shutdown.asked() || end.is_some_and(|e| now >= e), &inbox, &disk, out);
    watch.manager.stopping();
    radio.stop();
    let (ended, last, failed) = watch.end(out)?;
    outcome?;
    if let Some(error) = failed {
        return Err(Failure::world(error));
    }
    tell::finish(&ended, last.as_ref(), file.units, json, out)
}

/// The visit and its clock: a session that goes on where that is wished for and possible, else a
/// new one.
fn begin(
    args: &Args,
    file: &JobFile,
    profiles: &Profiles,
    notice: impl FnMut(Notice) + Clone + Send + 'static,
    heard: &mut dyn FnMut(&Session, &Output),
) -> Result<(Visit, SessionClock), Failure> {
    if let (true, Some(path)) = (args.go_on, last_session(file)?) {
        let gone_on = Visit::go_on(file, profiles.clone(), &path, notice.clone(), heard)?;
        if let Some(visit) = gone_on {
            return Ok(visit);
        }
        warn!("{} cannot go on: it broke off too long ago, or is in use", path.display());
    }
    let mut clock = SessionClock::start(Elapsed::ZERO);
    let began = clock.stamp().label;
    let kept = clock.kept();
    let begin = Begin { sessions: &file.log.folder, began, clock: kept, zone: zone(file) };
    Ok((Visit::begin(file, profiles.clone(), begin, notice)?, clock))
}

/// The session of the same job that was recorded last.
fn last_session(file: &JobFile) -> Result<Option<PathBuf>, Failure> {
    let job: toml::Table = toml::from_str(&file.text).map_err(Failure::bad_input)?;
    let Ok(entries) = fs::read_dir(&file.log.folder) else { return Ok(None) };
    let dated = entries.filter_map(|entry| {
        let (folder, manifest) = Folder::open(&entry.ok()?.path()).ok()?;
        let part = folder.parts().ok()?.pop()?;
        let written = part.metadata().and_then(|part| part.modified()).ok()?;
        manifest.is_of(&job).then(|| (written, folder.path().to_owned()))
    });
    Ok(dated.max().map(|(_, path)| path))
}

/// Whether a session still waits for its dated name.
fn is_unnamed(folder: &Path) -> bool {
    folder.file_name().is_some_and(|name| name.to_string_lossy().starts_with("no-clock-"))
}

/// The zone in which people see the visit: the job's, else the machine's.
fn zone(file: &JobFile) -> TimeZone {
    let named = file.zone.as_deref().and_then(|name| TimeZone::get(name).ok());
    named.unwrap_or_else(TimeZone::system)
}

pub(super) fn radio_settings(file: &JobFile, profiles: &Profiles) -> RadioSettings {
    RadioSettings {
        adapters: file.radio.adapter.iter().cloned().collect(),
        connect: connect::plans(profiles),
        only: Some(connect::named(&file.job)),
        probe_silence: file.job.settle.silence,
        limits: Limits { call: file.radio.call_limit, ..Limits::default() },
        ..RadioSettings::default()
    }
}

/// The daemon's loop and all that it owns.
struct Watch {
    visit: Visit,
    clock: SessionClock,
    profiles: Profiles,
    keys: Keys,
    known: Vec<ProbeRef>,
    /// The name that each probe told last, by address.
    names: HashMap<String, String>,
    /// What has been complained of, so that it is said once.
    complained: HashSet<String>,
    teller: Teller,
    json: bool,
    screen: Option<Screen>,
    shown: Elapsed,
    /// When it was last looked for notes.
    looked: Elapsed,
    /// What is said before the technician leaves.
    leaving: Leaving,
    manager: ServiceManager,
    named_by_clock: bool,
    last: Option<Diagnosis>,
    failed: Option<io::Error>,
}

impl Watch {
    /// Waits for one event, hands it over, carries out what is asked; until `stop` says so.
    fn until(
        &mut self,
        stop: &dyn Fn(Elapsed) -> bool,
        inbox: &Receiver<RadioMessage>,
        disk: &Receiver<Notice>,
        out: &mut dyn Write,
    ) -> Result<(), Failure> {
        while !stop(self.clock.elapsed()) && self.failed.is_none() {
            let sleep = (self.visit.deadline() - self.clock.elapsed()).min(SLEEP_MAX);
            let message = match inbox.recv_timeout(sleep) {
                Ok(message) => Some(message),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => {
                    return Err(Failure::world("the radio's thread has ended; start again"));
                }
            };
            let stamp = self.clock.stamp();
            self.look_at_clock(&stamp, out)?;
            while let Ok(notice) = disk.try_recv() {
                self.take_notice(&stamp, &notice, out);
            }
            match message {
                Some(message) => self.take_message(&stamp, message, out),
                None => self.take(&stamp, Input::Tick, out),
            }
            self.take_notes(&stamp, out);
            self.manager.alive(stamp.at);
            self.before_you_leave(stamp.at, out).map_err(Failure::world)?;
            self.show()?;
        }
        Ok(())
    }

    /// Says once, when the probes have been heard for two minutes, how all stands.
    fn before_you_leave(&mut self, at: Elapsed, out: &mut dyn Write) -> io::Result<()> {
        let visit = &self.visit;
        let Some(checks) = self.leaving.look(at, || visit.snapshot()) else { return Ok(()) };
        let text = ready::text(&checks);
        match &mut self.screen {
            Some(screen) => screen.say(&text),
            None if self.json => ready::write_json(&checks, out).and_then(|()| out.flush()),
            None => write!(out, "{text}").and_then(|()| out.flush()),
        }
    }

    /// The clock was set, or has become known to be right: the folder gets its name then.
    fn look_at_clock(&mut self, stamp: &Stamp, out: &mut dyn Write) -> Result<(), Failure> {
        match stamp.change {
            None => {}
            Some(WallChange::Stepped(by_ms)) => {
                let detail = format!("the clock was set by {:+.1} s", by_ms as f64 / 1_000.0);
                self.event(stamp, ("clock-step", "", &detail), out);
            }
            Some(WallChange::Trusted) => {
                if let (false, Some(label)) = (self.named_by_clock, stamp.label) {
                    self.named_by_clock = true;
                    let began = label.plus_ms(-(stamp.at.as_ms() as i64));
                    self.visit.name_by_clock(began)?;
                    self.event(stamp, ("clock-trusted", "", "the clock is known to be right"), out);
                }
            }
        }
        Ok(())
    }

    fn take_notice(&mut self, stamp: &Stamp, notice: &Notice, out: &mut dyn Write) {
        match notice {
            Notice::Acknowledged(_) | Notice::Serves => {}
            Notice::NotRecording(since, why) => {
                warn!("not recording since {since}: {why}");
                let detail = format!("since {since}: {why}");
                self.event(stamp, ("not-recording", "", &detail), out);
            }
            Notice::LowSpace(bytes) => {
                let detail = format!("{} MB are left on the disk", bytes / 1_000_000);
                warn!("{detail}");
                self.event(stamp, ("low-space", "", &detail), out);
            }
            Notice::SpaceAgain(bytes) => {
                let detail = format!("{} MB are free again", bytes / 1_000_000);
                self.event(stamp, ("space-again", "", &detail), out);
            }
        }
    }

    fn take_message(&mut self, stamp: &Stamp, message: RadioMessage, out: &mut dyn Write) {
        match message {
            RadioMessage::Heard { probe, name, via, bytes, rssi_dbm } => {
                if let Some(name) = name {
                    self.take_name(stamp, &probe, &name, out);
                }
                let payload = Payload { probe: &probe, via, bytes: &bytes, rssi_dbm };
                self.take_payload(stamp, &payload, out);
            }
            RadioMessage::Signal { probe, rssi_dbm } if self.is_known(&probe) => {
                let input = Input::Heard { probe: &probe, rssi_dbm: Some(rssi_dbm) };
                self.take(stamp, input, out);
            }
            RadioMessage::Signal { .. } => {}
            RadioMessage::Named { probe, name } => self.take_name(stamp, &probe, &name, out),
            RadioMessage::Event { event, subject, detail } => {
                self.event(stamp, (&event, &subject, &detail), out);
            }
        }
    }

    /// A name that is new, of a probe that is kept.
    fn take_name(&mut self, stamp: &Stamp, probe: &str, name: &str, out: &mut dyn Write) {
        if self.names.get(probe).is_some_and(|known| known == name) {
            return;
        }
        self.names.insert(probe.to_owned(), name.to_owned());
        if self.is_known(probe) {
            self.take(stamp, Input::Named { probe, name }, out);
        }
    }

    /// Opens what is encrypted, and passes over what neither the job nor a profile knows.
    fn take_payload(&mut self, stamp: &Stamp, payload: &Payload<'_>, out: &mut dyn Write) {
        let name = self.names.get(payload.probe).map(String::as_str);
        let known = is_known(&self.known, payload.probe, name);
        if !known && self.profiles.match_payload(payload, name).is_none() {
            return;
        }
        let mut plain = Vec::new();
        match self.keys.open(payload, name, &mut plain) {
            Ok(None) => self.take(stamp, Input::Payload(*payload), out),
            Ok(Some((uuid, counter))) => {
                let via = Via::ServiceOpened(uuid, counter);
                let opened = Payload { via, bytes: &plain, ..*payload };
                self.take(stamp, Input::Payload(opened), out);
            }
            Err(KeysError::Again) => {
                let (probe, rssi_dbm) = (payload.probe, payload.rssi_dbm);
                self.take(stamp, Input::Heard { probe, rssi_dbm }, out);
            }
            Err(why) => {
                let detail = why.to_string();
                if self.complained.insert(format!("{} {detail}", payload.probe)) {
                    self.event(stamp, ("payload-refused", payload.probe, &detail), out);
                }
            }
        }
    }

    fn is_known(&self, probe: &str) -> bool {
        is_known(&self.known, probe, self.names.get(probe).map(String::as_str))
    }

    fn event(&mut self, stamp: &Stamp, what: (&str, &str, &str), out: &mut dyn Write) {
        let (event, subject, detail) = what;
        self.take(stamp, Input::Event { event, subject, detail }, out);
    }

    fn take(&mut self, stamp: &Stamp, input: Input<'_>, out: &mut dyn Write) {
        let Self { visit, teller, last, failed, .. } = self;
        visit.take(stamp.at, stamp.label, input, &mut |session, output| {
            hear((session, output), teller, (last, failed), out);
        });
    }

    /// Takes what `settled note` has left in the session's folder.
    fn take_notes(&mut self, stamp: &Stamp, out: &mut dyn Write) {
        if stamp.at - self.looked < NOTES_EVERY {
            return;
        }
        self.looked = stamp.at;
        let Self { visit, teller, last, failed, .. } = self;
        visit.take_notes(stamp.at, stamp.label, &mut |session, output| {
            hear((session, output), teller, (last, failed), out);
        });
    }

    fn show(&mut self) -> Result<(), Failure> {
        let now = self.clock.elapsed();
        let Some(screen) = &mut self.screen else { return Ok(()) };
        if now - self.shown < PICTURE_EVERY {
            return Ok(());
        }
        self.shown = now;
        let lost = self.visit.recording().not_recording;
        let notice = lost.map(|lost| format!("NOT RECORDING {lost}"));
        screen.show(&self.visit.snapshot(), notice.as_deref()).map_err(Failure::world)
    }

    fn end(
        mut self,
        out: &mut dyn Write,
    ) -> Result<(Ended, Option<Diagnosis>, Option<io::Error>), Failure> {
        // A row, so that a replay goes on to the same moment.
        let stamp = self.clock.stamp();
        self.event(&stamp, ("ended", "", "the watch was ended"), out);
        let Self { visit, mut teller, mut last, mut failed, screen, .. } = self;
        let ended = visit.end(&mut |session, output| {
            hear((session, output), &mut teller, (&mut last, &mut failed), out);
        });
        screen.map_or(Ok(()), Screen::close).map_err(Failure::world)?;
        Ok((ended, last, failed))
    }
}

/// Whether the job names the probe, by address or by name.
fn is_known(known: &[ProbeRef], address: &str, name: Option<&str>) -> bool {
    known.iter().any(|which| match which {
        ProbeRef::Address(wanted) => wanted == address,
        ProbeRef::Name(wanted) => Some(wanted.as_str()) == name,
    })
}

fn hear(
    (session, output): (&Session, &Output),
    teller: &mut Teller,
    (last, failed): (&mut Option<Diagnosis>, &mut Option<io::Error>),
    out: &mut dyn Write,
) {
    if let Output::Diagnosis(diagnosis) = output {
        *last = Some(diagnosis.clone());
    }
    let told = teller.tell(session, output, out).and_then(|()| out.flush());
    if let Err(error) = told {
        failed.get_or_insert(error);
    }
}
