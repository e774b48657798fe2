//! Hard rules, and the series repaired so that everything after them still sees it.
//!
//! - [`words`]: halves of a register pair in the wrong order;
//! - [`counter`]: totals and counters made continuous: wraps, resets, values read in halves;
//! - [`standstill`]: registers that stand still while another witness moves.

pub(super) mod counter;
pub(super) mod standstill;
pub(super) mod words;
