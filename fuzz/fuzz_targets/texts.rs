//! Any text as corrections, `derig.toml` and `report.json`.
#![no_main]

use derig::cli::texts::{are_corrections, are_settings, is_report};
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |bytes: &[u8]| {
    is_report(bytes);
    if let Ok(text) = std::str::from_utf8(bytes) {
        are_corrections(text);
        are_settings(text);
    }
});
