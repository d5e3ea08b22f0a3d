//! Which clamp is which: where each probe seems to sit, told from the first minutes of a start.
//!
//! Nobody's placing is ever changed by it: it says what the readings speak for, with odds, and
//! what would tell two probes apart that the readings do not.
//!
//! Every probe's temperatures become a few numbers ([`features`]): the level before the start, the
//! level now, the share of the change that came first, and what is left of it after the stop. The
//! model ([`model`]) says what those are at each position, jointly, since what a line reads means
//! something only beside the air that it is in. All ways to give the probes positions are weighed
//! (`weigh`).

pub mod features;
pub mod gauges;
pub mod live;

pub mod model;
pub mod start;
mod weigh;

use std::time::Duration;

use crate::engine::channel::Position;
use crate::engine::job::Mode;
use crate::units::time::Elapsed;

use features::Features;
use weigh::Weighed;

/// Odds from which a placement is called: 20 to 1, a bare 95 %.
pub const ODDS_MIN: f64 = 20.0;
/// A job's place of a lower probability is doubted, whatever else the probe's place may be.
const HARDLY: f64 = 0.01;
/// Minutes of running without which nothing is said.
pub const RUN_MIN: Duration = Duration::from_mins(3);
/// Minutes of running after which all is said that a start tells.
pub const RUN_ENOUGH: Duration = Duration::from_mins(10);
/// The most probes that are weighed at once; all orders of them are looked at.
pub const PROBES_MAX: usize = 9;
/// The share of all cases that the model is taken to know nothing of (*assumed*): no odds are
/// better than about 250 to 1.
const UNKNOWN_SHARE: f64 = 0.004;

/// What one field of a probe read.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// When, and the temperature (°C); in order of time.
    pub samples: Vec<(Elapsed, f64)>,
    /// Whether the same probe tells humidity: such a one measures air.
    pub humid: bool,
    /// Whether the same probe has a second temperature: such a one has two clamps.
    pub paired: bool,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// Whether the unit cools, heats, or may do either.
    pub mode: Mode,
    /// The positions that come into question; one may stand there twice where two are averaged.
    pub positions: Vec<Position>,
    /// The job's position of each trace, where a job is held against the readings.
    pub job: Option<Vec<Option<Position>>>,
}

impl Question {
    /// The usual positions, enough for `probes` of them.
    pub fn usual(mode: Mode, probes: usize) -> Self {
        let more = [Position::SuctionLineIndoor, Position::LiquidLineIndoor];
        let more = more.into_iter().take(probes.saturating_sub(USUAL.len()));
        Self { mode, positions: USUAL.into_iter().chain(more).collect(), job: None }
    }
}

/// The seven positions of a usual set of probes.
pub const USUAL: [Position; 7] = [
    Position::ReturnAir,
    Position::SupplyAir,
    Position::OutdoorAir,
    Position::CondenserLeavingAir,
    Position::SuctionLine,
    Position::LiquidLine,
    Position::DischargeLine,
];

/// Why nothing can be said.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlaceError {
    /// One probe alone says little.
    #[error("two probes with temperatures are needed; {0} was heard")]
    TooFewProbes(usize),
    /// All orders of so many cannot be weighed.
    #[error("{0} temperatures are too many at once; name up to nine of their probes")]
    TooManyProbes(usize),
    /// More probes than positions.
    #[error("{probes} temperatures and only {positions} positions; name more positions")]
    TooFewPositions {
        /// Temperatures heard.
        probes: usize,
        /// Positions in question.
        positions: usize,
    },
    /// No compressor start, and no run.
    #[error(
        "no start of the compressor is in it; start it with the probes on, and wait ten minutes"
    )]
    NoStart,
    /// The run is too young.
    #[error("the compressor has run for {0} s only; wait for three minutes, better ten")]
    TooEarly(u64),
    /// The model does not know the position.
    #[error("`{0}` is no position that a start tells anything of; leave it out")]
    UnknownPosition(String),
}

/// Where one trace seems to sit.
#[derive(Debug, Clone, PartialEq)]
pub struct Placement {
    /// The position that fits best in the best order of all.
    pub position: Position,
    /// Odds for it against all others.
    pub odds: f64,
    /// All positions with their probabilities, the most probable first.
    pub all: Vec<(Position, f64)>,
}

impl Placement {
    /// Whether it can be relied upon.
    pub fn is_called(&self) -> bool {
        self.odds >= ODDS_MIN
    }
}

/// Two traces that the readings do not tell apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Alike {
    /// Which traces.
    pub traces: (usize, usize),
    /// The positions that they may have either way round.
    pub positions: (Position, Position),
    /// What would tell them apart, in words.
    pub tells: Vec<&'static str>,
}

/// A place in the job that the readings speak against.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubt {
    /// Which trace.
    pub trace: usize,
    /// What the job says.
    pub job: Position,
    /// What the readings speak for.
    pub seems: Position,
    /// Odds for that, against all else; may be low where several places come into question.
    pub odds: f64,
}

/// What the readings say of the probes' places.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// When the run began; `None` where it was already running.
    pub start: Option<Elapsed>,
    /// How long it had run at the end of what was looked at.
    pub ran: Duration,
    /// For each trace, in their order.
    pub placements: Vec<Placement>,
    /// Pairs that cannot be told apart.
    pub alike: Vec<Alike>,
    /// What speaks against the job.
    pub doubts: Vec<Doubt>,
    /// Whether the best order looks like a start at all; nothing is called where it does not.
    pub fits: bool,
}

/// Says where each trace seems to sit.
///
/// # Errors
/// Too few or too many probes, or no start to tell it from.
pub fn place(traces: &[Trace], question: &Question) -> Result<Placed, PlaceError> {
    let (probes, positions) = (traces.len(), question.positions.len());
    if probes < 2 {
        return Err(PlaceError::TooFewProbes(probes));
    }
    if probes > PROBES_MAX {
        return Err(PlaceError::TooManyProbes(probes));
    }
    if probes > positions {
        return Err(PlaceError::TooFewPositions { probes, positions });
    }
    let run = start::find(traces).ok_or(PlaceError::NoStart)?;
    place_run(traces, question, &run)
}

/// The same, where the run is known.
///
/// # Errors
/// The run is too young, or a position is unknown to the model.
pub fn place_run(
    traces: &[Trace],
    question: &Question,
    run: &start::Run,
) -> Result<Placed, PlaceError> {
    let ran = run.ran();
    if ran < RUN_MIN {
        return Err(PlaceError::TooEarly(ran.as_secs()));
    }
    let features: Vec<Features> = traces
        .iter()
        .map(|trace| features::of(trace, run))
        .collect::<Option<_>>()
        .ok_or(PlaceError::NoStart)?;
    let weighed = weigh::weigh(&features, question)?;
    let placements = placements(&weighed, question);
    let alike = alike(&weighed, &placements, run);
    let doubts = question.job.as_ref().map_or_else(Vec::new, |job| doubts(&placements, job));
    Ok(Placed { start: run.start, ran, placements, alike, doubts, fits: weighed.fits })
}

fn placements(weighed: &Weighed, question: &Question) -> Vec<Placement> {
    let count = question.positions.len() as f64;
    let best = weighed.best.iter().enumerate();
    let each = best.map(|(trace, slot)| {
        let mut all: Vec<(Position, f64)> = Vec::new();
        for (slot, probability) in weighed.marginal[trace].iter().enumerate() {
            let position = &question.positions[slot];
            let known = (1.0 - UNKNOWN_SHARE) * probability + UNKNOWN_SHARE / count;
            match all.iter_mut().find(|(of, _)| of == position) {
                Some((_, sum)) => *sum += known,
                None => all.push((position.clone(), known)),
            }
        }
        all.sort_by(|a, b| b.1.total_cmp(&a.1));
        let position = question.positions[*slot].clone();
        let own = all.iter().find(|(of, _)| *of == position).map_or(0.0, |(_, p)| *p);
        let odds = if weighed.fits { own / (1.0 - own).max(1e-9) } else { 0.0 };
        Placement { position, odds, all }
    });
    each.collect()
}

/// Pairs that might as well be the other way round.
fn alike(weighed: &Weighed, placements: &[Placement], run: &start::Run) -> Vec<Alike> {
    let mut pairs = Vec::new();
    for a in 0..placements.len() {
        for b in a + 1..placements.len() {
            let (first, second) = (&placements[a], &placements[b]);
            let open = !first.is_called() && !second.is_called();
            let swapped = weighed.marginal[a][weighed.best[b]] * ODDS_MIN > 1.0
                && weighed.marginal[b][weighed.best[a]] * ODDS_MIN > 1.0;
            if open && swapped && first.position != second.position {
                let positions = (first.position.clone(), second.position.clone());
                let tells = tells(&positions.0, &positions.1, run);
                pairs.push(Alike { traces: (a, b), positions, tells });
            }
        }
    }
    pairs
}

/// What would tell two positions apart.
fn tells(a: &Position, b: &Position, run: &start::Run) -> Vec<&'static str> {
    let mut tells = Vec::new();
    if run.start.is_none() {
        tells.push(
            "start the compressor with the probes on: what changes, and which way, tells most",
        );
    } else if run.ran() < RUN_ENOUGH {
        tells.push("wait: ten minutes of running tell more");
    }
    if run.stop.is_none() && (a.is_air() != b.is_air() || a.is_line() || b.is_line()) {
        tells.push("wait for the stop: air is back at its level in minutes, a line's metal is not");
    }
    tells.push("warm one by hand for half a minute and see which reading rises");
    tells
}

/// What speaks against the job: a trace that is called elsewhere, or that is hardly where the job says
/// though where else is open.
fn doubts(placements: &[Placement], job: &[Option<Position>]) -> Vec<Doubt> {
    let each = placements.iter().zip(job).enumerate();
    let against = each.filter_map(|(trace, (placement, job))| {
        let job = job.as_ref()?;
        let called = placement.is_called() && placement.position != *job;
        let own = placement.all.iter().find(|(of, _)| of == job).map_or(0.0, |(_, p)| *p);
        let hardly = placement.odds > 0.0 && own < HARDLY && placement.position != *job;
        let (seems, odds) = (placement.position.clone(), placement.odds);
        (called || hardly).then(|| Doubt { trace, job: job.clone(), seems, odds })
    });
    against.collect()
}
