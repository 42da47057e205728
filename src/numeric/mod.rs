//! Numerical tools that know nothing of photographs.

pub mod filter;
pub mod membrane;
pub mod pull_push;
pub mod segmentation;
