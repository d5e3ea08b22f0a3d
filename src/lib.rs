//! `settled` hears the wireless probes on an air conditioner, waits until the run has settled,
//! keeps the record, and says what is wrong and how sure it is.
//!
//! The engine decides, the edge acts, and the same inputs always give the same findings.
//!
//! Layers, each of which uses only those before it:
//!
//! | layer | holds | pure |
//! | --- | --- | --- |
//! | [`units`] | quantities, engine time, typed values | yes |
//! | [`physics`] | refrigerants, moist air, uncertainty | yes |
//! | [`engine`] | from payload to finding | yes |
//! | [`edge`] | Bluetooth, files, clock | no |
//! | [`app`] | the commands | no |
//!
//! Beside the engine, and unknown to it, stands [`virtual_unit`]: a simulated air conditioner that
//! uses `units` and `physics` only.

pub mod app;
pub mod edge;
pub mod engine;
pub mod physics;
pub mod units;
pub mod virtual_unit;
