//! How people type quantities: a number and its unit.
