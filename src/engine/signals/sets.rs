//! The settled sets of a run: which are held back, which is told, and why there is none.

use std::collections::VecDeque;

use super::outlook::swings;
use super::{SignalEvent, Signals};
use crate::engine::cycle::Compressor;
use crate::engine::hunting::hunt;
use crate::engine::phrase::Phrase;
use crate::engine::progress;
use crate::engine::reading::SettledSet;
use crate::engine::run::Run;
use crate::engine::set::{Part, settled_set};
use crate::engine::settle::{Stand, judge};
use crate::engine::window::Block;
use crate::units::time::Elapsed;

/// How many sets are held back, so that one from before a stop that is told late can be taken.
const CANDIDATES_MAX: usize = 64;

impl Signals {
    /// Makes the set of the latest stretch, and tells one when a run has gone on long enough.
    pub(super) fn hold_set(&mut self) {
        let matters = self.tracks.iter().filter(|track| track.role.matters && self.heard(track));
        let (mut from_s, mut to_s) = (f64::NEG_INFINITY, f64::INFINITY);
        for track in matters {
            let (Some(stretch), Some(last)) =
                (track.judgement.stretch, track.window.blocks().back())
            else {
                return;
            };
            from_s = from_s.max(stretch.from_s);
            to_s = to_s.min(last.to_s);
        }
        if to_s - from_s <= 0.5 * self.limits.window_s {
            return;
        }
        let (now_s, silence_s) = (self.now_s, self.settle.silence.as_secs_f64());
        let mut parts: Vec<Part<'_>> = self
            .tracks
            .iter_mut()
            .filter(|track| track.heard(now_s, silence_s))
            .map(|track| Part {
                channel: &track.channel,
                blocks: track.window.blocks(),
                laid: &mut track.laid,
                instrument: &track.instrument,
                unit_per_k: track.role.unit_per_k,
                scatter_k: track.smoother.scatter_k(),
                window_s: self.limits.window_s,
                probe: track.probe,
            })
            .collect();
        let run = self.runs.open().map(Run::number);
        let started = self.runs.open().and_then(Run::started_s);
        let set = settled_set(self.sets + 1, run, (from_s, to_s), started, &mut parts);
        if self.candidates.len() == CANDIDATES_MAX {
            self.candidates.pop_front();
        }
        self.candidates.push_back(set);
        let since = self.last_set_s.unwrap_or(self.settling_since_s);
        if to_s - since >= self.settle.set_interval.as_secs_f64() {
            self.take_last_set(to_s);
        }
    }

    /// Tells the last set that ends by `until_s`, when the last one of this run is long past.
    pub(super) fn take_last_set(&mut self, until_s: f64) {
        let interval = self.settle.set_interval.as_secs_f64();
        let last = self.last_set_s;
        let fits = |set: &&SettledSet| {
            let to = set.to.as_secs();
            to <= until_s && last.is_none_or(|last| to - last >= interval)
        };
        if let Some(set) = self.candidates.iter().rev().find(fits).cloned() {
            self.sets += 1;
            self.last_set_s = Some(set.to.as_secs());
            self.runs.settled();
            self.queue.push(SignalEvent::SettledSet(set));
        }
        self.candidates.clear();
    }

    /// Of the run that goes on, nothing more is heard after `until_s`: tells why it has no set, should
    /// it have been long enough for one.
    pub(super) fn end_unheard(&mut self, until_s: f64) {
        let runs = matches!(self.cycles.compressor(), Compressor::On(_));
        let least = self.settle.run_min.max(self.settle.window).as_secs_f64();
        if runs && until_s - self.settling_since_s >= least {
            let until = Elapsed::from_ms((until_s * 1000.0) as u64);
            self.runs.never_settled(until, self.why_not(until_s), &mut self.queue);
        }
    }

    /// Why the run that ended at `until_s` has no set, in words.
    ///
    /// A stop is told late, so what was heard since is left out: it moves because of the stop.
    pub(super) fn why_not(&self, until_s: f64) -> String {
        let run_s = until_s - self.settling_since_s;
        let waiting = self.tracks.iter().filter(|track| track.role.matters && self.heard(track));
        let reasons: Vec<String> = waiting
            .filter_map(|track| {
                let blocks: VecDeque<Block> = track
                    .window
                    .blocks()
                    .iter()
                    .take_while(|b| b.to_s <= until_s)
                    .copied()
                    .collect();
                let judgement = judge(&blocks, &self.limits, track.step_k());
                if judgement.stand == Stand::Holds {
                    return None;
                }
                let said = Phrase::of(track.channel.kind, self.units);
                let unit = track.role.unit_per_k;
                let reason = match hunt(&blocks) {
                    Some(hunt) => swings(&hunt, said, unit),
                    None => progress::reason_at_end(&judgement, &self.limits, said, (unit, run_s)),
                };
                Some(format!("{} {reason}", track.channel))
            })
            .collect();
        if reasons.is_empty() { "the run was too short".to_owned() } else { reasons.join("; ") }
    }
}
