//! Weighs all ways to give the probes positions.

use crate::engine::place::features::Features;
use crate::engine::place::model::{self, Joint};
use crate::engine::place::{PlaceError, Question};

/// Degrees of freedom of the levels' joint distribution: tails heavier than the normal's, as priors
/// that are only assumed deserve.
const FREEDOM: f64 = 15.0;
/// How much more often a probe that tells humidity sits in air (*assumed*).
const HUMID_IN_AIR: f64 = 20.0;
/// How much more often one of two temperatures of one probe sits on a line (*assumed*).
const PAIRED_ON_LINE: f64 = 5.0;
/// A best order whose squared distance a level is beyond this looks like no start (*assumed*: 1 is
/// what is expected).
const MISFIT: f64 = 6.0;
/// The power that the odds are raised to. The priors are wide on purpose, and share no constant
/// with any unit; on the virtual unit they prove too modest by this power (found on seeds 1 to 300,
/// held against others in `tests/results/place.md`).
const SHARPNESS: f64 = 1.8;
/// A change smaller than this (K) says nothing of how fast it came.
const SMALLEST_CHANGE_K: f64 = 1.0;

/// What the weighing gives.
#[derive(Debug, Clone)]
pub(super) struct Weighed {
    /// The slot of each trace in the best order.
    pub best: Vec<usize>,
    /// Probability of each slot, for each trace.
    pub marginal: Vec<Vec<f64>>,
    /// Whether the best order looks like a start at all.
    pub fits: bool,
}

/// Weighs all orders of the traces over the question's positions.
pub(super) fn weigh(features: &[Features], question: &Question) -> Result<Weighed, PlaceError> {
    let joints = model::joints(question.mode, &question.positions)
        .map_err(|position| PlaceError::UnknownPosition(position.to_string()))?;
    let slots = question.positions.len();
    let with_rest = features.iter().all(|f| f.rest.is_some());
    let alone = alone(features, question);
    let mut sum = Sum::new(features.len(), slots);
    for set in subsets(slots, features.len()) {
        let factors: Vec<Factor> =
            joints.iter().map(|joint| Factor::of(joint, &set, with_rest)).collect();
        let mut search = Search {
            features,
            alone: &alone,
            set: &set,
            factors: &factors,
            with_rest,
            order: Vec::new(),
            solved: vec![Vec::new(); factors.len()],
            sum: &mut sum,
        };
        search.go(0.0);
    }
    Ok(sum.finish())
}

/// What each trace alone says of each slot (log): how fast it changed, what is left after the
/// stop, whether it tells humidity.
fn alone(features: &[Features], question: &Question) -> Vec<Vec<f64>> {
    let one = |f: &Features, slot: usize| {
        let position = &question.positions[slot];
        let mut log = match () {
            () if f.humid && position.is_air() => libm::log(HUMID_IN_AIR),
            () if f.paired && !f.humid && !position.is_air() => libm::log(PAIRED_ON_LINE),
            () => 0.0,
        };
        let Some(rest) = f.rest else { return log };
        let change = f.level - rest;
        if change.abs() < SMALLEST_CHANGE_K {
            return log;
        }
        let share = |level: f64| (level - rest) / change;
        // What the readings' own scatter makes of a share.
        let scatter = 0.4 / change.abs();
        if let Some(early) = f.early {
            log += near(share(early), model::early_share(position), scatter);
        }
        if let Some(after) = f.after {
            log += near(share(after), model::left_share(position), scatter);
        }
        log
    };
    features.iter().map(|f| (0..question.positions.len()).map(|s| one(f, s)).collect()).collect()
}

/// Log density of a share about its centre, with tails of Student's t for four degrees of freedom.
fn near(share: f64, (centre, width): (f64, f64), scatter: f64) -> f64 {
    let width = (width * width + scatter * scatter).sqrt();
    let z = (share - centre) / width;
    -2.5 * libm::log(1.0 + z * z / 4.0) - libm::log(width)
}

/// All sets of `count` slots.
fn subsets(slots: usize, count: usize) -> Vec<Vec<usize>> {
    let masks = (0_u32..1 << slots).filter(|mask| mask.count_ones() as usize == count);
    masks.map(|mask| (0..slots).filter(|slot| mask & (1 << slot) != 0).collect()).collect()
}

/// The joint distribution of some slots' levels, factored so that it can be taken row by row.
struct Factor {
    log_weight: f64,
    mean: Vec<f64>,
    /// Lower triangle of the covariance's Cholesky factor.
    lower: Vec<Vec<f64>>,
    /// Logarithm of its determinant.
    log_determinant: f64,
}

impl Factor {
    fn of(joint: &Joint, set: &[usize], with_rest: bool) -> Self {
        let rows: Vec<usize> = set
            .iter()
            .flat_map(
                |slot| if with_rest { 2 * slot..2 * slot + 2 } else { 2 * slot + 1..2 * slot + 2 },
            )
            .collect();
        let n = rows.len();
        let mut lower = vec![vec![0.0; n]; n];
        let mut log_determinant = 0.0;
        for i in 0..n {
            for j in 0..=i {
                let done: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
                let left = joint.covariance[rows[i]][rows[j]] - done;
                // Every row has scatter of its own, so the covariance is positive definite.
                lower[i][j] = if i == j { left.max(1e-9).sqrt() } else { left / lower[j][j] };
            }
            log_determinant += libm::log(lower[i][i]);
        }
        let mean = rows.iter().map(|row| joint.mean[*row]).collect();
        Self { log_weight: joint.log_weight, mean, lower, log_determinant }
    }

    /// Solves one more row for `value`, given the rows that were solved before.
    fn push(&self, solved: &mut Vec<f64>, value: f64) {
        let row = solved.len();
        let done: f64 = solved.iter().zip(&self.lower[row]).map(|(y, l)| y * l).sum();
        solved.push((value - self.mean[row] - done) / self.lower[row][row]);
    }

    /// Log density but for what is the same for all orders, and the squared distance a row.
    fn density(&self, solved: &[f64]) -> (f64, f64) {
        let n = solved.len() as f64;
        let distance: f64 = solved.iter().map(|y| y * y).sum();
        let tail = -(FREEDOM + n) / 2.0 * libm::log(1.0 + distance / FREEDOM);
        (self.log_weight - self.log_determinant + tail, distance / n)
    }
}

/// Walks through all orders of the traces over one set of slots.
struct Search<'a> {
    features: &'a [Features],
    alone: &'a [Vec<f64>],
    set: &'a [usize],
    factors: &'a [Factor],
    with_rest: bool,
    /// The trace at each slot of the set, so far.
    order: Vec<usize>,
    /// For each factor, the rows solved so far.
    solved: Vec<Vec<f64>>,
    sum: &'a mut Sum,
}

impl Search<'_> {
    fn go(&mut self, alone: f64) {
        if self.order.len() == self.set.len() {
            let each: Vec<(f64, f64)> =
                self.factors.iter().zip(&self.solved).map(|(f, y)| f.density(y)).collect();
            let nearest = each.iter().map(|(_, distance)| *distance).fold(f64::MAX, f64::min);
            let log = alone + log_sum(each.iter().map(|(log, _)| *log));
            self.sum.add(SHARPNESS * log, nearest, &self.order, self.set);
            return;
        }
        let slot = self.set[self.order.len()];
        for trace in 0..self.features.len() {
            if self.order.contains(&trace) {
                continue;
            }
            let f = &self.features[trace];
            let before = self.solved[0].len();
            for (factor, solved) in self.factors.iter().zip(&mut self.solved) {
                if let (true, Some(rest)) = (self.with_rest, f.rest) {
                    factor.push(solved, rest);
                }
                factor.push(solved, f.level);
            }
            self.order.push(trace);
            self.go(alone + self.alone[trace][slot]);
            self.order.pop();
            for solved in &mut self.solved {
                solved.truncate(before);
            }
        }
    }
}

/// Logarithm of a sum of exponentials.
fn log_sum(logs: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = logs.clone().fold(f64::NEG_INFINITY, f64::max);
    most + libm::log(logs.map(|log| libm::exp(log - most)).sum())
}

/// The orders seen so far.
struct Sum {
    best: (f64, f64, Vec<usize>),
    /// Sums relative to `scale`, for each trace and slot.
    scale: f64,
    weights: Vec<Vec<f64>>,
    whole: f64,
}

impl Sum {
    fn new(traces: usize, slots: usize) -> Self {
        let best = (f64::NEG_INFINITY, f64::MAX, vec![0; traces]);
        let weights = vec![vec![0.0; slots]; traces];
        Self { best, scale: f64::NEG_INFINITY, weights, whole: 0.0 }
    }

    fn add(&mut self, log: f64, distance: f64, order: &[usize], set: &[usize]) {
        if log > self.best.0 {
            let mut slots = vec![0; order.len()];
            for (trace, slot) in order.iter().zip(set) {
                slots[*trace] = *slot;
            }
            self.best = (log, distance, slots);
        }
        if log > self.scale {
            let shrink = libm::exp(self.scale - log);
            self.weights.iter_mut().flatten().for_each(|weight| *weight *= shrink);
            self.whole *= shrink;
            self.scale = log;
        }
        let weight = libm::exp(log - self.scale);
        for (trace, slot) in order.iter().zip(set) {
            self.weights[*trace][*slot] += weight;
        }
        self.whole += weight;
    }

    fn finish(self) -> Weighed {
        let Self { best: (_, distance, best), weights, whole, .. } = self;
        let share = |row: Vec<f64>| row.into_iter().map(|weight| weight / whole).collect();
        let marginal = weights.into_iter().map(share).collect();
        Weighed { best, marginal, fits: distance <= MISFIT }
    }
}
