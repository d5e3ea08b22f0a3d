//! A simulated unit, house and probes, seeded; for `demo` and the tests, unknown to the engine.
//!
//! [`simulation::Simulation`] is an iterator of payload bytes in time order, as probes on a real
//! unit would send them, and keeps the truth beside. [`cycle_model::steady`] gives one steady
//! state alone, for studies that need thousands.
//!
//! # What it can be held to
//!
//! A quasi-steady vapour-compression cycle (compressor, two coils, metering device, charge) is
//! solved for the conditions of the moment; thermal lags carry the transients. It is tuned so
//! that one parameter set meets the published checks of `tests/published/virtual_unit.rs`: rated
//! pressures, nine capacity and sensible heat ratios, charging charts from 85 to 110 °F outdoors
//! at 80 °F indoors, and the signs of the published fault rows.
//!
//! # How it departs, and what is not modelled
//!
//! - In cooler weather (below about 85 °F, 29 °C outdoors) a healthy fixed-orifice unit reads
//!   about 3 to 10 °F less superheat than the makers' charts: their slope with outdoor
//!   temperature is steeper than a fixed charge behind an orifice gives. In very humid rooms
//!   (80 °F dry bulb, 74 °F wet bulb and more) it reads up to 10 °F less.
//! - A thermostatic valve hides a liquid-line restriction of 3 bar and less: it opens. Such a
//!   unit is not detectably faulty (`Fault::is_hidden_by`). Mild and middle low charge and valve
//!   leakage lower the discharge temperature behind a valve, where the rows from memory say
//!   unchanged or higher.
//! - The mildest severities move some measures by less than 0.1 K.
//! - Not modelled: pressure drop in lines and coils, accumulator, oil, frost (severe faults
//!   bring the coil below 0 °C and it stays clear), the refrigerant's own transients, altitude,
//!   heating.
//!
//! Every size that is not from a source is called *tuned* where it stands.

mod air;
mod calibrate;
mod coil;
pub mod cycle_model;
pub mod design;
pub mod faults;
mod fluid;
mod house;
mod lags;
mod metering;
mod newton;
pub mod payload;
mod plant;
pub mod probes;
pub mod random;
pub mod scenario;
pub mod simulation;
