//! Whether a unit whose job says `auto` cools or heats: return against supply air while it runs.

use super::{STARTING_S, SignalEvent, Signals};
use crate::engine::cycle::Compressor;
use crate::engine::job::Mode;
use crate::engine::phrase::Phrase;
use crate::engine::role::Role;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Split that tells while the compressor is known to run (K, 2 to 6; default 3).
const RUNNING_SPLIT_K: f64 = 3.0;
/// Split that tells by itself that the compressor runs (K, 4 to 10; default 6).
const OWN_SPLIT_K: f64 = 6.0;
/// Levels are asked once this much was heard (s, default 90).
const HEARD_S: f64 = 90.0;

impl Signals {
    /// Asks return and supply air which way the heat goes, where the job leaves it to the data.
    pub(super) fn ask_mode(&mut self) {
        if self.mode != Mode::Auto || self.first_s.is_none_or(|t| self.now_s - t < HEARD_S) {
            return;
        }
        let levels = self.levels();
        let (Some(back), Some(supply)) = (levels.back, levels.supply) else { return };
        let split = back - supply;
        let only_air = levels.discharge.is_none() && !self.cycles.electricity_heard(self.now_s);
        let least = match self.cycles.compressor() {
            Compressor::On(_) if self.now_s - self.settling_since_s >= STARTING_S => {
                RUNNING_SPLIT_K
            }
            Compressor::On(_) => return,
            // With nothing but air a wrong mode makes a start look like a stop; a split that holds
            // puts that right. What else heats the air, the other channels would tell.
            _ if only_air && levels.supply_holds => OWN_SPLIT_K,
            _ => return,
        };
        let way = if split > 0.0 { Mode::Cooling } else { Mode::Heating };
        if split.abs() < least || way == self.way || self.defrost {
            return;
        }
        let was_rest = matches!(self.cycles.compressor(), Compressor::Off(_));
        self.way = way;
        for (which, track) in self.tracks.iter_mut().enumerate() {
            track.role = Role::of(&track.channel, way);
            self.cycles.set_role(which, track.role);
        }
        if was_rest {
            self.cycles.lost();
        }
        let said = Phrase::of(QuantityKind::Temperature, self.units);
        let (event, word) = match way {
            Mode::Heating => ("mode", "warmer than return air: the unit heats"),
            _ => ("mode", "colder than return air: the unit cools"),
        };
        self.queue.push(SignalEvent::Remark {
            at: Elapsed::from_ms((self.now_s * 1000.0) as u64),
            event,
            subject: "supply-air.temperature".to_owned(),
            detail: format!("supply air is {} {word}", said.difference(split.abs())),
        });
    }
}
