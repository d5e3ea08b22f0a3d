//! Pure formulas and tables, each with its source, range and units.

pub mod atmosphere;
pub mod moist_air;
pub mod refrigerant;
pub mod uncertainty;
