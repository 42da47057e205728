//! Numerical tools that know nothing of photographs.

pub mod filter;
pub mod gradient;
pub mod interpolation;
#[allow(
    clippy::needless_range_loop,
    clippy::range_plus_one,
    reason = "loops over channels index several arrays at once; runs are half-open throughout"
)]
pub mod membrane;
pub mod pull_push;
pub mod pyramid;
pub mod robust;
pub mod segmentation;
pub mod spans;
