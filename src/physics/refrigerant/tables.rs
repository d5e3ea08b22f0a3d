//! The refrigerants that have a table, made by `generate.py`.

mod r1234yf;
mod r134a;
mod r22;
mod r290;
mod r32;
mod r404a;
mod r407a;
mod r407c;
mod r410a;
mod r421a;
mod r422d;
mod r427a;
mod r448a;
mod r449a;
mod r452b;
mod r454b;
mod r507a;
mod r513a;
mod r600a;

use super::table::Table;

/// All tables.
pub(super) static ALL: [&Table; 19] = [
    &r22::R22,
    &r32::R32,
    &r134a::R134A,
    &r290::R290,
    &r404a::R404A,
    &r407a::R407A,
    &r407c::R407C,
    &r410a::R410A,
    &r421a::R421A,
    &r422d::R422D,
    &r427a::R427A,
    &r448a::R448A,
    &r449a::R449A,
    &r452b::R452B,
    &r454b::R454B,
    &r507a::R507A,
    &r513a::R513A,
    &r600a::R600A,
    &r1234yf::R1234YF,
];
