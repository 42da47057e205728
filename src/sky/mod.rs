//! Stage 4: the sky as a layer of its own.
//!
//! Sky is what is connected to the top of the frame, smooth, and fits a mixture of colours fitted
//! on the frame itself; the mixture then finds it again in gaps between leaves and beams. Smooth
//! growth from the top follows the idea of Shen & Wang, "Sky Region Detection in a Single Image
//! for Autonomous Ground Robot Navigation", 2013. What one frame cannot tell from clouds, the second
//! does: texture that stands still is no sky.

mod carry;
mod drift;
mod layer;
mod still;

pub use carry::{SkyChange, SkyChangePlanes};
pub use drift::{Drift, estimate_drift};
pub use layer::{SkyLayer, find_sky};
pub use still::without_still_things;
