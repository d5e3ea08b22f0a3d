//! What a row of each of the lake's tables says.
//!
//! The schema is a promise: columns may be added, at the end; none is renamed, moved or given
//! another type or unit ([`FORMAT`] would be counted up). Values are SI as the engine has them
//! (°C, K, Pa, fractions) and not rounded; a unit is the last word of the column's name, or
//! the column's `unit`, or stands in a column `unit` where it varies from row to row.

use std::borrow::Cow;

use crate::engine::channel::Channel;
use crate::engine::diagnose::finding::{Fault, Finding, Suspect};
use crate::engine::output::{Derived, Event, Moment};
use crate::engine::reading::{Cycle, SettledSet, SettledValue};
use crate::engine::snapshot::Counts;
use crate::engine::tables::{SHORT_PAUSE_S, SHORT_RUN_S};
use crate::units::time::Elapsed;

/// The version of the tables' schema.
pub const FORMAT: u32 = 1;

/// What a column's cells are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Words.
    Text,
    /// Yes or no.
    Flag,
    /// A whole number of 32 bits.
    Count,
    /// A whole number of 64 bits.
    Whole,
    /// A number of double precision.
    Number,
    /// A moment (ms since 1970, UTC).
    Utc,
}

/// A column of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// What its cells are.
    pub kind: Kind,
    /// Whether each row has it.
    pub required: bool,
    /// The unit, where there is one for the whole column.
    pub unit: Option<&'static str>,
}

const fn always(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, required: true, unit: None }
}

const fn maybe(name: &'static str, kind: Kind) -> Column {
    Column { name, kind, required: false, unit: None }
}

impl Column {
    const fn unit(self, unit: &'static str) -> Self {
        Self { unit: Some(unit), ..self }
    }
}

/// A table. Each has before its own columns the text `session`, which is no part of a row here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// Its columns.
    pub columns: &'static [Column],
    /// By which of them its rows are sorted.
    pub sorted_by: &'static [&'static str],
}

/// One row a session.
pub const SESSIONS: Table = Table {
    name: "sessions",
    columns: &[
        maybe("started_utc", Kind::Utc),
        always("zone", Kind::Text),
        always("program", Kind::Text),
        always("mode", Kind::Text),
        maybe("refrigerant", Kind::Text),
        maybe("metering", Kind::Text),
        always("folder", Kind::Text),
        always("rows", Kind::Whole),
        always("length_s", Kind::Number).unit("s"),
        always("readings", Kind::Whole),
        always("cycles", Kind::Count),
        always("sets", Kind::Count),
        always("rows_unreadable", Kind::Whole),
        always("exported_by", Kind::Text),
    ],
    sorted_by: &[],
};

/// One row a probe that was heard, or that the job awaited.
pub const PROBES: Table = Table {
    name: "probes",
    columns: &[
        always("probe", Kind::Text),
        maybe("name", Kind::Text),
        maybe("profile", Kind::Text),
        always("payloads", Kind::Whole),
        maybe("battery_last", Kind::Number).unit("fraction"),
        maybe("rssi_median_dbm", Kind::Number).unit("dBm"),
        maybe("calibrated_utc", Kind::Utc),
        maybe("calibration_offset_k", Kind::Number).unit("K"),
        maybe("calibration_uncertainty_k", Kind::Number).unit("K"),
        maybe("calibration_beyond_accuracy", Kind::Flag),
    ],
    sorted_by: &[],
};

/// One row a smoothed value: what a cell of a channel's column in `readings.csv` says.
pub const READINGS: Table = Table {
    name: "readings",
    columns: &[
        always("elapsed_ms", Kind::Whole).unit("ms"),
        maybe("at_utc", Kind::Utc),
        always("channel", Kind::Text),
        always("quantity", Kind::Text),
        always("value", Kind::Number),
        always("unit", Kind::Text),
        maybe("spread", Kind::Number),
    ],
    // Within a row group, which is a stretch of time: of one channel few pages need be read.
    sorted_by: &["channel", "elapsed_ms"],
};

/// One row a moment: what the unit was doing, and what follows from the levels.
pub const MOMENTS: Table = Table {
    name: "moments",
    columns: &[
        always("elapsed_ms", Kind::Whole).unit("ms"),
        maybe("at_utc", Kind::Utc),
        always("state", Kind::Text),
        maybe("evaporator_split_delta_c", Kind::Number).unit("delta_degC"),
        maybe("condenser_split_delta_c", Kind::Number).unit("delta_degC"),
        maybe("superheat_delta_c", Kind::Number).unit("delta_degC"),
        maybe("subcooling_delta_c", Kind::Number).unit("delta_degC"),
        maybe("approach_delta_c", Kind::Number).unit("delta_degC"),
        maybe("return_air_wet_bulb_c", Kind::Number).unit("degC"),
        maybe("supply_air_wet_bulb_c", Kind::Number).unit("degC"),
    ],
    sorted_by: &["elapsed_ms"],
};

/// How many columns of [`MOMENTS`] come before the derived ones.
const MOMENT_FIXED: usize = 3;

/// One row a run and the pause after it.
pub const CYCLES: Table = Table {
    name: "cycles",
    columns: &[
        always("cycle", Kind::Count),
        maybe("start_utc", Kind::Utc),
        maybe("start_s", Kind::Number).unit("s"),
        maybe("stop_s", Kind::Number).unit("s"),
        maybe("run_s", Kind::Number).unit("s"),
        maybe("pause_s", Kind::Number).unit("s"),
        always("complete", Kind::Flag),
        maybe("start_uncertainty_s", Kind::Number).unit("s"),
        maybe("stop_uncertainty_s", Kind::Number).unit("s"),
        maybe("night", Kind::Flag),
        always("defrost", Kind::Flag),
        maybe("short_run", Kind::Flag),
        maybe("short_pause", Kind::Flag),
        always("settled", Kind::Flag),
        always("how", Kind::Text),
    ],
    sorted_by: &["cycle"],
};

/// One row a channel of a settled set.
pub const SETS: Table = Table {
    name: "sets",
    columns: &[
        always("set", Kind::Count),
        maybe("cycle", Kind::Count),
        maybe("at_utc", Kind::Utc),
        always("from_ms", Kind::Whole).unit("ms"),
        always("to_ms", Kind::Whole).unit("ms"),
        always("channel", Kind::Text),
        always("value", Kind::Number),
        always("unit", Kind::Text),
        always("spread", Kind::Number),
        always("uncertainty", Kind::Number),
    ],
    sorted_by: &["set"],
};

/// One row a measure judged.
pub const FINDINGS: Table = Table {
    name: "findings",
    columns: &[
        always("set", Kind::Count),
        maybe("at_utc", Kind::Utc),
        always("measure", Kind::Text),
        always("circuit", Kind::Count),
        maybe("value", Kind::Number),
        always("unit", Kind::Text),
        maybe("uncertainty", Kind::Number),
        maybe("low_95", Kind::Number),
        maybe("high_95", Kind::Number),
        maybe("expected_low", Kind::Number),
        maybe("expected_high", Kind::Number),
        always("verdict", Kind::Text),
        always("from_s", Kind::Number).unit("s"),
        always("to_s", Kind::Number).unit("s"),
        always("basis", Kind::Text),
        always("source", Kind::Text),
    ],
    sorted_by: &["set"],
};

/// One row a fault suspected, the none of them included.
pub const SUSPECTS: Table = Table {
    name: "suspects",
    columns: &[
        always("set", Kind::Count),
        maybe("at_utc", Kind::Utc),
        always("circuit", Kind::Count),
        always("rank", Kind::Count),
        always("suspect", Kind::Text),
        always("probability", Kind::Number).unit("fraction"),
        maybe("together_with", Kind::Text),
    ],
    sorted_by: &["set"],
};

/// One row an event.
pub const EVENTS: Table = Table {
    name: "events",
    columns: &[
        always("elapsed_ms", Kind::Whole).unit("ms"),
        maybe("at_utc", Kind::Utc),
        always("event", Kind::Text),
        always("subject", Kind::Text),
        always("detail", Kind::Text),
    ],
    sorted_by: &[],
};

/// All tables, in the order in which they are put into the lake: [`SESSIONS`] last, so that a
/// session is there once all of it is.
pub const ALL: [Table; 9] =
    [PROBES, READINGS, MOMENTS, CYCLES, SETS, FINDINGS, SUSPECTS, EVENTS, SESSIONS];

/// One cell of a row.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell<'a> {
    /// Nothing is known.
    Absent,
    /// Words.
    Text(Cow<'a, str>),
    /// Yes or no.
    Flag(bool),
    /// A whole number, of a [`Kind::Count`] or [`Kind::Whole`].
    Whole(i64),
    /// A number.
    Number(f64),
    /// A moment (ms since 1970, UTC).
    Utc(i64),
}

impl<'a> From<&'a str> for Cell<'a> {
    fn from(text: &'a str) -> Self {
        Self::Text(Cow::Borrowed(text))
    }
}

impl From<String> for Cell<'_> {
    fn from(text: String) -> Self {
        Self::Text(Cow::Owned(text))
    }
}

impl From<bool> for Cell<'_> {
    fn from(flag: bool) -> Self {
        Self::Flag(flag)
    }
}

impl From<f64> for Cell<'_> {
    fn from(number: f64) -> Self {
        Self::Number(number)
    }
}

impl From<u64> for Cell<'_> {
    fn from(number: u64) -> Self {
        // Counts and milliseconds of a session are far below.
        Self::Whole(i64::try_from(number).unwrap_or(i64::MAX))
    }
}

impl From<u32> for Cell<'_> {
    fn from(number: u32) -> Self {
        Self::Whole(number.into())
    }
}

impl From<Elapsed> for Cell<'_> {
    /// Milliseconds since the session began.
    fn from(at: Elapsed) -> Self {
        at.as_ms().into()
    }
}

impl<'a, T: Into<Cell<'a>>> From<Option<T>> for Cell<'a> {
    fn from(cell: Option<T>) -> Self {
        cell.map_or(Self::Absent, Into::into)
    }
}

/// The cell of a moment (ms since 1970, UTC).
pub fn utc(utc_ms: Option<i64>) -> Cell<'static> {
    utc_ms.map_or(Cell::Absent, Cell::Utc)
}

fn seconds(at: Option<Elapsed>) -> Cell<'static> {
    at.map(Elapsed::as_secs).into()
}

/// What [`SESSIONS`] says of a session.
#[derive(Debug, Clone)]
pub struct Visit<'a> {
    /// When it began (ms since 1970, UTC), where a label tells.
    pub started_ms: Option<i64>,
    /// The zone in which people see it.
    pub zone: &'a str,
    /// The program that recorded it.
    pub program: &'a str,
    /// The program that made these rows.
    pub exported_by: &'a str,
    /// The mode, in the job's word.
    pub mode: &'a str,
    /// The refrigerants of its circuits.
    pub refrigerant: Option<String>,
    /// The metering devices of its circuits, in the job's words.
    pub metering: Option<String>,
    /// The name of its folder.
    pub folder: &'a str,
    /// Rows of the record.
    pub rows: u64,
    /// Rows that could not be read.
    pub rows_unreadable: u64,
    /// Its end.
    pub end: Elapsed,
    /// What was counted.
    pub counts: Counts,
}

/// The row of a session.
pub fn session_row<'a>(visit: &Visit<'a>) -> [Cell<'a>; SESSIONS.columns.len()] {
    [
        utc(visit.started_ms),
        visit.zone.into(),
        visit.program.into(),
        visit.mode.into(),
        visit.refrigerant.clone().into(),
        visit.metering.clone().into(),
        visit.folder.into(),
        visit.rows.into(),
        visit.end.as_secs().into(),
        visit.counts.readings.into(),
        visit.counts.cycles.into(),
        visit.counts.settled_sets.into(),
        visit.rows_unreadable.into(),
        visit.exported_by.into(),
    ]
}

/// What [`PROBES`] says of a probe.
#[derive(Debug, Clone, Default)]
pub struct ProbeFacts {
    /// Its address, or what the job calls it.
    pub probe: String,
    /// The name that it told.
    pub name: Option<String>,
    /// The profiles that fitted its payloads.
    pub profile: Option<String>,
    /// Payloads that it sent.
    pub payloads: u64,
    /// What was left in its battery (fraction).
    pub battery: Option<f64>,
    /// Median of its signal strength (dBm).
    pub rssi_median_dbm: Option<f64>,
    /// What a bath told, where it was in one.
    pub calibration: Option<CalibrationFacts>,
}

/// What a bath told of a probe; of several fields the one that is farthest off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibrationFacts {
    /// The day (ms since 1970, UTC).
    pub day_ms: Option<i64>,
    /// What is added to its readings (K).
    pub offset_k: f64,
    /// The standard uncertainty of that (K).
    pub uncertainty_k: f64,
    /// Whether it is farther off than its stated accuracy, beyond that uncertainty; `None` where
    /// none is stated.
    pub beyond_accuracy: Option<bool>,
}

/// The row of a probe.
pub fn probe_row(facts: &ProbeFacts) -> [Cell<'_>; PROBES.columns.len()] {
    let calibration = facts.calibration;
    [
        facts.probe.as_str().into(),
        facts.name.as_deref().into(),
        facts.profile.as_deref().into(),
        facts.payloads.into(),
        facts.battery.into(),
        facts.rssi_median_dbm.into(),
        utc(calibration.and_then(|known| known.day_ms)),
        calibration.map(|known| known.offset_k).into(),
        calibration.map(|known| known.uncertainty_k).into(),
        calibration.and_then(|known| known.beyond_accuracy).into(),
    ]
}

/// One smoothed value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// When.
    pub at: Elapsed,
    /// Its label (ms since 1970, UTC).
    pub utc_ms: Option<i64>,
    /// The value (SI).
    pub value: f64,
    /// Scatter of the readings around it (SI); `None` for a typed value.
    pub spread: Option<f64>,
}

/// The row of a smoothed value of `channel`, whose name is `name`.
pub fn reading_row<'a>(
    channel: &Channel,
    name: &'a str,
    level: &Level,
) -> [Cell<'a>; READINGS.columns.len()] {
    [
        level.at.into(),
        utc(level.utc_ms),
        name.into(),
        channel.kind.word().into(),
        level.value.into(),
        channel.kind.unit().into(),
        level.spread.into(),
    ]
}

/// The row of a moment.
pub fn moment_row(moment: &Moment, utc_ms: Option<i64>) -> [Cell<'_>; MOMENTS.columns.len()] {
    let mut row = [const { Cell::Absent }; MOMENTS.columns.len()];
    row[0] = moment.at.into();
    row[1] = utc(utc_ms);
    row[2] = moment.state.word().into();
    for (cell, value) in row[MOMENT_FIXED..].iter_mut().zip(moment.derived()) {
        *cell = value.into();
    }
    row
}

/// The row of a cycle; `night` is `None` where the time of day is not known.
pub fn cycle_row(
    cycle: &Cycle,
    start_utc_ms: Option<i64>,
    night: Option<bool>,
) -> [Cell<'_>; CYCLES.columns.len()] {
    let (run, pause) = (cycle.run_s(), cycle.pause_s());
    [
        cycle.number.into(),
        utc(start_utc_ms),
        seconds(cycle.start),
        seconds(cycle.stop),
        run.into(),
        pause.into(),
        cycle.complete.into(),
        cycle.start_uncertainty_s.into(),
        cycle.stop_uncertainty_s.into(),
        night.into(),
        cycle.defrost.into(),
        run.map(|run| run < SHORT_RUN_S).into(),
        pause.map(|pause| pause < SHORT_PAUSE_S).into(),
        cycle.settled.into(),
        cycle.how.as_str().into(),
    ]
}

/// The row of one channel of a settled set.
pub fn set_row(
    set: &SettledSet,
    value: &SettledValue,
    utc_ms: Option<i64>,
) -> [Cell<'static>; SETS.columns.len()] {
    [
        set.number.into(),
        set.cycle.into(),
        utc(utc_ms),
        set.from.into(),
        set.to.into(),
        value.channel.to_string().into(),
        value.quantity.get().into(),
        value.channel.kind.unit().into(),
        value.spread.into(),
        value.uncertainty.into(),
    ]
}

/// The row of a finding on the settled set of this number.
pub fn finding_row(
    set: u32,
    finding: &Finding,
    utc_ms: Option<i64>,
) -> [Cell<'_>; FINDINGS.columns.len()] {
    let [low, high] = finding.interval_95.map_or([None; 2], |ends| ends.map(Some));
    let [expected_low, expected_high] = finding.expected.unwrap_or_default();
    [
        set.into(),
        utc(utc_ms),
        finding.measure.as_str().into(),
        u32::from(finding.circuit).into(),
        finding.value.into(),
        finding.unit.into(),
        finding.uncertainty.into(),
        low.into(),
        high.into(),
        expected_low.into(),
        expected_high.into(),
        finding.verdict.word().into(),
        finding.from.as_secs().into(),
        finding.to.as_secs().into(),
        finding.basis.as_str().into(),
        finding.source.as_str().into(),
    ]
}

/// The row of a suspect on the settled set of this number; `rank` counts from 1 on its circuit.
pub fn suspect_row(
    set: u32,
    rank: u32,
    suspect: &Suspect,
    utc_ms: Option<i64>,
) -> [Cell<'static>; SUSPECTS.columns.len()] {
    [
        set.into(),
        utc(utc_ms),
        u32::from(suspect.circuit).into(),
        rank.into(),
        suspect.fault.word().into(),
        suspect.probability.into(),
        suspect.with.map(Fault::word).into(),
    ]
}

/// The row of an event.
pub fn event_row(event: &Event, utc_ms: Option<i64>) -> [Cell<'_>; EVENTS.columns.len()] {
    [
        event.at.into(),
        utc(utc_ms),
        event.event.as_str().into(),
        event.subject.as_str().into(),
        event.detail.as_str().into(),
    ]
}

/// The level of a place that several probes share, and the widest of their spreads.
pub fn mean(levels: impl Iterator<Item = (f64, Option<f64>)>) -> Option<(f64, Option<f64>)> {
    let mut sum = 0.0;
    let mut count = 0_u32;
    let mut widest = None;
    for (value, spread) in levels {
        sum += value;
        count += 1;
        widest =
            spread.map(|spread| widest.map_or(spread, |known: f64| known.max(spread))).or(widest);
    }
    (count > 0).then(|| (sum / f64::from(count), widest))
}

const _: () = assert!(MOMENTS.columns.len() == MOMENT_FIXED + Derived::ALL.len());

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::columns::{Units, derived_column};

    #[test]
    fn the_derived_columns_are_called_as_in_the_csv_of_si_units() {
        let named = MOMENTS.columns[MOMENT_FIXED..].iter().map(|column| column.name);
        let expected = Derived::ALL.map(|measure| derived_column(measure, Units::Si));
        assert_eq!(named.collect::<Vec<_>>(), expected);
    }

    #[test]
    fn every_table_is_sorted_by_columns_that_it_has_and_none_is_called_twice() {
        for table in ALL {
            let names: Vec<&str> = table.columns.iter().map(|column| column.name).collect();
            assert!(table.sorted_by.iter().all(|name| names.contains(name)), "{}", table.name);
            for taken in ["session", "site", "date"] {
                assert!(!names.contains(&taken), "{} has {taken}", table.name);
            }
            for (place, name) in names.iter().enumerate() {
                assert!(!names[..place].contains(name), "{} has {name} twice", table.name);
            }
        }
    }

    #[test]
    fn a_place_that_several_probes_share_is_their_mean_and_as_wide_as_the_widest() {
        assert_eq!(mean([].into_iter()), None);
        assert_eq!(mean([(1.0, None)].into_iter()), Some((1.0, None)));
        let both = [(1.0, Some(0.3)), (2.0, None), (6.0, Some(0.1))];
        assert_eq!(mean(both.into_iter()), Some((3.0, Some(0.3))));
    }
}
