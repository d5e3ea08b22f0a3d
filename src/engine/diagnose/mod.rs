//! The diagnostic core: from a settled set to what is right, what is wrong and how sure.

pub mod advice;
pub mod charts;
pub mod conditions;
pub mod derive;
pub mod diagram;
pub mod errors;
pub mod evidence;
pub mod expect;
pub mod finding;
pub mod inputs;
pub mod judge;
pub mod matrix;
pub mod measure;
mod measure_air;
pub mod observe;
pub mod pattern_tables;
pub mod patterns;
pub mod pressure_sanity;
pub mod sanity;
pub mod uncertain;
pub mod weigh;
mod weigh_case;

pub use judge::{Context, diagnose};
