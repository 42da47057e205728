//! Numerical tools that know nothing of photographs.

pub mod bundle;
pub mod elementary;
pub mod enlarge;
pub mod filter;
pub mod gradient;
pub mod interpolation;
pub mod membrane;
pub mod mixture;
pub mod pull_push;
pub mod pyramid;
pub mod robust;
pub mod segmentation;
pub mod spans;
