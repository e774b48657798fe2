//! Simulated plants.
