//! The radio's supervisor against a model of a Bluetooth stack that fails in every way it can: a
//! thousand faults drawn from a seed, on virtual time.

#![expect(clippy::unwrap_used, reason = "a test may end by a panic")]

use std::time::Duration;

use settled::engine::radio::{Act, Limits, Listed, Supervisor, Told};
use settled::units::time::Elapsed;

const ADAPTER: &str = "hci0";
const PROBE_EVERY: Duration = Duration::from_millis(500);
/// How long a call takes.
const CALL: Duration = Duration::from_millis(20);

/// A small generator (xorshift64*; Vigna, 2016), so that a seed gives the same night again.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % n
    }
}

/// What is wrong with the stack, and until when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    /// The scan tells nothing until it is started again.
    MuteScan,
    /// The stream tells nothing until there is a new one.
    MuteStream,
    /// The connection tells nothing until there is a new one.
    MuteManager,
    /// The thread hangs until there is a new one.
    HungThread,
    StreamEnds,
    PoweredOff,
    ScanOff,
    AdapterGone,
    ServiceGone,
    ServiceHangs,
    BusGone,
    Panic,
}

const FAULTS: [Fault; 12] = [
    Fault::MuteScan,
    Fault::MuteStream,
    Fault::MuteManager,
    Fault::HungThread,
    Fault::StreamEnds,
    Fault::PoweredOff,
    Fault::ScanOff,
    Fault::AdapterGone,
    Fault::ServiceGone,
    Fault::ServiceHangs,
    Fault::BusGone,
    Fault::Panic,
];

/// The stack: which parts are there, and what the supervisor has built on them.
#[derive(Default)]
#[expect(clippy::struct_excessive_bools, reason = "each is a part that is there or not")]
struct Stack {
    fault: Option<Fault>,
    manager: bool,
    stream: bool,
    /// Scans of ours.
    scans: u32,
    powered: bool,
    /// Mute, though all looks well.
    mute: bool,
    /// Answers under way: when, and what.
    answers: Vec<(Elapsed, Told)>,
}

impl Stack {
    fn is_gone(&self) -> bool {
        matches!(self.fault, Some(Fault::ServiceGone | Fault::AdapterGone | Fault::BusGone))
    }

    fn tells(&self) -> bool {
        self.manager
            && self.stream
            && self.scans == 1
            && !self.mute
            && self.powered
            && !self.is_gone()
            && !matches!(self.fault, Some(Fault::HungThread | Fault::ServiceHangs))
    }

    /// Begins a fault; what the edge notices of itself is told.
    fn begin(&mut self, fault: Fault) -> Option<Told> {
        self.fault = Some(fault);
        let adapter = ADAPTER.to_owned();
        let mut over = |told| {
            self.fault = None;
            Some(told)
        };
        match fault {
            Fault::MuteScan | Fault::MuteStream | Fault::MuteManager => {
                self.mute = true;
                None
            }
            Fault::StreamEnds => {
                self.stream = false;
                over(Told::StreamEnded { adapter })
            }
            Fault::PoweredOff => {
                (self.powered, self.scans) = (false, 0);
                over(Told::Powered { adapter, on: false })
            }
            Fault::ScanOff => {
                self.scans = 0;
                over(Told::Discovering { adapter, on: false })
            }
            Fault::AdapterGone => {
                self.scans = 0;
                Some(Told::AdapterGone { adapter })
            }
            Fault::ServiceGone => {
                self.scans = 0;
                Some(Told::ServiceGone)
            }
            Fault::BusGone => {
                (self.manager, self.stream, self.scans) = (false, false, 0);
                Some(Told::BusGone)
            }
            Fault::Panic => {
                (self.manager, self.stream, self.scans) = (false, false, 0);
                over(Told::Panicked { detail: "drawn".into() })
            }
            Fault::HungThread | Fault::ServiceHangs => None,
        }
    }

    /// Ends a fault that ends by itself.
    fn end(&mut self) -> Option<Told> {
        let told = match self.fault? {
            Fault::AdapterGone => Told::AdapterCame,
            Fault::ServiceGone => Told::ServiceCame,
            Fault::BusGone => Told::BusCame,
            Fault::ServiceHangs => Told::Tick,
            _ => return None,
        };
        self.fault = None;
        Some(told)
    }

    fn obey(&mut self, now: Elapsed, limits: &Limits, act: &Act) {
        if matches!(*act, Act::Runtime { .. }) && self.fault == Some(Fault::HungThread) {
            self.fault = None;
        }
        if self.fault == Some(Fault::HungThread) {
            return;
        }
        let hangs = self.fault == Some(Fault::ServiceHangs);
        let (turn, done) = match *act {
            Act::Tell { .. } => return,
            Act::Runtime { turn } | Act::Manager { turn } => {
                (self.manager, self.stream, self.scans) = (false, false, 0);
                self.answers.clear();
                if self.fault == Some(Fault::MuteManager) {
                    self.heal();
                }
                self.manager = self.fault != Some(Fault::BusGone);
                (turn, self.manager)
            }
            Act::List { turn } => {
                let well = self.manager && self.fault != Some(Fault::ServiceGone);
                if well && !hangs {
                    let gone = self.fault == Some(Fault::AdapterGone);
                    let here = Listed { name: ADAPTER.into(), powered: self.powered };
                    let listed = if gone { Vec::new() } else { vec![here] };
                    return self.answers.push((now + CALL, Told::Adapters { turn, listed }));
                }
                (turn, false)
            }
            Act::Stream { turn, .. } => {
                let well = self.manager && !self.is_gone() && !hangs;
                if well && self.fault == Some(Fault::MuteStream) {
                    self.heal();
                }
                self.stream |= well;
                (turn, well)
            }
            Act::Scan { turn, .. } => {
                let well = self.manager && !self.is_gone() && !hangs;
                if well {
                    self.scans += 1;
                    self.powered = true;
                    if self.fault == Some(Fault::MuteScan) {
                        self.heal();
                    }
                }
                (turn, well)
            }
            Act::StopScan { turn, .. } => {
                if !hangs {
                    self.scans = 0;
                }
                (turn, !hangs)
            }
        };
        let answer = match (done, hangs) {
            (true, _) => (now + CALL, Told::Done { turn }),
            (false, true) => {
                (now + limits.call, Told::Failed { turn, timed_out: true, detail: "hangs".into() })
            }
            (false, false) => {
                (now + CALL, Told::Failed { turn, timed_out: false, detail: "refused".into() })
            }
        };
        self.answers.push(answer);
    }

    fn heal(&mut self) {
        (self.fault, self.mute) = (None, false);
    }
}

/// What came of a night.
#[derive(Debug, Default, PartialEq, Eq)]
struct Night {
    faults: u32,
    /// The longest from a fault's end (a mute one's beginning) to the next advertisement heard.
    longest_gone: Duration,
    longest_mute: Duration,
    acts: u64,
    told: u64,
}

/// Draws `faults` faults, one after the other, each once all is well again.
fn night(seed: u64, faults: u32) -> Night {
    let limits = Limits::default();
    let mut supervisor = Supervisor::new(limits, seed, Vec::new());
    let mut dice = Dice(seed | 1);
    let mut stack = Stack::default();
    let mut night = Night::default();
    let (mut now, mut probe_at) = (Elapsed::ZERO, Elapsed::ZERO);
    let (mut next_fault, mut ends) = (Elapsed::from_secs(30), None::<Elapsed>);
    let mut waiting: Option<(Elapsed, bool)> = None;
    while night.faults < faults || waiting.is_some() {
        let answer = stack.answers.iter().map(|(at, _)| *at).min();
        let times = [supervisor.deadline(), answer, Some(probe_at), ends];
        now = times.into_iter().flatten().chain([next_fault]).min().unwrap().max(now);
        let due = stack.answers.iter().position(|(at, _)| *at <= now);
        let hung = stack.fault == Some(Fault::HungThread);
        let mut told = due.map(|n| stack.answers.remove(n).1).filter(|_| !hung);
        if told.is_none() && ends.is_some_and(|at| at <= now) {
            ends = None;
            told = stack.end();
            waiting = told.is_some().then_some((now, false)).or(waiting);
        } else if told.is_none() && next_fault <= now {
            let fault = FAULTS[dice.below(12) as usize];
            night.faults += 1;
            told = stack.begin(fault);
            waiting = Some((now, true));
            ends = Some(now + Duration::from_millis(dice.below(90_000)));
            next_fault = Elapsed::from_ms(u64::MAX / 2);
        } else if told.is_none() && probe_at <= now {
            probe_at = now + PROBE_EVERY;
            if stack.tells() {
                let (adapter, fastest) = (ADAPTER.to_owned(), Some(PROBE_EVERY));
                supervisor.handle(now, Told::Heard { adapter: adapter.clone() });
                told = Some(Told::Expect { adapter, fastest });
                if stack.fault.is_none()
                    && let Some((since, mute)) = waiting.take()
                {
                    let longest =
                        if mute { &mut night.longest_mute } else { &mut night.longest_gone };
                    *longest = (*longest).max(now.since(since));
                    ends = None;
                    next_fault = now + Duration::from_millis(dice.below(120_000));
                }
            }
        }
        supervisor.handle(now, told.unwrap_or(Told::Tick));
        while let Some(act) = supervisor.poll() {
            night.acts += 1;
            night.told += u64::from(matches!(act, Act::Tell { .. }));
            stack.obey(now, &limits, &act);
            assert!(stack.scans <= 1, "two scans at once at {now}, after {:?}", stack.fault);
        }
        if let Some((since, _)) = waiting {
            let lasts = now.since(since) < Duration::from_mins(15);
            assert!(lasts, "fault {} ({:?}) is never mended", night.faults, stack.fault);
        }
    }
    // Beside a check of all adapters every 5 s, some tens of acts for a fault, and no busy loop.
    let checks = now.as_ms() / 5_000;
    assert!(night.acts < checks + 60 * u64::from(faults), "{} acts in {now}", night.acts);
    night
}

#[test]
fn a_thousand_faults_are_all_mended_and_never_are_there_two_scans() {
    let night = night(20_310_604, 1_000);
    println!("{night:?}");
    assert!(night.longest_mute < Duration::from_secs(90), "{night:?}");
    assert!(night.longest_gone < Duration::from_secs(30), "{night:?}");
}

#[test]
fn the_same_seed_gives_the_same_night() {
    assert_eq!(night(7, 30), night(7, 30));
}

#[test]
fn with_nothing_wrong_there_is_nothing_but_the_check() {
    let mut supervisor = Supervisor::new(Limits::default(), 1, Vec::new());
    let mut stack = Stack { powered: true, ..Stack::default() };
    let mut acts = 0;
    for ms in (0..600_000).step_by(20) {
        let now = Elapsed::from_ms(ms);
        let due = stack.answers.iter().position(|(at, _)| *at <= now);
        supervisor.handle(now, due.map_or(Told::Tick, |n| stack.answers.remove(n).1));
        if ms % 500 == 0 && stack.tells() {
            let adapter = ADAPTER.to_owned();
            supervisor.handle(now, Told::Heard { adapter: adapter.clone() });
            supervisor.handle(now, Told::Expect { adapter, fastest: Some(PROBE_EVERY) });
        }
        while let Some(act) = supervisor.poll() {
            assert!(!matches!(act, Act::Tell { .. }), "{act:?} at {now}");
            acts += 1;
            stack.obey(now, &Limits::default(), &act);
        }
    }
    assert!((100..140).contains(&acts), "{acts} acts in ten minutes");
}
