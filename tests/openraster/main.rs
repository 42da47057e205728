//! OpenRaster files against the draft specification 0.0.5 (freedesktop.org), rule by rule, against
//! another reader, and against files that mean harm.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot set itself up should stop there"
)]

#[path = "../independent/mod.rs"]
mod independent;
#[path = "../pictures/mod.rs"]
mod pictures;

mod from_editors;
mod written;

use std::io::Cursor;

use derig::handover::{self, HandedBack, Limits, OpenRasterError};

fn read(file: &[u8]) -> Result<HandedBack, OpenRasterError> {
    handover::read(Cursor::new(file), &Limits::default())
}
