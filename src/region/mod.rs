//! Stage 5: pieces of visible change, and what a practitioner would say of each.
//!
//! Where the lit frame visibly differs from the relit plate, the picture is cut into pieces along
//! its own edges, thin ones included; each piece is measured. With several lit frames of one
//! set-up, *stillness* is measured too: gear stands still from pose to pose, people don't.

mod blobs;
mod cut;
mod extent;
mod features;
mod hull;
mod measure;
mod probe;
mod stands;
mod stillness;
mod surroundings;

pub use blobs::{LooseBlobs, connected_blobs};
pub use cut::{Neighbour, Observed, Piece, Regions, changed_pixels, cut_regions};
pub use features::{FEATURE_COUNT, FEATURE_NAMES, FIRST_STILLNESS_FEATURE, PieceFeatures};
pub use stands::{Stands, stands};
pub use stillness::{Camera, Companion, REACH, Stillness, observe_stillness};
