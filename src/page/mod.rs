//! The page: one HTML file to look at a run's frames and say what is to be kept or taken.
//!
//! Pictures and words go in, text comes out; files are the caller's business. The page asks nothing of
//! any network: a Content-Security-Policy allows its own style and script by their hashes, pictures in
//! the page itself or beside it, and nothing else. All that comes from files (names, camera words) is
//! escaped by `maud`.
//!
//! What is said on the page comes back as a file of corrections, which `derig redo` follows.
//!
//! Standards: HTML (WHATWG), SVG 2, CSP 3 (W3C), WCAG 2.2; TOML 1.0 for the corrections.

mod document;
mod frame;
mod outline;
mod pictures;
mod regions;
mod words;

pub use document::document;
pub use pictures::{After, MAX_FRAME_BYTES, Picture, Pictures, Place, Shown};
pub use regions::{Pieces, Region};

use crate::report::HandWork;

/// What became of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// It could not be cleaned.
    Failed,
    /// A person should look at the places named.
    LookHere,
    /// Nothing left to do, as far as derig can tell.
    Finished,
    /// Nothing was found that has to go.
    NothingToRemove,
}

/// One frame on the page.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// The lit frame as the report names it.
    pub name: String,
    /// What became of it.
    pub outcome: Outcome,
    /// One line about it.
    pub summary: String,
    /// Everything there is to look at, the surest first.
    pub hand_work: Vec<HandWork>,
    /// What else is told: warnings, errors with their ways out.
    pub notes: Vec<String>,
    /// Measured facts, name and value.
    pub facts: Vec<(String, String)>,
    /// Pictures; `None` where there are none.
    pub pictures: Option<Pictures>,
}

/// A run's frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Heading.
    pub title: String,
    /// File name of the report that corrections are for.
    pub report: String,
    /// Frames as they were shot.
    pub frames: Vec<Sheet>,
}
