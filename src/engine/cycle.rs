//! Cycles: when the compressor started and stopped, from whatever is heard.
//!
//! Current or power of the outdoor unit settles it. Without them each line, pressure and air
//! channel bears witness by how far it has come within the last minutes, for or against, weighed
//! by what it usually does; the moment is the bend in the best witnesses' curves.
//!
//! A start or stop is told as soon as the witnesses suffice: at 1 Hz within about a minute, with
//! slow probes within two to four of their intervals.

use crate::engine::job::Mode;
use crate::engine::presence;
use crate::engine::role::{Electric, Role};
use crate::engine::turn::{Course, Moment, Travel};

/// Share of all weight that must speak for a turn where many channels are heard (0.2 to 0.6;
/// default 0.35).
const SHARE_MIN: f64 = 0.35;
/// The same where only one or two are heard (0.5 to 1; default 0.8).
const SHARE_FEW: f64 = 0.8;
/// A channel speaks with full weight when it has come this share of its usual swing (0.2 to 0.8;
/// default 0.4).
const SWING_SHARE: f64 = 0.4;
/// Share of the way that a channel has gone in a run which counts as its swing (0.5 to 1; default
/// 0.8), and the most that is counted (K).
const GONE_SHARE: f64 = 0.8;
const GONE_K_MAX: f64 = 50.0;
/// Least travel that says anything (K, 0.5 to 3; default 1).
const TRAVEL_K_MIN: f64 = 1.0;
/// Travel that says anything, in standard deviations of the readings (3 to 8; default 4).
const TRAVEL_SIGMAS: f64 = 4.0;
/// Least time from one turn to the next (s, 10 to 120; default 30).
const TURN_S_MIN: f64 = 30.0;
/// A swing the same way as the last one counts as another start after this time (s, 180 to 900;
/// default 300), and when the channels go this share of their usual swing (0.4 to 0.9; default
/// 0.6), more than a second stage makes them go.
const AGAIN_S: f64 = 300.0;
const AGAIN_SHARE: f64 = 0.6;
/// And when each channel that says so had before come back from its farthest by this share of its
/// swing (0.2 to 0.7; default 0.4): what swings about its running level has not, nor has a start
/// that takes its time.
const BACK_SHARE: f64 = 0.4;
/// Current above which a compressor runs (A, 0.5 to 5; default 1.5). Crankcase heaters and
/// controls take less. Common practice, no source.
const RUNNING_A: f64 = 1.5;
/// Power above which a compressor runs (W, 100 to 600; default 250). Common practice, no source.
const RUNNING_W: f64 = 250.0;
/// Current and power above which an indoor fan runs (A, W). Common practice, no source.
const FAN_A: f64 = 0.3;
const FAN_W: f64 = 60.0;
/// No channel is silent before this (s), and one whose interval is not known yet is taken to have
/// the longest that is usual (s).
const SILENCE_S_MIN: f64 = 60.0;
const INTERVAL_S_SLOW: f64 = 300.0;

/// What is known of the compressor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Compressor {
    /// The data do not say.
    Unknown,
    /// It rests; since when, where that was heard.
    Off(Option<Moment>),
    /// It runs; since when, where that was heard.
    On(Option<Moment>),
}

/// A start or stop that was told.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Whether it runs now.
    pub runs: bool,
    /// When it changed; `None` where it can only be seen that it did.
    pub moment: Option<Moment>,
    /// The channels that told it, by their place in the list of channels.
    pub witnesses: Vec<usize>,
}

/// One channel's witness.
#[derive(Debug, Clone)]
pub struct Witness {
    role: Role,
    lag_s: f64,
    course: Course,
    /// How far it usually goes between rest and run (K).
    swing_k: f64,
    /// The latest readings of a current or power, for the moment between them.
    level: Option<(f64, f64)>,
    /// Whether that current or power runs, and the moment when it began to.
    runs: Option<bool>,
    /// Where it was when the run began (K).
    rest_k: Option<f64>,
    /// How far it has gone from there in this run (K).
    farthest_k: f64,
    /// The farthest it was since the last turn, by its own level (K), and how far it has since come
    /// back from there (K).
    crest_k: f64,
    back_k: f64,
    last_s: f64,
    interval_s: f64,
    scatter_k: f64,
    /// How far it has come within the stretch that was looked at last, and which that was.
    travel: Travel,
    travelled: Option<(f64, f64)>,
}

impl Witness {
    /// The witness of a channel with this role and time constant.
    pub fn new(role: Role, lag_s: Option<f64>) -> Self {
        Self {
            role,
            lag_s: lag_s.unwrap_or(0.0),
            course: Course::new(),
            swing_k: 4.0 + 2.0 * role.weight,
            level: None,
            runs: None,
            rest_k: None,
            farthest_k: 0.0,
            crest_k: f64::NEG_INFINITY,
            back_k: 0.0,
            last_s: f64::NEG_INFINITY,
            interval_s: 0.0,
            scatter_k: 0.0,
            travel: Travel::default(),
            travelled: None,
        }
    }

    fn heard(&self, now_s: f64) -> bool {
        now_s - self.last_s <= 60.0_f64.max(3.5 * self.interval_s)
    }

    /// Whether the channel is silent for longer than its own interval bears, as a probe that counts
    /// as lost.
    fn lost(&self, now_s: f64) -> bool {
        let own = if self.interval_s > 0.0 { self.interval_s } else { INTERVAL_S_SLOW };
        now_s - self.last_s > SILENCE_S_MIN.max(own * f64::from(presence::INTERVALS))
    }

    /// Whether an indoor fan runs, where this channel tells.
    pub fn fan(&self, now_s: f64) -> Option<bool> {
        let tells = self.role.electric == Some(Electric::IndoorFan) && self.heard(now_s);
        if tells { self.runs } else { None }
    }
}

/// The compressor's runs as they go on.
#[derive(Debug, Clone)]
pub struct Cycles {
    witnesses: Vec<Witness>,
    compressor: Compressor,
    /// When the last turn was told; what happened before it is not looked at again (s).
    turned_s: f64,
}

impl Cycles {
    /// No channels, nothing known.
    pub const fn new() -> Self {
        Self { witnesses: Vec::new(), compressor: Compressor::Unknown, turned_s: f64::NEG_INFINITY }
    }

    /// Adds a channel; they are numbered from 0.
    pub fn add(&mut self, role: Role, lag_s: Option<f64>) {
        self.witnesses.push(Witness::new(role, lag_s));
    }

    /// Gives a channel another role, as when it became known whether the unit cools or heats.
    pub fn set_role(&mut self, which: usize, role: Role) {
        let witness = &mut self.witnesses[which];
        witness.role = role;
        witness.swing_k = witness.swing_k.max(4.0 + 2.0 * role.weight);
        (witness.rest_k, witness.farthest_k) = (None, 0.0);
        (witness.crest_k, witness.back_k) = (f64::NEG_INFINITY, 0.0);
    }

    /// What is known of the compressor now.
    pub const fn compressor(&self) -> Compressor {
        self.compressor
    }

    /// Whether the indoor fan runs, where its current or power is heard.
    pub fn fan(&self, now_s: f64) -> Option<bool> {
        self.witnesses.iter().find_map(|witness| witness.fan(now_s))
    }

    /// Since when (s) nothing was heard that tells of the compressor, for as long as makes each of
    /// its channels lost by its own interval; `None` otherwise, or where nothing ever was.
    pub fn unheard_since(&self, now_s: f64) -> Option<f64> {
        let tells = |witness: &&Witness| match witness.role.electric {
            Some(electric) => electric != Electric::IndoorFan,
            None => witness.role.weight > 0.0,
        };
        let mut last_s = None;
        for witness in self.witnesses.iter().filter(tells).filter(|w| w.last_s.is_finite()) {
            if !witness.lost(now_s) {
                return None;
            }
            last_s = Some(witness.last_s.max(last_s.unwrap_or(0.0)));
        }
        last_s
    }

    /// Takes a reading of channel `which` (s, in kelvins of its role); its usual interval and
    /// scatter as the smoother knows them. Gives a start or stop that it settles.
    pub fn take(
        &mut self,
        which: usize,
        (t, x): (f64, f64),
        interval_s: f64,
        scatter_k: f64,
    ) -> Option<Change> {
        let witness = &mut self.witnesses[which];
        witness.interval_s = interval_s;
        witness.scatter_k = scatter_k;
        let silent = !witness.heard(t);
        witness.last_s = t;
        if let Some(electric) = witness.role.electric {
            let change = witness.switch(t, x, electric, silent);
            return self.switched(which, change?);
        }
        if witness.role.weight == 0.0 {
            return None;
        }
        if silent {
            witness.course.restart();
        }
        if !witness.course.take(t, x) {
            return None;
        }
        let gone = witness.role.start_sign * x;
        witness.crest_k = witness.crest_k.max(gone);
        witness.back_k = witness.back_k.max(witness.crest_k - gone);
        if let Some(rest) = witness.rest_k {
            let gone = witness.role.start_sign * x - rest;
            witness.farthest_k = witness.farthest_k.max(gone.min(GONE_K_MAX));
        }
        if self.electricity_heard(t) {
            return None;
        }
        self.weigh(t)
    }

    /// Forgets all courses: nobody listened. The compressor is unknown again.
    pub fn lost(&mut self) {
        self.compressor = Compressor::Unknown;
        self.turned_s = f64::NEG_INFINITY;
        for witness in &mut self.witnesses {
            witness.course.restart();
            (witness.crest_k, witness.back_k) = (f64::NEG_INFINITY, 0.0);
            witness.level = None;
            witness.runs = None;
        }
    }

    /// Takes what the levels say where no turn was heard.
    pub fn infer(&mut self, runs: bool) -> Option<Change> {
        let was = self.compressor;
        match (was, runs) {
            (Compressor::On(_), true) | (Compressor::Off(_), false) => None,
            _ => {
                self.compressor = if runs { Compressor::On(None) } else { Compressor::Off(None) };
                Some(Change { runs, moment: None, witnesses: Vec::new() })
            }
        }
    }

    /// Whether the compressor's own current or power is heard.
    pub fn electricity_heard(&self, t: f64) -> bool {
        self.witnesses.iter().any(|witness| {
            witness.role.electric == Some(Electric::Compressor)
                && witness.runs.is_some()
                && witness.heard(t)
        })
    }

    fn switched(&mut self, which: usize, (runs, moment): (bool, Option<Moment>)) -> Option<Change> {
        if self.witnesses[which].role.electric != Some(Electric::Compressor) {
            return None;
        }
        match self.compressor {
            Compressor::On(_) if runs => return None,
            Compressor::Off(_) if !runs => return None,
            _ => {}
        }
        self.compressor = if runs { Compressor::On(moment) } else { Compressor::Off(moment) };
        self.turned_s = moment.map_or(f64::NEG_INFINITY, |moment| moment.at_s);
        Some(Change { runs, moment, witnesses: vec![which] })
    }

    /// Weighs all channels and tells a start or stop when they suffice.
    fn weigh(&mut self, now_s: f64) -> Option<Change> {
        if now_s - self.turned_s < TURN_S_MIN {
            return None;
        }
        let (mut all, mut says) = (0.0, 0.0);
        for witness in self.witnesses.iter_mut().filter(|witness| witness.heard(now_s)) {
            witness.look_back(self.turned_s);
            all += witness.role.weight;
            says += witness.role.weight * witness.says();
        }
        if all == 0.0 {
            return None;
        }
        let enough = (SHARE_FEW + 0.15 - 0.1 * all / 1.3).clamp(SHARE_MIN, SHARE_FEW);
        let runs = if says / all >= enough {
            true
        } else if says / all <= -enough {
            false
        } else {
            return None;
        };
        match self.compressor {
            // A whole swing the same way again: the turn between was not heard.
            Compressor::On(_) if runs => {
                self.swings_again(1.0, now_s).then(|| self.turn(runs, now_s))
            }
            Compressor::Off(_) if !runs => None,
            _ => Some(self.turn(runs, now_s)),
        }
    }

    /// Whether, long after the last turn, the channels come back and then go most of a whole swing
    /// the same way.
    fn swings_again(&self, way: f64, now_s: f64) -> bool {
        let (mut all, mut says) = (0.0, 0.0);
        for witness in self.witnesses.iter().filter(|witness| witness.heard(now_s)) {
            let net = way * witness.role.start_sign * (witness.travel.up - witness.travel.down);
            let swing = witness.swing();
            let came_back = witness.back_k >= BACK_SHARE * swing;
            all += witness.role.weight;
            if came_back || net < 0.0 {
                says += witness.role.weight * (net / swing).clamp(-1.0, 1.0);
            }
        }
        now_s - self.turned_s > AGAIN_S && says >= AGAIN_SHARE * all
    }

    fn turn(&mut self, runs: bool, now_s: f64) -> Change {
        let way = if runs { 1.0 } else { -1.0 };
        let since = self.turned_s;
        let mut found: Vec<(usize, f64, Moment)> = Vec::new();
        for (which, witness) in self.witnesses.iter().enumerate() {
            if witness.heard(now_s) && witness.says() * way > 0.0 {
                let toward = way * witness.role.start_sign;
                let bend = witness.course.bend(
                    toward,
                    witness.interval_s,
                    since,
                    f64::INFINITY,
                    (witness.lag_s, witness.role.turn_delay_s),
                );
                found.extend(bend.map(|moment| (which, witness.role.weight, moment)));
            }
        }
        let moment = agree(&found);
        for witness in &mut self.witnesses {
            witness.learn(runs);
        }
        self.compressor = if runs { Compressor::On(moment) } else { Compressor::Off(moment) };
        self.turned_s = moment.map_or(now_s, |moment| moment.at_s);
        Change { runs, moment, witnesses: found.iter().map(|(which, ..)| *which).collect() }
    }
}

impl Default for Cycles {
    fn default() -> Self {
        Self::new()
    }
}

impl Witness {
    /// Learns its swing from rest to run: noted as the run begins and measured as it ends.
    fn learn(&mut self, runs: bool) {
        let sign = self.role.start_sign;
        let Some((lowest, highest)) = self.course.extremes(sign) else { return };
        self.farthest_k = 0.0;
        (self.crest_k, self.back_k) = (f64::NEG_INFINITY, 0.0);
        if runs {
            self.rest_k = Some(lowest);
        } else if let Some(rest) = self.rest_k.take() {
            self.swing_k = f64::midpoint(self.swing_k, highest - rest).clamp(4.0, 40.0);
        }
    }

    /// Measures how far the channel has come since `since_s`, where there is anything new.
    fn look_back(&mut self, since_s: f64) {
        let stretch = self.course.stretch(self.interval_s, since_s);
        if stretch != self.travelled {
            self.travelled = stretch;
            self.travel = stretch.map_or(Travel::default(), |(back, _)| self.course.travel(back));
        }
    }

    /// What the channel says of a start (1) or stop (−1), by how far it has come.
    fn says(&self) -> f64 {
        let least = TRAVEL_K_MIN.max(TRAVEL_SIGMAS * self.scatter_k / 2.0);
        let net = self.travel.up - self.travel.down;
        if net.abs() < least {
            return 0.0;
        }
        (self.role.start_sign * net / (SWING_SHARE * self.swing())).clamp(-1.0, 1.0)
    }

    /// How far it goes between rest and run (K): what it has done in this run tells that better than
    /// what is usual.
    fn swing(&self) -> f64 {
        self.swing_k.max(GONE_SHARE * self.farthest_k)
    }

    /// A reading of current or power: whether it tells another state than before, and when the
    /// change fell, between this reading and the last.
    fn switch(
        &mut self,
        t: f64,
        x: f64,
        electric: Electric,
        silent: bool,
    ) -> Option<(bool, Option<Moment>)> {
        let value = x * self.role.unit_per_k;
        // One is counted in amperes, the other in watts; the role's unit tells them apart.
        let amperes = self.role.unit_per_k < 1.0;
        let limit = match (electric, amperes) {
            (Electric::Compressor, true) => RUNNING_A,
            (Electric::Compressor, false) => RUNNING_W,
            (Electric::IndoorFan, true) => FAN_A,
            (Electric::IndoorFan, false) => FAN_W,
        };
        let runs = value > limit;
        let before = self.level.replace((t, value)).filter(|_| !silent);
        if self.runs == Some(runs) && !silent {
            return None;
        }
        self.runs = Some(runs);
        let moment = before.map(|(before_s, _)| Moment {
            at_s: f64::midpoint(before_s, t),
            uncertainty_s: (t - before_s) / 12.0_f64.sqrt(),
        });
        Some((runs, moment))
    }
}

/// The moment that the best witnesses agree on: the surest for its weight, and all that lie near.
fn agree(found: &[(usize, f64, Moment)]) -> Option<Moment> {
    let doubt = |(_, weight, moment): &(usize, f64, Moment)| moment.uncertainty_s / weight;
    let (_, _, best) = found.iter().min_by(|a, b| doubt(a).total_cmp(&doubt(b)))?;
    let (mut weight, mut sum) = (0.0, 0.0);
    for (_, _, moment) in found {
        let apart = (moment.at_s - best.at_s).abs();
        let both = libm::hypot(moment.uncertainty_s, best.uncertainty_s);
        if apart <= 2.0 * both {
            let share = 1.0 / (moment.uncertainty_s * moment.uncertainty_s).max(0.25);
            weight += share;
            sum += share * moment.at_s;
        }
    }
    // The witnesses share their lag, so more of them do not make it surer than the best.
    Some(Moment { at_s: sum / weight, uncertainty_s: best.uncertainty_s })
}

/// What the levels at hand say of the compressor, where they are clear (°C).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Levels {
    /// Discharge line.
    pub discharge: Option<f64>,
    /// Suction line.
    pub suction: Option<f64>,
    /// Supply air.
    pub supply: Option<f64>,
    /// Return or mixed air.
    pub back: Option<f64>,
    /// Air that leaves the outdoor coil.
    pub leaving: Option<f64>,
    /// Air that enters it.
    pub outdoor: Option<f64>,
    /// Low-side pressure (Pa).
    pub low_pa: Option<f64>,
    /// High-side pressure (Pa).
    pub high_pa: Option<f64>,
    /// Whether supply air holds still (a duct that warms up after a stop does not).
    pub supply_holds: bool,
}

impl Levels {
    /// Whether the compressor runs, where the levels leave no doubt.
    pub fn runs(&self, mode: Mode) -> Option<bool> {
        if let (Some(low), Some(high)) = (self.low_pa, self.high_pa) {
            // Pressures equalise within minutes of a stop; a run holds them far apart.
            if high > 1.5 * low {
                return Some(true);
            }
            if high < 1.1 * low {
                return Some(false);
            }
        }
        let split = difference(self.back, self.supply).map(f64::abs);
        let rise = difference(self.leaving, self.outdoor).map(|k| match mode {
            Mode::Cooling => k,
            Mode::Heating => -k,
            Mode::Auto => k.abs(),
        });
        let lift = difference(self.discharge, self.suction);
        let runs = [
            rise.is_some_and(|k| k > 5.0),
            lift.is_some_and(|k| k > 20.0) && rise.is_none_or(|k| k > 2.0) && self.supply_holds,
            split.is_some_and(|k| k > 6.0) && self.supply_holds && rise.is_none() && lift.is_none(),
        ];
        if runs.contains(&true) {
            return Some(true);
        }
        let known = [rise.map(|k| k.abs() < 1.5), lift.map(|k| k < 5.0), split.map(|k| k < 2.0)];
        let known: Vec<bool> = known.into_iter().flatten().collect();
        (!known.is_empty() && known.iter().all(|rests| *rests)).then_some(false)
    }
}

fn difference(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    Some(a? - b?)
}
