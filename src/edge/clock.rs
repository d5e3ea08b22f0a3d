//! The one place that reads a clock: engine time, and the wall-clock label beside it.
//!
//! Engine time is the clock that goes on in suspend (`CLOCK_BOOTTIME`) where there is one. The
//! wall clock only labels rows, and only once it is known to be right: a board without a battery
//! clock wakes in 1970, or when it was last shut down, and is set later, if ever.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::units::time::Elapsed;

/// A wall-clock moment (ms since 1970-01-01T00:00:00Z, to late December 9999).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Utc(i64);

const DAY_MS: i64 = 86_400_000;
/// The last millisecond that the time library has, whatever the zone.
const UTC_MS_MAX: i64 = 253_402_207_199_999;

impl Utc {
    /// The moment so many milliseconds after 1970 began; `None` beyond the range.
    pub fn from_ms(ms: i64) -> Option<Self> {
        (0..=UTC_MS_MAX).contains(&ms).then_some(Self(ms))
    }

    /// Milliseconds since 1970 began.
    pub const fn as_ms(self) -> i64 {
        self.0
    }

    /// The moment as the time library has it.
    #[expect(clippy::missing_panics_doc, reason = "every `Utc` is a possible timestamp")]
    pub fn timestamp(self) -> Timestamp {
        Timestamp::from_millisecond(self.0).expect("a `Utc` lies in the library's range")
    }

    /// The moment that `ms` later is, or earlier.
    pub fn plus_ms(self, ms: i64) -> Option<Self> {
        Self::from_ms(self.0.checked_add(ms)?)
    }
}

/// Writes and reads labels, `2031-06-04T19:05:12.345Z`; the day is worked out once.
#[derive(Debug, Clone)]
pub struct Labels {
    day: i64,
    prefix: [u8; 11],
}

impl Default for Labels {
    fn default() -> Self {
        Self { day: 0, prefix: *b"1970-01-01T" }
    }
}

/// How long a label is (bytes).
pub const LABEL_LEN: usize = 24;

/// A label, or none.
#[derive(Debug, Clone, Copy)]
pub struct Label {
    bytes: [u8; LABEL_LEN],
    len: usize,
}

impl Label {
    /// The label; empty where there is none.
    pub fn as_str(&self) -> &str {
        std::str::from_utf8(&self.bytes[..self.len]).unwrap_or_default()
    }
}

impl Labels {
    /// Appends the label of `utc`.
    pub fn push(&mut self, out: &mut Vec<u8>, utc: Utc) {
        out.extend_from_slice(&self.bytes(utc));
    }

    fn bytes(&mut self, utc: Utc) -> [u8; LABEL_LEN] {
        let day = utc.0.div_euclid(DAY_MS);
        if day != self.day {
            let date = utc.timestamp().to_zoned_datetime(jiff::tz::TimeZone::UTC).date();
            self.day = day;
            self.prefix[..10].copy_from_slice(&date.to_string().as_bytes()[..10]);
        }
        let mut ms = utc.0.rem_euclid(DAY_MS) as u32;
        let mut label = *b"....-..-..T..:..:......Z";
        label[..11].copy_from_slice(&self.prefix);
        for (at, base) in [(22, 10), (21, 10), (20, 10), (18, 10), (17, 6), (15, 10), (14, 6)] {
            label[at] = b'0' + (ms % base) as u8;
            ms /= base;
        }
        label[12] = b'0' + (ms % 10) as u8;
        label[11] = b'0' + (ms / 10) as u8;
        label
    }

    /// The label of `utc`; empty where there is none.
    pub fn text(&mut self, utc: Option<Utc>) -> String {
        let mut out = Vec::with_capacity(LABEL_LEN);
        if let Some(utc) = utc {
            self.push(&mut out, utc);
        }
        String::from_utf8(out).unwrap_or_default()
    }

    /// The label of `utc`, empty where there is none, without an allocation.
    pub fn stack(&mut self, utc: Option<Utc>) -> Label {
        let mut label = Label { bytes: [0; LABEL_LEN], len: 0 };
        if let Some(utc) = utc {
            label.bytes = self.bytes(utc);
            label.len = LABEL_LEN;
        }
        label
    }

    /// The moment that a label of our form names; `None` for every other text.
    pub fn read(&mut self, label: &[u8]) -> Option<Utc> {
        let label: &[u8; LABEL_LEN] = label.try_into().ok()?;
        if label[..11] != self.prefix {
            let text = std::str::from_utf8(&label[..10]).ok()?;
            let date: Date = (label[10] == b'T').then(|| text.parse().ok())??;
            let start = date.to_zoned_datetime(jiff::tz::TimeZone::UTC).ok()?.timestamp();
            self.day = Utc::from_ms(start.as_millisecond())?.0 / DAY_MS;
            self.prefix.copy_from_slice(&label[..11]);
        }
        let marks = [label[13], label[16], label[19], label[23]];
        let digit = |at: usize| {
            let digit = label[at].wrapping_sub(b'0');
            (digit < 10).then_some(i64::from(digit))
        };
        let two = |at: usize| Some(digit(at)? * 10 + digit(at + 1)?);
        let (h, m, s) = (two(11)?, two(14)?, two(17)?);
        let ms = two(20)? * 10 + digit(22)?;
        if marks != *b"::.Z" || h > 23 || m > 59 || s > 59 {
            return None;
        }
        Some(Utc(self.day * DAY_MS + ((h * 60 + m) * 60 + s) * 1_000 + ms))
    }
}

/// Earliest moment that a clock may show and be right: this program is no older.
const WRITTEN: Utc = Utc(1_767_225_600_000); // 2026-01-01T00:00:00Z

/// Least change between wall clock and engine time that counts as a step (ms). Less is the time
/// that passes between reading the one and the other.
const STEP_MS_MIN: i64 = 100;

/// Least step that is told (ms).
const TOLD_MS_MIN: i64 = 1_000;

/// Least step forward that shows that somebody has just set the clock (ms).
const SET_MS_MIN: i64 = 60_000;

/// What the wall clock just did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WallChange {
    /// It is known to be right from now on.
    Trusted,
    /// It was set by so many milliseconds; true time went on meanwhile.
    Stepped(i64),
}

/// What is known of the wall clock. Fed by [`SessionClock`], and by scripts in tests.
#[derive(Debug, Clone, Default)]
pub struct Wall {
    /// Wall clock minus engine time (ms).
    offset_ms: Option<i64>,
    trusted: bool,
}

impl Wall {
    /// Takes what both clocks show now; `kept` says that something keeps the wall clock right: a
    /// battery, or a time service.
    pub fn observe(&mut self, at: Elapsed, wall: Utc, kept: bool) -> Option<WallChange> {
        let offset = wall.0 - at.as_ms().cast_signed();
        let by = self.offset_ms.map_or(0, |before| offset - before);
        if self.offset_ms.is_none() || by.abs() >= STEP_MS_MIN {
            self.offset_ms = Some(offset);
        }
        if !self.trusted && wall >= WRITTEN && (kept || by >= SET_MS_MIN) {
            self.trusted = true;
            return Some(WallChange::Trusted);
        }
        (self.trusted && by.abs() >= TOLD_MS_MIN).then_some(WallChange::Stepped(by))
    }

    /// Whether the wall clock is known to be right.
    pub const fn is_trusted(&self) -> bool {
        self.trusted
    }

    /// The label of a moment; `None` until the clock is known to be right.
    pub fn label(&self, at: Elapsed) -> Option<Utc> {
        let offset = self.offset_ms.filter(|_| self.trusted)?;
        Utc::from_ms(offset.checked_add(i64::try_from(at.as_ms()).ok()?)?)
    }
}

/// What the clocks of a machine show at a moment.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Hands {
    /// The name of the machine's start; empty where the system gives none.
    pub boot_id: String,
    /// Since the machine's start, suspend included (ms).
    pub machine_ms: u64,
    /// What the wall clock shows, right or wrong.
    pub wall: Option<Utc>,
    /// Whether something keeps the wall clock right.
    pub kept: bool,
}

/// The clocks that a session is timed by.
#[derive(Debug, Clone, Default)]
pub enum Clocks {
    /// Those of this machine.
    #[default]
    Machine,
    /// Hands that a script moves; a clone shows the same.
    Script(Arc<Mutex<Hands>>),
}

impl Clocks {
    /// Milliseconds since the machine's start, suspend included.
    pub fn machine_ms(&self) -> u64 {
        match self {
            Self::Machine => machine_ms(),
            Self::Script(hands) => read(hands).machine_ms,
        }
    }

    /// The name of this start of the machine; empty where there is none.
    pub fn boot_id(&self) -> String {
        match self {
            Self::Machine => boot_id(),
            Self::Script(hands) => read(hands).boot_id.clone(),
        }
    }

    /// What the wall clock shows, right or wrong; `None` before 1970.
    pub fn wall(&self) -> Option<Utc> {
        match self {
            Self::Machine => wall_now(),
            Self::Script(hands) => read(hands).wall,
        }
    }

    fn wall_is_kept(&self) -> bool {
        match self {
            Self::Machine => wall_is_kept(),
            Self::Script(hands) => read(hands).kept,
        }
    }
}

fn read(hands: &Mutex<Hands>) -> MutexGuard<'_, Hands> {
    hands.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What the clock shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stamp {
    /// Engine time.
    pub at: Elapsed,
    /// The label for rows; `None` until the wall clock is known to be right.
    pub label: Option<Utc>,
    /// What the wall clock has done since the last stamp.
    pub change: Option<WallChange>,
}

/// How often it is looked whether something keeps the wall clock right, until it does.
const KEPT_EVERY: Duration = Duration::from_secs(10);

/// A session's clock.
#[derive(Debug)]
pub struct SessionClock {
    clocks: Clocks,
    /// Machine time at which the session began (ms); may lie before the machine's start.
    zero_ms: i64,
    wall: Wall,
    kept: bool,
    look_at: Elapsed,
}

impl SessionClock {
    /// A clock of this machine that shows `at` now: zero for a new session, later for one that
    /// goes on.
    pub fn start(at: Elapsed) -> Self {
        Self::over(Clocks::Machine, at)
    }

    /// The same, timed by `clocks`.
    pub fn over(clocks: Clocks, at: Elapsed) -> Self {
        let zero_ms = clocks.machine_ms().cast_signed() - at.as_ms().cast_signed();
        Self { clocks, zero_ms, wall: Wall::default(), kept: false, look_at: Elapsed::ZERO }
    }

    /// Engine time now.
    pub fn elapsed(&self) -> Elapsed {
        let machine_ms = self.clocks.machine_ms().cast_signed();
        Elapsed::from_ms((machine_ms - self.zero_ms).max(0) as u64)
    }

    /// Engine time and its label now.
    pub fn stamp(&mut self) -> Stamp {
        let (at, wall) = self.both();
        if !self.wall.is_trusted() && at >= self.look_at {
            self.kept = self.clocks.wall_is_kept();
            self.look_at = at + KEPT_EVERY;
        }
        let change = wall.and_then(|wall| self.wall.observe(at, wall, self.kept));
        Stamp { at, label: self.wall.label(at), change }
    }

    /// What the session's folder must know to go on after a restart.
    pub fn kept(&self) -> KeptClock {
        KeptClock { boot_id: self.clocks.boot_id(), zero_ms: self.zero_ms }
    }

    /// Both clocks, read so close together that their difference means something.
    fn both(&self) -> (Elapsed, Option<Utc>) {
        let mut at = self.elapsed();
        for _ in 0..3 {
            let wall = self.clocks.wall();
            let after = self.elapsed();
            if after - at < Duration::from_millis(5) {
                return (after, wall);
            }
            at = after;
        }
        (at, self.clocks.wall())
    }
}

/// What ties a session's engine time to the machine's.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct KeptClock {
    /// The machine's start, by the name that the system gave it; empty where it gives none.
    pub boot_id: String,
    /// Machine time at which the session began (ms since the machine's start; may be negative).
    pub zero_ms: i64,
}

/// Where a session's time goes on after a restart of the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct GoesOn {
    /// Engine time now.
    pub at: Elapsed,
    /// How long nobody listened; `None` where no clock tells.
    pub pause: Option<Duration>,
}

/// Where the time of a session goes on whose last row has this time and label.
///
/// Within one start of the machine, by its own clock; else by the wall clock, where it was right
/// before and is right `now`; else not at all: the pause is unknown.
pub fn goes_on(
    kept: &KeptClock,
    last: (Elapsed, Option<Utc>),
    machine: (&str, u64),
    now: Option<Utc>,
) -> GoesOn {
    let (last_at, last_label) = last;
    let (boot_id, machine_ms) = machine;
    let by_machine = (!boot_id.is_empty() && boot_id == kept.boot_id)
        .then(|| u64::try_from(machine_ms.cast_signed() - kept.zero_ms).ok())
        .flatten()
        .filter(|at| *at >= last_at.as_ms())
        .map(|at| Duration::from_millis(at - last_at.as_ms()));
    let by_wall = || {
        let ms = now?.as_ms() - last_label?.as_ms();
        u64::try_from(ms).ok().map(Duration::from_millis)
    };
    let pause = by_machine.or_else(by_wall);
    GoesOn { at: last_at + pause.unwrap_or(Duration::from_millis(1)), pause }
}

/// The name that the system gives this start of the machine; empty where it gives none.
pub fn boot_id() -> String {
    let id = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    id.trim().to_owned()
}

/// Milliseconds since the machine's start, suspend included.
#[cfg(target_os = "linux")]
pub fn machine_ms() -> u64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    time.tv_sec as u64 * 1_000 + time.tv_nsec as u64 / 1_000_000
}

/// Milliseconds since the program's first look at the clock.
#[cfg(not(target_os = "linux"))]
#[expect(clippy::disallowed_methods, reason = "the one place that reads the clock")]
pub fn machine_ms() -> u64 {
    use std::sync::OnceLock;
    use std::time::Instant;

    static FIRST: OnceLock<Instant> = OnceLock::new();
    FIRST.get_or_init(Instant::now).elapsed().as_millis() as u64
}

/// What the wall clock shows, right or wrong; `None` before 1970.
#[expect(clippy::disallowed_methods, reason = "the one place that reads the clock")]
pub fn wall_now() -> Option<Utc> {
    Utc::from_ms(Timestamp::now().as_millisecond())
}

/// Whether something keeps the wall clock right: a battery clock, or a time service that has
/// reached its servers.
///
/// Every machine of the PC's kind has a battery clock; a small board has one where the kernel
/// shows one. systemd's time service leaves a mark when it has set the clock; the clock's jump
/// ([`Wall::observe`]) shows that any other has. Other systems than Linux run on machines with one.
fn wall_is_kept() -> bool {
    if cfg!(any(target_arch = "x86_64", target_arch = "x86", not(target_os = "linux"))) {
        return true;
    }
    let any = std::fs::read_dir("/sys/class/rtc").is_ok_and(|mut list| list.next().is_some());
    any || std::fs::exists("/run/systemd/timesync/synchronized").unwrap_or(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Utc {
        Utc::from_ms(text.parse::<Timestamp>().unwrap().as_millisecond()).unwrap()
    }

    #[test]
    fn labels_read_back_and_are_what_the_time_library_writes() {
        let mut labels = Labels::default();
        for text in [
            "1970-01-01T00:00:00.000Z",
            "2031-06-04T19:05:12.345Z",
            "2031-06-04T23:59:59.999Z",
            "2032-02-29T00:00:00.001Z",
            "9999-12-30T21:59:59.999Z",
        ] {
            assert_eq!(labels.text(Some(utc(text))), text);
            assert_eq!(labels.read(text.as_bytes()), Some(utc(text)));
            assert_eq!(Labels::default().read(text.as_bytes()), Some(utc(text)));
        }
        assert_eq!(labels.text(None), "");
        for wrong in [
            "",
            "2031-06-04T19:05:12Z",
            "2031-06-31T19:05:12.345Z",
            "2031-06-04T24:00:00.000Z",
            "2031-06-04 19:05:12.345Z",
            "2031-06-04T19:05:12.34xZ",
            "1969-12-31T23:59:59.999Z",
        ] {
            assert_eq!(labels.read(wrong.as_bytes()), None, "{wrong}");
        }
        // A wrong label leaves the day that is known as it was.
        assert_eq!(labels.text(Some(utc("2031-06-04T00:00:00.000Z"))), "2031-06-04T00:00:00.000Z");
    }

    #[test]
    fn a_board_that_wakes_in_1970_has_no_labels_until_its_clock_is_set() {
        let mut wall = Wall::default();
        let at = Elapsed::from_secs;
        assert_eq!(wall.observe(at(0), utc("1970-01-01T00:00:20Z"), false), None);
        assert_eq!(wall.label(at(1)), None);
        assert_eq!(
            wall.observe(at(60), utc("2031-06-04T19:05:12Z"), false),
            Some(WallChange::Trusted)
        );
        assert_eq!(wall.label(at(0)), Some(utc("2031-06-04T19:04:12Z")));
        // A battery clock that lost its battery is no better.
        let mut wall = Wall::default();
        assert_eq!(wall.observe(at(0), utc("2000-01-01T00:00:00Z"), true), None);
        assert_eq!(wall.label(at(0)), None);
    }

    #[test]
    fn a_stale_time_is_not_trusted_just_because_it_is_plausible() {
        let mut wall = Wall::default();
        assert_eq!(wall.observe(Elapsed::ZERO, utc("2031-06-04T19:05:12Z"), false), None);
        assert!(!wall.is_trusted());
        let kept = wall.observe(Elapsed::from_secs(9), utc("2031-06-04T19:05:21Z"), true);
        assert_eq!(kept, Some(WallChange::Trusted));
    }

    #[test]
    fn steps_are_told_and_the_time_between_reading_two_clocks_is_not() {
        let mut wall = Wall::default();
        let at = Elapsed::from_secs;
        wall.observe(at(0), utc("2031-06-04T19:00:00Z"), true);
        assert_eq!(wall.observe(at(1), utc("2031-06-04T19:00:01.060Z"), true), None);
        assert_eq!(wall.label(at(1)), Some(utc("2031-06-04T19:00:01Z")));
        let back = wall.observe(at(2), utc("2031-06-04T18:00:02Z"), true);
        assert_eq!(back, Some(WallChange::Stepped(-3_600_000)));
        let forth = wall.observe(at(3), utc("2031-06-04T18:00:04.500Z"), true);
        assert_eq!(forth, Some(WallChange::Stepped(1_500)));
        assert_eq!(wall.label(at(4)), Some(utc("2031-06-04T18:00:05.500Z")));
    }

    #[test]
    fn a_pause_is_told_by_the_machine_else_by_the_wall_clock_else_not() {
        let kept = KeptClock { boot_id: "a".to_owned(), zero_ms: 10_000 };
        let last = (Elapsed::from_secs(100), Some(utc("2031-06-04T19:00:00Z")));
        let now = Some(utc("2031-06-04T19:10:00Z"));
        let secs = |at, pause: Option<u64>| GoesOn {
            at: Elapsed::from_ms(at),
            pause: pause.map(Duration::from_secs),
        };
        assert_eq!(goes_on(&kept, last, ("a", 115_000), now), secs(105_000, Some(5)));
        assert_eq!(goes_on(&kept, last, ("b", 115_000), now), secs(700_000, Some(600)));
        assert_eq!(goes_on(&kept, last, ("b", 115_000), None), secs(100_001, None));
        assert_eq!(goes_on(&kept, (last.0, None), ("b", 1), now), secs(100_001, None));
        // A wall clock that shows less than before tells no pause.
        let early = Some(utc("2031-06-04T18:00:00Z"));
        assert_eq!(goes_on(&kept, last, ("b", 1), early), secs(100_001, None));
        // No name for the machine's start is no evidence that it is the same.
        let unnamed = KeptClock::default();
        assert_eq!(goes_on(&unnamed, last, ("", 115_000), None), secs(100_001, None));
    }

    #[test]
    fn the_machine_s_clock_goes_on() {
        let mut clock = SessionClock::start(Elapsed::from_secs(5));
        let first = clock.stamp();
        assert!(first.at >= Elapsed::from_secs(5));
        assert!(clock.stamp().at >= first.at);
    }
}
