//! The R-statistic beside the decision: where the two disagree, it is remarked.

use super::track::Track;
use super::{BEFORE_STOP_S, SignalEvent, Signals};
use crate::engine::reading::State;
use crate::engine::steady::{self, Opinion};
use crate::units::time::Elapsed;

/// What was asked of the statistic in a run.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Asked {
    /// It has answered.
    done: bool,
    /// Since when, and until when as of the last tick, the run has been called settled (s).
    settled: Option<(f64, f64)>,
}

impl Signals {
    /// Asks it once a run, over the stretch that is called settled and nothing before: as soon as
    /// every channel has enough readings in it. At the first settled moment it would judge the
    /// approach, which is just over.
    pub(super) fn opinion_on(&mut self, state: State, fresh: bool) {
        let now_s = self.now_s;
        if state != State::Settled {
            return;
        }
        match &mut self.asked.settled {
            // It goes on; a tick a second.
            Some((_, until)) if now_s - *until <= self.limits.window_s => *until = now_s,
            other => *other = Some((now_s, now_s)),
        }
        let Some(span) = self.asked.settled.filter(|_| fresh && !self.asked.done) else { return };
        if self.opinions(span).all(|(_, opinion)| opinion != Opinion::TooFew) {
            self.asked.done = true;
            let opinions: Vec<_> = self.opinions(span).collect();
            self.compare(&opinions, true);
        }
    }

    /// Asks it as a run ends at `until_s`: over what was called settled, as far as that goes, or
    /// over the whole run where that never was.
    pub(super) fn opinion_at_end(&mut self, until_s: f64) {
        let asked = std::mem::take(&mut self.asked);
        if asked.done {
            return;
        }
        let (from, to) = asked.settled.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        let span = (from, to.min(until_s - BEFORE_STOP_S));
        let opinions: Vec<_> = self.opinions(span).collect();
        self.compare(&opinions, asked.settled.is_some());
    }

    fn opinions(&self, span: (f64, f64)) -> impl Iterator<Item = (usize, Opinion)> {
        let matters = |(_, track): &(usize, &Track)| track.role.matters && self.heard(track);
        let tracks = self.tracks.iter().enumerate().filter(matters);
        tracks.map(move |(which, track)| {
            let opinion = track.judgement.stretch.map_or(Opinion::TooFew, |stretch| {
                steady::statistic(track.window.blocks(), span, &stretch, track.step_k())
            });
            (which, opinion)
        })
    }

    /// Remarks it where the statistic and the decision disagree.
    fn compare(&mut self, opinions: &[(usize, Opinion)], settled: bool) {
        let values: Vec<(usize, f64)> = opinions
            .iter()
            .filter_map(|(which, opinion)| match opinion {
                Opinion::R(r) => Some((*which, *r)),
                Opinion::TooFew | Opinion::Coarse => None,
            })
            .collect();
        let Some((which, largest)) = values.iter().max_by(|a, b| a.1.total_cmp(&b.1)) else {
            return;
        };
        let limit = steady::critical(values.len());
        if (*largest <= limit) == settled {
            return;
        }
        let asked = values.len();
        let detail = if settled {
            format!(
                "called settled; the R-statistic over that stretch is {largest:.2}, above \
                 {limit:.2} for {asked} channels at 95 %"
            )
        } else {
            format!(
                "never called settled; the R-statistic is at most {largest:.2}, within {limit:.2} \
                 for {asked} channels at 95 %"
            )
        };
        self.queue.push(SignalEvent::Remark {
            at: Elapsed::from_ms((self.now_s * 1000.0) as u64),
            event: "r_statistic_disagrees",
            subject: self.tracks[*which].channel.to_string(),
            detail,
        });
    }
}
