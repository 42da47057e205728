//! derig takes the lighting gear out of location portraits.
//!
//! A *lit frame* (gear in shot, flash firing, a person posing) and a *plate* (same tripod, gear
//! gone) go in; the lit frame with no trace of the gear comes out.
//!
//! ```text
//! photo     files to samples, and what travels with them
//! registration  where each lit pixel lies in the plate
//! sky       the sky as a layer of its own, and its drift
//! lighting  ambient shift, noise, flash pool, structure agreement
//! change    what of the difference is seen
//! region    pieces of change, measured; stillness from pose to pose
//! classify  gear, gear shadow, glint, person, person shadow, or other
//! outline   the outline of gear, pixel by pixel
//! follow    gear followed beyond the pieces in which it was found
//! shade     soft shadows of gear followed to where the light returns
//! glint     glints of the flash on shiny things
//! mask      where the plate is to show
//! merge     the relit patch, into the lit frame's samples
//! verdict   finished, or where to look
//! page      what a person looks at, and corrects
//! shoot     which frames are one set-up, and which is its plate
//! ```
//!
//! [`pipeline::SetUp`] runs them in order; a stage never reads files or prints.
//!
//! | type | holds | unit and convention |
//! |---|---|---|
//! | [`scene::SceneLinear`] | rows x columns x 3, f32 | scene-linear light in the file's own primaries, 1.0 = file white |
//! | [`scene::Plane`] | rows x columns | its name says the unit |
//! | [`scene::Perceived`] | rows x columns x 3, f32 | CIELAB, D65 |
//! | [`scene::Homography`] | 3x3, f64, row-major | plate pixel to lit pixel, pixel centres at integers |
//! | [`scene::Samples`] | code values | the file's own encoding, upright |
//!
//! ```no_run
//! use derig::photo::{self, ReadLimits};
//! use derig::pipeline::{Frame, SetUp, Silent};
//!
//! let frame = |name: &str| -> Result<Frame, photo::PhotoError> {
//!     let photo = photo::read(name.as_ref(), &ReadLimits::default())?;
//!     Ok(Frame { samples: photo.samples, encoding: photo.encoding })
//! };
//! let mut set_up = SetUp::new(vec![frame("plate.jpg")?])?;
//! let poses = [frame("pose-1.jpg")?, frame("pose-2.jpg")?];
//! for (index, pose) in poses.iter().enumerate() {
//!     set_up.observe(index, pose)?;
//! }
//! let cleaned = set_up.clean(0, &poses[0], &Silent)?;
//! println!("{:.1} % replaced", 100.0 * cleaned.report.replaced_share);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod change;
pub mod check;
pub mod classify;
pub mod cli;
pub mod follow;
pub mod glint;
pub mod handover;
pub mod lighting;
pub mod mask;
pub mod merge;
pub mod numeric;
pub mod outline;
pub mod page;
pub mod photo;
pub mod pipeline;
pub mod planning;
pub mod region;
pub mod registration;
pub mod report;
pub mod scene;
pub mod shade;
pub mod shoot;
pub mod sky;
mod vectors;
pub mod verdict;
