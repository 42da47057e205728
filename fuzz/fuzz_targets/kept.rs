//! Any bytes as what was kept of a clean-up.
#![no_main]

use std::io::Cursor;

use derig::handover::read_kept;
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |bytes: &[u8]| {
    let lit = derig_fuzz::picture();
    if let Ok(kept) = read_kept(Cursor::new(bytes), &lit) {
        assert_eq!(kept.merged.size, lit.size);
        assert_eq!(kept.mask.size(), lit.size);
    }
});
