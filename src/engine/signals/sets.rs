//! The settled sets of a run: which are held back, which is told, and why there is none.

use super::{SignalEvent, Signals};
use crate::engine::reading::SettledSet;
use crate::engine::run::Run;
use crate::engine::set::{Part, settled_set};

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
        let parts: Vec<Part<'_>> = self
            .tracks
            .iter()
            .filter(|track| self.heard(track))
            .map(|track| Part {
                channel: &track.channel,
                blocks: track.window.blocks(),
                instrument: &track.instrument,
                unit_per_k: track.role.unit_per_k,
                scatter_k: track.smoother.scatter_k(),
                probe: track.probe,
            })
            .collect();
        let run = self.runs.open().map(Run::number);
        let started = self.runs.open().and_then(Run::started_s);
        let set = settled_set(self.sets + 1, run, (from_s, to_s), started, &parts);
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

    /// Why the run that ends now has no set, in words.
    pub(super) fn why_not(&self) -> String {
        let waiting = self.tracks.iter().filter(|track| track.role.matters && self.heard(track));
        let reasons: Vec<String> = waiting
            .filter(|track| !track.holds)
            .map(|track| format!("{} {}", track.channel, self.channel_reason(track)))
            .collect();
        if reasons.is_empty() { "the run was too short".to_owned() } else { reasons.join("; ") }
    }
}
