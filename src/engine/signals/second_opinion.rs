//! The R-statistic beside the decision: where the two disagree, it is remarked.

use super::{SignalEvent, Signals};
use crate::engine::reading::State;
use crate::engine::steady;
use crate::units::time::Elapsed;

impl Signals {
    /// Asks the statistic as the run is called settled, or ends without that.
    pub(super) fn second_opinion(&mut self, settled: bool) {
        let values: Vec<(usize, f64)> = self
            .tracks
            .iter()
            .enumerate()
            .filter(|(_, track)| track.role.matters && self.heard(track))
            .filter_map(|(which, track)| {
                let stretch = track.judgement.stretch?;
                let r = steady::statistic(track.window.blocks(), &stretch, track.step_k())?;
                Some((which, r))
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
                "called settled; the R-statistic is {largest:.2}, above {limit:.2} for {asked} \
                 channels at 95 %"
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

    /// Asks it once a run, when the state first becomes settled.
    pub(super) fn opinion_on(&mut self, state: State) {
        if state == State::Settled && !std::mem::replace(&mut self.opinion_asked, true) {
            self.second_opinion(true);
        }
    }
}
