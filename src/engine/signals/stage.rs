//! Steps of the compressor's speed within a run: settling begins anew at each.

use super::{BEFORE_STOP_S, STARTING_S, SignalEvent, Signals};
use crate::engine::cycle::Compressor;
use crate::engine::role::Electric;
use crate::engine::window::Block;
use crate::units::time::Elapsed;

/// Blocks on either side of a step (3 to 6; default 3): half a minute with the usual window.
const SIDE: usize = 3;
/// Least step, as a share of the smaller value (0.15 to 0.5; default 0.2). The second stage of
/// a two-stage compressor adds about a half; a condenser fan less than a tenth. Common practice, no
/// source.
const STEP_SHARE: f64 = 0.2;
/// How many standard deviations of the blocks a step must be (4 to 10; default 6).
const STEP_SIGMAS: f64 = 6.0;

impl Signals {
    /// Looks for a step in the outdoor unit's current or power while the compressor runs.
    pub(super) fn look_for_stage(&mut self) {
        if !matches!(self.cycles.compressor(), Compressor::On(_)) || self.defrost {
            return;
        }
        // What starts draws more for a while, and that is no stage.
        let since_s = (self.settling_since_s + STARTING_S).max(self.stepped_s);
        let found = self.tracks.iter().find_map(|track| {
            if track.role.electric != Some(Electric::Compressor) {
                return None;
            }
            let blocks = track.window.blocks();
            let count = blocks.len().checked_sub(2 * SIDE)?;
            let recent: Vec<&Block> = blocks.range(count..).collect();
            let (before, after) = recent.split_at(SIDE);
            if recent[0].from_s < since_s {
                return None;
            }
            let (from, to) = step(before, after)?;
            let unit = track.role.unit_per_k;
            let detail = format!(
                "went from {:.1} to {:.1} {}; settling starts again",
                from * unit,
                to * unit,
                track.channel.kind.unit(),
            );
            Some((track.channel.to_string(), after[0].from_s, detail))
        });
        let Some((subject, at_s, detail)) = found else { return };
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
