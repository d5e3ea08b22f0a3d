//! What a diagnosis says: measures judged, and faults suspected, each with how we know.

use crate::engine::reading::Verdict;
use crate::units::time::Elapsed;

/// A contribution to a measure's uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetLine {
    /// What contributes, in words: `suction-line.temperature: probe accuracy`.
    pub what: String,
    /// Its share of the measure's standard uncertainty (SI, k = 1).
    pub uncertainty: f64,
}

/// The lowest and the highest value expected; an end that has no limit is `None`.
pub type Limits = [Option<f64>; 2];

/// A measure judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The measure in snake_case: `evaporator_split`.
    pub measure: String,
    /// The refrigerant circuit, from 1.
    pub circuit: u8,
    /// The value (SI); `None` where a condition is found rather than a number.
    pub value: Option<f64>,
    /// The value's unit: `delta_degC`, `degC`, `Pa`, `fraction`, `W`, `J_per_kg`.
    pub unit: &'static str,
    /// Standard uncertainty (k = 1), in `unit`.
    pub uncertainty: Option<f64>,
    /// The interval that holds the true value with 95 % probability, in `unit`.
    pub interval_95: Option<[f64; 2]>,
    /// What is expected, in `unit`; many limits are one-sided.
    pub expected: Option<Limits>,
    /// How the two stand to each other.
    pub verdict: Verdict,
    /// Start of the stretch that it rests on.
    pub from: Elapsed,
    /// End of the stretch that it rests on.
    pub to: Elapsed,
    /// How it was found, in plain words.
    pub basis: String,
    /// Where the expectation comes from; empty where there is none.
    pub source: String,
    /// What its uncertainty is made of.
    pub budget: Vec<BudgetLine>,
}

/// A fault that a unit can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// Nothing is wrong.
    None,
    /// Too little refrigerant.
    LowCharge,
    /// Too much refrigerant.
    OverCharge,
    /// Too little air over the indoor coil.
    LowIndoorAirflow,
    /// Too little air through the outdoor coil, or dirt on it.
    CondenserFouling,
    /// A narrow place in the liquid line, drier or metering device.
    LiquidLineRestriction,
    /// Gas leaks back through the compressor's valves.
    CompressorValveLeakage,
    /// Air or nitrogen in the refrigerant.
    NonCondensables,
}

impl Fault {
    /// All faults, `None` first.
    pub const ALL: [Self; 8] = [
        Self::None,
        Self::LowCharge,
        Self::OverCharge,
        Self::LowIndoorAirflow,
        Self::CondenserFouling,
        Self::LiquidLineRestriction,
        Self::CompressorValveLeakage,
        Self::NonCondensables,
    ];

    /// The word in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::LowCharge => "low_charge",
            Self::OverCharge => "over_charge",
            Self::LowIndoorAirflow => "low_indoor_airflow",
            Self::CondenserFouling => "condenser_fouling",
            Self::LiquidLineRestriction => "liquid_line_restriction",
            Self::CompressorValveLeakage => "compressor_valve_leakage",
            Self::NonCondensables => "non_condensables",
        }
    }

    /// What people call it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::None => "nothing wrong",
            Self::LowCharge => "too little refrigerant",
            Self::OverCharge => "too much refrigerant",
            Self::LowIndoorAirflow => "too little air over the indoor coil",
            Self::CondenserFouling => "too little air through the outdoor coil (dirt or fan)",
            Self::LiquidLineRestriction => "a restriction in the liquid line or metering device",
            Self::CompressorValveLeakage => "leaking compressor valves",
            Self::NonCondensables => "air or nitrogen in the refrigerant",
        }
    }

    /// What people call it where it stands beside another that it cannot be told from.
    pub const fn words_as_rival(self) -> &'static str {
        match self {
            Self::None => "a unit in good order",
            fault => fault.words(),
        }
    }
}

/// A fault suspected.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspect {
    /// The fault.
    pub fault: Fault,
    /// A second fault at the same time, where two explain it better.
    pub with: Option<Fault>,
    /// The refrigerant circuit, from 1.
    pub circuit: u8,
    /// The probability (0 to 1).
    pub probability: f64,
    /// What the probes at hand cannot tell it apart from.
    pub cannot_tell_from: Vec<Fault>,
    /// What speaks for and against it, in plain words.
    pub evidence: Vec<String>,
    /// What to look at next, the most telling first, with cautions.
    pub check_next: Vec<String>,
}

/// What one settled set says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Diagnosis {
    /// Number of the settled set, from 1; 0 for typed values.
    pub set: u32,
    /// Conditions first, then measures.
    pub findings: Vec<Finding>,
    /// The likeliest first.
    pub suspects: Vec<Suspect>,
}
