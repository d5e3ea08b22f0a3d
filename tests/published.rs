//! The program against values that others published; each check names its source.
//!
//! The data stand in `tests/published/`, with where they come from.

#[path = "published/diagnose.rs"]
mod diagnose;

#[path = "published/ble.rs"]
mod ble;
#[path = "published/calibrate.rs"]
mod calibrate;
#[path = "published/physics.rs"]
mod physics;
#[path = "published/virtual_unit.rs"]
mod virtual_unit;
