//! Offsets from probes left together in one place: an ice bath, still air, a bucket.
//!
//! All probes see one temperature, which may drift. Their differences from a reference (their mean,
//! one of them, or a known temperature) are taken block by block, each corrected for what its probe
//! lags behind a drifting bath, so that a slow probe is not blamed for being slow. Uncertainties by
//! JCGM 100: scatter of the blocks (type A), resolution, lag, the bath's uniformity and the
//! reference (type B), combined; the interval by Student's t with the effective degrees of freedom
//! of Welch and Satterthwaite (annex G).

mod plunge;

use statrs::distribution::{ContinuousCDF, StudentsT};

pub use plunge::{TimeConstant, time_constant};

/// Blocks that the stretch is divided into; each must hold a reading of every probe.
pub const BLOCKS: usize = 10;
/// The stretch that is looked at is at most so long (s), and at least so long.
const STRETCH_MAX_S: f64 = 600.0;
const STRETCH_MIN_S: f64 = 120.0;
/// After the plunge so many time constants pass before a probe shows the bath: e⁻¹⁰ of 25 K is 1 mK.
const REST_TIME_CONSTANTS: f64 = 10.0;
/// Time constant of a probe that neither its profile nor its plunge tells, and its standard
/// uncertainty (s). *Assumed.*
const TIME_CONSTANT_S: (f64, f64) = (15.0, 10.0);
/// Standard uncertainty of a time constant that a profile states (share). *Assumed.*
const STATED_SHARE: f64 = 0.3;
/// Below this share of its step a reading's scatter does not average the step out.
const DITHER_SHARE: f64 = 0.4;

/// One probe in the bath.
#[derive(Debug, Clone, PartialEq)]
pub struct Bathed {
    /// When (s), and the reading (°C); in order of time.
    pub samples: Vec<(f64, f64)>,
    /// Half-width of its stated accuracy (K); 0 where nothing is stated.
    pub accuracy: f64,
    /// Its smallest step (K); 0 where not known.
    pub resolution: f64,
    /// The time constant that its profile states (s).
    pub time_constant_s: Option<f64>,
}

/// What the probes are held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// Their own mean: they agree then, which splits need; how right they are stays open.
    Mean,
    /// One of them, with its standard uncertainty (K).
    Probe(usize, f64),
    /// A known temperature (°C), with its standard uncertainty (K).
    Known(f64, f64),
}

/// Why a bath tells nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrateError {
    /// Nothing to hold against another.
    #[error("one probe and no known temperature tell nothing; give --known, or a second probe")]
    Alone,
    /// The stretch in which all probes were in the bath and at rest is too short.
    #[error("all probes were at rest together for {0:.0} s only; leave them for five minutes")]
    TooShort(f64),
    /// A probe was silent for a tenth of the stretch.
    #[error("probe {0} was silent for too long; leave them together until it has been heard")]
    Silent(usize),
}

/// What the bath says of one probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Offset {
    /// To be added to its readings (K).
    pub offset: f64,
    /// Standard uncertainty (K).
    pub uncertainty: f64,
    /// Effective degrees of freedom.
    pub freedom: f64,
    /// Half-width of the 95 % interval (K).
    pub half_width_95: f64,
    /// How fast it still moves against the reference (K a minute), and the half-width of its 95 %
    /// interval.
    pub drift_per_min: (f64, f64),
    /// Its time constant as the plunge tells it.
    pub time_constant: Option<TimeConstant>,
    /// Whether it is farther off than its stated accuracy, beyond its uncertainty.
    pub beyond_accuracy: bool,
}

impl Offset {
    /// Whether it has not come to rest: its drift is beyond doubt, and over five minutes more than
    /// what is not known of the offset.
    pub fn still_moves(&self) -> bool {
        let (drift, half) = self.drift_per_min;
        drift.abs() > half && drift.abs() * 5.0 > self.half_width_95
    }
}

/// What a bath says.
#[derive(Debug, Clone, PartialEq)]
pub struct Bath {
    /// The stretch that was looked at (s).
    pub from_s: f64,
    /// Its end (s).
    pub to_s: f64,
    /// The reference's mean temperature (°C).
    pub temperature: f64,
    /// How fast the bath drifts (K a minute).
    pub drift_per_min: f64,
    /// What it says of each probe, in their order.
    pub offsets: Vec<Offset>,
}

/// Offsets of the probes of one bath; `uniformity` is the standard deviation of the temperature from
/// place to place in it (K).
///
/// # Errors
/// Too few probes, or too short a time together.
pub fn bath(
    probes: &[Bathed],
    reference: Reference,
    uniformity: f64,
) -> Result<Bath, CalibrateError> {
    if probes.is_empty() || (probes.len() == 1 && !matches!(reference, Reference::Known(..))) {
        return Err(CalibrateError::Alone);
    }
    let plunges: Vec<Option<TimeConstant>> =
        probes.iter().map(|probe| time_constant(&probe.samples)).collect();
    let (from_s, to_s) = stretch(probes, &plunges)?;
    let blocks = Blocks::of(probes, from_s, to_s)?;
    let rate = blocks.rate();
    let lags: Vec<(f64, f64)> = probes.iter().zip(&plunges).map(|(p, t)| lag(p, *t)).collect();
    // What each probe would have read without its lag.
    let read: Vec<Vec<f64>> = blocks
        .means
        .iter()
        .zip(&lags)
        .map(|(means, (lag, _))| means.iter().map(|mean| mean + lag * rate).collect())
        .collect();
    let against: Vec<f64> =
        (0..BLOCKS).map(|block| reference_at(&read, reference, block)).collect();
    let own: Vec<f64> = (0..probes.len())
        .map(|n| {
            let resolution = blocks.resolution(n, probes[n].resolution);
            let lag = lags[n].1 * rate;
            (uniformity * uniformity + resolution * resolution + lag * lag).sqrt()
        })
        .collect();
    let moved = rate.abs() * since(probes, &plunges, (from_s, to_s));
    let offsets = (0..probes.len()).map(|n| {
        let differences: Vec<f64> = against.iter().zip(&read[n]).map(|(r, x)| r - x).collect();
        let type_b = type_b(&own, reference, n, moved);
        let mut offset = offset(&differences, type_b, (to_s - from_s) / BLOCKS as f64);
        offset.time_constant = plunges[n];
        offset.beyond_accuracy = beyond(probes, reference, n, &offset);
        offset
    });
    let offsets = offsets.collect();
    let temperature = against.iter().sum::<f64>() / BLOCKS as f64;
    Ok(Bath { from_s, to_s, temperature, drift_per_min: rate * 60.0, offsets })
}

/// The last stretch in which all probes were in the bath and at rest.
fn stretch(
    probes: &[Bathed],
    plunges: &[Option<TimeConstant>],
) -> Result<(f64, f64), CalibrateError> {
    let mut from = f64::MIN;
    let mut to = f64::MAX;
    for (probe, plunge) in probes.iter().zip(plunges) {
        let (Some(first), Some(last)) = (probe.samples.first(), probe.samples.last()) else {
            return Err(CalibrateError::TooShort(0.0));
        };
        let rested = plunge.map_or(first.0, |p| p.onset_s + REST_TIME_CONSTANTS * p.seconds);
        from = from.max(rested);
        to = to.min(last.0);
    }
    from = from.max(to - STRETCH_MAX_S);
    if to - from < STRETCH_MIN_S {
        return Err(CalibrateError::TooShort((to - from).max(0.0)));
    }
    Ok((from, to))
}

/// How far from the middle of the stretch the moment may lie that a known temperature was read at
/// (s, standard): any, nobody says which, from when all probes were in the bath to the end.
fn since(probes: &[Bathed], plunges: &[Option<TimeConstant>], (from_s, to_s): (f64, f64)) -> f64 {
    let begun = probes.iter().zip(plunges).map(|(probe, plunge)| {
        plunge.map_or(probe.samples.first().map_or(from_s, |s| s.0), |p| p.onset_s)
    });
    let begun = begun.fold(f64::MIN, f64::max).min(from_s);
    let (length, off) = (to_s - begun, (from_s - begun) / 2.0);
    (length * length / 12.0 + off * off).sqrt()
}

/// A probe's time constant and its standard uncertainty (s).
fn lag(probe: &Bathed, plunge: Option<TimeConstant>) -> (f64, f64) {
    match (plunge, probe.time_constant_s) {
        (Some(told), _) => (told.seconds, told.uncertainty),
        (None, Some(stated)) => (stated, STATED_SHARE * stated),
        (None, None) => TIME_CONSTANT_S,
    }
}

/// The reference's temperature in one block.
fn reference_at(read: &[Vec<f64>], reference: Reference, block: usize) -> f64 {
    match reference {
        Reference::Mean => read.iter().map(|r| r[block]).sum::<f64>() / read.len() as f64,
        Reference::Probe(n, _) => read[n][block],
        Reference::Known(temperature, _) => temperature,
    }
}

/// What is not known of a difference besides its scatter (K): the probe's own share and that of the
/// reference. `moved` is how far the bath may have drifted since a known temperature was read (K).
fn type_b(own: &[f64], reference: Reference, n: usize, moved: f64) -> f64 {
    let squared = |x: f64| x * x;
    let sum = match reference {
        Reference::Mean => {
            let count = own.len() as f64;
            let others: f64 =
                own.iter().map(|u| squared(u / count)).sum::<f64>() - squared(own[n] / count);
            squared(own[n] * (1.0 - 1.0 / count)) + others
        }
        // The reference is no farther from itself than its own uncertainty.
        Reference::Probe(of, u) if of == n => squared(u),
        Reference::Probe(of, u) => squared(own[n]) + squared(own[of]) + squared(u),
        Reference::Known(_, u) => squared(own[n]) + squared(u) + squared(moved),
    };
    sum.sqrt()
}

/// An offset from its block differences.
fn offset(differences: &[f64], type_b: f64, block_s: f64) -> Offset {
    let n = differences.len() as f64;
    let mean = differences.iter().sum::<f64>() / n;
    let variance = differences.iter().map(|d| (d - mean) * (d - mean)).sum::<f64>() / (n - 1.0);
    let type_a = (variance / n).sqrt();
    let uncertainty = (type_a * type_a + type_b * type_b).sqrt();
    let freedom = if type_a > 0.0 {
        let ratio = uncertainty / type_a;
        ((n - 1.0) * ratio * ratio * ratio * ratio).min(1e6)
    } else {
        1e6
    };
    let times: Vec<f64> =
        (0..differences.len()).map(|b| (b as f64 + 0.5) * block_s / 60.0).collect();
    let (slope, error) = line(&times, differences);
    Offset {
        offset: mean,
        uncertainty,
        freedom,
        half_width_95: quantile(freedom) * uncertainty,
        drift_per_min: (slope, quantile(n - 2.0) * error),
        time_constant: None,
        beyond_accuracy: false,
    }
}

/// Slope of the straight line through points, and its standard error.
pub(crate) fn line(x: &[f64], y: &[f64]) -> (f64, f64) {
    let n = x.len() as f64;
    let (mean_x, mean_y) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let sxx: f64 = x.iter().map(|x| (x - mean_x) * (x - mean_x)).sum();
    let sxy: f64 = x.iter().zip(y).map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
    let slope = sxy / sxx;
    let left: f64 = x
        .iter()
        .zip(y)
        .map(|(x, y)| {
            let off = y - mean_y - slope * (x - mean_x);
            off * off
        })
        .sum();
    (slope, (left / (n - 2.0).max(1.0) / sxx).sqrt())
}

/// The 97.5 % quantile of Student's t, rounded to 1e-6, since it decides what is told.
fn quantile(freedom: f64) -> f64 {
    /// The normal distribution's, for as good as infinite freedom.
    const NORMAL: f64 = 1.959_963_984_540_054;
    // There the library's inverse is off by 4e-5 (found against scipy); the first term of the
    // expansion in 1/ν is good to 3e-6 from a thousand on.
    if freedom > 1_000.0 {
        return NORMAL + (NORMAL * NORMAL * NORMAL + NORMAL) / (4.0 * freedom);
    }
    let student = StudentsT::new(0.0, 1.0, freedom.max(1.0)).map(|t| t.inverse_cdf(0.975));
    (student.unwrap_or(12.71) * 1e6).round() / 1e6
}

/// Whether a probe is farther off than it, or the reference with it, may be by what is stated.
fn beyond(probes: &[Bathed], reference: Reference, n: usize, offset: &Offset) -> bool {
    let own = probes[n].accuracy;
    let count = probes.len() as f64;
    let allowed = match reference {
        Reference::Mean => {
            // As far as it may be from the mean while every probe keeps its accuracy.
            let others: f64 = probes.iter().map(|p| p.accuracy / count).sum::<f64>() - own / count;
            own * (1.0 - 1.0 / count) + others
        }
        Reference::Probe(..) | Reference::Known(..) => own,
    };
    own > 0.0 && offset.offset.abs() - offset.half_width_95 > allowed
}

/// Block means of every probe over one stretch.
struct Blocks {
    width_s: f64,
    /// For each probe, the mean of each block.
    means: Vec<Vec<f64>>,
    /// For each probe, the scatter of its readings within the blocks.
    scatter: Vec<f64>,
}

impl Blocks {
    fn of(probes: &[Bathed], from_s: f64, to_s: f64) -> Result<Self, CalibrateError> {
        let width_s = (to_s - from_s) / BLOCKS as f64;
        let (mut means, mut scatter) = (Vec::new(), Vec::new());
        for (n, probe) in probes.iter().enumerate() {
            let (mut own, mut squares, mut freedom) = (Vec::new(), 0.0, 0.0);
            for block in 0..BLOCKS {
                let start = from_s + width_s * block as f64;
                let first = probe.samples.partition_point(|(t, _)| *t < start);
                let end = probe.samples.partition_point(|(t, _)| *t < start + width_s);
                let held = &probe.samples[first..end];
                let count = held.len() as f64;
                if held.is_empty() {
                    return Err(CalibrateError::Silent(n + 1));
                }
                let mean = held.iter().map(|(_, x)| x).sum::<f64>() / count;
                // Readings may stand unevenly in a block; what counts is the moment that they are for.
                squares += held.iter().map(|(_, x)| (x - mean) * (x - mean)).sum::<f64>();
                freedom += count - 1.0;
                own.push(mean);
            }
            scatter.push(if freedom > 0.0 { (squares / freedom).sqrt() } else { 0.0 });
            means.push(own);
        }
        Ok(Self { width_s, means, scatter })
    }

    /// How fast the mean of all probes drifts (K/s).
    fn rate(&self) -> f64 {
        let count = self.means.len() as f64;
        let mean = |block: usize| self.means.iter().map(|own| own[block]).sum::<f64>() / count;
        let y: Vec<f64> = (0..BLOCKS).map(mean).collect();
        let x: Vec<f64> = (0..BLOCKS).map(|block| block as f64 * self.width_s).collect();
        line(&x, &y).0
    }

    /// Standard uncertainty from a step that the scatter does not average out (K).
    fn resolution(&self, probe: usize, step: f64) -> f64 {
        if self.scatter[probe] < DITHER_SHARE * step { step / 12.0_f64.sqrt() } else { 0.0 }
    }
}

/// The straight line through the offsets of two baths: `offset = at_zero + slope · reading` (K, and
/// K per °C). `None` where the two are nearer than 10 K, or the line is steeper than any probe's.
pub fn two_points(a: (f64, f64), b: (f64, f64)) -> Option<(f64, f64)> {
    const APART_K_MIN: f64 = 10.0;
    const SLOPE_MAX: f64 = 0.1;
    let apart = b.0 - a.0;
    let slope = (b.1 - a.1) / apart;
    (apart.abs() >= APART_K_MIN && slope.abs() <= SLOPE_MAX).then_some((a.1 - slope * a.0, slope))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn probe(offset: f64, slow_s: f64) -> Bathed {
        // A bath that warms by 0.6 K in ten minutes; the probe lags by its time constant.
        let samples = (0..600).map(|s| {
            let t = f64::from(s);
            (t, 20.0 + 0.001 * (t - slow_s) + offset)
        });
        Bathed {
            samples: samples.collect(),
            accuracy: 0.5,
            resolution: 0.0,
            time_constant_s: Some(slow_s),
        }
    }

    #[test]
    fn offsets_against_the_mean_sum_to_nothing_and_lag_is_no_offset() {
        let bath = bath(&[probe(0.3, 5.0), probe(-0.1, 60.0)], Reference::Mean, 0.0).unwrap();
        // The last block has one second less, which the drift's estimate shows.
        assert!((bath.offsets[0].offset + 0.2).abs() < 1e-4, "{bath:?}");
        assert!((bath.offsets[0].offset + bath.offsets[1].offset).abs() < 1e-9);
        assert!((bath.drift_per_min - 0.06).abs() < 2e-4);
        assert!(bath.offsets.iter().all(|o| !o.beyond_accuracy && !o.still_moves()));
    }

    #[test]
    fn a_probe_beyond_its_accuracy_is_named() {
        let reference = Reference::Known(20.3, 0.01);
        let bath = bath(&[probe(0.1, 5.0), probe(1.4, 5.0)], reference, 0.02).unwrap();
        assert_eq!(
            bath.offsets.iter().map(|o| o.beyond_accuracy).collect::<Vec<_>>(),
            [false, true]
        );
    }

    #[test]
    fn one_probe_alone_needs_a_known_temperature_and_all_need_time() {
        assert_eq!(bath(&[probe(0.0, 5.0)], Reference::Mean, 0.0), Err(CalibrateError::Alone));
        let mut short = probe(0.0, 5.0);
        short.samples.truncate(60);
        let found = bath(&[short, probe(0.0, 5.0)], Reference::Mean, 0.0);
        assert!(matches!(found, Err(CalibrateError::TooShort(_))), "{found:?}");
    }

    #[test]
    fn two_baths_make_a_line() {
        let (at_zero, slope) = two_points((0.0, -0.2), (50.0, 0.3)).unwrap();
        assert!((at_zero + 0.2).abs() < 1e-12 && (slope - 0.01).abs() < 1e-12);
        assert_eq!(two_points((0.0, 0.0), (5.0, 0.1)), None);
        assert_eq!(two_points((0.0, 0.0), (20.0, 9.0)), None);
    }
}
