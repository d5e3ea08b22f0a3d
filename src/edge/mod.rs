//! The edge: Bluetooth, files and the clock. It knows nothing of air.

pub mod bluetooth;
pub mod clock;
