//! Numerical tools that know nothing of photographs.

pub mod gradient;
pub mod interpolation;
pub mod pyramid;
pub mod robust;
