//! One set held against each pattern: the arithmetic of [`weigh`](super::weigh).

use crate::engine::diagnose::evidence::place;
use crate::engine::diagnose::finding::Fault;
use crate::engine::diagnose::matrix::{Factor, Square};
use crate::engine::diagnose::observe::{Evidence, drop_weight, partner};
use crate::engine::diagnose::patterns::{
    self, Direction, FEATURES, Feature, LEVELS, PRIOR, PRIOR_TWO, Sign, Table, Triangle,
};
use crate::engine::diagnose::weigh::{Pair, Seen, Shown, Weighing};
use crate::engine::job::Metering;

/// Degrees of freedom of the multivariate t distribution that stands for units with a fault: the
/// fewer, the heavier its tails. Assumed.
const TAILS: f64 = 8.0;
/// The same for units in good order, which are better known than all the ways to fail: what lies far
/// outside of them is rather a fault that shows oddly. Assumed.
const TAILS_NONE: f64 = 20.0;
/// Variance (K²) of what one unit does between two visits beyond the reference model. Assumed.
const VISIT_K2: f64 = 0.15;
/// Standard deviation (K) by which another refrigerant than R-410A, for which the patterns were
/// computed, may differ in each feature. Assumed.
const OTHER_REFRIGERANT_K: [f64; FEATURES] = [1.0, 1.0, 1.0, 1.0, 9.0, 0.5, 0.5];
/// Standard deviation (K) by which a unit in good order may miss the maker's target: the ±3 °F of
/// RA3.2.2 around a subcooling target, taken as one deviation.
const TARGET_K: f64 = 3.0 / 1.8;
/// Steps of severity that are weighed: the computed levels, and one beyond.
const STEPS: usize = LEVELS + 1;
/// What the step beyond the last computed level multiplies shifts and spreads by. Assumed: worse
/// faults go on in the same direction.
const BEYOND: f64 = 2.0;
/// Share of faulty units that are worse than the last computed level. Assumed.
const SHARE_BEYOND: f64 = 0.05;
/// Levels at which two faults at once are weighed: middling and severe.
const PAIR_LEVELS: [usize; 2] = [1, 3];

/// A maker's target: of what sum of features, how far from the family's mean, and its variance.
type Target = ([(Feature, f64); 2], f64, f64);

/// Residuals and their covariance from the readings, ready to be held against each pattern.
pub(super) struct Case {
    table: &'static Table,
    signature: &'static [patterns::Signature; 7],
    parts: Vec<[(Feature, f64); 2]>,
    residual: Vec<f64>,
    readings: Square,
    place: [f64; 4],
    /// The maker's targets: of what, how far from the family's mean (K), and the variance (K²) of
    /// that sum of features in the family.
    targets: Vec<Target>,
    against_own: bool,
    extra: [f64; FEATURES],
    line_drop: Option<(f64, f64)>,
    good: Tails,
    faulty: Tails,
}

impl Case {
    pub(super) fn new(
        evidence: &Evidence,
        baseline: Option<&Evidence>,
        table: &'static Table,
        metering: Metering,
    ) -> Option<Self> {
        let shared = |own: &&Evidence| {
            let both = evidence.observations.iter().filter(|o| partner(own, o).is_some()).count();
            both >= 2
        };
        let baseline = baseline.filter(shared);
        let mut parts = Vec::with_capacity(FEATURES);
        let mut residuals = Vec::with_capacity(FEATURES);
        let mut before = Vec::new();
        for observation in &evidence.observations {
            if let Some(own) = baseline {
                let Some(other) = partner(own, observation) else { continue };
                before.push(own.residual(other, table));
            }
            parts.push(observation.parts);
            residuals.push(evidence.residual(observation, table));
        }
        let n = residuals.len();
        if n == 0 {
            return None;
        }
        let mut readings = Square::zero(n);
        let mut residual = Vec::with_capacity(n);
        for i in 0..n {
            for j in 0..=i {
                let mut sum = residuals[i].covariance(&residuals[j]);
                if !before.is_empty() {
                    sum += before[i].covariance(&before[j]);
                }
                readings.set(i, j, sum);
            }
            residual.push(residuals[i].value - before.get(i).map_or(0.0, |own| own.value));
        }
        let against_own = baseline.is_some();
        let mut extra = [evidence.outside; FEATURES];
        for (extra, other) in extra.iter_mut().zip(OTHER_REFRIGERANT_K) {
            if against_own {
                *extra += VISIT_K2;
            } else if evidence.other_refrigerant {
                *extra += other * other;
            }
        }
        // The unit's own visit in good order says more than its nameplate.
        let told = evidence.targets.iter().filter(|_| !against_own);
        let targets = told.map(|target| {
            let off = evidence.residual(target, table).value;
            let family: [f64; FEATURES] =
                core::array::from_fn(|f| along(&table.none, &target.parts, f));
            let variance = sum(&target.parts, &family);
            (target.parts, off, variance)
        });
        let targets = targets.collect();
        let [a, b, o] = patterns::place(evidence.place());
        let signature = patterns::signatures(metering);
        let place = [1.0, a, b, o];
        let line_drop = evidence.line_drop.as_ref().map(|drop| (drop.value, drop_weight(drop)));
        Some(Self {
            table,
            signature,
            parts,
            residual,
            readings,
            place,
            targets,
            against_own,
            extra,
            line_drop,
            good: Tails::new(TAILS_NONE, n),
            faulty: Tails::new(TAILS, n),
        })
    }

    /// What a level of a fault adds to each feature here (K).
    fn shift(&self, fault: usize, level: usize) -> [f64; FEATURES] {
        let level = &self.table.levels[fault][level];
        core::array::from_fn(|f| {
            level.shift[f].iter().zip(self.place).map(|(c, x)| c * x).sum::<f64>()
        })
    }

    /// A shift of the features as the observations see it.
    fn seen(&self, shift: &[f64; FEATURES]) -> [f64; FEATURES] {
        let mut seen = [0.0; FEATURES];
        for (seen, parts) in seen.iter_mut().zip(&self.parts) {
            *seen = parts.iter().map(|(feature, weight)| weight * shift[*feature as usize]).sum();
        }
        seen
    }

    /// How units of this spread lie about their pattern once the maker's targets are known: the
    /// mean (K) and what is still unknown (K²).
    ///
    /// A target tells of a unit's design, so what a pattern's spread holds beyond that of good
    /// order is none of its business, and counts as noise.
    fn informed(
        &self,
        spread: &Triangle,
        factor: f64,
        doubt: &[f64; FEATURES],
    ) -> ([f64; FEATURES], Triangle) {
        let mut mean = [0.0; FEATURES];
        let mut left = spread.map(|k2| factor * k2);
        for f in 0..FEATURES {
            left[f * (f + 3) / 2] += self.extra[f] + doubt[f];
        }
        for (parts, off, family) in &self.targets {
            let tied: [f64; FEATURES] = core::array::from_fn(|f| along(&left, parts, f));
            let variance = sum(parts, &tied);
            let beyond = (variance - family).max(0.0);
            let whole = variance + beyond + TARGET_K * TARGET_K;
            let news = (off - sum(parts, &mean)) / whole;
            for f in 0..FEATURES {
                mean[f] += tied[f] * news;
                for g in 0..=f {
                    left[f * (f + 1) / 2 + g] -= tied[f] * tied[g] / whole;
                }
            }
        }
        (mean, left)
    }

    /// Covariance of the observations under a pattern of this spread.
    fn covariance(&self, spread: &Triangle) -> Square {
        let shared = |f: usize, g: usize| {
            let (high, low) = (f.max(g), f.min(g));
            spread[high * (high + 1) / 2 + low]
        };
        let mut sum = self.readings.clone();
        for (i, [(f, a), (g, b)]) in self.parts.iter().copied().enumerate() {
            let (f, g) = (f as usize, g as usize);
            for (j, [(h, c), (k, d)]) in self.parts.iter().copied().enumerate().take(i + 1) {
                let (h, k) = (h as usize, k as usize);
                let mut total = a * c * shared(f, h);
                // Most observations are of one feature: their second weight is 0.
                if b != 0.0 {
                    total += b * c * shared(g, h);
                }
                if d != 0.0 {
                    total += a * d * shared(f, k) + b * d * shared(g, k);
                }
                sum.set(i, j, sum.get(i, j) + total);
            }
        }
        sum
    }

    pub(super) fn weigh(&self, metering: Metering) -> Weighing {
        let none_spread =
            if self.against_own { &self.table.none_against_own } else { &self.table.none };
        let (design, left) = self.informed(none_spread, 1.0, &[0.0; FEATURES]);
        let none = self.covariance(&left);
        let none_factor = Factor::new(&none);
        let mut log = [f64::NEG_INFINITY; 8];
        log[0] = libm::log(PRIOR[0]) + self.log_density(&none_factor, &design, self.good);
        let mut likeliest = [[0.0; FEATURES]; 8];
        let mut shifts = [[[0.0; FEATURES]; STEPS]; 7];
        for fault in 0..7 {
            let mut steps = [0.0; STEPS];
            for (i, step) in steps.iter_mut().enumerate() {
                let level = i.min(LEVELS - 1);
                let beyond = if i < LEVELS { 1.0 } else { BEYOND };
                let shift = self.shift(fault, level).map(|k| beyond * k);
                let level = &self.table.levels[fault][level];
                let spread =
                    if self.against_own { &level.spread_against_own } else { &level.spread };
                let doubt = self.doubt(fault, &shift);
                let (mean, left) = self.informed(spread, beyond * beyond, &doubt);
                let moved = core::array::from_fn(|f| shift[f] + mean[f]);
                let factor = Factor::new(&self.covariance(&left));
                *step = self.log_density(&factor, &moved, self.faulty);
                shifts[fault][i] = shift;
            }
            let best = (0..STEPS).max_by(|a, b| steps[*a].total_cmp(&steps[*b])).unwrap_or(0);
            likeliest[fault + 1] = shifts[fault][best];
            // The step beyond is rarer than each of the others.
            for (i, step) in steps.iter_mut().enumerate() {
                let share = (1.0 - SHARE_BEYOND) / LEVELS as f64;
                *step += libm::log(if i < LEVELS { share } else { SHARE_BEYOND });
            }
            log[fault + 1] = libm::log(PRIOR[fault + 1]) + log_sum(&steps);
        }
        let mut pairs = self.pairs(&none, &design, &shifts);
        if let Some((_, weight)) = self.line_drop {
            let restriction = Fault::LiquidLineRestriction;
            log[place(restriction)] += weight;
            let with = pairs.iter_mut().filter(|(a, b, _)| *a == restriction || *b == restriction);
            with.for_each(|pair| pair.2 += weight);
        }
        let (single, pairs) = normalised(log, pairs);
        let shown = self.shown(&none, &design, &likeliest);
        let (against_own, line_drop) = (self.against_own, self.line_drop);
        Weighing {
            single,
            pairs,
            shown,
            shifts: likeliest,
            family: none_spread,
            metering,
            against_own,
            line_drop,
        }
    }

    /// Variance (K²) added where the published direction and the computed one disagree, or where
    /// sources dispute the direction: such a feature counts for less.
    fn doubt(&self, fault: usize, shift: &[f64; FEATURES]) -> [f64; FEATURES] {
        let mut doubt = [0.0; FEATURES];
        let signature = &self.signature[fault];
        for (sign, direction) in Sign::ALL.into_iter().zip(signature.directions) {
            let parts = sign.features();
            let moved: f64 = parts.iter().map(|(f, w)| w * shift[*f as usize]).sum();
            let against = match direction {
                Direction::Disputed => true,
                Direction::Up => moved < 0.0,
                Direction::Down => moved > 0.0,
                Direction::Still | Direction::Unsaid => false,
            };
            if against {
                let weight = match signature.standing {
                    patterns::Standing::Read => 0.5,
                    patterns::Standing::Practitioner | patterns::Standing::FromMemory => 0.25,
                };
                doubt[parts[0].0 as usize] += weight * moved * moved;
            }
        }
        doubt
    }

    /// Two faults at once, each at one of two levels: their shifts add, and no more is
    /// known than of either.
    fn pairs(
        &self,
        none: &Square,
        design: &[f64; FEATURES],
        shifts: &[[[f64; FEATURES]; STEPS]; 7],
    ) -> Vec<Pair> {
        let factor = Factor::new(&none.scaled(1.5));
        let n = self.residual.len();
        let rest = factor.whiten(&self.left(design)[..n]);
        let mut white = [[[0.0; FEATURES]; 2]; 7];
        for (white, levels) in white.iter_mut().zip(shifts) {
            for (white, level) in white.iter_mut().zip(PAIR_LEVELS) {
                *white = factor.whiten(&self.seen(&levels[level])[..n]);
            }
        }
        let prior = libm::log(0.5 * PRIOR_TWO / 20.0 / 4.0);
        let mut pairs = Vec::with_capacity(20);
        for a in 0..7 {
            for b in a + 1..7 {
                // Nobody has too much and too little refrigerant at once.
                if (a, b) == (0, 1) {
                    continue;
                }
                let mut levels = [0.0; 4];
                for (i, level) in levels.iter_mut().enumerate() {
                    let (x, y) = (&white[a][i / 2], &white[b][i % 2]);
                    let square = (0..n).map(|k| rest[k] - x[k] - y[k]).map(|d| d * d).sum::<f64>();
                    *level = self.faulty.log_density(square) - factor.half_log_determinant();
                }
                let two = (Fault::ALL[a + 1], Fault::ALL[b + 1]);
                pairs.push((two.0, two.1, prior + log_sum(&levels)));
            }
        }
        pairs
    }

    /// The residuals less what a shift of the features explains.
    fn left(&self, shift: &[f64; FEATURES]) -> [f64; FEATURES] {
        let mut left = self.seen(shift);
        for (left, residual) in left.iter_mut().zip(&self.residual) {
            *left = residual - *left;
        }
        left
    }

    fn log_density(&self, factor: &Factor, shift: &[f64; FEATURES], tails: Tails) -> f64 {
        let n = self.residual.len();
        let left = self.left(shift);
        let white = factor.whiten(&left[..n]);
        let square = white[..n].iter().map(|w| w * w).sum();
        tails.log_density(square) - factor.half_log_determinant()
    }

    /// What the readings show, sign by sign.
    fn shown(
        &self,
        none: &Square,
        design: &[f64; FEATURES],
        shifts: &[[f64; FEATURES]; 8],
    ) -> Vec<Shown> {
        let left = self.left(design);
        let signs = Sign::ALL.into_iter().map(Seen::Sign);
        let all = signs.chain([Seen::SuctionLine, Seen::LiquidLine]);
        let mut shown = Vec::with_capacity(9);
        for what in all {
            let Some(weights) = self.weights(what.parts()) else { continue };
            // A line on its own is shown only where its sign cannot be.
            let has = |sign| shown.iter().any(|s: &Shown| s.what == Seen::Sign(sign));
            if (what == Seen::SuctionLine && has(Sign::Superheat))
                || (what == Seen::LiquidLine && has(Sign::Subcooling))
            {
                continue;
            }
            let n = self.residual.len();
            let residual = (0..n).map(|i| weights[i] * left[i]).sum();
            let mut variance = 0.0;
            for i in 0..n {
                for j in 0..n {
                    variance += weights[i] * weights[j] * none.get(i.max(j), i.min(j));
                }
            }
            let shift = |fault: usize| {
                what.parts().iter().map(|(f, w)| w * shifts[fault][*f as usize]).sum()
            };
            let shifts = core::array::from_fn(shift);
            shown.push(Shown { what, residual, deviation: variance.sqrt(), shifts });
        }
        shown
    }

    /// The sum of observations that gives these parts, where there is one.
    fn weights(&self, wanted: [(Feature, f64); 2]) -> Option<[f64; FEATURES]> {
        let mut weights = [0.0; FEATURES];
        if let Some(i) = self.parts.iter().position(|parts| *parts == wanted) {
            weights[i] = 1.0;
            return Some(weights);
        }
        for (feature, weight) in wanted {
            if weight == 0.0 {
                continue;
            }
            let single =
                |parts: &[(Feature, f64); 2]| parts[0] == (feature, 1.0) && parts[1].1 == 0.0;
            weights[self.parts.iter().position(single)?] += weight;
        }
        Some(weights)
    }
}

/// Covariance (K²) of one feature with a sum of features.
fn along(spread: &Triangle, parts: &[(Feature, f64); 2], feature: usize) -> f64 {
    let cell = |(other, weight): &(Feature, f64)| {
        let (high, low) = (feature.max(*other as usize), feature.min(*other as usize));
        weight * spread[high * (high + 1) / 2 + low]
    };
    parts.iter().map(cell).sum()
}

/// A sum of features.
fn sum(parts: &[(Feature, f64); 2], features: &[f64; FEATURES]) -> f64 {
    parts.iter().map(|(feature, weight)| weight * features[*feature as usize]).sum()
}

/// A multivariate t distribution, but for what all patterns share.
#[derive(Debug, Clone, Copy)]
struct Tails {
    freedom: f64,
    n: f64,
    whole: f64,
}

impl Tails {
    /// Of this freedom, over `n` observations.
    fn new(freedom: f64, n: usize) -> Self {
        let n = n as f64;
        let whole = libm::lgamma(0.5 * (freedom + n))
            - libm::lgamma(0.5 * freedom)
            - 0.5 * n * libm::log(freedom - 2.0);
        Self { freedom, n, whole }
    }

    /// Log density at a squared distance, the determinant not counted.
    fn log_density(&self, square: f64) -> f64 {
        self.whole - 0.5 * (self.freedom + self.n) * libm::log1p(square / (self.freedom - 2.0))
    }
}

fn log_sum(logs: &[f64]) -> f64 {
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    top + libm::log(logs.iter().map(|log| libm::exp(log - top)).sum::<f64>())
}

/// Probabilities from logarithms: singles and pairs together make one.
fn normalised(mut single: [f64; 8], mut pairs: Vec<Pair>) -> ([f64; 8], Vec<Pair>) {
    let top = single.iter().copied().chain(pairs.iter().map(|p| p.2)).fold(f64::MIN, f64::max);
    let mut sum = 0.0;
    for log in single.iter_mut().chain(pairs.iter_mut().map(|p| &mut p.2)) {
        *log = libm::exp(*log - top);
        sum += *log;
    }
    for share in single.iter_mut().chain(pairs.iter_mut().map(|p| &mut p.2)) {
        *share /= sum;
    }
    (single, pairs)
}
