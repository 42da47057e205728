//! Any bytes as an OpenRaster file.
#![no_main]

use std::io::Cursor;

use derig::handover::{Limits, read};
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |bytes: &[u8]| {
    if let Ok(back) = read(Cursor::new(bytes), &Limits::default()) {
        if back.size.area() < 1 << 20 {
            let _ = back.mask();
        }
    }
});
