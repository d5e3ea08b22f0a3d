//! How far each channel and the whole are from settled, in numbers and words for people.

use crate::engine::phrase::Phrase;
use crate::engine::reading::ChannelId;
use crate::engine::settle::{Judgement, Limits, Stand};

/// How far the run is from settled.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Progress {
    /// Every channel, by its id.
    pub channels: Vec<ChannelProgress>,
    /// Share of the way to settled (0 to 1).
    pub share: f64,
    /// Time left; `None` where the data support no number.
    pub left: Option<Left>,
    /// The channel that holds the run up.
    pub held_up_by: Option<ChannelId>,
    /// How the whole stands, in words.
    pub reason: String,
}

/// How far one channel is from settled.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelProgress {
    /// The channel.
    pub channel: ChannelId,
    /// Whether the run is settled only when this channel is.
    pub matters: bool,
    /// Its rate of change (SI a minute); `None` while nothing is known of it.
    pub rate_per_min: Option<f64>,
    /// Share of the way to settled (0 to 1).
    pub share: f64,
    /// How it stands, in words.
    pub reason: String,
    /// Time left; `None` where the data support no number.
    pub left: Option<Left>,
    /// A forecast of where it settles, with its standard uncertainty (SI).
    pub forecast: Option<(f64, f64)>,
}

/// A time that is left, with the interval that holds it with 95 % probability.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Left {
    /// Most likely (s).
    pub likely_s: f64,
    /// At the least (s).
    pub low_s: f64,
    /// At the most (s); infinite where the data set no end.
    pub high_s: f64,
}

/// Share of the way to settled (0 to 1): how much of the first window is filled, then how near
/// the drift's bound has come to the limit.
pub fn share(judgement: &Judgement, limits: &Limits, run_s: f64) -> f64 {
    let near = judgement.stretch.map_or(0.0, |stretch| {
        limits.drift_k_per_s_max / (stretch.drift.abs() + stretch.drift_margin).max(1e-9)
    });
    match judgement.stand {
        Stand::Holds => 1.0,
        Stand::TooFew => (0.5 * run_s / limits.window_s).clamp(0.0, 0.5),
        Stand::Spreads | Stand::CannotShow => 0.5,
        Stand::Growing | Stand::Drifts => near.clamp(0.02, 0.98),
    }
}

/// How a channel stands, in words; `unit_per_k` is what weighs as 1 K in SI.
pub fn reason(judgement: &Judgement, limits: &Limits, said: Phrase, unit_per_k: f64) -> String {
    let minutes = judgement.window_s / 60.0;
    let Some(stretch) = judgement.stretch else {
        return if judgement.window_s > limits.window_s {
            format!("too few readings yet; {minutes:.0} min of them are needed")
        } else {
            "too few readings yet".to_owned()
        };
    };
    let drift = stretch.drift * unit_per_k;
    match judgement.stand {
        Stand::TooFew => "too few readings yet".to_owned(),
        Stand::Holds => "holds still".to_owned(),
        Stand::Growing => {
            format!("may hold still; {:.0} min of readings cannot show it yet", minutes.max(1.0))
        }
        Stand::Drifts => {
            let way = if drift > 0.0 { "rises" } else { "falls" };
            format!("{way} by {}", said.rate(drift.abs()))
        }
        Stand::Spreads => format!(
            "scatters by {}; at most {} are taken as still",
            said.difference(stretch.scatter * unit_per_k),
            said.difference(limits.spread_k_max * unit_per_k),
        ),
        Stand::CannotShow => {
            format!("cannot be shown with this probe: its step would need {minutes:.0} min")
        }
    }
}

/// Why a channel was not called still in a run that ended after `run_s`, in words: as it stood then.
///
/// What would hold by all that was heard, only not for long enough to be shown, is no fault of the
/// run: no window inside it can show it with this probe.
pub fn reason_at_end(
    judgement: &Judgement,
    limits: &Limits,
    said: Phrase,
    (unit_per_k, run_s): (f64, f64),
) -> String {
    let still = |drift: f64| drift.abs() <= limits.drift_k_per_s_max;
    let shown = match (judgement.stand, judgement.stretch) {
        (Stand::TooFew, _) | (_, None) => false,
        (Stand::Growing, Some(stretch)) => !still(stretch.drift),
        _ => true,
    };
    let minutes = run_s / 60.0;
    if shown {
        return match (judgement.stand, judgement.stretch) {
            (Stand::Growing, Some(stretch)) => {
                let way = if stretch.drift > 0.0 { "rises" } else { "falls" };
                let rate = said.rate((stretch.drift * unit_per_k).abs());
                format!("{way} by about {rate}, which is too short to be sure of")
            }
            _ => reason(judgement, limits, said, unit_per_k),
        };
    }
    if run_s < limits.window_s {
        return format!("was heard for {minutes:.0} min of a run, too short to show anything");
    }
    format!("cannot be shown with this probe in a run of {minutes:.0} min")
}
