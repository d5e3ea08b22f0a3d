//! What levels and long courses say where no turn of a curve does: whether the compressor runs, and
//! frost.

use super::track::Track;
use super::{SignalEvent, Signals};
use crate::engine::channel::Position;
use crate::engine::cycle::{Compressor, Levels};
use crate::engine::frost;
use crate::engine::reading::ChannelId;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Levels are asked whether the compressor runs once this much was heard (s, default 90).
const LEVELS_S: f64 = 90.0;

impl Signals {
    /// Where no turn was heard, clear levels tell whether the compressor runs.
    pub(super) fn ask_levels(&mut self) {
        if self.cycles.compressor() != Compressor::Unknown
            || self.first_s.is_none_or(|first| self.now_s - first < LEVELS_S)
        {
            return;
        }
        let Some(runs) = self.levels().runs(self.way) else { return };
        if let Some(change) = self.cycles.infer(runs) {
            if change.runs {
                self.runs.found_running(self.first_s.unwrap_or(self.now_s));
                self.settling_since_s = self.first_s.unwrap_or(self.now_s);
            } else {
                self.runs.found_resting();
            }
        }
    }

    pub(super) fn levels(&self) -> Levels {
        let at = Elapsed::from_ms((self.now_s * 1000.0) as u64);
        let sample = |position: &Position, kind: QuantityKind| {
            self.tracks.iter().enumerate().find_map(|(which, track)| {
                let here = track.channel.place.position == *position && track.channel.kind == kind;
                if here { track.smoother.sample(ChannelId(which as u16), at) } else { None }
            })
        };
        let celsius = |position: Position| {
            sample(&position, QuantityKind::Temperature).map(|sample| sample.level)
        };
        let pascals = |position: Position| {
            sample(&position, QuantityKind::Pressure).map(|sample| sample.level)
        };
        let supply = sample(&Position::SupplyAir, QuantityKind::Temperature);
        Levels {
            discharge: celsius(Position::DischargeLine),
            suction: celsius(Position::SuctionLine),
            supply: supply.map(|sample| sample.level),
            back: celsius(Position::MixedAir).or_else(|| celsius(Position::ReturnAir)),
            leaving: celsius(Position::CondenserLeavingAir),
            outdoor: celsius(Position::OutdoorAir),
            low_pa: pascals(Position::SuctionLine),
            high_pa: pascals(Position::LiquidLine).or_else(|| pascals(Position::DischargeLine)),
            supply_holds: supply.is_none_or(|sample| sample.rate.abs() < 0.3 / 60.0),
        }
    }

    pub(super) fn look_for_frost(&mut self) {
        let Some(run) = self.runs.open_mut() else { return };
        let find = |position: &Position, kind: QuantityKind| {
            let is = |track: &&Track| {
                track.channel.place.position == *position && track.channel.kind == kind
            };
            self.tracks.iter().find(is)
        };
        let Some(suction) = find(&Position::SuctionLine, QuantityKind::Temperature) else {
            return;
        };
        let evaporating = find(&Position::SuctionLine, QuantityKind::Pressure)
            .or_else(|| find(&Position::IndoorCoil, QuantityKind::Temperature));
        let back = find(&Position::ReturnAir, QuantityKind::Temperature);
        let seen = frost::look(
            &frost::Lines {
                suction: &suction.window,
                evaporating: evaporating.map(|track| &track.window),
                back: back.map(|track| &track.window),
            },
            self.settle.frost.get(),
            self.way,
        );
        if let Some(seen) = seen
            && run.frost_told(&seen)
        {
            self.queue.push(SignalEvent::Remark {
                at: Elapsed::from_ms((self.now_s * 1000.0) as u64),
                event: seen.event(),
                subject: suction.channel.to_string(),
                detail: seen.detail(self.units),
            });
        }
    }
}
