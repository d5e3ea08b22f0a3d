//! Settling against the noise-free temperature at the sensor: false calls, missed runs, delay.

use settled::engine::channel::{Channel, Position};
use settled::engine::job::{Job, Mode, Settle};
use settled::engine::reading::{ChannelId, Reading, SettledSet, State};
use settled::engine::signals::{SignalEvent, Signals};
use settled::units::quantity::{Quantity, QuantityKind};
use settled::units::time::Elapsed;
use settled::virtual_unit::scenario::Scenario;

use crate::cycles::shift;
use crate::plant::Dice;
use crate::visit::{Visit, any, kind_of, truth, visit};

const WINDOW_S: usize = 300;
const DRIFT_K_PER_S: f64 = 0.1 / 60.0;
const SPREAD_K: f64 = 0.5;
/// What a set claims for the rest of its run, conditions held: no more than the drift that the
/// limit allows within one window.
const TOLERANCE_K: f64 = DRIFT_K_PER_S * WINDOW_S as f64;

/// How a pressure compares with kelvins, as the job's limits mean it.
fn unit_per_k(channel: &str) -> f64 {
    match channel {
        "suction-line.pressure" => 28_000.0,
        "liquid-line.pressure" => 62_000.0,
        _ => 1.0,
    }
}

fn matters(channel: &str) -> bool {
    let channel: Channel = channel.parse().unwrap();
    matches!(channel.kind, QuantityKind::Temperature | QuantityKind::Pressure)
        && channel.place.position != Position::OutdoorAir
}

/// Slope (K/s) and spread (K) of the window that ends at `to`.
fn window(values: &[f64], to: usize, unit: f64) -> (f64, f64) {
    let part = &values[to - WINDOW_S..to];
    let n = WINDOW_S as f64;
    let mean = part.iter().sum::<f64>() / n / unit;
    let (mut tt, mut tx, mut xx) = (0.0, 0.0, 0.0);
    for (k, value) in part.iter().enumerate() {
        let (t, x) = (k as f64 - (n - 1.0) / 2.0, value / unit - mean);
        tt += t * t;
        tx += t * x;
        xx += x * x;
    }
    (tx / tt, (xx / n).sqrt())
}

/// Likely, lowest and highest (s).
type Interval = (f64, f64, f64);

/// What was told and shown along the way.
pub struct Told {
    pub states: Vec<(f64, State)>,
    pub sets: Vec<SettledSet>,
    /// For when, what, and the rest.
    pub remarks: Vec<(f64, &'static str, String)>,
    /// Moment, minutes-left estimate: likely, low, high (s).
    pub left: Vec<(f64, Option<Interval>)>,
    pub reasons: Vec<(f64, String)>,
}

pub fn listen(visit: &Visit, length: u64) -> Told {
    let settle = Settle::default();
    let job = Job { mode: Mode::Cooling, settle, ..Job::default() };
    let mut signals = Signals::new(&job);
    for (name, instrument) in &visit.channels {
        signals.add_channel(&name.parse().unwrap(), *instrument, None);
    }
    let kinds: Vec<QuantityKind> = visit.channels.iter().map(|(name, _)| kind_of(name)).collect();
    let mut told = Told {
        states: Vec::new(),
        sets: Vec::new(),
        remarks: Vec::new(),
        left: Vec::new(),
        reasons: Vec::new(),
    };
    let mut out = Vec::new();
    let mut next = 0;
    for second in 1..=length {
        while visit.heard.get(next).is_some_and(|heard| heard.at_ms < second * 1000) {
            let heard = visit.heard[next];
            next += 1;
            let Some(quantity) = Quantity::new(kinds[heard.which], heard.value) else { continue };
            let channel = ChannelId(heard.which as u16);
            signals.take(&Reading { at: Elapsed::from_ms(heard.at_ms), channel, quantity });
        }
        let at = Elapsed::from_secs(second);
        if second == length {
            signals.finish(at, &mut out);
        } else {
            signals.tick(at, &mut out);
        }
        if second % 10 == 0 {
            let left = signals.progress().left;
            told.left.push((second as f64, left.map(|l| (l.likely_s, l.low_s, l.high_s))));
            told.reasons.push((second as f64, signals.progress().reason.clone()));
        }
        for event in out.drain(..) {
            match event {
                SignalEvent::State(state) => told.states.push((second as f64, state)),
                SignalEvent::SettledSet(set) => told.sets.push(set),
                SignalEvent::Remark { at, event, detail, .. } => {
                    told.remarks.push((at.as_secs(), event, detail));
                }
                SignalEvent::Cycle(_) => {}
            }
        }
    }
    told
}

#[derive(Debug, Default)]
pub struct Score {
    pub runs: usize,
    pub called: usize,
    pub false_drift: usize,
    pub false_later: usize,
    pub missed: usize,
    pub cannot_show: usize,
    pub truly: usize,
    /// Delay of the call after the truth at 1 Hz (s).
    pub delays: Vec<f64>,
    /// From start to call (s).
    pub times: Vec<f64>,
    pub hunting: usize,
    pub left_shown: usize,
    pub left_asked: usize,
    pub left_near: usize,
    pub left_covered: usize,
}

impl Score {
    pub fn take(&mut self, scenario: &Scenario, loud: bool) {
        let Some(heard) = visit(scenario) else { return };
        let truth = truth(scenario);
        let length = scenario.length.as_secs();
        let told = listen(&heard, length);
        for run in &heard.runs {
            let start = run.start.as_secs() as usize;
            let stop = run.stop.map_or(length as usize, |stop| stop.as_secs() as usize);
            self.one(scenario, &heard, &truth, &told, (start, stop), loud);
        }
    }

    #[expect(clippy::too_many_arguments, reason = "one run of one visit, and all known of it")]
    fn one(
        &mut self,
        scenario: &Scenario,
        heard: &Visit,
        truth: &[Vec<f64>],
        told: &Told,
        (start, stop): (usize, usize),
        loud: bool,
    ) {
        self.runs += 1;
        let deciding: Vec<usize> =
            (0..truth.len()).filter(|which| matters(&heard.channels[*which].0)).collect();
        // The worst drift and spread of the window that ends at a moment.
        let worst = |to: usize| {
            deciding.iter().fold((0.0_f64, 0.0_f64), |(drift, spread), which| {
                let unit = unit_per_k(&heard.channels[*which].0);
                let (d, s) = window(&truth[*which], to, unit);
                (drift.max(d.abs()), spread.max(s))
            })
        };
        let holds = |to: usize| {
            let (drift, spread) = worst(to);
            drift <= DRIFT_K_PER_S && spread <= SPREAD_K
        };
        let first = start + WINDOW_S;
        let truly = (first..stop).step_by(5).find(|to| holds(*to));
        let call = told
            .states
            .iter()
            .find(|(at, state)| {
                *state == State::Settled && *at > start as f64 && *at < stop as f64 + 90.0
            })
            .map(|(at, _)| *at as usize);
        let hunts = told
            .states
            .iter()
            .any(|(at, state)| *state == State::Hunting && *at > start as f64 && *at < stop as f64);
        self.hunting += usize::from(hunts);
        if let Some(call) = call {
            self.called += 1;
            self.times.push((call - start) as f64);
            let (drift, _) = worst(call);
            if drift > 1.5 * DRIFT_K_PER_S {
                self.false_drift += 1;
                if loud {
                    println!(
                        "FALSE drift {:.3} K/min at {call} of {start}..{stop} {:?} {:?}",
                        drift * 60.0,
                        scenario.probes,
                        scenario.hunting
                    );
                }
            }
            if let Some(truly) = truly
                && scenario.probes.interval.as_millis() == 1_000
            {
                self.delays.push(call as f64 - truly as f64);
            }
            self.left(told, (start, call));
        } else if let Some(truly) = truly {
            let held = (truly..stop).step_by(5).take_while(|to| holds(*to)).count() * 5;
            if held > 2 * WINDOW_S {
                // What was said of the run in the end, or last where its stop was not heard.
                let at_end = told.remarks.iter().find(|(at, event, _)| {
                    *event == "run_never_settled" && (*at - stop as f64).abs() < 300.0
                });
                let last = || told.reasons.iter().rfind(|(at, _)| *at < stop as f64).unwrap();
                let why = at_end.map_or_else(|| last().1.as_str(), |(_, _, why)| why.as_str());
                if why.contains("cannot be shown") {
                    self.cannot_show += 1;
                } else {
                    self.missed += 1;
                    if loud {
                        println!(
                            "MISSED {start}..{stop} true at {truly}, held {held}: {why} {:?} {:?}",
                            scenario.probes, scenario.hunting
                        );
                    }
                }
            }
        }
        self.truly += usize::from(truly.is_some());
        for set in &told.sets {
            let to = set.to.as_secs() as usize;
            if to > start && to < stop && !keeps(set, heard, truth, to, stop) {
                self.false_later += 1;
                if loud {
                    println!(
                        "LEFT the set {} to {} of {start}..{stop} {:?}",
                        set.from, set.to, scenario.probes
                    );
                }
            }
        }
    }

    fn left(&mut self, told: &Told, (start, call): (usize, usize)) {
        let half = usize::midpoint(start, call) as f64;
        self.left_asked += 1;
        let Some((at, Some((likely, low, high)))) = told.left.iter().find(|(at, _)| *at >= half)
        else {
            return;
        };
        let remains = call as f64 - at;
        self.left_shown += 1;
        let near = (likely - remains).abs() <= (0.25 * remains).max(60.0);
        self.left_near += usize::from(near);
        if std::env::var("LEFT").is_ok() {
            let why = &told.reasons.iter().find(|(t, _)| t >= at).unwrap().1;
            println!(
                "LEFT at {at} of {start}..{call}: remains {remains:.0}, said {likely:.0} ({low:.0} to {high:.0}) {near} {why}"
            );
        }
        self.left_covered += usize::from((*low..=*high).contains(&remains));
    }

    pub fn print(&self, what: &str) {
        let sorted = |values: &[f64]| {
            let mut values = values.to_vec();
            values.sort_by(f64::total_cmp);
            values
        };
        let at = |values: &[f64], share: f64| {
            values
                .get(((values.len() as f64 - 1.0) * share).max(0.0) as usize)
                .copied()
                .unwrap_or(f64::NAN)
        };
        let (delays, times) = (sorted(&self.delays), sorted(&self.times));
        println!(
            "{what}: runs {}, truly settled {}, called {}, false by drift {}, left the set {}, missed {}, cannot be shown {}, hunting {}",
            self.runs,
            self.truly,
            self.called,
            self.false_drift,
            self.false_later,
            self.missed,
            self.cannot_show,
            self.hunting,
        );
        println!(
            "  delay after the truth at 1 Hz 5/50/95 %: {:.0} {:.0} {:.0} s; call after the start 5/50/95 %: {:.1} {:.1} {:.1} min; before fifteen minutes {:.0} %",
            at(&delays, 0.05),
            at(&delays, 0.5),
            at(&delays, 0.95),
            at(&times, 0.05) / 60.0,
            at(&times, 0.5) / 60.0,
            at(&times, 0.95) / 60.0,
            100.0 * times.iter().filter(|t| **t < 900.0).count() as f64 / times.len().max(1) as f64,
        );
        let count = times.len().max(1) as f64;
        let mut from = 0.0;
        for to in [10.0, 12.0, 15.0, 20.0, 30.0, f64::INFINITY] {
            let within = times.iter().filter(|t| (from..to).contains(&(**t / 60.0))).count();
            println!(
                "  called {from:2.0} to {to:2.0} min after the start: {:4.1} %",
                100.0 * within as f64 / count
            );
            from = to;
        }
        let early: Vec<f64> = times.iter().filter(|t| **t < 900.0).map(|t| 900.0 - t).collect();
        println!(
            "  of those before fifteen minutes, earlier by 5/50/95 %: {:.1} {:.1} {:.1} min",
            at(&early, 0.95) / 60.0,
            at(&early, 0.5) / 60.0,
            at(&early, 0.05) / 60.0,
        );
        println!(
            "  minutes left, half-way: shown {} of {}, near {}, interval holds {}",
            self.left_shown, self.left_asked, self.left_near, self.left_covered,
        );
    }
}

/// Whether every true value stays within the set's 95 % interval and the tolerance to the end of
/// the run, as long as the air that enters both coils stays within the tolerance itself.
fn keeps(set: &SettledSet, heard: &Visit, truth: &[Vec<f64>], to: usize, stop: usize) -> bool {
    let at = |name: &str| heard.channels.iter().position(|(channel, _)| channel == name).unwrap();
    let (back, outdoor) = (at("return-air.temperature"), at("outdoor-air.temperature"));
    let held = (to..stop).find(|second| {
        [back, outdoor]
            .iter()
            .any(|which| (truth[*which][*second] - truth[*which][to]).abs() > 0.5 * TOLERANCE_K)
    });
    // The second of the stop already sees pressures fall.
    let until = held.unwrap_or(stop - 1).min(stop - 1);
    set.values.iter().all(|value| {
        let name = value.channel.to_string();
        if !matters(&name) {
            return true;
        }
        let limit = 2.0 * value.uncertainty + TOLERANCE_K * unit_per_k(&name);
        let far = truth[at(&name)][to..until]
            .iter()
            .fold(0.0_f64, |far, x| far.max((x - value.quantity.get()).abs()));
        if far > limit && std::env::var("LOUD").is_ok() {
            println!("  {name} off by {far:.2}, limit {limit:.2}, until {until}");
        }
        far <= limit
    })
}

#[test]
fn settled_is_called_when_it_is_true() {
    let full = std::env::var("SETTLED_FULL").is_ok();
    let count = if full { 800 } else { 24 };
    let loud = std::env::var("LOUD").is_ok();
    let mut dice = Dice::new(71_301 + shift());
    let mut score = Score::default();
    for seed in 0..count {
        score.take(&any(&mut dice, 340_000 + 1_000 * shift() + seed), loud);
    }
    score.print("settling");
    let called = score.called as f64;
    let wrong = (score.false_drift + score.false_later) as f64;
    let shown = score.left_shown as f64;
    if full {
        assert!(wrong < 0.01 * called);
        assert!((score.missed as f64) < 0.05 * score.truly as f64);
        assert!((0.85..=0.98).contains(&(score.left_covered as f64 / shown)));
    } else {
        // Of a small sample one may be wrong by chance.
        assert!(called >= 8.0 && wrong <= 1.0 && score.missed <= 1);
        assert!(score.left_covered as f64 >= 0.75 * shown);
    }
    let mut delays = score.delays.clone();
    delays.sort_by(f64::total_cmp);
    assert!(delays[delays.len() / 2] < 60.0);
    assert!(shown >= 0.7 * score.left_asked as f64);
    assert!(score.left_near as f64 >= 0.8 * shown);
}
