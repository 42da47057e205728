//! Stage 8: the relit patch.
//!
//! The plate is taken to the lit frame's light by a membrane: the log-ratio lit / plate, gathered
//! on the mask's rim a surface, carried harmonically through the hole with the plate's own edges
//! as barriers, sky and ground each by itself (after Pérez, Gangnet & Blake, "Poisson Image
//! Editing", 2003, in the logarithm of light and with varying conductance).

mod composite;
mod relight;
mod sky_colours;
mod skyline;

pub use composite::{Patch, composite, mask_value};
pub use relight::{Relight, RelightInputs, RelitSurfaces, relight, relit_surfaces};
