//! Steps of the compressor's speed within a run: settling begins anew at each.

use std::collections::VecDeque;

use super::track::Track;
use super::{BEFORE_STOP_S, STARTING_S, SignalEvent, Signals};
use crate::engine::channel::Position;
use crate::engine::cycle::Compressor;
use crate::engine::phrase::Phrase;
use crate::engine::role::Electric;
use crate::engine::window::Block;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Blocks on either side of a step (3 to 6; default 3): half a minute with the usual window.
const SIDE: usize = 3;
/// Least step, as a share of the smaller value (0.15 to 0.5; default 0.2). The second stage of
/// a two-stage compressor adds about a half; a condenser fan less than a tenth. Common practice, no
/// source.
const STEP_SHARE: f64 = 0.2;
/// How many standard deviations of the blocks a step must be (4 to 10; default 6).
const STEP_SIGMAS: f64 = 6.0;

/// Without electricity both pressures tell: another stage moves them apart or together, while the
/// room, the weather and a condenser fan move both one way or only one. How long they may take (s, 120
/// to 300; default 180), and how far they must go (K of saturation, 0.5 to 3; defaults 0.8 and 1.2).
/// From the virtual unit; no source.
const APART_S: f64 = 180.0;
const LOW_K_MIN: f64 = 0.8;
const HIGH_K_MIN: f64 = 1.2;
/// How long after a start or a step pressures still move by themselves (s, 180 to 600; default 360).
const CALM_S: f64 = 360.0;
/// A pressure has left its old level once it has gone this share of the way (0.1 to 0.4).
const LEFT_SHARE: f64 = 0.2;

/// A step as it was found.
struct Step {
    subject: String,
    at_s: f64,
    detail: String,
}

impl Signals {
    /// Looks for a step of the compressor's speed while it runs.
    pub(super) fn look_for_stage(&mut self) {
        if !matches!(self.cycles.compressor(), Compressor::On(_)) || self.defrost {
            return;
        }
        let found = if self.cycles.electricity_heard(self.now_s) {
            self.step_of_electricity()
        } else if self.stages > 1 {
            self.step_of_pressures()
        } else {
            None
        };
        let Some(Step { subject, at_s, detail }) = found else { return };
        // Before a step that is told late there may have been a stretch that held.
        self.take_last_set(at_s - BEFORE_STOP_S);
        self.last_set_s = None;
        self.stepped_s = at_s;
        self.restart_windows(at_s, false);
        if !self.variable_speed {
            self.queue.push(SignalEvent::Remark {
                at: Elapsed::from_ms((at_s * 1000.0) as u64),
                event: "stage_changed",
                subject,
                detail,
            });
        }
    }

    /// A step in the outdoor unit's current or power.
    fn step_of_electricity(&self) -> Option<Step> {
        // What starts draws more for a while, and that is no stage.
        let since_s = (self.settling_since_s + STARTING_S).max(self.stepped_s);
        self.tracks.iter().find_map(|track| {
            if track.role.electric != Some(Electric::Compressor) {
                return None;
            }
            let blocks = track.window.blocks();
            let first = blocks.len().checked_sub(2 * SIDE)?;
            if blocks[first].from_s < since_s {
                return None;
            }
            let recent: Vec<&Block> = blocks.range(first..).collect();
            let (before, after) = recent.split_at(SIDE);
            let (from, to) = step(before, after)?;
            let detail = self.moved(track, from, to);
            Some(Step {
                subject: track.channel.to_string(),
                at_s: after[0].from_s,
                detail: format!("{detail}; settling starts again"),
            })
        })
    }

    /// Both pressures on their way apart or together; where they are not heard, that the stages cannot
    /// be told is remarked once.
    fn step_of_pressures(&mut self) -> Option<Step> {
        let find = |places: [&Position; 2]| {
            self.tracks.iter().find(|track| {
                track.channel.kind == QuantityKind::Pressure
                    && places.contains(&&track.channel.place.position)
                    && self.heard(track)
            })
        };
        let low = find([&Position::SuctionLine, &Position::SuctionLineIndoor]);
        let high = find([&Position::LiquidLine, &Position::DischargeLine]);
        let (Some(low), Some(high)) = (low, high) else {
            if !std::mem::replace(&mut self.stages_told, true) {
                self.queue.push(SignalEvent::Remark {
                    at: Elapsed::from_ms((self.now_s * 1000.0) as u64),
                    event: "stages_not_determinable",
                    subject: "outdoor-unit".to_owned(),
                    detail:
                        "without current, power or both pressures it cannot be told which stage \
                             runs; settling sees a change of stage only as far as the readings move"
                            .to_owned(),
                });
            }
            return None;
        };
        let since_s = self.settling_since_s.max(self.stepped_s) + CALM_S;
        let (low_from, low_to, _) = way(low.window.blocks(), since_s)?;
        let (high_from, high_to, left_s) = way(high.window.blocks(), since_s)?;
        let (fall, rise) = (low_from - low_to, high_to - high_from);
        let apart = fall * rise > 0.0 && fall.abs() >= LOW_K_MIN && rise.abs() >= HIGH_K_MIN;
        apart.then(|| Step {
            subject: low.channel.to_string(),
            at_s: left_s,
            detail: format!(
                "{} so far, while {} {}; settling starts again",
                self.moved(low, low_from, low_to),
                high.channel,
                self.moved(high, high_from, high_to)
            ),
        })
    }

    fn moved(&self, track: &Track, from: f64, to: f64) -> String {
        let said = Phrase::of(track.channel.kind, self.units);
        let unit = track.role.unit_per_k;
        format!("went from {} to {}", said.value(from * unit), said.value(to * unit))
    }
}

/// The level some minutes ago and now, and when the course left the former (K, K, s); `None` while not
/// all of that lies after `since_s`.
fn way(blocks: &VecDeque<Block>, since_s: f64) -> Option<(f64, f64, f64)> {
    let last = blocks.back()?;
    let first = blocks.partition_point(|block| block.from_s < last.to_s - APART_S);
    let recent: Vec<&Block> = blocks.range(first..).collect();
    if recent.len() < 3 * SIDE || recent[0].from_s < since_s {
        return None;
    }
    let (from, _) = mean(&recent[..SIDE]);
    let (to, _) = mean(&recent[recent.len() - SIDE..]);
    let left = recent.iter().find(|block| (block.x - from) / (to - from) > LEFT_SHARE)?;
    Some((from, to, left.from_s))
}

/// The levels before and after, where a step lies between them (K of the role).
fn step(before: &[&Block], after: &[&Block]) -> Option<(f64, f64)> {
    let (from, below) = mean(before);
    let (to, above) = mean(after);
    let size = (to - from).abs();
    let least = STEP_SHARE * from.abs().min(to.abs());
    (size > least && size > STEP_SIGMAS * (below + above).sqrt()).then_some((from, to))
}

fn mean(blocks: &[&Block]) -> (f64, f64) {
    let n = blocks.len() as f64;
    let mean = blocks.iter().map(|block| block.x).sum::<f64>() / n;
    let squares = blocks.iter().map(|block| (block.x - mean) * (block.x - mean)).sum::<f64>();
    (mean, squares / (n - 1.0))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{goes, hear, remarks};
    use super::*;
    use crate::engine::job::{Job, Unit};

    /// Made-up pressures (Pa) of a run from 100 s on, whose first stage becomes the second at 1500 s;
    /// `low` and `high` say how far each goes then.
    fn told(channels: &[&str], (low, high): (f64, f64)) -> Vec<(f64, SignalEvent)> {
        let job = Job { unit: Unit { stages: 2, ..Unit::default() }, ..Job::default() };
        let rest = 1_500_000.0;
        let suction =
            move |t: f64| goes(rest, 1_000_000.0, 100.0, t) + goes(0.0, low * 28_000.0, 1_500.0, t);
        let liquid = move |t: f64| {
            goes(rest, 2_400_000.0, 100.0, t) + goes(0.0, high * 62_000.0, 1_500.0, t)
        };
        let supply = |t: f64| goes(25.0, 14.0, 100.0, t);
        let all: [(&str, &dyn Fn(f64) -> f64); 3] = [
            ("suction-line.pressure", &suction),
            ("liquid-line.pressure", &liquid),
            ("supply-air.temperature", &supply),
        ];
        let heard: Vec<_> = all.into_iter().filter(|one| channels.contains(&one.0)).collect();
        hear(&job, 2_400, &heard).1
    }

    const ALL: [&str; 3] =
        ["suction-line.pressure", "liquid-line.pressure", "supply-air.temperature"];

    #[test]
    fn pressures_that_part_tell_a_stage_where_no_current_is_heard() {
        let told = told(&ALL, (-2.5, 4.0));
        let found = remarks(&told, "stage_changed");
        let [SignalEvent::Remark { at, detail, .. }] = found[..] else { panic!("{told:?}") };
        assert!((at.as_secs() - 1_500.0).abs() < 60.0, "{at:?}");
        // 1000 kPa and 2400 kPa, in the units of the job.
        assert!(detail.starts_with("went from 145.0 psia"), "{detail}");
        assert!(detail.contains("liquid-line.pressure went from 348.1 psia"), "{detail}");
    }

    #[test]
    fn a_condenser_fan_or_a_warmer_room_is_no_stage() {
        for moves in [(-0.3, 6.0), (2.0, 4.0), (0.0, -6.0)] {
            assert!(remarks(&told(&ALL, moves), "stage_changed").is_empty(), "{moves:?}");
        }
    }

    #[test]
    fn where_nothing_shows_the_stages_it_is_said_once() {
        let told = told(&ALL[1..], (-2.5, 4.0));
        assert!(remarks(&told, "stage_changed").is_empty());
        assert_eq!(remarks(&told, "stages_not_determinable").len(), 1);
    }
}
