//! The job's places held against the first start of a visit, while it goes on.

use std::time::Duration;

use crate::engine::channel::{Channel, Position};
use crate::engine::job::Mode;
use crate::engine::place::{self, Doubt, Placed, Question, RUN_ENOUGH, Trace, features, start};
use crate::engine::reading::ChannelId;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// How often it is looked for a start.
const LOOK_EVERY: Duration = Duration::from_mins(1);
/// Readings older than this are dropped: a start is known after some minutes, and ten follow.
const KEPT: Duration = Duration::from_mins(25);
/// Readings nearer to the one before than this are passed over; a start is told by minutes.
const SPACING: Duration = Duration::from_secs(2);

/// One channel that is watched.
#[derive(Debug)]
struct Watched {
    channel: ChannelId,
    position: Position,
    trace: Trace,
}

/// Watches for the first start of a visit and says once what it speaks for.
#[derive(Debug)]
pub struct Live {
    mode: Mode,
    watched: Vec<Watched>,
    looked: Elapsed,
    done: bool,
}

/// A doubt about the job, with the channel that it is about.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveDoubt {
    /// The channel as the job has it.
    pub channel: ChannelId,
    /// What speaks against it.
    pub doubt: Doubt,
}

impl Live {
    /// Nothing heard yet.
    pub fn new(mode: Mode) -> Self {
        Self { mode, watched: Vec::new(), looked: Elapsed::ZERO, done: false }
    }

    /// A channel that a probe feeds. Only temperatures of the first circuit tell anything.
    pub fn add(&mut self, id: ChannelId, channel: &Channel) {
        let known = QuantityKind::Temperature == channel.kind && channel.place.circuit == 1;
        if known && place::model::knows(&channel.place.position) {
            let trace = Trace { samples: Vec::new(), humid: false, paired: false };
            self.watched.push(Watched {
                channel: id,
                position: channel.place.position.clone(),
                trace,
            });
        }
    }

    /// A reading.
    pub fn take(&mut self, id: ChannelId, at: Elapsed, value: f64) {
        if self.done {
            return;
        }
        let Some(watched) = self.watched.iter_mut().find(|w| w.channel == id) else { return };
        let samples = &mut watched.trace.samples;
        if samples.last().is_none_or(|(last, _)| at - *last >= SPACING) {
            samples.push((at, value));
        }
    }

    /// The unit was changed, or a stretch was lost: what comes is looked at anew.
    pub fn again(&mut self) {
        self.done = false;
        for watched in &mut self.watched {
            watched.trace.samples.clear();
        }
    }

    /// What is to be said at `at`: doubts, once, when a start has been heard for ten minutes.
    pub fn look(&mut self, at: Elapsed) -> Vec<LiveDoubt> {
        if self.done || at - self.looked < LOOK_EVERY {
            return Vec::new();
        }
        self.looked = at;
        for watched in &mut self.watched {
            let samples = &mut watched.trace.samples;
            let old = samples.partition_point(|(when, _)| at - *when > KEPT);
            samples.drain(..old);
        }
        let Some(placed) = self.placed() else { return Vec::new() };
        self.done = true;
        let watched = &self.watched;
        let name = |doubt: Doubt| LiveDoubt { channel: watched[doubt.trace].channel, doubt };
        placed.doubts.into_iter().map(name).collect()
    }

    fn placed(&self) -> Option<Placed> {
        let traces: Vec<Trace> = self.watched.iter().map(|w| w.trace.clone()).collect();
        if traces.len() < 2 || traces.len() > place::PROBES_MAX {
            return None;
        }
        let run = start::find(&traces)?;
        let enough = run.start.is_some() && run.ran() + features::REST_GUARD >= RUN_ENOUGH;
        let positions: Vec<Position> = self.watched.iter().map(|w| w.position.clone()).collect();
        let job = Some(positions.iter().cloned().map(Some).collect());
        let question = Question { mode: self.mode, positions, job };
        enough.then(|| place::place_run(&traces, &question, &run).ok()).flatten()
    }
}
