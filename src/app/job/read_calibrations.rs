//! `[[calibration]]` of a job as run: what `settled calibrate` found, copied in, so that a replay
//! needs no other file.

use crate::engine::document::{Item, Table};
use crate::engine::job::{Calibration, CalibrationPoint};

/// A correction larger than this is no calibration (K).
const OFFSET_MAX_K: f64 = 20.0;

/// All calibrations of the file.
pub(super) fn calibrations(whole: &Table<'_, '_>) -> Vec<Calibration> {
    let each = whole.tables("calibration").into_iter().filter_map(|table| {
        let address = table.required_text("address", "the probe's address");
        let field = table.required_text("field", "the field's name in its profile");
        let date = table.required_text("date", "the day of the calibration, as 2031-06-04");
        let absolute = table.flag("absolute").unwrap_or_default();
        let points = table.get("points");
        let listed = points.iter().flat_map(Item::list);
        let points: Vec<CalibrationPoint> =
            listed.filter_map(|item| item.table().as_ref().and_then(point)).collect();
        if points.is_empty() || points.len() > 2 {
            table.wrong("give one point or two, as in points = [{ at_c = 0.0, offset_k = -0.2, uncertainty_k = 0.03 }]");
        }
        table.finish();
        Some(Calibration { address: address?.to_uppercase(), field: field?, date: date?, absolute, points })
    });
    each.collect()
}

fn point(table: &Table<'_, '_>) -> Option<CalibrationPoint> {
    let at_c = table.number("at_c");
    let offset_k = table.number("offset_k");
    let uncertainty_k = table.number("uncertainty_k");
    if offset_k.is_some_and(|offset| offset.abs() > OFFSET_MAX_K) {
        table.wrong("an offset of more than 20 K is no calibration; see that the probe is whole");
    }
    Some(CalibrationPoint { at_c: at_c?, offset_k: offset_k?, uncertainty_k: uncertainty_k? })
}
