//! What is foretold while a run settles: the approach of each channel, the time left, and how far
//! the whole has come. It is for people, so it is worked out when somebody looks, not at each moment.

use super::Signals;
use super::track::Track;
use crate::engine::approach::{Approach, approach};
use crate::engine::cycle::Compressor;
use crate::engine::hunting::Hunt;
use crate::engine::phrase::Phrase;
use crate::engine::progress::{self, ChannelProgress, Left, Progress};
use crate::engine::reading::ChannelId;
use crate::units::time::Elapsed;

impl Signals {
    /// How far everything is from settled, as of the last tick.
    pub fn progress(&self) -> Progress {
        let at = Elapsed::from_ms((self.now_s * 1000.0) as u64);
        let runs = matches!(self.cycles.compressor(), Compressor::On(_));
        let run_s = self.now_s - self.settling_since_s;
        let run_min = self.settle.run_min.as_secs_f64();
        let mut whole = Progress { share: 1.0, ..Progress::default() };
        for (which, track) in self.tracks.iter().enumerate() {
            let id = ChannelId(which as u16);
            let sample = track.smoother.sample(id, at);
            let moves = sample.filter(|sample| sample.rate_uncertainty.is_finite());
            let mut one = ChannelProgress {
                channel: id,
                matters: track.role.matters,
                rate_per_min: moves.map(|sample| 60.0 * sample.rate),
                share: 0.0,
                reason: String::new(),
                left: None,
                forecast: None,
            };
            if let Some(approach) = self.approach(track) {
                let [likely_s, low_s, high_s] = approach.left_s;
                one.left = Some(Left { likely_s, low_s, high_s });
                let unit = track.role.unit_per_k;
                one.forecast = Some((approach.level * unit, approach.level_uncertainty * unit));
            }
            if runs && sample.is_some() {
                one.share = if track.holds {
                    1.0
                } else {
                    progress::share(&track.judgement, &self.limits, run_s)
                };
                one.reason = self.channel_reason(track);
            } else if sample.is_none() {
                "not heard".clone_into(&mut one.reason);
            }
            if runs && track.role.matters && self.heard(track) && one.share < whole.share {
                whole.share = one.share;
                whole.held_up_by = Some(id);
            }
            whole.channels.push(one);
        }
        if run_s < run_min {
            whole.share = whole.share.min((run_s / run_min).max(0.0));
        }
        if !runs {
            whole.share = 0.0;
        }
        whole.reason = self.whole_reason(whole.held_up_by, run_s);
        whole.left = self.time_left(&whole.channels, run_s);
        whole
    }

    /// Where a channel that is waited for is going.
    fn approach(&self, track: &Track) -> Option<Approach> {
        let runs = matches!(self.cycles.compressor(), Compressor::On(_));
        let waited_for = track.role.matters && !track.holds && track.hunt.is_none();
        let margin = track.judgement.stretch.map_or(0.0, |stretch| stretch.drift_margin);
        let blocks = track.window.blocks();
        (runs && waited_for)
            .then(|| approach(blocks, self.settling_since_s, &self.limits, margin))
            .flatten()
    }

    /// Time left for the whole: that of the channel which takes longest; none where any channel
    /// that is waited for has none.
    fn time_left(&self, channels: &[ChannelProgress], run_s: f64) -> Option<Left> {
        if !matches!(self.cycles.compressor(), Compressor::On(_)) {
            return None;
        }
        let least = (self.settle.run_min.as_secs_f64() - run_s).max(0.0);
        let mut whole = Left { likely_s: least, low_s: least, high_s: least };
        for (track, progress) in self.tracks.iter().zip(channels) {
            if !track.role.matters || track.holds || !self.heard(track) {
                continue;
            }
            let left = progress.left?;
            whole.likely_s = whole.likely_s.max(left.likely_s);
            whole.low_s = whole.low_s.max(left.low_s);
            whole.high_s = whole.high_s.max(left.high_s);
        }
        Some(whole)
    }

    fn whole_reason(&self, held_up_by: Option<ChannelId>, run_s: f64) -> String {
        match self.cycles.compressor() {
            Compressor::Unknown => "whether the compressor runs is not known".to_owned(),
            Compressor::Off(_) => "the compressor rests".to_owned(),
            Compressor::On(_) => match held_up_by {
                Some(id) => {
                    let track = &self.tracks[usize::from(id.0)];
                    format!("{} {}", track.channel, self.channel_reason(track))
                }
                None if run_s < self.settle.run_min.as_secs_f64() => {
                    "the compressor has not run long enough".to_owned()
                }
                None => "all channels hold still".to_owned(),
            },
        }
    }

    fn channel_reason(&self, track: &Track) -> String {
        let said = Phrase::of(track.channel.kind, self.units);
        if let Some(hunt) = track.hunt {
            return swings(&hunt, said, track.role.unit_per_k);
        }
        if track.holds {
            return "holds still".to_owned();
        }
        progress::reason(&track.judgement, &self.limits, said, track.role.unit_per_k)
    }
}

/// A rhythm in words.
pub(super) fn swings(hunt: &Hunt, said: Phrase, unit_per_k: f64) -> String {
    let minutes = hunt.period_s / 60.0;
    format!("swings by {} every {minutes:.1} min", said.difference(hunt.swing_k * unit_per_k))
}
