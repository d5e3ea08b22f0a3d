//! Which clamp is which, on the virtual unit: how often a placement that is called is right, how
//! many are called, whether the odds are honest, whether a swap in a job is found.

#![expect(clippy::unwrap_used, reason = "a study that cannot go on must stop")]

#[path = "plant.rs"]
#[expect(dead_code, reason = "of the plant only the dice are used")]
mod plant;
#[path = "visit.rs"]
#[expect(dead_code, reason = "the truth at the sensors is not looked at")]
mod visit;

use std::fmt::Write as _;
use std::time::Duration;

use plant::Dice;
use settled::engine::channel::Position;
use settled::engine::job::Mode;
use settled::engine::place::{self, Placed, Question, Trace};
use settled::units::time::Elapsed;
use settled::virtual_unit::scenario::Scenario;

/// Ten minutes of running are looked at.
const LOOKED_AT: Duration = Duration::from_mins(10);

/// A start as its probes told it, with the position that each trace truly has.
struct Start {
    scenario: Scenario,
    traces: Vec<Trace>,
    truth: Vec<Position>,
}

/// Any unit, weather, fault and probes, up to ten minutes after the first start; the probes in an
/// order that tells nothing.
fn start(dice: &mut Dice, seed: u64, told: bool) -> Option<Start> {
    let scenario = visit::any(dice, seed);
    let visit = visit::visit(&scenario)?;
    let until = visit.runs.first()?.start + LOOKED_AT;
    let temperatures =
        visit.channels.iter().enumerate().filter(|(_, (name, _))| name.ends_with(".temperature"));
    let mut each: Vec<(Position, Trace)> = temperatures
        .map(|(which, (name, _))| {
            let place = name.trim_end_matches(".temperature");
            let mut samples: Vec<(Elapsed, f64)> = visit
                .heard
                .iter()
                .filter(|heard| heard.which == which)
                .map(|heard| (Elapsed::from_ms(heard.at_ms), heard.value))
                .filter(|(at, _)| *at <= until)
                .collect();
            samples.sort_by_key(|(at, _)| *at);
            let humid =
                told && visit.channels.iter().any(|(n, _)| *n == format!("{place}.humidity"));
            // The kit's two clamps on one device; nothing else has two temperatures.
            let paired = told && ["suction-line", "liquid-line"].contains(&place);
            (place.parse().unwrap(), Trace { samples, humid, paired })
        })
        .collect();
    for last in (1..each.len()).rev() {
        each.swap(last, (dice.next() % (last as u64 + 1)) as usize);
    }
    let (truth, traces) = each.into_iter().unzip();
    Some(Start { scenario, traces, truth })
}

fn placed(start: &Start, job: Option<Vec<Option<Position>>>) -> Option<Placed> {
    let question = Question { job, ..Question::usual(Mode::Cooling, start.traces.len()) };
    place::place(&start.traces, &question).ok()
}

#[derive(Default)]
struct Count {
    starts: usize,
    nothing: usize,
    placements: usize,
    called: usize,
    right: usize,
    /// By odds: how many, how many right, and the sum of what was claimed.
    bands: [(usize, usize, f64); 6],
    false_alarms: usize,
    swaps: usize,
    found: usize,
    wrong: Vec<String>,
    uncalled: std::collections::BTreeMap<String, usize>,
}

const BANDS: [f64; 5] = [1.0, 3.0, 10.0, 20.0, 60.0];

impl Count {
    fn take(&mut self, start: &Start, dice: &mut Dice) {
        self.starts += 1;
        let truth: Vec<Option<Position>> = start.truth.iter().cloned().map(Some).collect();
        let Some(placed) = placed(start, Some(truth)) else {
            self.nothing += 1;
            self.placements += start.truth.len();
            return;
        };
        self.false_alarms += usize::from(!placed.doubts.is_empty());
        for (placement, truth) in placed.placements.iter().zip(&start.truth) {
            let right = placement.position == *truth;
            self.placements += 1;
            let band = BANDS.iter().filter(|limit| placement.odds >= **limit).count();
            let band = &mut self.bands[band];
            *band = (
                band.0 + 1,
                band.1 + usize::from(right),
                band.2 + placement.odds / (1.0 + placement.odds),
            );
            if placement.is_called() {
                self.called += 1;
                self.right += usize::from(right);
                if !right {
                    self.wrong.push(format!(
                        "{truth} called {} at {:.0}: {:?} {:?}",
                        placement.position,
                        placement.odds,
                        start.scenario.metering,
                        start.scenario.faults
                    ));
                }
            } else {
                let rival = placement.all.iter().find(|(p, _)| *p != placement.position);
                let rival = rival.map(|(p, _)| p.to_string()).unwrap_or_default();
                let pair = format!("{truth}, best {} against {rival}", placement.position);
                *self.uncalled.entry(pair).or_default() += 1;
            }
        }
        self.swap(start, dice);
    }

    /// Two probes change places in the job.
    fn swap(&mut self, start: &Start, dice: &mut Dice) {
        let n = start.truth.len();
        let a = (dice.next() % n as u64) as usize;
        let b = (a + 1 + (dice.next() % (n as u64 - 1)) as usize) % n;
        if !can_be_told(start, a, b) {
            return;
        }
        self.swaps += 1;
        let mut job = start.truth.clone();
        job.swap(a, b);
        let job = job.into_iter().map(Some).collect();
        let found = self::placed(start, Some(job)).is_some_and(|placed| {
            placed.doubts.iter().any(|doubt| doubt.trace == a || doubt.trace == b)
        });
        self.found += usize::from(found);
    }

    fn report(&self, name: &str) -> String {
        let mut text = format!(
            "{name}: {} starts ({} without a start found), {} placements, called {} ({:.1} %), right {} ({:.2} %)\n\
             false alarms {} ({:.2} %), swaps {}, found {} ({:.2} %)\n",
            self.starts,
            self.nothing,
            self.placements,
            self.called,
            100.0 * self.called as f64 / self.placements as f64,
            self.right,
            100.0 * self.right as f64 / self.called as f64,
            self.false_alarms,
            100.0 * self.false_alarms as f64 / self.starts as f64,
            self.swaps,
            self.found,
            100.0 * self.found as f64 / self.swaps as f64,
        );
        for (n, (count, right, claimed)) in self.bands.iter().enumerate() {
            let from = if n == 0 { 0.0 } else { BANDS[n - 1] };
            let share = |x: f64| 100.0 * x / (*count as f64).max(1.0);
            let _ = writeln!(
                text,
                "  odds from {from:>3}: {count:>6}, right {:5.1} %, claimed {:5.1} %",
                share(*right as f64),
                share(*claimed)
            );
        }
        for wrong in self.wrong.iter().take(30) {
            let _ = writeln!(text, "  wrong: {wrong}");
        }
        for (pair, count) in &self.uncalled {
            let _ = writeln!(text, "  open: {pair}: {count}");
        }
        text
    }
}

/// Whether physics sets two probes apart. The liquid line and the air that leaves the condenser stand
/// on the same side of the outdoor air, either above the other: never. Return and outdoor air, supply
/// air and the suction line do the same in a run, and only the level of the air that they rest in
/// tells them apart: where that differs by 3 K.
fn can_be_told(start: &Start, a: usize, b: usize) -> bool {
    let is = |p: Position, q: Position| {
        (start.truth[a] == p && start.truth[b] == q) || (start.truth[a] == q && start.truth[b] == p)
    };
    let rest = |trace: usize| start.traces[trace].samples[0].1;
    let apart = (rest(a) - rest(b)).abs() >= 3.0;
    let close = is(Position::ReturnAir, Position::OutdoorAir)
        || is(Position::SupplyAir, Position::SuctionLine);
    !is(Position::LiquidLine, Position::CondenserLeavingAir) && (apart || !close)
}

#[test]
fn called_placements_are_right_and_swaps_are_found() {
    let full = std::env::var_os("SETTLED_FULL").is_some();
    let (first, starts) = std::env::var("SETTLED_SEED")
        .ok()
        .and_then(|s| s.parse().ok())
        .map_or(if full { (70_000, 1_200) } else { (1, 60) }, |seed: u64| (seed, 300));
    for told in [false, true] {
        let mut dice = Dice::new(first ^ 0x5E77);
        let mut count = Count::default();
        let mut seed = first;
        while count.starts < starts {
            if let Some(start) = start(&mut dice, seed, told) {
                count.take(&start, &mut dice);
            }
            seed += 1;
        }
        println!(
            "{}",
            count.report(if told { "with what the devices tell" } else { "temperatures alone" })
        );
        let share = |part: usize, of: usize| part as f64 / of as f64;
        assert!(share(count.right, count.called) >= 0.98 || !full);
        assert!(share(count.called, count.placements) >= 0.85 || !full);
    }
}
