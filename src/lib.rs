//! derig takes the lighting gear out of location portraits.
//!
//! A *lit frame* (gear in shot, flash firing, a person posing) and a *plate* (same tripod, gear
//! gone) go in; the lit frame with no trace of the gear comes out.

pub mod change;
pub mod classify;
pub mod cli;
pub mod handover;
pub mod lighting;
pub mod mask;
pub mod merge;
pub mod numeric;
pub mod photo;
pub mod pipeline;
pub mod planning;
pub mod region;
pub mod registration;
pub mod report;
pub mod scene;
pub mod sky;
