//! What files may ask for, as `--max-memory` says: one word for the whole process.

use std::sync::OnceLock;

use crate::photo::ReadLimits;

const MEGA: u64 = 1_000_000;

static MAX_MEGABYTES: OnceLock<u64> = OnceLock::new();

/// Takes what was typed; a second run in one process keeps the first one's word.
pub(super) fn set(max_megabytes: Option<u64>) {
    if let Some(most) = max_megabytes {
        let _ = MAX_MEGABYTES.set(most);
    }
}

/// The limits in force.
pub(super) fn in_force() -> ReadLimits {
    let built_in = ReadLimits::default();
    match MAX_MEGABYTES.get() {
        Some(most) => ReadLimits {
            max_bytes: most.saturating_mul(MEGA),
            ..built_in
        },
        None => built_in,
    }
}
