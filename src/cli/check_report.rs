//! What a check says, as `--json` prints it and in lines for people.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::frame_entry::ErrorEntry;
use crate::check::{Answer, Bearing, Reason, SetUpCheck, Shot};

/// Everything about a check: what `--json` prints.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct CheckReport {
    /// Version of this layout.
    pub(super) check_version: u32,
    /// Version of the program.
    pub(super) derig_version: String,
    /// Plates as they were named.
    pub(super) plates: Vec<String>,
    /// Said of the set-up as a whole.
    pub(super) set_up: SetUpCheck,
    pub(super) frames: Vec<CheckedFrame>,
    /// Seconds a part of the work.
    pub(super) seconds: BTreeMap<String, f64>,
}

/// A lit frame and what is said of it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct CheckedFrame {
    /// As it was named.
    pub(super) lit: String,
    /// The plate that serves it best; none where it could not be read.
    pub(super) plate: Option<String>,
    /// None where it could not be read.
    pub(super) answer: Option<Answer>,
    pub(super) reasons: Vec<Reason>,
    pub(super) error: Option<ErrorEntry>,
}

/// What was found, where, and what to do.
pub(super) fn told(reason: &Reason) -> String {
    let mark = match reason.bearing {
        Bearing::Spoils => "spoils",
        Bearing::Doubtful => "doubt ",
        Bearing::Noted => "noted ",
    };
    let place = reason.place.map_or_else(String::new, |b| {
        format!(" at {},{} ({}x{})", b.x, b.y, b.width, b.height)
    });
    format!(
        "  {mark}  {} [{}{place}]\n          {}",
        reason.what, reason.place_in_words, reason.now
    )
}

/// The set-up in one line.
pub(super) fn in_short(set_up: &SetUpCheck) -> String {
    let what = match (set_up.answer, &set_up.again[..]) {
        (Answer::ShootAgain, [Shot::Plate]) => " the plate",
        (Answer::ShootAgain, [Shot::LitFrame]) => " the lit frames told of",
        (Answer::ShootAgain, _) => " the plate and the lit frames told of",
        _ => "",
    };
    format!("set-up: {}{what}", set_up.answer.words())
}
