//! Smoothing: from irregular, lossy, quantised readings of one channel to a level and a rate, each
//! with its uncertainty.
//!
//! Two local linear trend filters run side by side, one for a quiet channel and one for a moving
//! one, and are mixed by how well each foretells the readings (an interacting multiple model,
//! Blom & Bar-Shalom 1988, from memory). The filters work in continuous time, so any spacing is
//! right; across a gap nothing is invented: the filters start anew.
//!
//! What a switch or a fan makes (current, power) does not go on as it went: the same filters without
//! a rate follow it, and their level is a weighted mean of readings, so it never overshoots a step.

use crate::engine::reading::{ChannelId, Instrument, Sample};
use crate::units::time::Elapsed;

/// Outlier limit (standard deviations of what was foretold, 3 to 20; default 6).
const OUTLIER_SIGMAS: f64 = 6.0;
/// Silence after which a channel is unknown, at the least (s, 2 to 60; default 5).
const AGE_S_MIN: f64 = 5.0;
/// Silence after which a channel is unknown (usual intervals, 2 to 10; default 3.5).
const AGE_INTERVALS: f64 = 3.5;
/// How fast the rate of a quiet channel may change (K/s in √s, 0.00002 to 0.005; default 0.0002).
const QUIET_K_PER_S_SQRT_S: f64 = 0.0002;
/// How fast the rate of a moving channel may change (K/s in √s, 0.002 to 0.2; default 0.02).
const MOVING_K_PER_S_SQRT_S: f64 = 0.02;
/// How long a channel stays quiet, or moving, on average (s, 10 to 600; default 60).
const STAY_S: f64 = 60.0;
/// How fast the level of a quiet switched channel may wander (K in √s, 0.002 to 0.2; default 0.02).
const QUIET_K_PER_SQRT_S: f64 = 0.02;
/// How fast the level of a moving switched channel may wander (K in √s, 0.1 to 5; default 1).
const MOVING_K_PER_SQRT_S: f64 = 1.0;
/// Scatter taken for granted before readings show their own (K, 0.01 to 1; default 0.1).
const SCATTER_K_FIRST: f64 = 0.1;
/// Scatter beyond which readings are not scattered but moving (K, 0.2 to 5; default 1).
const SCATTER_K_MAX: f64 = 1.0;
/// Scatter below which no reading is believed (K, 0.001 to 0.05; default 0.01).
const SCATTER_K_MIN: f64 = 0.01;
/// A first rate may be this far from 0 (K/s, 0.01 to 1; default 0.2, some 12 K a minute).
const RATE_K_PER_S_FIRST: f64 = 0.2;
/// Median of |z| of a normal z, by which a median deviation becomes a standard one.
const MEDIAN_DEVIATION: f64 = 0.674_489_750_196_082;

/// Variance that a trend gains with time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wander {
    /// Of the level itself (K²/s).
    pub level: f64,
    /// Of the rate ((K/s)²/s).
    pub rate: f64,
}

/// A local linear trend filter: level and rate with their covariance.
///
/// Level' = rate + white noise, rate' = white noise, in continuous time, so that two short steps
/// are one long step. At even spacing it is the local linear trend of the structural time series
/// literature (Harvey 1989, from memory) with the exact integral as its state covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// The level (K).
    pub level: f64,
    /// The rate (K/s).
    pub rate: f64,
    /// Variance of the level (K²).
    pub level_variance: f64,
    /// Covariance of level and rate (K²/s).
    pub covariance: f64,
    /// Variance of the rate ((K/s)²).
    pub rate_variance: f64,
}

impl Trend {
    /// A trend known this well: level and rate independent.
    pub const fn new(level: f64, level_variance: f64, rate: f64, rate_variance: f64) -> Self {
        Self { level, rate, level_variance, covariance: 0.0, rate_variance }
    }

    /// Goes `dt` seconds on.
    pub fn predict(&mut self, dt: f64, wander: Wander) {
        let (p, c, q) = (self.level_variance, self.covariance, self.rate_variance);
        let grown = wander.rate * dt;
        self.level += self.rate * dt;
        self.level_variance =
            p + dt * (2.0 * c + dt * q) + wander.level * dt + grown * dt * dt / 3.0;
        self.covariance = c + dt * q + grown * dt / 2.0;
        self.rate_variance = q + grown;
    }

    /// Takes a value of this variance (K²); gives what it differs by and that one's variance.
    pub fn correct(&mut self, value: f64, variance: f64) -> (f64, f64) {
        let residual = value - self.level;
        let total = self.level_variance + variance;
        let (gain, rate_gain) = (self.level_variance / total, self.covariance / total);
        self.level += gain * residual;
        self.rate += rate_gain * residual;
        self.rate_variance -= rate_gain * self.covariance;
        self.covariance -= gain * self.covariance;
        self.level_variance -= gain * self.level_variance;
        (residual, total)
    }

    /// The trend of both, where `self` holds with probability `share`.
    fn mixed(&self, other: &Self, share: f64) -> Self {
        let rest = 1.0 - share;
        let (level_apart, rate_apart) = (self.level - other.level, self.rate - other.rate);
        let apart = share * rest;
        Self {
            level: share * self.level + rest * other.level,
            rate: share * self.rate + rest * other.rate,
            level_variance: share * self.level_variance
                + rest * other.level_variance
                + apart * level_apart * level_apart,
            covariance: share * self.covariance
                + rest * other.covariance
                + apart * level_apart * rate_apart,
            rate_variance: share * self.rate_variance
                + rest * other.rate_variance
                + apart * rate_apart * rate_apart,
        }
    }
}

/// How a quantity goes from one value to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// It goes on as it went, as what heat and refrigerant flow into does: level and rate.
    Trend,
    /// It holds a level, and then another, as what a switch or a fan makes does: a level alone
    /// (the local level of the structural time series literature; Harvey 1989, from memory).
    Switched,
}

impl Course {
    const fn quiet(self) -> Wander {
        match self {
            Self::Trend => QUIET,
            Self::Switched => Wander { level: QUIET_K_PER_SQRT_S * QUIET_K_PER_SQRT_S, rate: 0.0 },
        }
    }

    const fn moving(self) -> Wander {
        match self {
            Self::Trend => MOVING,
            Self::Switched => {
                Wander { level: MOVING_K_PER_SQRT_S * MOVING_K_PER_SQRT_S, rate: 0.0 }
            }
        }
    }

    /// What may be known of a trend from its first value `x`, which has this variance (K²).
    const fn first(self, x: f64, variance: f64) -> Trend {
        let rate_variance = match self {
            Self::Trend => RATE_K_PER_S_FIRST * RATE_K_PER_S_FIRST,
            Self::Switched => 0.0,
        };
        Trend::new(x, variance, 0.0, rate_variance)
    }
}

/// What became of a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Taken {
    /// It was taken.
    Accepted,
    /// It stands apart; the next one will tell.
    Held,
    /// It bears out the one held before, which was at this moment (s) with this value (K).
    WithHeld(f64, f64),
    /// It is not newer than the last one.
    Stale,
}

/// The smoothing of one channel.
#[derive(Debug, Clone)]
pub struct Smoother {
    instrument: Instrument,
    unit_per_k: f64,
    course: Course,
    quiet: Trend,
    moving: Trend,
    /// Probability that the channel moves.
    share_moving: f64,
    last_s: Option<f64>,
    /// The usual interval (s); tracks the median.
    interval_s: f64,
    interval_before_s: f64,
    /// The two readings before, for the scatter.
    before: [(f64, f64); 2],
    fresh: u32,
    scatter_k: f64,
    held: Option<(f64, f64)>,
    outliers: u64,
}

impl Smoother {
    /// A smoother for a channel read with `instrument`, of which `unit_per_k` weighs as much as
    /// 1 K and which goes in this `course` (see [`crate::engine::role::Role`]).
    pub fn new(instrument: Instrument, unit_per_k: f64, course: Course) -> Self {
        let nothing = Trend::new(0.0, 1.0, 0.0, 1.0);
        Self {
            instrument,
            unit_per_k,
            course,
            quiet: nothing,
            moving: nothing,
            share_moving: 0.5,
            last_s: None,
            interval_s: 0.0,
            interval_before_s: 0.0,
            before: [(0.0, 0.0); 2],
            fresh: 0,
            scatter_k: SCATTER_K_FIRST.max(instrument.resolution / unit_per_k / 2.0),
            held: None,
            outliers: 0,
        }
    }

    /// Takes a reading `value` (SI) of the moment `at`.
    pub fn take(&mut self, at: Elapsed, value: f64) -> Taken {
        let (t, x) = (at.as_secs(), value / self.unit_per_k);
        let Some(last) = self.last_s else {
            self.begin(t, x);
            return Taken::Accepted;
        };
        let dt = t - last;
        if dt < 0.0 {
            return Taken::Stale;
        }
        if dt > self.age_s_max() {
            self.note_interval(dt);
            self.held = None;
            self.begin(t, x);
            return Taken::Accepted;
        }
        let taken = self.weigh(t, x, dt);
        if taken == Taken::Accepted {
            self.note_interval(dt);
            self.correct(t, x, dt);
        }
        taken
    }

    /// What is known of the channel at `at`; `None` before the first reading and once it has been
    /// silent for longer than [`Smoother::age_s_max`].
    ///
    /// A probe whose time constant is known lags by it; the level is put right by the rate.
    pub fn sample(&self, channel: ChannelId, at: Elapsed) -> Option<Sample> {
        let now = self.trend(at)?;
        let lag = self.instrument.time_constant_s.unwrap_or(0.0);
        let variance = now.level_variance + lag * (2.0 * now.covariance + lag * now.rate_variance);
        let unit = self.unit_per_k;
        let rate_uncertainty = match self.course {
            Course::Trend => now.rate_variance.max(0.0).sqrt() * unit,
            Course::Switched => f64::INFINITY,
        };
        Some(Sample {
            at,
            channel,
            level: (now.level + lag * now.rate) * unit,
            level_uncertainty: variance.max(0.0).sqrt() * unit,
            rate: now.rate * unit,
            rate_uncertainty,
            spread: self.scatter_k * unit,
        })
    }

    /// The level at `at` (SI), as [`Smoother::sample`] gives it.
    pub fn level(&self, at: Elapsed) -> Option<f64> {
        let now = self.trend(at)?;
        let lag = self.instrument.time_constant_s.unwrap_or(0.0);
        Some((now.level + lag * now.rate) * self.unit_per_k)
    }

    /// Both trends as one, carried on to `at`.
    #[inline]
    fn trend(&self, at: Elapsed) -> Option<Trend> {
        let dt = at.as_secs() - self.last_s?;
        if dt > self.age_s_max() {
            return None;
        }
        let (mut moving, mut quiet) = (self.moving, self.quiet);
        if dt > 0.0 {
            moving.predict(dt, self.course.moving());
            quiet.predict(dt, self.course.quiet());
        }
        Some(moving.mixed(&quiet, self.share_moving))
    }

    /// Forgets level and rate, keeps what is known of the probe: after a gap, or a lost stretch.
    pub fn restart(&mut self) {
        self.last_s = None;
        self.held = None;
        self.fresh = 0;
    }

    /// Silence after which the channel is unknown (s): a few usual intervals.
    pub fn age_s_max(&self) -> f64 {
        AGE_S_MIN.max(AGE_INTERVALS * self.interval_s)
    }

    /// The usual time between readings (s); 0 before the second one.
    pub fn interval_s(&self) -> f64 {
        self.interval_s
    }

    /// Scatter of single readings around the level (K), by a running median.
    pub fn scatter_k(&self) -> f64 {
        self.scatter_k
    }

    /// How many readings were dropped because they stood apart from those around them.
    pub fn outliers(&self) -> u64 {
        self.outliers
    }

    fn begin(&mut self, t: f64, x: f64) {
        let first = self.course.first(x, self.scatter_k * self.scatter_k);
        (self.quiet, self.moving, self.share_moving) = (first, first, 0.5);
        self.last_s = Some(t);
        self.before = [(t, x); 2];
        self.fresh = 1;
    }

    /// Whether the reading is believed: a lone one that stands apart is not; two in a row on the
    /// same side are a jump, and the filters start anew from them.
    fn weigh(&mut self, t: f64, x: f64, dt: f64) -> Taken {
        if self.fresh < 3 {
            return Taken::Accepted;
        }
        let mut ahead = self.moving;
        ahead.predict(dt, self.course.moving());
        let limit =
            OUTLIER_SIGMAS * (ahead.level_variance + self.scatter_k * self.scatter_k).sqrt();
        let apart = x - ahead.level;
        let was_held = self.held.take();
        let borne_out = |&(held_t, held_x): &(f64, f64)| {
            let again = (held_x - ahead.level) * apart > 0.0 && t > held_t;
            // A level that has had time to wander could be either; the nearer one is likelier.
            let nearer = self.course == Course::Switched && (x - held_x).abs() < apart.abs();
            again && (apart.abs() > limit || nearer)
        };
        if let Some((held_t, held_x)) = was_held.filter(borne_out) {
            self.note_interval(t - held_t);
            self.begin(held_t, held_x);
            self.correct(t, x, t - held_t);
            return Taken::WithHeld(held_t, held_x);
        }
        self.outliers += u64::from(was_held.is_some());
        if apart.abs() <= limit {
            return Taken::Accepted;
        }
        self.held = Some((t, x));
        Taken::Held
    }

    fn correct(&mut self, t: f64, x: f64, dt: f64) {
        self.note_scatter(t, x);
        let leave = 1.0 - libm::exp(-dt / STAY_S);
        let (was_moving, was_quiet) = (self.share_moving, 1.0 - self.share_moving);
        let now_moving = was_moving * (1.0 - leave) + was_quiet * leave;
        let now_quiet = 1.0 - now_moving;
        let moving_before =
            self.moving.mixed(&self.quiet, was_moving * (1.0 - leave) / now_moving.max(1e-12));
        let quiet_before =
            self.quiet.mixed(&self.moving, was_quiet * (1.0 - leave) / now_quiet.max(1e-12));
        (self.moving, self.quiet) = (moving_before, quiet_before);
        self.moving.predict(dt, self.course.moving());
        self.quiet.predict(dt, self.course.quiet());
        let noise = self.scatter_k * self.scatter_k;
        let (moving_off, moving_var) = self.moving.correct(x, noise);
        let (quiet_off, quiet_var) = self.quiet.correct(x, noise);
        // The ratio of the two normal densities at the reading.
        let odds_log =
            0.5 * (quiet_off * quiet_off / quiet_var - moving_off * moving_off / moving_var);
        let odds =
            libm::exp(odds_log.clamp(-30.0, 30.0)) * (quiet_var / moving_var).sqrt() * now_moving
                / now_quiet.max(1e-12);
        self.share_moving = (odds / (1.0 + odds)).clamp(1e-6, 1.0 - 1e-6);
        self.last_s = Some(t);
        self.fresh = (self.fresh + 1).min(1_000);
    }

    /// Moves the running median of the interval: a lost reading now and then changes little.
    fn note_interval(&mut self, dt: f64) {
        if dt <= 0.0 {
            return;
        }
        let before = std::mem::replace(&mut self.interval_before_s, dt);
        if self.interval_s == 0.0 {
            self.interval_s = dt;
        } else if dt.min(before) > 2.0 * self.interval_s {
            // Two long ones in a row are not loss: the probe sends less often than it seemed.
            self.interval_s = dt.min(before);
        } else if dt > self.interval_s * 1.02 {
            self.interval_s = (self.interval_s * 1.1).min(dt);
        } else if dt < self.interval_s * 0.98 {
            self.interval_s = (self.interval_s / 1.1).max(dt);
        }
    }

    /// Moves the running median of how far a reading lies off the line through its neighbours,
    /// which a steady drift does not touch and a few wild readings hardly.
    fn note_scatter(&mut self, t: f64, x: f64) {
        let [(t0, x0), (t1, x1)] = self.before;
        if self.fresh >= 2 && t > t1 && t1 > t0 {
            let (w0, w2) = ((t - t1) / (t - t0), (t1 - t0) / (t - t0));
            let off = (x1 - w0 * x0 - w2 * x).abs() / (1.0 + w0 * w0 + w2 * w2).sqrt();
            let step = if self.fresh < 30 { 1.1 } else { 1.03 };
            let median = self.scatter_k * MEDIAN_DEVIATION;
            self.scatter_k *= if off > median { step } else { 1.0 / step };
            let floor = SCATTER_K_MIN.max(self.instrument.resolution / self.unit_per_k * STEP_SD);
            self.scatter_k = self.scatter_k.clamp(floor, SCATTER_K_MAX.max(floor));
        }
        self.before = [(t1, x1), (t, x)];
    }
}

const QUIET: Wander = Wander { level: 0.0, rate: QUIET_K_PER_S_SQRT_S * QUIET_K_PER_S_SQRT_S };
const MOVING: Wander = Wander { level: 0.0, rate: MOVING_K_PER_S_SQRT_S * MOVING_K_PER_S_SQRT_S };
/// Standard deviation of a rounding error, in steps: 1/√12.
const STEP_SD: f64 = 0.288_675_134_594_813;

#[cfg(test)]
mod tests {
    use super::*;

    const FINE: Instrument = Instrument { accuracy: 0.3, resolution: 0.0, time_constant_s: None };

    /// Values: statsmodels 0.15.0, by tests/published/oracles/trend.py.
    #[test]
    fn the_trend_equals_statsmodels_evenly_spaced_and_with_missing_steps() {
        let wander = Wander { level: 0.001, rate: 0.0009 };
        let mut trend = Trend::new(20.0, 0.5, 0.1, 0.02);
        let (mut checked, mut missing) = (0, 0);
        for row in include_str!("../../tests/published/oracles/trend.csv").lines().skip(1) {
            let cells: Vec<&str> = row.split(',').collect();
            if cells[1] == "0" {
                trend = Trend::new(20.0, 0.5, 0.1, 0.02);
            } else {
                trend.predict(2.0, wander);
            }
            if cells[2].is_empty() {
                missing += 1;
            } else {
                trend.correct(cells[2].parse().unwrap(), 0.04);
            }
            let ours = [
                trend.level,
                trend.rate,
                trend.level_variance,
                trend.covariance,
                trend.rate_variance,
            ];
            for (ours, theirs) in ours.iter().zip(&cells[3..]) {
                let theirs: f64 = theirs.parse().unwrap();
                assert!((ours - theirs).abs() < 1e-9, "{row}: {ours}");
            }
            checked += 1;
        }
        assert!(checked == 160 && missing > 20, "{checked} {missing}");
    }

    #[test]
    fn two_short_steps_are_one_long_step() {
        let wander = Wander { level: 0.002, rate: 0.0005 };
        let mut once = Trend::new(5.0, 0.3, 0.2, 0.01);
        let mut twice = once;
        once.predict(7.0, wander);
        twice.predict(2.5, wander);
        twice.predict(4.5, wander);
        assert!((once.level_variance - twice.level_variance).abs() < 1e-12);
        assert!((once.covariance - twice.covariance).abs() < 1e-12);
    }

    /// Standard normal numbers from a seed (sums of twelve uniform ones).
    fn normals(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed;
        move || {
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                sum += (state >> 11) as f64 / (1_u64 << 53) as f64;
            }
            sum
        }
    }

    fn at(t: f64) -> Elapsed {
        Elapsed::from_ms((t * 1000.0) as u64)
    }

    /// Share of level and rate intervals that hold the truth, over courses of the model's kind.
    fn coverage(share: impl Fn(&mut Trend, f64, &mut dyn FnMut() -> f64) -> bool) -> f64 {
        let mut normal = normals(11);
        let (mut held, mut all) = (0, 0);
        for _ in 0..200 {
            let mut trend = Trend::new(20.0, 0.01, 0.0, 1e-4);
            let mut truth = 20.0 + 0.1 * normal();
            let mut rate = 0.01 * normal();
            for step in 0..100 {
                // Irregular: one to three seconds.
                let dt = 1.0 + f64::from(step % 3);
                for _ in 0..100 {
                    rate += MOVING_K_PER_S_SQRT_S * (dt / 100.0).sqrt() * normal();
                    truth += rate * dt / 100.0;
                }
                trend.predict(dt, MOVING);
                trend.correct(truth + 0.2 * normal(), 0.04);
                all += 1;
                held += usize::from(share(&mut trend, truth, &mut normal));
            }
        }
        f64::from(u32::try_from(held).unwrap()) / f64::from(all)
    }

    #[test]
    fn its_intervals_hold_the_truth_as_often_as_they_say() {
        let share = coverage(|trend, truth, _| {
            (trend.level - truth).abs() <= 1.96 * trend.level_variance.sqrt()
        });
        assert!((0.93..=0.97).contains(&share), "{share}");
    }

    #[test]
    fn the_mixture_s_intervals_hold_on_an_approach_with_noise_it_was_not_told_of() {
        let mut normal = normals(5);
        let (mut held, mut all) = (0, 0);
        for _ in 0..40 {
            let mut smoother = Smoother::new(FINE, 1.0, Course::Trend);
            for second in 0..900 {
                let t = f64::from(second);
                let truth = 10.0 + 15.0 * libm::exp(-t / 120.0);
                smoother.take(at(t), truth + 0.15 * normal());
                if second > 120 {
                    let sample = smoother.sample(ChannelId(0), at(t)).unwrap();
                    all += 1;
                    held +=
                        u32::from((sample.level - truth).abs() <= 1.96 * sample.level_uncertainty);
                }
            }
        }
        let share = f64::from(held) / f64::from(all);
        assert!((0.93..=0.99).contains(&share), "{share}");
    }

    #[test]
    fn a_lone_wild_reading_changes_nothing_and_two_are_a_jump() {
        let mut smoother = Smoother::new(FINE, 1.0, Course::Trend);
        let mut normal = normals(3);
        let mut tell =
            |smoother: &mut Smoother, t: f64, x: f64| smoother.take(at(t), x + 0.05 * normal());
        for second in 0..60 {
            tell(&mut smoother, f64::from(second), 20.0);
        }
        assert_eq!(tell(&mut smoother, 60.0, 80.0), Taken::Held);
        assert_eq!(tell(&mut smoother, 61.0, 20.0), Taken::Accepted);
        assert_eq!(smoother.outliers(), 1);
        let level = smoother.sample(ChannelId(0), at(61.0)).unwrap().level;
        assert!((level - 20.0).abs() < 0.2, "{level}");

        assert_eq!(tell(&mut smoother, 62.0, 40.0), Taken::Held);
        assert!(matches!(tell(&mut smoother, 63.0, 40.0), Taken::WithHeld(62.0, _)));
        let level = smoother.sample(ChannelId(0), at(63.0)).unwrap().level;
        assert!((level - 40.0).abs() < 0.3, "{level}");
    }

    #[test]
    fn across_a_gap_nothing_is_invented() {
        let mut smoother = Smoother::new(FINE, 1.0, Course::Trend);
        for second in 0..30 {
            smoother.take(at(f64::from(second)), 20.0 + 0.1 * f64::from(second));
        }
        assert!(smoother.sample(ChannelId(0), at(33.0)).is_some());
        assert_eq!(smoother.sample(ChannelId(0), at(35.0)), None);
        // After it the level is the new reading's, not the old trend's.
        smoother.take(at(300.0), 5.0);
        let sample = smoother.sample(ChannelId(0), at(300.0)).unwrap();
        assert_eq!((sample.level, sample.rate), (5.0, 0.0));
    }

    #[test]
    fn a_known_time_constant_is_put_right_while_the_pipe_moves() {
        let probe = Instrument { accuracy: 0.3, resolution: 0.0, time_constant_s: Some(20.0) };
        let mut smoother = Smoother::new(probe, 1.0, Course::Trend);
        let mut inside = 20.0;
        for second in 0..200 {
            let pipe = 20.0 + 0.05 * f64::from(second);
            inside += (pipe - inside) / 20.0;
            smoother.take(at(f64::from(second)), inside);
        }
        let sample = smoother.sample(ChannelId(0), at(199.0)).unwrap();
        assert!((sample.level - 29.95).abs() < 0.1, "{sample:?}");
        assert!(inside < 29.1, "{inside}");
    }

    /// Courses by name, each a function of time (s).
    type Courses<const N: usize> = [(&'static str, fn(f64) -> f64); N];

    /// Courses of a compressor's current (A), a reading a second: it starts at 60 s and stops at
    /// 300 s, through a clamp's lag, with an inrush, and averaged across the switching.
    fn switched() -> Courses<4> {
        [
            ("at once", |t| if (60.0..300.0).contains(&t) { 13.0 } else { 0.0 }),
            ("lagging", |t| {
                let (on, off) = ((t - 60.0).max(0.0), (t - 300.0).max(0.0));
                13.0 * (libm::exp(-off / 1.5) - libm::exp(-on / 1.5))
            }),
            ("inrush", |t| match t {
                t if !(60.0..300.0).contains(&t) => 0.0,
                t if t < 62.0 => 60.0,
                _ => 13.0,
            }),
            ("averaged", |t| match t {
                60.0 | 300.0 => 5.0,
                t if (60.0..300.0).contains(&t) => 13.0,
                _ => 0.0,
            }),
        ]
    }

    #[test]
    fn a_switched_level_lies_between_the_last_two_readings_whatever_the_step() {
        for (name, course) in switched() {
            let clamp = Instrument { accuracy: 0.3, resolution: 0.001, time_constant_s: Some(1.5) };
            let mut smoother = Smoother::new(clamp, 0.2, Course::Switched);
            let mut normal = normals(17);
            let (mut before, mut low, mut high) = (0.0, f64::INFINITY, f64::NEG_INFINITY);
            for second in 0..420 {
                let t = f64::from(second);
                let read = course(t) + if course(t) > 1.0 { 0.1 * normal() } else { 0.0 };
                (low, high) = (read.min(low), read.max(high));
                smoother.take(at(t), read);
                let level = smoother.sample(ChannelId(0), at(t + 0.5)).unwrap().level;
                let near = read.min(before) - 0.4..=read.max(before) + 0.4;
                assert!(near.contains(&level), "{name} {t}: {before} {read} gives {level}");
                assert!((low - 1e-9..=high + 1e-9).contains(&level), "{name} {t}: {level}");
                before = read;
            }
            assert_eq!(smoother.outliers(), 0, "{name}");
        }
    }

    #[test]
    fn no_reading_of_a_step_is_dropped_whatever_the_spacing() {
        for spacing in [0.2, 1.0, 15.0, 60.0, 300.0] {
            let mut smoother = Smoother::new(FINE, 40.0, Course::Switched);
            let mut taken = 0;
            for n in 0..600 {
                let watts = if n / 60 % 2 == 0 { 0.0 } else { 2_205.0 + f64::from(n % 7) };
                taken += match smoother.take(at(spacing * f64::from(n)), watts) {
                    Taken::Accepted => 1,
                    Taken::WithHeld(..) => 2,
                    Taken::Held | Taken::Stale => 0,
                };
            }
            assert_eq!((taken, smoother.outliers()), (600, 0), "{spacing} s");
        }
    }

    #[test]
    fn a_lone_wild_reading_does_not_move_a_switched_level_and_its_rate_is_not_known() {
        let mut smoother = Smoother::new(FINE, 40.0, Course::Switched);
        for second in 0..60 {
            smoother.take(at(f64::from(second)), 2_000.0);
        }
        assert_eq!(smoother.take(at(60.0), 20.0), Taken::Held);
        assert_eq!(smoother.take(at(61.0), 2_000.0), Taken::Accepted);
        let sample = smoother.sample(ChannelId(0), at(61.0)).unwrap();
        assert!((sample.level - 2_000.0).abs() < 1.0, "{sample:?}");
        assert_eq!((sample.rate, sample.rate_uncertainty), (0.0, f64::INFINITY));
    }

    /// The local level's variance after many readings, from the quadratic that it solves:
    /// `P = (√(q² + 4qR) − q) / 2` (Harvey 1989, from memory).
    #[test]
    fn without_a_rate_the_trend_is_the_local_level() {
        let (wander, noise) = (Course::Switched.moving(), 0.25);
        let mut trend = Course::Switched.first(3.0, noise);
        for step in 0..200 {
            trend.predict(1.0, wander);
            trend.correct(3.0 + f64::from(step % 2), noise);
        }
        let q = wander.level;
        let steady = f64::midpoint((q * q + 4.0 * q * noise).sqrt(), -q);
        assert!((trend.level_variance - steady).abs() < 1e-12, "{}", trend.level_variance);
        assert_eq!((trend.rate, trend.rate_variance, trend.covariance), (0.0, 0.0, 0.0));
    }

    #[test]
    fn a_probe_that_proves_slow_is_given_its_time() {
        let mut smoother = Smoother::new(FINE, 1.0, Course::Trend);
        for t in [0.0, 1.0, 61.0, 121.0, 181.0] {
            smoother.take(at(t), 20.0);
        }
        assert!(smoother.sample(ChannelId(0), at(300.0)).is_some());
    }
}
