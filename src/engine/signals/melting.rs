//! Defrost of a heat pump's outdoor coil, from the windows of the channels.

use super::track::Track;
use super::{SignalEvent, Signals};
use crate::engine::channel::Position;
use crate::engine::cycle::Compressor;
use crate::engine::defrost;
use crate::engine::job::Mode;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

impl Signals {
    /// Looks for a defrost in heating; one that ends makes settling begin anew.
    pub(super) fn look_for_defrost(&mut self) {
        if self.way != Mode::Heating || self.runs.open().is_none() {
            self.defrost = false;
            return;
        }
        let find = |position: &Position| {
            let is = |track: &&Track| {
                track.channel.place.position == *position
                    && track.channel.kind == QuantityKind::Temperature
            };
            self.tracks.iter().find(is).filter(|track| self.heard(track)).map(|t| &t.window)
        };
        let lines = defrost::Lines {
            indoor: [find(&Position::IndoorCoil), find(&Position::SupplyAir)],
            outdoor: [find(&Position::OutdoorCoil), find(&Position::LiquidLine)],
            outdoor_air: find(&Position::OutdoorAir).and_then(|w| w.blocks().back().map(|b| b.x)),
            runs: self.cycles.electricity_heard(self.now_s)
                && matches!(self.cycles.compressor(), Compressor::On(_)),
        };
        let melts = defrost::look(&lines);
        if melts && self.runs.defrosts() {
            self.queue.push(SignalEvent::Remark {
                at: Elapsed::from_ms((self.now_s * 1000.0) as u64),
                event: "defrost",
                subject: self
                    .runs
                    .open()
                    .map_or_else(String::new, |r| format!("cycle {}", r.number())),
                detail: "the indoor side cools while the outdoor coil warms".to_owned(),
            });
        }
        let over = self.defrost && !melts;
        self.defrost = melts;
        if over {
            self.restart_windows(self.now_s, false);
        }
    }
}
