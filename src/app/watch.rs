//! `settled watch`: the daemon. Receives, smooths, settles, logs and diagnoses until it is stopped.

mod job_on_disk;
#[cfg(feature = "mqtt")]
mod publish;
pub mod world;

use std::cell::RefCell;
use std::collections::{HashMap, HashSet};
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, channel};
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
use crate::app::serve::Page;
use crate::app::serve::history::Source;
use crate::app::tell::{self, Teller};
use crate::app::visit::{Begin, Ended, Visit};
use crate::app::watch::job_on_disk::{JobNews, JobOnDisk};
#[cfg(feature = "mqtt")]
use crate::app::watch::publish::Publisher;
use crate::app::watch::world::{Machine, Next, World};
use crate::edge::bluetooth::{RadioMessage, RadioSettings};
use crate::edge::clock::{Clocks, SessionClock, Stamp, Utc, WallChange};
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

/// Time between two pictures on the terminal.
const PICTURE_EVERY: Duration = Duration::from_millis(250);
/// Time between two looks for notes.
const NOTES_EVERY: Duration = Duration::from_millis(500);
/// Longest sleep, so that a wish to stop is seen in time.
const SLEEP_MAX: Duration = Duration::from_millis(500);

/// Receives, smooths, settles, logs and diagnoses until it is stopped.
///
/// Ctrl-C or SIGTERM ends the session with everything on the disk. It keeps what the job's probes
/// send, and what any other probe sends that a profile fits. When the job file is changed
/// meanwhile it is checked, and a new session begins with it; a wrong one is refused, and the
/// watch goes on as it was.
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
    // A job that is wrong is told before anything is begun.
    let mut file = JobFile::read(&args.job)?;
    for old in calibrations::add_to(&mut file, &args.job)? {
        warn!("{old}");
    }
    watch(args, file, &mut Machine::new()?, json, out)
}

/// Watches `file` in a world, session after session: one ends where somebody stops it, or where
/// the job is changed, and then the next begins.
///
/// # Errors
/// As [`run`].
pub fn watch(
    args: &Args,
    file: JobFile,
    world: &mut dyn World,
    json: bool,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let (mut file, mut go_on, mut worst) = (file, args.go_on, Exit::Done);
    let end_ms = args.seconds.map(|s| world.clocks().machine_ms() + u64::from(s) * 1_000);
    loop {
        let wish = Wish { args, go_on, end_ms };
        let (exit, changed) = session(&wish, &file, world, json, out)?;
        if exit != Exit::Done {
            worst = exit;
        }
        let Some(next) = changed else { return Ok(worst) };
        (file, go_on) = (*next, false);
    }
}

/// What is wished of one session.
struct Wish<'a> {
    args: &'a Args,
    go_on: bool,
    /// Machine time at which it ends at the latest (ms).
    end_ms: Option<u64>,
}

/// One session; with the job of the next, where that is why it ended.
fn session(
    wish: &Wish<'_>,
    file: &JobFile,
    world: &mut dyn World,
    json: bool,
    out: &mut dyn Write,
) -> Result<(Exit, Option<Box<JobFile>>), Failure> {
    let args = wish.args;
    let profiles = profile::load(args.profiles.as_deref())?;
    let keys = Keys::read(&file.keys, args.job.parent().unwrap_or(Path::new("")))?;
    let (notices, disk) = channel();
    // The loop that reads the notices ends only after the journal does.
    let notice = move |notice| drop(notices.send(notice));
    let page = page(file);
    let mut ears = Ears {
        teller: Teller::new(file.units, json, true),
        page,
        #[cfg(feature = "mqtt")]
        publisher: Publisher::start(file, &args.job)?,
        last: None,
        failed: None,
    };
    let (visit, clock) = begin(wish, file, &profiles, (notice, &world.clocks()), (&mut ears, out))?;
    world.hear(radio_settings(file, &profiles))?;
    if !json {
        let folder = visit.folder().display();
        writeln!(out, "Recording to {folder}; Ctrl-C ends it.").map_err(Failure::world)?;
        out.flush().map_err(Failure::world)?;
    }
    if let Some(page) = &ears.page {
        page.announce(json, out).map_err(Failure::world)?;
    }
    let screen = if json { None } else { Screen::open(file.units).map_err(Failure::world)? };
    let named_by_clock = !is_unnamed(visit.folder());
    ears.teller = Teller::new(file.units, json, screen.is_none());
    let leaving = Leaving::new(file, &profiles);
    let mut watch = Watch {
        ears,
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
        job: JobOnDisk::new(&args.job, file),
    };
    watch.manager.ready();
    let outcome = watch.until(wish.end_ms, world, &disk, out);
    let changed = matches!(outcome, Ok(Some(_)));
    if !changed {
        watch.manager.stopping();
    }
    world.silence();
    let why = if changed { "the job was changed" } else { "the watch was ended" };
    let (ended, last, failed) = watch.end(why, out)?;
    let next = outcome?;
    if let Some(error) = failed {
        return Err(Failure::world(error));
    }
    Ok((tell::finish(&ended, last.as_ref(), file.units, json, out)?, next))
}

/// The visit and its clock: a session that goes on where that is wished for and possible, else a
/// new one.
fn begin(
    wish: &Wish<'_>,
    file: &JobFile,
    profiles: &Profiles,
    (notice, clocks): (impl FnMut(Notice) + Clone + Send + 'static, &Clocks),
    (ears, out): (&mut Ears, &mut dyn Write),
) -> Result<(Visit, SessionClock), Failure> {
    if let (true, Some(path)) = (wish.go_on, last_session(file)?) {
        #[cfg(feature = "mqtt")]
        if let Some(publisher) = &mut ears.publisher {
            publisher.go_on(&path);
        }
        let place = (&*path, clocks);
        let page = RefCell::new(&mut *ears);
        let retold =
            &mut |session: &Session, output: &Output| page.borrow_mut().retell(session, output);
        let heard =
            &mut |session: &Session, output: &Output| page.borrow_mut().hear(session, output, out);
        let gone_on = Visit::go_on(file, profiles.clone(), place, notice.clone(), retold, heard)?;
        if let Some((visit, mut clock)) = gone_on {
            let stamp = clock.stamp();
            page.into_inner().know(&visit, stamp.label.and_then(|label| began(label, stamp.at)));
            return Ok((visit, clock));
        }
        warn!("{} cannot go on: it broke off too long ago, or is in use", path.display());
    }
    let mut clock = SessionClock::over(clocks.clone(), Elapsed::ZERO);
    let began = clock.stamp().label;
    let kept = clock.kept();
    let begin = Begin { sessions: &file.log.folder, began, clock: kept, zone: zone(file) };
    let visit = Visit::begin(file, profiles.clone(), begin, notice)?;
    ears.know(&visit, began);
    Ok((visit, clock))
}

/// The page, where its address is free; recording matters more, and goes on without it.
fn page(file: &JobFile) -> Option<Page> {
    let served = Page::serve(file, None, Source::Live, zone(file));
    served.inspect_err(|failure| warn!("{}", failure.line())).ok()
}

/// When a session began, at whose moment `at` the clock said `label`.
fn began(label: Utc, at: Elapsed) -> Option<Utc> {
    label.plus_ms(-(at.as_ms() as i64))
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
        connect_limit: file.radio.call_limit * 2,
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
    ears: Ears,
    json: bool,
    screen: Option<Screen>,
    shown: Elapsed,
    /// When it was last looked for notes.
    looked: Elapsed,
    /// What is said before the technician leaves.
    leaving: Leaving,
    manager: ServiceManager,
    named_by_clock: bool,
    job: JobOnDisk,
}

/// All that is told what the session says, and the last thing that it said of the unit.
struct Ears {
    teller: Teller,
    page: Option<Page>,
    #[cfg(feature = "mqtt")]
    publisher: Option<Publisher>,
    last: Option<Diagnosis>,
    /// Why the text could not be printed.
    failed: Option<io::Error>,
}

impl Ears {
    fn hear(&mut self, session: &Session, output: &Output, out: &mut dyn Write) {
        if let Output::Diagnosis(diagnosis) = output {
            self.last = Some(diagnosis.clone());
        }
        if let Some(page) = &mut self.page {
            page.take(session, output);
        }
        #[cfg(feature = "mqtt")]
        if let Some(publisher) = &mut self.publisher {
            publisher.hear(session, output);
        }
        let told = self.teller.tell(session, output, out).and_then(|()| out.flush());
        if let Err(error) = told {
            self.failed.get_or_insert(error);
        }
    }

    /// What was said before the program was started again.
    fn retell(&mut self, session: &Session, output: &Output) {
        if let Some(page) = &mut self.page {
            page.retell(session, output);
        }
        #[cfg(feature = "mqtt")]
        if let Some(publisher) = &mut self.publisher {
            publisher.retell(session, output);
        }
    }

    /// The page learns where the visit is recorded, and when it began by the clock.
    fn know(&mut self, visit: &Visit, began: Option<Utc>) {
        if let Some(page) = &mut self.page {
            page.takes_notes_in(visit.folder().to_owned());
            page.row(Elapsed::ZERO, began);
        }
        #[cfg(feature = "mqtt")]
        if let Some(publisher) = &mut self.publisher {
            publisher.know(visit.folder(), began);
        }
    }
}

impl Watch {
    /// Waits for one event, hands it over, carries out what is asked; until somebody stops it, or
    /// the job is another, which is then given.
    fn until(
        &mut self,
        end_ms: Option<u64>,
        world: &mut dyn World,
        disk: &Receiver<Notice>,
        out: &mut dyn Write,
    ) -> Result<Option<Box<JobFile>>, Failure> {
        let over = |world: &dyn World| end_ms.is_some_and(|e| world.clocks().machine_ms() >= e);
        while !over(world) && self.ears.failed.is_none() {
            let due = self.ears.page.as_ref().map_or(SLEEP_MAX, Page::due_in);
            let sleep = (self.visit.deadline() - self.clock.elapsed()).min(SLEEP_MAX).min(due);
            let next = world.next(sleep)?;
            let stamp = self.clock.stamp();
            self.look_at_clock(&stamp, out)?;
            while let Ok(notice) = disk.try_recv() {
                self.take_notice(&stamp, &notice, out);
            }
            #[cfg(feature = "mqtt")]
            while let Some(news) = self.ears.publisher.as_mut().and_then(Publisher::news) {
                warn!("{}: {}", news.event, news.detail);
                self.event(&stamp, (news.event, "broker", &news.detail), out);
            }
            match next {
                Next::Message(message) => self.take_message(&stamp, message, out),
                Next::Nothing => self.take(&stamp, Input::Tick, out),
                Next::Stop => break,
            }
            self.take_notes(&stamp, out);
            if let Some(job) = self.look_at_job(&stamp, out) {
                return Ok(Some(job));
            }
            self.manager.alive(stamp.at);
            self.before_you_leave(stamp.at, out).map_err(Failure::world)?;
            self.show()?;
        }
        Ok(None)
    }

    /// The job that is to be watched from now on, where its file has changed and is in order.
    fn look_at_job(&mut self, stamp: &Stamp, out: &mut dyn Write) -> Option<Box<JobFile>> {
        match self.job.look(stamp.at)? {
            JobNews::Changed(job) => Some(job),
            JobNews::Refused(why) => {
                warn!("the changed job is refused, and the watch goes on as it was: {why}");
                self.event(stamp, ("job-refused", "job", &why), out);
                None
            }
        }
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
                    let began = began(label, stamp.at);
                    self.visit.name_by_clock(began)?;
                    self.ears.know(&self.visit, began);
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
        let Self { visit, ears, .. } = self;
        if let Some(page) = &mut ears.page {
            page.row(stamp.at, stamp.label);
        }
        #[cfg(feature = "mqtt")]
        if let Some(publisher) = &mut ears.publisher {
            publisher.row(stamp);
        }
        visit.take(stamp.at, stamp.label, input, &mut |session, output| {
            ears.hear(session, output, out);
        });
    }

    /// Takes what `settled note` has left in the session's folder.
    fn take_notes(&mut self, stamp: &Stamp, out: &mut dyn Write) {
        if stamp.at - self.looked < NOTES_EVERY {
            return;
        }
        self.looked = stamp.at;
        let Self { visit, ears, .. } = self;
        visit.take_notes(stamp.at, stamp.label, &mut |session, output| {
            ears.hear(session, output, out);
        });
    }

    fn show(&mut self) -> Result<(), Failure> {
        let Self { visit, ears, .. } = self;
        if let Some(page) = &mut ears.page {
            page.show(|| (visit.snapshot(), visit.recording()));
        }
        let now = self.clock.elapsed();
        let Some(screen) = &mut self.screen else { return Ok(()) };
        if now - self.shown < PICTURE_EVERY {
            return Ok(());
        }
        self.shown = now;
        let lost = self.visit.recording().not_recording;
        screen.show(&self.visit.snapshot(), lost.as_ref()).map_err(Failure::world)
    }

    fn end(
        mut self,
        why: &str,
        out: &mut dyn Write,
    ) -> Result<(Ended, Option<Diagnosis>, Option<io::Error>), Failure> {
        // A row, so that a replay goes on to the same moment.
        let stamp = self.clock.stamp();
        self.event(&stamp, ("ended", "", why), out);
        let Self { visit, mut ears, screen, .. } = self;
        let ended = visit.end(&mut |session, output| ears.hear(session, output, out));
        #[cfg(feature = "mqtt")]
        if let Some(publisher) = ears.publisher.take() {
            publisher.end(ended.session.counts());
        }
        screen.map_or(Ok(()), Screen::close).map_err(Failure::world)?;
        Ok((ended, ears.last, ears.failed))
    }
}

/// Whether the job names the probe, by address or by name.
fn is_known(known: &[ProbeRef], address: &str, name: Option<&str>) -> bool {
    known.iter().any(|which| match which {
        ProbeRef::Address(wanted) => wanted == address,
        ProbeRef::Name(wanted) => Some(wanted.as_str()) == name,
    })
}
