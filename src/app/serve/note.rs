//! A note that somebody writes on the page: left where the watch takes notes from, as those of
//! `settled note` are.

use serde::Deserialize;

use super::history::History;
use crate::app::note;
use crate::edge::spool;

/// What a form says.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Written {
    /// The note.
    #[serde(default)]
    text: String,
    /// Present where something on the unit was changed.
    changed: Option<String>,
    /// A reading that was taken by hand, as `settled note --at` takes it.
    #[serde(default)]
    at: String,
}

/// Leaves a note for the watch; it is on the disk when this returns.
///
/// # Errors
/// Why it is not taken, in words.
pub fn leave(history: &History, written: &Written) -> Result<(), String> {
    let Some(folder) = &history.folder else {
        return Err("Nothing is being recorded here; use settled note on the session.".to_owned());
    };
    let (text, changed) = match written.changed {
        Some(_) => (None, Some(written.text.as_str())),
        None => (Some(written.text.as_str()), None),
    };
    let at: Vec<String> = Some(written.at.trim())
        .filter(|at| !at.is_empty())
        .map(str::to_owned)
        .into_iter()
        .collect();
    let inputs = note::inputs(text, changed, &at, history.job.barometer).map_err(|f| f.line())?;
    if inputs.is_empty() {
        return Err("It says nothing; write a note or a reading.".to_owned());
    }
    spool::leave(folder, &inputs).map(drop).map_err(|error| error.to_string())
}
