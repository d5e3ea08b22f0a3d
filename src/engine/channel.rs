//! A channel: a position on the unit and the kind of quantity measured there.

use std::fmt;
use std::str::FromStr;

use crate::units::quantity::QuantityKind;

/// Where on the unit a probe sits.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Position {
    /// Air that comes back from the rooms.
    ReturnAir,
    /// Return air after an outdoor-air damper; takes return air's place in the split.
    MixedAir,
    /// Air that goes to the rooms.
    SupplyAir,
    /// Air in the room itself.
    Space,
    /// Outdoor air, as it enters the outdoor coil.
    OutdoorAir,
    /// Air that leaves the outdoor coil.
    CondenserLeavingAir,
    /// Suction line at the compressor.
    SuctionLine,
    /// Suction line at the outlet of the indoor coil.
    SuctionLineIndoor,
    /// Discharge line of the compressor.
    DischargeLine,
    /// Liquid line as it leaves the outdoor coil.
    LiquidLine,
    /// Liquid line at the metering device.
    LiquidLineIndoor,
    /// The large line of a heat pump, whose role follows the mode.
    VaporLine,
    /// The indoor unit, for current, power and voltage.
    IndoorUnit,
    /// The outdoor unit, for current, power and voltage.
    OutdoorUnit,
    /// The middle of the indoor coil.
    IndoorCoil,
    /// The middle of the outdoor coil.
    OutdoorCoil,
    /// Anything else, by a name of the technician's.
    Other(Box<str>),
}

/// The named positions with their words in files and on the command line.
const WORDS: [(Position, &str); 16] = [
    (Position::ReturnAir, "return-air"),
    (Position::MixedAir, "mixed-air"),
    (Position::SupplyAir, "supply-air"),
    (Position::Space, "space"),
    (Position::OutdoorAir, "outdoor-air"),
    (Position::CondenserLeavingAir, "condenser-leaving-air"),
    (Position::SuctionLine, "suction-line"),
    (Position::SuctionLineIndoor, "suction-line-indoor"),
    (Position::DischargeLine, "discharge-line"),
    (Position::LiquidLine, "liquid-line"),
    (Position::LiquidLineIndoor, "liquid-line-indoor"),
    (Position::VaporLine, "vapor-line"),
    (Position::IndoorUnit, "indoor-unit"),
    (Position::OutdoorUnit, "outdoor-unit"),
    (Position::IndoorCoil, "indoor-coil"),
    (Position::OutdoorCoil, "outdoor-coil"),
];

impl Position {
    /// All named positions, in the order of the enum.
    pub fn named() -> impl Iterator<Item = Position> {
        WORDS.iter().map(|(position, _)| position.clone())
    }

    /// Whether air is measured here (and not a line, a coil or the unit's electricity).
    pub const fn is_air(&self) -> bool {
        matches!(
            self,
            Self::ReturnAir
                | Self::MixedAir
                | Self::SupplyAir
                | Self::Space
                | Self::OutdoorAir
                | Self::CondenserLeavingAir
        )
    }

    /// Whether a coil's middle is clamped here.
    pub const fn is_coil(&self) -> bool {
        matches!(self, Self::IndoorCoil | Self::OutdoorCoil)
    }

    /// Whether a refrigerant line is clamped here.
    pub const fn is_line(&self) -> bool {
        matches!(
            self,
            Self::SuctionLine
                | Self::SuctionLineIndoor
                | Self::DischargeLine
                | Self::LiquidLine
                | Self::LiquidLineIndoor
                | Self::VaporLine
        )
    }
}

impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Other(name) => write!(f, "other:{name}"),
            named => {
                f.write_str(WORDS.iter().find(|(p, _)| p == named).map_or("", |(_, word)| word))
            }
        }
    }
}

/// Why a text names no channel.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ChannelError {
    /// The position is not one of ours.
    #[error("no position is called `{0}`; use one of {known}, or other:NAME", known = words())]
    Position(String),
    /// The quantity is not one of ours.
    #[error("no quantity is called `{0}`; use one of {known}", known = kinds())]
    Quantity(String),
    /// The circuit after `@` is not a number from 1 to 9.
    #[error("`@{0}` names no circuit; write @1 to @9")]
    Circuit(String),
    /// There is no quantity after the position.
    #[error("`{0}` lacks its quantity; write POSITION.QUANTITY, as in suction-line.temperature")]
    NoQuantity(String),
}

fn words() -> String {
    WORDS.map(|(_, word)| word).join(", ")
}

fn kinds() -> String {
    QuantityKind::ALL.map(QuantityKind::word).join(", ")
}

impl FromStr for Position {
    type Err = ChannelError;

    /// Reads `suction-line` or `other:NAME` (a name of letters, digits, `-` and `_`).
    fn from_str(text: &str) -> Result<Self, ChannelError> {
        let unknown = || ChannelError::Position(text.to_owned());
        if let Some(name) = text.strip_prefix("other:") {
            let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
            let good = !name.is_empty() && name.len() <= 40 && name.chars().all(plain);
            return good.then(|| Self::Other(name.into())).ok_or_else(unknown);
        }
        WORDS.iter().find(|(_, w)| *w == text).map(|(p, _)| p.clone()).ok_or_else(unknown)
    }
}

/// A place on one refrigerant circuit: `suction-line` or `suction-line@2`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// Where on the unit.
    pub position: Position,
    /// Which refrigerant circuit, from 1; air and what the circuits share is on 1.
    pub circuit: u8,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.position)?;
        if self.circuit == 1 { Ok(()) } else { write!(f, "@{}", self.circuit) }
    }
}

impl FromStr for Place {
    type Err = ChannelError;

    fn from_str(text: &str) -> Result<Self, ChannelError> {
        let Some((position, circuit)) = text.split_once('@') else {
            return Ok(Self { position: text.parse()?, circuit: 1 });
        };
        let number = circuit.parse().ok().filter(|n| (1..=9).contains(n));
        let circuit = number.ok_or_else(|| ChannelError::Circuit(circuit.to_owned()))?;
        Ok(Self { position: position.parse()?, circuit })
    }
}

/// A place and the kind of quantity measured there: `suction-line@2.temperature`.
///
/// ```
/// use settled::engine::channel::Channel;
/// let channel: Channel = "suction-line@2.temperature".parse().unwrap();
/// assert_eq!(channel.to_string(), "suction-line@2.temperature");
/// assert!("suction-line".parse::<Channel>().is_err());
/// ```
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Channel {
    /// Where.
    pub place: Place,
    /// What.
    pub kind: QuantityKind,
}

impl Channel {
    /// The channel of `position` on the first circuit.
    pub const fn new(position: Position, kind: QuantityKind) -> Self {
        Self { place: Place { position, circuit: 1 }, kind }
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.place, self.kind.word())
    }
}

impl FromStr for Channel {
    type Err = ChannelError;

    fn from_str(text: &str) -> Result<Self, ChannelError> {
        let Some((place, kind)) = text.rsplit_once('.') else {
            return Err(ChannelError::NoQuantity(text.to_owned()));
        };
        let kind =
            QuantityKind::from_word(kind).ok_or_else(|| ChannelError::Quantity(kind.to_owned()))?;
        Ok(Self { place: place.parse()?, kind })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_named_position_reads_back_as_written() {
        for position in Position::named() {
            assert_eq!(position.to_string().parse(), Ok(position));
        }
        assert_eq!("other:attic-2".parse(), Ok(Position::Other("attic-2".into())));
    }

    #[test]
    fn wrong_names_are_refused_with_what_is_right() {
        let error = "suction.temperature".parse::<Channel>().unwrap_err().to_string();
        assert!(error.contains("suction-line-indoor"), "{error}");
        assert!("suction-line@0.temperature".parse::<Channel>().is_err());
        assert!("other:.temperature".parse::<Channel>().is_err());
        assert!("other:a,b.temperature".parse::<Channel>().is_err());
    }
}
