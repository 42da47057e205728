//! What an editor gets and gives back: a frame taken apart into layers.
//!
//! [`layers`] makes the pictures, [`openraster`] puts them into one file and takes them out again.
//! [`kept`] is what derig keeps for itself to merge a frame again; [`painted`] reads what was painted.
//! All layers lie pixel by pixel on the upright lit frame and have its profile.

pub mod kept;
pub mod layers;
pub mod openraster;
mod openraster_read;
pub mod painted;

pub use kept::{Kept, KeptError, read_kept, write_kept};
pub use layers::{Layer, LayerKind, Parts, Visibility, mask_picture, patch, write_mask_png};
pub use openraster::write;
pub use openraster_read::{HandedBack, LayerBack, Limits, OpenRasterError, read};
pub use painted::{PaintedError, mask_from_painted, painted_over, shares_of};
