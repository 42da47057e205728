//! derig takes the lighting gear out of location portraits.
//!
//! A *lit frame* (gear in shot, flash firing, a person posing) and a *plate* (same tripod, gear
//! gone) go in; the lit frame with no trace of the gear comes out.

pub mod numeric;
pub mod pipeline;
pub mod registration;
pub mod report;
pub mod scene;
