//! The page: one HTML file to look at a run's frames and say what is to be kept or taken.
//!
//! Pictures and words go in, text comes out; files are the caller's business. The page asks nothing of
//! any network: a Content-Security-Policy allows its own style and script by their hashes, pictures in
//! the page itself or beside it, and nothing else. All that comes from files (names, camera words) is
//! escaped by `maud`.
//!
//! There are two of them: one of cleaned frames, where what is said comes back as a file of corrections
//! that `derig redo` follows, and one of a check, with each lit frame beside its plate.
//!
//! Standards: HTML (WHATWG), SVG 2, CSP 3 (W3C), WCAG 2.2; TOML 1.0 for the corrections.

mod document;
mod frame;
mod outline;
mod pictures;
mod places;
mod regions;
mod shown;
mod told;
mod words;

pub use document::document;
pub use pictures::{After, MAX_FRAME_BYTES, Pictures};
pub use regions::{Pieces, Region};
pub use shown::{Picture, Place, ShotPair, Shown};

use crate::check::{Answer, Reason};
use crate::report::HandWork;

/// What became of a frame, what asks most for a look first.
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
    /// It could not be read, so nothing is known.
    Unreadable,
    /// What a check answered.
    Checked(Answer),
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
    /// Why a check answered so, what weighs most first.
    pub told: Vec<Reason>,
    /// What else is told: warnings, errors with their ways out.
    pub notes: Vec<String>,
    /// Measured facts, name and value.
    pub facts: Vec<(String, String)>,
    /// Pictures; `None` where there are none.
    pub pictures: Option<Pictures>,
}

/// What a page is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Purpose {
    /// Cleaned frames beside the lit ones; pieces are said to be kept or taken.
    HandBack {
        /// File name of the report that corrections are for.
        report: String,
    },
    /// Lit frames beside their plates; nothing to be said.
    Check,
}

/// A run's frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Heading.
    pub title: String,
    /// What it is for.
    pub purpose: Purpose,
    /// What a check says of all frames together, what weighs most first.
    pub told: Vec<Reason>,
    /// Frames as they were shot.
    pub frames: Vec<Sheet>,
}
