//! What a start should read at each position: levels before it and in it, jointly.
//!
//! A handful of causes (outdoor and indoor air, the drop of the supply air, the rise of the
//! condenser's air, superheat, the approach of the liquid line, the discharge line over the air)
//! make up every level; each cause has a wide prior. So the levels of all positions together are
//! normal, with the covariances that follow from sharing causes, in each of a few **states** that
//! a unit may be in.
//!
//! The centres are rounded from what the trade publishes: target splits of 14 to 26 °F (a maker's
//! chart, `tests/published/temperature-split.csv`), superheats of 5 to 36 °F (makers' charts,
//! `tests/published/target-superheat.csv`), approach of 10 to 13 °F (a maker's approach table), air
//! over the condenser and discharge temperatures up to 225 to 250 °F as the trade's articles have
//! them. Which way each state moves them is the published rule table
//! (`tests/published/fault-signatures.csv`). The widths are *assumed*, wide, and held to no unit.

use crate::engine::channel::Position;
use crate::engine::job::Mode;

/// Prior of one cause: its centre and its standard deviation (°C or K).
type Prior = (f64, f64);

/// The causes, in the order of [`State::priors`].
const OUTDOOR: usize = 0;
const INDOOR: usize = 1;
/// Supply air under return air (over it in heating).
const SPLIT: usize = 2;
/// Evaporating temperature under the air that leaves the evaporator.
const COIL: usize = 3;
const SUPERHEAT: usize = 4;
/// The air that leaves the outdoor coil over outdoor air (under it in heating).
const RISE: usize = 5;
/// Liquid line over the air that cools it.
const APPROACH: usize = 6;
/// Discharge line over the air that leaves the condenser, without what superheat adds (in heating:
/// over the indoor air).
const DISCHARGE: usize = 7;
/// Suction line at the compressor over the coil's outlet.
const LINE_GAIN: usize = 8;
const CAUSES: usize = 9;

/// One state that a unit may be in, with the priors that it has then.
#[derive(Debug, Clone)]
struct State {
    weight: f64,
    heating: bool,
    priors: [Prior; CAUSES],
}

const OUTDOOR_COOLING: Prior = (29.0, 7.0);
const INDOOR_COOLING: Prior = (25.0, 3.0);
const GAIN: Prior = (1.0, 1.5);

/// A state in cooling: split, coil, superheat, rise, approach, discharge.
const fn cooling(weight: f64, p: [Prior; 6]) -> State {
    let [split, coil, superheat, rise, approach, discharge] = p;
    let outside = (OUTDOOR_COOLING, INDOOR_COOLING);
    State {
        weight,
        heating: false,
        priors: [outside.0, outside.1, split, coil, superheat, rise, approach, discharge, GAIN],
    }
}

/// In cooling: good order, starved (low charge, restriction), starved so
/// far that the suction line is nearly as warm as the air, flooded (too much refrigerant or a
/// valve that feeds too much), short of condenser air (or with air in the circuit), short of
/// indoor air, a weak compressor.
const COOLING: [State; 7] = [
    cooling(0.4, [(10.0, 2.0), (4.5, 2.0), (7.0, 3.0), (9.5, 2.0), (4.5, 1.8), (26.0, 7.0)]),
    cooling(0.14, [(6.5, 2.5), (7.0, 3.0), (17.0, 5.0), (7.0, 2.0), (1.5, 1.2), (24.0, 8.0)]),
    cooling(0.06, [(4.0, 2.0), (10.0, 4.0), (26.0, 5.0), (4.5, 2.0), (0.7, 0.8), (24.0, 9.0)]),
    cooling(0.15, [(9.5, 2.5), (4.5, 2.0), (0.8, 1.2), (9.5, 2.5), (4.0, 2.0), (25.0, 7.0)]),
    cooling(0.1, [(9.0, 2.5), (4.5, 2.0), (5.0, 3.0), (14.0, 3.5), (7.0, 2.5), (30.0, 9.0)]),
    cooling(0.1, [(14.0, 3.5), (5.0, 2.5), (2.5, 3.0), (8.5, 2.0), (4.5, 2.0), (26.0, 7.0)]),
    cooling(0.05, [(7.0, 2.5), (4.0, 2.0), (5.5, 3.5), (7.5, 2.0), (4.0, 1.8), (25.0, 9.0)]),
];

/// In heating, good order and starved. *Assumed*: no start in heating was ever held against it.
const HEATING: [State; 2] = [
    State {
        weight: 0.7,
        heating: true,
        priors: [
            (5.0, 8.0),
            (20.0, 3.0),
            (16.0, 6.0),
            (4.0, 3.0),
            (5.0, 4.0),
            (4.0, 2.0),
            (8.0, 5.0),
            (40.0, 14.0),
            GAIN,
        ],
    },
    State {
        weight: 0.3,
        heating: true,
        priors: [
            (5.0, 8.0),
            (20.0, 3.0),
            (10.0, 5.0),
            (7.0, 4.0),
            (12.0, 6.0),
            (2.5, 2.0),
            (3.0, 3.0),
            (40.0, 16.0),
            GAIN,
        ],
    },
];

/// What a position is made of: the weight of each cause, and its own scatter (K) in the run.
type Made = ([f64; CAUSES], f64);

/// A sum of causes.
const fn sum(terms: &[(usize, f64)]) -> [f64; CAUSES] {
    let mut weights = [0.0; CAUSES];
    let mut n = 0;
    while n < terms.len() {
        weights[terms[n].0] += terms[n].1;
        n += 1;
    }
    weights
}

/// What the level at `position` is made of while the unit runs; `None` where the model does not
/// know the position.
fn running(position: &Position, heating: bool) -> Option<Made> {
    const AIR_K: f64 = 0.4;
    const LINE_K: f64 = 0.7;
    const COIL_K: f64 = 2.0;
    /// Each kelvin that the gas is hotter before the compressor it is hotter after it, and a little
    /// more: nearly isentropic compression.
    const SUCTION_TO_DISCHARGE: f64 = 1.1;
    /// Pressure drop and heat loss from the outdoor coil to the metering device.
    const LINE_DROP_K: f64 = 1.5;
    let (o, i) = ((OUTDOOR, 1.0), (INDOOR, 1.0));
    let made = match (position, heating) {
        (Position::ReturnAir, _) => (sum(&[i]), AIR_K),
        (Position::Space, _) => (sum(&[i]), 1.0),
        (Position::MixedAir, _) => (sum(&[(OUTDOOR, 0.15), (INDOOR, 0.85)]), 1.5),
        (Position::OutdoorAir, _) => (sum(&[o]), AIR_K),
        (Position::SupplyAir, false) => (sum(&[i, (SPLIT, -1.0)]), AIR_K),
        (Position::SupplyAir, true) => (sum(&[i, (SPLIT, 1.0)]), AIR_K),
        (Position::CondenserLeavingAir, false) => (sum(&[o, (RISE, 1.0)]), 0.8),
        (Position::CondenserLeavingAir, true) => (sum(&[o, (RISE, -1.0)]), 1.0),
        (Position::IndoorCoil, false) => (sum(&[i, (SPLIT, -1.0), (COIL, -1.0)]), COIL_K),
        (Position::SuctionLineIndoor, false) => {
            (sum(&[i, (SPLIT, -1.0), (COIL, -1.0), (SUPERHEAT, 1.0)]), LINE_K)
        }
        (Position::SuctionLine | Position::VaporLine, false) => {
            (sum(&[i, (SPLIT, -1.0), (COIL, -1.0), (SUPERHEAT, 1.0), (LINE_GAIN, 1.0)]), LINE_K)
        }
        (Position::LiquidLine, false) => (sum(&[o, (APPROACH, 1.0)]), LINE_K),
        (Position::LiquidLineIndoor, false) => (sum(&[o, (APPROACH, 1.0)]), LINE_DROP_K),
        (Position::OutdoorCoil, false) => (sum(&[o, (RISE, 1.0)]), 5.0),
        (Position::DischargeLine, false) => {
            (sum(&[o, (RISE, 1.0), (DISCHARGE, 1.0), (SUPERHEAT, SUCTION_TO_DISCHARGE)]), LINE_K)
        }
        (Position::OutdoorCoil, true) => (sum(&[o, (RISE, -1.0), (COIL, -1.0)]), COIL_K),
        (Position::SuctionLine, true) => {
            (sum(&[o, (RISE, -1.0), (COIL, -1.0), (SUPERHEAT, 1.0)]), LINE_K)
        }
        (Position::LiquidLineIndoor, true) => (sum(&[i, (APPROACH, 1.0)]), LINE_K),
        (Position::LiquidLine, true) => (sum(&[i, (APPROACH, 1.0)]), 3.0),
        (Position::IndoorCoil, true) => (sum(&[i, (SPLIT, 1.0)]), 5.0),
        (Position::DischargeLine, true) => (sum(&[i, (DISCHARGE, 1.0)]), LINE_K),
        (Position::VaporLine, true) => (sum(&[i, (DISCHARGE, 1.0)]), 5.0),
        _ => return None,
    };
    Some(made)
}

/// How a unit was before the start: the probability, and what is left of the run before (1 at its
/// stop, 0 in the end). *Assumed.*
const RESTS: [(f64, Prior); 2] = [(0.65, (0.0, 0.03)), (0.35, (0.35, 0.25))];

/// The level before the start: the share of indoor air in it (the rest is outdoor air), what the
/// whole of the run before would add to it (K), and its own scatter (K). *Assumed.*
fn resting(position: &Position) -> (f64, f64, f64) {
    match position {
        Position::ReturnAir | Position::Space => (1.0, 0.0, 0.7),
        Position::MixedAir => (0.85, 0.0, 1.5),
        Position::SupplyAir => (1.0, -9.0, 1.0),
        Position::IndoorCoil | Position::SuctionLineIndoor => (0.7, -10.0, 3.0),
        Position::LiquidLineIndoor => (0.7, 5.0, 3.0),
        Position::OutdoorAir => (0.0, 0.0, 0.4),
        Position::CondenserLeavingAir => (0.0, 3.0, 0.7),
        Position::OutdoorCoil => (0.0, 8.0, 1.5),
        Position::LiquidLine => (0.0, 5.0, 0.9),
        Position::DischargeLine => (0.0, 40.0, 1.2),
        _ => (0.1, -14.0, 1.3),
    }
}

/// Error of a probe that is in all its readings (K): offset and clamp. *Assumed*.
const PROBE_K: f64 = 0.4;
/// What is left besides (K): drift of the weather over ten minutes, scatter.
const LEFT_K: f64 = 0.3;

/// Whether the model knows what a start does at `position`.
pub fn knows(position: &Position) -> bool {
    running(position, false).is_some()
}

/// Means and covariance of all positions' levels in one state; two rows a position, the level
/// before the start and the level in the run.
#[derive(Debug, Clone)]
pub struct Joint {
    /// Natural logarithm of how probable the state is.
    pub log_weight: f64,
    /// The means (°C).
    pub mean: Vec<f64>,
    /// The covariance (K²), row by row.
    pub covariance: Vec<Vec<f64>>,
}

/// All states in `mode` for these positions; the position that the model does not know, where
/// there is one.
///
/// # Errors
/// A position of which the model knows nothing.
pub fn joints(mode: Mode, positions: &[Position]) -> Result<Vec<Joint>, Position> {
    let cooling = COOLING.iter().filter(|_| mode != Mode::Heating);
    let heating = HEATING.iter().filter(|_| mode != Mode::Cooling);
    let share = if mode == Mode::Auto { 0.5 } else { 1.0 };
    let mut joints = Vec::new();
    for state in cooling.chain(heating) {
        for (weight, left) in RESTS {
            joints.push(joint(state, left, share * weight * state.weight, positions)?);
        }
    }
    Ok(joints)
}

fn joint(
    state: &State,
    left: Prior,
    weight: f64,
    positions: &[Position],
) -> Result<Joint, Position> {
    /// What the rooms' air changes by in a run of ten minutes (K): that is what it runs for.
    const ROOM_K: f64 = -0.3;
    let room = if state.heating { -ROOM_K } else { ROOM_K };
    let mut shifts = Vec::new();
    // Weights of the causes, weight of what is left, own scatter.
    let mut rows: Vec<([f64; CAUSES], f64, f64)> = Vec::new();
    for position in positions {
        let (causes, own) = running(position, state.heating).ok_or_else(|| position.clone())?;
        let (indoor, ran, scatter) = resting(position);
        // The discharge line is hot in heating too; what the coils do is the other way round.
        let turned = state.heating && *position != Position::DischargeLine;
        let ran = if turned { -ran } else { ran };
        rows.push((sum(&[(INDOOR, indoor), (OUTDOOR, 1.0 - indoor)]), ran, scatter));
        rows.push((causes, 0.0, own));
        shifts.push(0.0);
        shifts.push(if indoor > 0.5 && position.is_air() && *position != Position::SupplyAir {
            room
        } else {
            0.0
        });
    }
    let mean = rows.iter().zip(shifts).map(|((causes, ran, _), shift)| {
        causes.iter().zip(&state.priors).map(|(c, prior)| c * prior.0).sum::<f64>()
            + ran * left.0
            + shift
    });
    let covariance = |a: usize, b: usize| {
        let pairs = rows[a].0.iter().zip(&rows[b].0).zip(&state.priors);
        let shared: f64 = pairs.map(|((x, y), prior)| x * y * prior.1 * prior.1).sum();
        let before = rows[a].1 * rows[b].1 * left.1 * left.1;
        let probe = if a / 2 == b / 2 { PROBE_K * PROBE_K } else { 0.0 };
        let own = if a == b { rows[a].2 * rows[a].2 + LEFT_K * LEFT_K } else { 0.0 };
        shared + before + probe + own
    };
    let n = rows.len();
    Ok(Joint {
        log_weight: libm::log(weight),
        mean: mean.collect(),
        covariance: (0..n).map(|a| (0..n).map(|b| covariance(a, b)).collect()).collect(),
    })
}

/// The share of the change that is reached after the first fifth of ten minutes, and its
/// standard deviation; lines with much metal are slower. *Assumed*.
pub fn early_share(position: &Position) -> (f64, f64) {
    match position {
        Position::DischargeLine => (0.6, 0.18),
        Position::SuctionLine | Position::SuctionLineIndoor | Position::VaporLine => (0.85, 0.3),
        Position::LiquidLine | Position::LiquidLineIndoor => (0.75, 0.18),
        _ => (0.85, 0.16),
    }
}

/// The share of the change that is left four minutes after the stop, and its standard deviation:
/// the outdoor fan stops with the compressor, and the air at its coil is the weather's again; metal
/// keeps its heat. *Assumed*.
pub fn left_share(position: &Position) -> (f64, f64) {
    match position {
        Position::CondenserLeavingAir => (0.2, 0.2),
        Position::DischargeLine => (0.65, 0.2),
        Position::LiquidLine | Position::LiquidLineIndoor => (0.55, 0.25),
        _ => (0.6, 0.35),
    }
}
