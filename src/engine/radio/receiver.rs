//! One adapter's event stream and scan.

use std::time::Duration;

use crate::engine::radio::{Act, Limits, Rung};
use crate::units::time::Elapsed;

/// How many intervals of the fastest probe may be missed before that is a fault.
const INTERVALS_MAX: u32 = 3;
/// How long an adapter on which nothing was ever heard is left before remedies are tried.
const NEVER_HEARD_MAX: Duration = Duration::from_mins(1);

/// Where a receiver stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Phase {
    /// Its adapter is gone, or the root is being mended.
    Resting,
    /// It begins, at `rung`, when the time has come.
    Waiting { until: Elapsed, rung: Rung },
    /// A call is under way.
    Doing { call: Call, turn: u64, until: Elapsed, rung: Rung },
    /// It receives. All remedies having failed, none is tried before `quiet_until`.
    On { since: Elapsed, quiet_until: Option<Elapsed> },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Call {
    Stop,
    Stream,
    Scan,
}

/// What is due at a receiver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Due {
    Step,
    NoAnswer,
    NotScanning,
    Silent,
}

#[derive(Debug)]
pub(super) struct Receiver {
    pub phase: Phase,
    /// The remedy that is under way for calls that fail.
    pub rung: Rung,
    /// The last remedy tried since something was heard.
    pub tried: Option<Rung>,
    /// Failures in a row.
    pub failures: u32,
    /// How often all remedies were in vain.
    pub rounds: u32,
    /// Since when it is at fault, and the last that was told of it.
    pub outage: Option<(Elapsed, &'static str)>,
    /// Whether a scan of ours may be running.
    pub scanning: bool,
    /// The adapter says that it does not scan; then it is a fault.
    pub not_scanning_until: Option<Elapsed>,
    heard: Option<Elapsed>,
    fastest: Option<Duration>,
}

impl Receiver {
    pub fn new() -> Self {
        Self {
            phase: Phase::Resting,
            rung: Rung::Scan,
            tried: None,
            failures: 0,
            rounds: 0,
            outage: None,
            scanning: false,
            not_scanning_until: None,
            heard: None,
            fastest: None,
        }
    }

    /// What it stood on is gone, its scan included.
    pub fn rest(&mut self) {
        self.phase = Phase::Resting;
        self.scanning = false;
        self.not_scanning_until = None;
    }

    /// The number of the call under way.
    pub fn turn(&self) -> Option<u64> {
        match self.phase {
            Phase::Doing { turn, .. } => Some(turn),
            _ => None,
        }
    }

    /// The remedy that the call under way belongs to.
    pub fn begun_at(&self) -> Option<Rung> {
        match self.phase {
            Phase::Doing { rung, .. } => Some(rung),
            _ => None,
        }
    }

    pub fn stopping(&self) -> bool {
        matches!(self.phase, Phase::Doing { call: Call::Stop, .. })
    }

    /// Whether it receives and nothing is known to be wrong.
    pub fn is_well(&self) -> bool {
        matches!(self.phase, Phase::On { .. }) && self.outage.is_none()
    }

    /// Takes that something was heard; whether it is on (a late event of an old stream is none).
    pub fn hear(&mut self, now: Elapsed) -> bool {
        self.heard = Some(now);
        let Phase::On { since, .. } = self.phase else { return false };
        self.phase = Phase::On { since, quiet_until: None };
        (self.tried, self.rung) = (None, Rung::Scan);
        (self.failures, self.rounds) = (0, 0);
        true
    }

    pub fn expect(&mut self, now: Elapsed, fastest: Option<Duration>) {
        if self.fastest.is_none() && fastest.is_some() {
            self.heard = Some(now);
        }
        self.fastest = fastest;
    }

    pub fn silent_for(&self, now: Elapsed) -> Duration {
        now.since(self.heard.unwrap_or_default())
    }

    /// What is due next, and when.
    pub fn due(&self, limits: &Limits) -> Option<(Elapsed, Due)> {
        match self.phase {
            Phase::Resting => None,
            Phase::Waiting { until, .. } => Some((until, Due::Step)),
            Phase::Doing { until, .. } => Some((until, Due::NoAnswer)),
            Phase::On { since, quiet_until } => {
                let off = self.not_scanning_until.map(|at| (at, Due::NotScanning));
                let silent = self
                    .silent_at(since, limits)
                    .map(|at| (quiet_until.map_or(at, |quiet| quiet.max(at)), Due::Silent));
                off.into_iter().chain(silent).min_by_key(|(at, _)| *at)
            }
        }
    }

    /// When silence becomes a fault, or a remedy counts as in vain.
    fn silent_at(&self, since: Elapsed, limits: &Limits) -> Option<Elapsed> {
        let Some(heard) = self.heard else {
            let patience = if self.tried.is_none() { NEVER_HEARD_MAX } else { limits.patience };
            return Some(since + patience);
        };
        let fastest = self.fastest?;
        if self.tried.is_some() {
            return Some(since + limits.patience.max(fastest.mul_f64(1.5)));
        }
        let silence = limits.silence.max(fastest.saturating_mul(INTERVALS_MAX));
        // A receiver that has only just come on is given its time too.
        Some((heard + silence).max(since + limits.patience.max(fastest.mul_f64(1.5))))
    }

    /// The next call: a scan of ours is stopped first, and a new stream comes before a new scan.
    pub fn step(&mut self, now: Elapsed, turn: u64, until: Elapsed, name: &str) -> Option<Act> {
        let adapter = name.to_owned();
        let (call, rung) = match self.phase {
            Phase::Waiting { rung, .. } if self.scanning => (Call::Stop, rung),
            Phase::Waiting { rung, .. } => (after_stop(rung), rung),
            Phase::Doing { call: Call::Stop, rung, .. } => {
                self.scanning = false;
                (after_stop(rung), rung)
            }
            Phase::Doing { call: Call::Stream, rung, .. } => (Call::Scan, rung),
            Phase::Doing { call: Call::Scan, .. } => {
                self.not_scanning_until = None;
                self.phase = Phase::On { since: now, quiet_until: None };
                return None;
            }
            Phase::Resting | Phase::On { .. } => return None,
        };
        self.phase = Phase::Doing { call, turn, until, rung };
        Some(match call {
            Call::Stop => Act::StopScan { turn, adapter },
            Call::Stream => Act::Stream { turn, adapter },
            Call::Scan => {
                self.scanning = true;
                Act::Scan { turn, adapter }
            }
        })
    }
}

const fn after_stop(rung: Rung) -> Call {
    match rung {
        Rung::Scan => Call::Scan,
        _ => Call::Stream,
    }
}
