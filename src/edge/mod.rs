//! The edge: Bluetooth, files and the clock. It knows nothing of air.

pub mod bluetooth;
pub mod clock;
pub mod derived;
pub mod folder;
pub mod import;
pub mod import_map;
pub mod journal;
#[cfg(feature = "lake")]
pub mod lake;
pub mod machine;
pub mod readings;
pub mod rows;
pub mod service_manager;
pub mod spool;
pub mod store;
pub mod times;
pub mod web;
