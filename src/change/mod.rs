//! Stage 3: what of the change is seen, and of what kind it is.
//!
//! Every measure is a plane of the working copy that a practitioner could name: how visible the
//! difference to the relit plate is, whose edge an edge is, whether the same tone lies nearby.

mod edges;
mod evidence;
mod tolerant;

pub use edges::{Edges, edges};
pub use evidence::{
    Evidence, FORGIVEN_SHIFT, as_seen, gather_evidence, relit_as_seen, relit_as_seen_near, unlit,
};
pub use tolerant::{nearest_difference, tolerant_difference, tolerant_difference_near};
