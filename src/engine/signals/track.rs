//! One channel on its way from readings to a judgement.

use crate::engine::channel::Channel;
use crate::engine::hunting::{Hunt, hunt};
use crate::engine::reading::{Instrument, ProbeId};
use crate::engine::role::Role;
use crate::engine::settle::{GROWTH, Judgement, Laid, Limits, Stand, judge};
use crate::engine::smooth::Smoother;
use crate::engine::window::Window;

/// How many blocks the shortest window has (10 to 60; default 30).
const BLOCKS_A_WINDOW: usize = 30;

/// One channel on its way.
#[derive(Debug, Clone)]
pub(super) struct Track {
    pub(super) channel: Channel,
    pub(super) role: Role,
    pub(super) instrument: Instrument,
    pub(super) probe: Option<ProbeId>,
    pub(super) smoother: Smoother,
    pub(super) window: Window,
    pub(super) fresh_block: bool,
    pub(super) judgement: Judgement,
    /// The line of its part of the set that is held back.
    pub(super) laid: Laid,
    /// Whether it held when it was last shown either way.
    pub(super) holds: bool,
    pub(super) hunt: Option<Hunt>,
    pub(super) last_s: f64,
}

impl Track {
    /// A channel of which nothing was heard yet.
    pub(super) fn new(
        channel: Channel,
        role: Role,
        instrument: Instrument,
        probe: Option<ProbeId>,
        window_s: f64,
    ) -> Self {
        let blocks = BLOCKS_A_WINDOW * GROWTH[GROWTH.len() - 1] as usize + 2;
        Self {
            channel,
            role,
            instrument,
            probe,
            smoother: Smoother::new(instrument, role.unit_per_k, role.course),
            window: Window::new(window_s / BLOCKS_A_WINDOW as f64, blocks),
            fresh_block: false,
            judgement: Judgement { stand: Stand::TooFew, stretch: None, window_s },
            laid: Laid::default(),
            holds: false,
            hunt: None,
            last_s: f64::NEG_INFINITY,
        }
    }

    /// Whether it was heard lately enough to count at `now_s`.
    pub(super) fn heard(&self, now_s: f64, silence_s: f64) -> bool {
        now_s - self.last_s <= silence_s.max(self.smoother.age_s_max())
    }

    /// The probe's step (K): stated, or the smallest seen; 0 where neither is known.
    pub(super) fn step_k(&self) -> f64 {
        let stated = self.instrument.resolution / self.role.unit_per_k;
        let step = if stated > 0.0 { stated } else { self.window.step() };
        if step.is_finite() { step } else { 0.0 }
    }

    /// Judges the channel where it has a new block; says whether it had one.
    pub(super) fn judge(&mut self, limits: &Limits) -> bool {
        if !std::mem::take(&mut self.fresh_block) {
            return false;
        }
        self.judgement = judge(self.window.blocks(), limits, self.step_k());
        self.holds = match self.judgement.stand {
            Stand::Holds => true,
            // Not shown either way: what was shown before stands.
            Stand::Growing => self.holds,
            _ => false,
        };
        let matters = self.role.matters && !self.holds;
        self.hunt = if matters { hunt(self.window.blocks()) } else { None };
        true
    }

    /// Settling begins anew from `from_s`; what was heard before counts no more.
    pub(super) fn settle_from(&mut self, from_s: f64, all: bool) {
        if all {
            self.window.restart();
        } else {
            self.window.trim_before(from_s);
        }
        self.holds = false;
        self.hunt = None;
        self.judgement.stand = Stand::TooFew;
        self.judgement.stretch = None;
    }
}
