//! Pure formulas and tables, each with its source, range and units.

pub mod refrigerant;
