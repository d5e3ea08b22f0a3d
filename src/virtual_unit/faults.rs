//! Faults with their severities, put into a unit.

use crate::virtual_unit::design::{Metering, UnitParameters};

/// What can be wrong with the simulated unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// Refrigerant is missing: −10, −20, −30 %.
    LowCharge,
    /// There is too much refrigerant: +10, +20, +30 %.
    OverCharge,
    /// Indoor air is short: −15, −30, −45 %.
    LowIndoorAirflow,
    /// Condenser air is short: −15, −30, −45 %.
    CondenserFouling,
    /// The liquid line drops a further 0.5, 1.5, 3 bar at rated flow.
    LiquidLineRestriction,
    /// The compressor delivers 10, 20, 30 % less, and its isentropic efficiency falls by half as
    /// much.
    CompressorValveLeakage,
    /// Air in the circuit: 0.75, 1.5, 3 bar of it in the condenser.
    NonCondensables,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::LowCharge,
        Self::OverCharge,
        Self::LowIndoorAirflow,
        Self::CondenserFouling,
        Self::LiquidLineRestriction,
        Self::CompressorValveLeakage,
        Self::NonCondensables,
    ];

    /// The word on the command line: `low-charge`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::LowCharge => "low-charge",
            Self::OverCharge => "over-charge",
            Self::LowIndoorAirflow => "low-indoor-airflow",
            Self::CondenserFouling => "condenser-fouling",
            Self::LiquidLineRestriction => "liquid-line-restriction",
            Self::CompressorValveLeakage => "compressor-valve-leakage",
            Self::NonCondensables => "non-condensables",
        }
    }

    /// Whether a unit with this metering shows nothing of the fault at any of its severities, as
    /// a thermostatic valve does that opens until a restriction no longer matters.
    pub const fn is_hidden_by(self, metering: Metering) -> bool {
        matches!((self, metering), (Self::LiquidLineRestriction, Metering::Txv))
    }

    /// The fault that `word` names.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|fault| fault.word() == word)
    }
}

/// How bad a fault is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Severity {
    /// The first of a fault's three sizes.
    Mild,
    /// The second.
    Middle,
    /// The third.
    Severe,
}

impl Severity {
    /// All of them, rising.
    pub const ALL: [Self; 3] = [Self::Mild, Self::Middle, Self::Severe];

    /// The word on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Mild => "mild",
            Self::Middle => "middle",
            Self::Severe => "severe",
        }
    }

    /// The severity that `word` names.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|severity| severity.word() == word)
    }

    const fn of<T: Copy>(self, sizes: [T; 3]) -> T {
        sizes[self as usize]
    }
}

impl UnitParameters {
    /// The same unit with one more thing wrong.
    #[must_use]
    pub fn with_fault(mut self, fault: Fault, severity: Severity) -> Self {
        const BAR: f64 = 1e5;
        let factors = &mut self.factors;
        match fault {
            Fault::LowCharge => factors.charge *= severity.of([0.9, 0.8, 0.7]),
            Fault::OverCharge => factors.charge *= severity.of([1.1, 1.2, 1.3]),
            Fault::LowIndoorAirflow => factors.indoor_airflow *= severity.of([0.85, 0.70, 0.55]),
            Fault::CondenserFouling => factors.outdoor_airflow *= severity.of([0.85, 0.70, 0.55]),
            Fault::LiquidLineRestriction => {
                factors.liquid_line_drop_pa += BAR * severity.of([0.5, 1.5, 3.0]);
            }
            Fault::CompressorValveLeakage => {
                let lost = severity.of([0.1, 0.2, 0.3]);
                factors.displacement *= 1.0 - lost;
                factors.isentropic *= 1.0 - lost / 2.0;
            }
            Fault::NonCondensables => {
                factors.non_condensables_pa += BAR * severity.of([0.75, 1.5, 3.0]);
            }
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_and_a_severity_are_found_by_their_words() {
        for fault in Fault::ALL {
            assert_eq!(Fault::from_word(fault.word()), Some(fault));
        }
        for severity in Severity::ALL {
            assert_eq!(Severity::from_word(severity.word()), Some(severity));
        }
        assert_eq!(Fault::from_word("rust"), None);
    }
}
