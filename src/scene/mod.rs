//! The nouns that every stage speaks in, and nothing that computes.

#[cfg(test)]
pub(crate) mod drawn;
mod encoding;
mod geometry;
mod label;
mod linear;
mod perceived;
mod plane;
pub(crate) mod recycled;
mod samples;
mod units;

pub use encoding::{Encoding, ToneCurve, XYZ_FROM_SRGB, linear_from_srgb, srgb_from_linear};
pub use geometry::{Homography, Point, Size, Window};
pub use label::{LABELS, Label};
pub use linear::SceneLinear;
pub use perceived::{Perceived, chroma, difference, difference2, lab_from_linear};
pub use plane::Plane;
pub use samples::{ChannelLayout, CodeValues, Samples};
pub use units::{DeltaE, Pixels, Sigmas};
