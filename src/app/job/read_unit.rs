//! `[unit]` and `[[circuit]]` of a job file.

use crate::engine::document::{self, Table};
use crate::engine::job::{AirflowBasis, Circuit, Metering, Unit, UnitKind};
use crate::physics::refrigerant::{Refrigerant, RefrigerantError};
use crate::units::parse;

const KINDS: [(&str, UnitKind); 3] =
    [("package", UnitKind::Package), ("split", UnitKind::Split), ("ductless", UnitKind::Ductless)];
/// The words of `metering`.
pub(in crate::app) const METERINGS: [(&str, Metering); 3] =
    [("fixed-orifice", Metering::FixedOrifice), ("txv", Metering::Txv), ("eev", Metering::Eev)];
const BASES: [(&str, AirflowBasis); 2] =
    [("measured", AirflowBasis::Measured), ("assumed", AirflowBasis::Assumed)];

/// The unit, as far as the file tells; defaults stand at [`Unit`].
pub(super) fn unit(whole: &Table<'_, '_>) -> Unit {
    let mut unit = Unit::default();
    let mut shared = Circuit::default();
    if let Some(table) = whole.table("unit") {
        shared = circuit(&table, &Circuit::default());
        unit.kind = table.word("kind", &KINDS).unwrap_or_default();
        unit.rated_cooling = table.read("rated_cooling", parse::capacity);
        unit.rated_heating = table.read("rated_heating", parse::capacity);
        let airflow = table.get("airflow");
        let basis = table.word("airflow_basis", &BASES);
        if let Some(item) = &airflow
            && table.get("airflow_basis").is_none()
        {
            item.wrong("say how it is known: airflow_basis = \"measured\" or \"assumed\"");
        }
        unit.airflow = airflow
            .and_then(|item| item.read(parse::airflow))
            .map(|flow| (flow, basis.unwrap_or(AirflowBasis::Assumed)));
        unit.stages = table.integer("stages", 1..=4).map_or(unit.stages, |n| n as u8);
        unit.variable_speed = table.flag("variable_speed").unwrap_or_default();
        unit.economizer = table.flag("economizer").unwrap_or_default();
        table.finish();
    }
    let several = whole.tables("circuit").into_iter().map(|table| {
        let circuit = circuit(&table, &shared);
        table.finish();
        circuit
    });
    unit.circuits = several.collect();
    if unit.circuits.is_empty() {
        unit.circuits.push(shared);
    }
    unit
}

/// A circuit; what it leaves out is as in `shared`.
fn circuit(table: &Table<'_, '_>, shared: &Circuit) -> Circuit {
    let difference = |key| table.read(key, parse::difference);
    Circuit {
        refrigerant: table.read("refrigerant", refrigerant).or(shared.refrigerant.clone()),
        metering: table.word("metering", &METERINGS).or(shared.metering),
        target_subcooling: difference("target_subcooling").or(shared.target_subcooling),
        target_superheat: difference("target_superheat").or(shared.target_superheat),
        approach: difference("approach").or(shared.approach),
    }
}

/// The refrigerant's name as its table writes it.
fn refrigerant(name: &str) -> Result<String, String> {
    Refrigerant::by_name(name).map(|found| found.name().to_owned()).map_err(|error| {
        let known: Vec<&str> = Refrigerant::all().map(Refrigerant::name).collect();
        match (&error, document::nearest(name, &known)) {
            (RefrigerantError::Unknown { .. }, Some(near)) => {
                format!("no refrigerant is called `{name}`; did you mean `{near}`?")
            }
            _ => error.to_string(),
        }
    })
}
