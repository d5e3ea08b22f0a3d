//! What makes one reading uncertain: probe accuracy, scatter and offset, the clamp, the air stream.

use crate::engine::channel::{Channel, Position};
use crate::engine::diagnose::uncertain::{Source, Sources, Uncertain};
use crate::engine::reading::{Instrument, ProbeId, SettledSet, SettledValue};
use crate::physics::uncertainty::Shape;
use crate::units::quantity::QuantityKind;

/// Share of |pipe − room| by which a clamp may be wrong (fraction, half-width).
///
/// A pipe sensor that meets California's test keeps ±(0.1 % + 1.3 °F) with the pipe 40 °F off the
/// room: 1.36 / 40. Source: RA3.2.2.2, energycodeace.com (accuracy and 40 °F); that a clamp's error
/// grows in proportion is assumed.
const CLAMP_SHARE: f64 = 0.034;

/// Half-width (K) by which one probe may miss the mean of its air stream. Assumed.
const UNEVEN_K: [(Position, f64); 6] = [
    (Position::ReturnAir, 0.3),
    (Position::MixedAir, 0.8),
    (Position::SupplyAir, 0.5),
    (Position::Space, 0.5),
    (Position::OutdoorAir, 0.5),
    (Position::CondenserLeavingAir, 1.0),
];

/// Correlation between the accuracies of two temperatures of one device. Assumed.
const SAME_PROBE_CORRELATION: f64 = 0.5;

/// What a reading's own uncertainty is called, the stated accuracy aside.
const SCATTER: &str = "scatter and offset";
/// The same where the accuracy is not known apart: a value that was typed, or of an unknown probe.
const ALTOGETHER: &str = "accuracy and scatter together";

/// What is known of the probes, by channel.
pub type Instruments<'a> = &'a [(Channel, Instrument)];

/// Wraps the readings of a set with their sources of error.
#[derive(Debug)]
pub struct Errors<'a> {
    set: &'a SettledSet,
    instruments: Instruments<'a>,
    shared: Vec<(ProbeId, QuantityKind, u16)>,
    barometer: Uncertain,
    outdoors: f64,
    indoors: f64,
}

impl<'a> Errors<'a> {
    /// Looks at the whole set once: which devices carry several clamps, and the air around them.
    ///
    /// Gauges read against the air, so the barometer's error is in every pressure, the same in
    /// all; a probe that reports absolute pressure is given a little too much.
    pub fn new(
        set: &'a SettledSet,
        instruments: Instruments<'a>,
        barometer: &Uncertain,
        sources: &mut Sources,
    ) -> Self {
        let air = |position| {
            let channel = Channel::new(position, QuantityKind::Temperature);
            set.value(&channel).map(|value| value.quantity.get())
        };
        // Where no air is measured, a mild day: it only scales an allowance.
        let indoors = air(Position::Space).or(air(Position::ReturnAir)).unwrap_or(25.0);
        let outdoors = air(Position::OutdoorAir).unwrap_or(30.0);
        let mut shared = Vec::new();
        for (index, value) in set.values.iter().enumerate() {
            let Some(probe) = value.probe else { continue };
            let kind = value.channel.kind;
            let same =
                |other: &SettledValue| other.probe == Some(probe) && other.channel.kind == kind;
            let known = shared.iter().any(|(p, k, _)| *p == probe && *k == kind);
            if !known && set.values[index + 1..].iter().any(same) {
                let source = Source {
                    value: Some(index),
                    what: "accuracy shared by one device",
                    shape: Shape::Rectangular,
                };
                shared.push((probe, kind, sources.add(source)));
            }
        }
        Self { set, instruments, shared, barometer: barometer.clone(), outdoors, indoors }
    }

    /// The reading at `index` with all that makes it uncertain.
    pub fn wrap(&self, index: usize, sources: &mut Sources) -> Uncertain {
        let value = &self.set.values[index];
        let kind = value.channel.kind;
        let mut made = match kind {
            QuantityKind::Pressure => self.barometer.mapped(value.quantity.get(), 1.0),
            _ => Uncertain::exact(value.quantity.get()),
        };
        let stated = self.instruments.iter().find(|(channel, _)| *channel == value.channel);
        let total = value.uncertainty.max(0.0);
        let accuracy = stated.map_or(0.0, |(_, i)| i.accuracy / 3f64.sqrt()).min(total);
        let partner = self.shared.iter().find(|(p, k, _)| Some(*p) == value.probe && *k == kind);
        let common = if partner.is_some() { SAME_PROBE_CORRELATION } else { 0.0 };
        if let Some((_, _, source)) = partner {
            made.push(*source, common.sqrt() * accuracy);
        }
        let rest_is = if stated.is_some() { SCATTER } else { ALTOGETHER };
        // The first is always noted: it ties the value to its channel.
        let mut add = |what, shape, uncertainty: f64| {
            if uncertainty > 0.0 || what == rest_is {
                let source = sources.add(Source { value: Some(index), what, shape });
                made.push(source, uncertainty);
            }
        };
        add("probe accuracy", Shape::Rectangular, (1.0 - common).sqrt() * accuracy);
        let rest = (total * total - accuracy * accuracy).max(0.0).sqrt();
        add(rest_is, Shape::Normal, rest);
        if kind == QuantityKind::Temperature {
            let position = &value.channel.place.position;
            let clamp = self.clamp_half_width(position, value.quantity.get());
            add("clamp effect", Shape::Rectangular, clamp / 3f64.sqrt());
            let uneven = UNEVEN_K.iter().find(|(p, _)| p == position).map_or(0.0, |(_, k)| *k);
            add("uneven air stream", Shape::Rectangular, uneven / 3f64.sqrt());
        }
        made
    }

    fn clamp_half_width(&self, position: &Position, reading: f64) -> f64 {
        let around = match position {
            Position::SuctionLineIndoor | Position::LiquidLineIndoor | Position::IndoorCoil => {
                self.indoors
            }
            Position::OutdoorCoil => self.outdoors,
            line if line.is_line() => self.outdoors,
            _ => return 0.0,
        };
        CLAMP_SHARE * (reading - around).abs()
    }
}
