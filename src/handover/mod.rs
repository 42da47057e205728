//! What an editor gets and gives back: a frame taken apart into layers.
//!
//! [`layers`] makes the pictures, [`openraster`] puts them into one file and takes them out again.
//! All layers lie pixel by pixel on the upright lit frame and have its profile.

pub mod layers;
pub mod openraster;
mod openraster_read;

pub use layers::{Layer, LayerKind, Parts, Visibility, mask_picture, patch};
pub use openraster::write;
pub use openraster_read::{HandedBack, LayerBack, Limits, OpenRasterError, read};
