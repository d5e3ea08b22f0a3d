//! What to look at next, the most telling first, with a caution wherever hands go near danger.

use crate::engine::diagnose::evidence::place;
use crate::engine::diagnose::expect::LINE_DROP_K;
use crate::engine::diagnose::finding::Fault;
use crate::engine::diagnose::matrix::{Factor, Square};
use crate::engine::diagnose::observe::Evidence;
use crate::engine::diagnose::patterns::{FEATURES, Feature};
use crate::engine::diagnose::weigh::Weighing;
use crate::engine::phrase::Phrase;

/// What work near it can do to people.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Danger {
    None,
    Electricity,
    Refrigerant,
    MovingParts,
}

/// One thing to look at.
struct Step {
    /// What to look at; [`DROP`] in it stands for a number.
    what: &'static str,
    /// The word in a technician's note that says it has been looked at.
    word: &'static str,
    danger: Danger,
}

const fn step(what: &'static str, word: &'static str, danger: Danger) -> Step {
    Step { what, word, danger }
}

/// Stands for the drop along the liquid line that marks a narrow place.
const DROP: &str = "{drop}";

const FILTER: Step = step("air filter: is it clean and of the right size?", "filter", Danger::None);
const REGISTERS: Step =
    step("supply registers, return grilles and dampers: all open?", "damper", Danger::None);
const STATIC: Step =
    step("static pressure across the indoor unit, against its nameplate", "static", Danger::None);
const COIL: Step = step("face of the indoor coil: dirt, ice, lint?", "coil", Danger::MovingParts);
const BLOWER: Step =
    step("blower: wheel clean, belt and speed right?", "blower", Danger::MovingParts);
const VOLTAGE: Step =
    step("supply voltage at the outdoor unit while it runs", "voltage", Danger::Electricity);
const CONDENSER: Step = step(
    "outdoor coil: leaves, lint, bent fins, a wall or hot air close by?",
    "condenser",
    Danger::MovingParts,
);
const CONDENSER_FAN: Step =
    step("outdoor fan: turns the right way and at full speed?", "fan", Danger::MovingParts);
const LINE_DROP: Step = step(
    "temperatures along the liquid line, before and after the drier: a drop of more than {drop} \
     marks the narrow place",
    "drier",
    Danger::None,
);
const LEAKS: Step =
    step("oil stains at joints, valves and coils, and a leak search", "leak", Danger::Refrigerant);
const CHARGE: Step = step(
    "charge, last of all and with gauges: superheat on a fixed orifice, subcooling on a valve, \
     against the maker's figures",
    "gauge",
    Danger::Refrigerant,
);
const CURRENT: Step = step(
    "compressor current against its nameplate: leaking valves draw little",
    "current",
    Danger::Electricity,
);
const EQUALISE: Step = step(
    "after a stop: do high and low side equalise within a minute or two, faster than the metering \
     device lets them?",
    "equalise",
    Danger::Refrigerant,
);
const STANDING: Step = step(
    "standing pressure: compressor off, outdoor fan on until the air leaves as warm as it enters; \
     a pressure above saturation at the outdoor temperature is air in the refrigerant \
     (iheatcool.com/how-to-diognose-non-condensables)",
    "standing",
    Danger::Refrigerant,
);
const HISTORY: Step = step(
    "history: was the circuit opened, and how was it evacuated and charged?",
    "history",
    Danger::None,
);

/// The steps for one fault: what needs no gauges first.
const fn steps(fault: Fault) -> &'static [Step] {
    match fault {
        Fault::None => &[],
        Fault::LowCharge => &[FILTER, COIL, LINE_DROP, LEAKS, CHARGE],
        Fault::OverCharge => &[CONDENSER, HISTORY, STANDING, CHARGE],
        Fault::LowIndoorAirflow => &[FILTER, REGISTERS, STATIC, COIL, BLOWER, VOLTAGE],
        Fault::CondenserFouling => &[CONDENSER, CONDENSER_FAN, VOLTAGE],
        Fault::LiquidLineRestriction => &[LINE_DROP, FILTER, LEAKS, CHARGE],
        Fault::CompressorValveLeakage => &[CURRENT, VOLTAGE, EQUALISE],
        Fault::NonCondensables => &[CONDENSER, HISTORY, STANDING],
    }
}

/// What is known beside the weighing.
#[derive(Debug, Clone, Copy)]
pub struct Setting<'a> {
    /// The technician's notes.
    pub notes: &'a [String],
    /// Whether any pressure, or superheat and subcooling, was known.
    pub pressures: bool,
    /// Whether the refrigerant is of class A2L.
    pub flammable: bool,
    /// How temperatures are said.
    pub said: Phrase,
}

/// How the word on one more probe begins.
const ONE_MORE: &str = "one more probe";

/// What to look at next for a fault (and a second one with it).
pub fn check_next(
    fault: Fault,
    with: Option<Fault>,
    probe: Option<&str>,
    setting: Setting<'_>,
) -> Vec<String> {
    let mut next = Vec::new();
    let mut dangers = Vec::new();
    let drop = setting.said.limit_gap(LINE_DROP_K);
    let second = with.map_or(&[][..], steps);
    for step in steps(fault).iter().chain(second) {
        let noted = setting.notes.iter().any(|note| note.to_lowercase().contains(step.word));
        let mark = if noted { "noted" } else { "not checked" };
        let what = step.what.replace(DROP, &drop);
        let line = [&what, " (", mark, ")"].concat();
        if !next.contains(&line) {
            next.push(line);
            if !dangers.contains(&step.danger) {
                dangers.push(step.danger);
            }
        }
    }
    match probe {
        Some(probe) if probe.starts_with(ONE_MORE) => {
            next.insert(next.len().min(1), probe.to_owned());
        }
        Some(none) => next.push(none.to_owned()),
        None => {}
    }
    if !setting.pressures && matches!(fault, Fault::LowCharge | Fault::OverCharge) {
        next.push(
            "line temperatures alone do not justify touching the charge: low airflow, a \
             restriction or air in the refrigerant can look the same"
                .to_owned(),
        );
    }
    next.extend(dangers.into_iter().filter_map(|danger| caution(danger, setting.flammable)));
    next
}

fn caution(danger: Danger, flammable: bool) -> Option<String> {
    let text = match danger {
        Danger::None => return None,
        Danger::Electricity => {
            "caution: live parts; for qualified people with rated meters and gloves. Capacitors \
             hold their charge after switching off"
        }
        Danger::MovingParts => {
            "caution: disconnect, lock out and test for absence of voltage before reaching in; \
             the thermostat can start the unit at any time, and `off` in a log is no proof of \
             isolation"
        }
        Danger::Refrigerant if flammable => {
            "caution: pressure, frostbite, and a refrigerant that burns (A2L): ventilate, no \
             sparks or flames, rated tools; certified people only, nothing is vented"
        }
        Danger::Refrigerant => {
            "caution: pressure and frostbite; goggles and gloves, certified people only, nothing \
             is vented"
        }
    };
    Some(text.to_owned())
}

/// Where each feature is measured.
const PROBES: [(Feature, &str); FEATURES] = [
    (Feature::Evaporating, "suction pressure"),
    (Feature::Condensing, "liquid-line pressure"),
    (Feature::SuctionLine, "a clamp on the suction line"),
    (Feature::LiquidLine, "a clamp on the liquid line"),
    (Feature::DischargeLine, "a clamp on the discharge line"),
    (Feature::CondenserSplit, "a probe in the air leaving the condenser"),
    (Feature::EvaporatorSplit, "probes in return and supply air"),
];

/// Separation (standard deviations) that one more probe must add to be worth naming. Assumed.
const SEPARATION_MIN: f64 = 0.5;
/// Share that a probe without gauges may add less and still be named first. Assumed.
const GAUGE_EFFORT: f64 = 0.75;
/// Variance (K²) of one more reading. Assumed.
const READING_K2: f64 = 0.25;

/// The one more probe that would best tell these two apart, beside those that are there.
pub fn one_more_probe(
    weighing: &Weighing,
    evidence: &Evidence,
    a: Fault,
    b: Fault,
) -> Option<String> {
    let shift = |fault| weighing.shifts[place(fault)];
    let (a_shift, b_shift) = (shift(a), shift(b));
    let there: Vec<usize> = (PROBES.iter().map(|(feature, _)| *feature))
        .filter(|feature| evidence.has(*feature))
        .map(|feature| feature as usize)
        .collect();
    let mut best: Option<(f64, &str)> = None;
    for (feature, probe) in PROBES {
        if evidence.has(feature) {
            continue;
        }
        // What the new reading adds once all that is there has been taken into account.
        let with: Vec<usize> = there.iter().copied().chain([feature as usize]).collect();
        let mut covariance = Square::zero(with.len());
        let mut apart = [0.0; FEATURES];
        for (i, f) in with.iter().enumerate() {
            apart[i] = a_shift[*f] - b_shift[*f];
            for (j, g) in with.iter().enumerate().take(i + 1) {
                let (high, low) = (*f.max(g), *f.min(g));
                let own = if i == j { READING_K2 } else { 0.0 };
                covariance.set(i, j, weighing.family[high * (high + 1) / 2 + low] + own);
            }
        }
        let white = Factor::new(&covariance).whiten(&apart[..with.len()]);
        let gauge = matches!(feature, Feature::Evaporating | Feature::Condensing);
        let added = white[with.len() - 1].abs() * if gauge { GAUGE_EFFORT } else { 1.0 };
        if added > best.map_or(SEPARATION_MIN, |(added, _)| added) {
            best = Some((added, probe));
        }
    }
    Some(match best {
        Some((_, probe)) => format!(
            "{ONE_MORE} would tell most: {probe} would help tell {} from {}",
            a.words_as_rival(),
            b.words_as_rival()
        ),
        None => format!(
            "no one more probe would tell {} from {}: only looking at the unit does, or comparing \
             with its own readings from a time in good order",
            a.words_as_rival(),
            b.words_as_rival()
        ),
    })
}
