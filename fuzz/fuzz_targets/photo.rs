//! Any bytes as a photo; what can be read can be written in every format and read again.
#![no_main]

use std::io::Cursor;

use derig::photo::{self, Format, ReadLimits};
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |bytes: &[u8]| {
    let limits = ReadLimits {
        max_pixels: 1 << 20,
        max_bytes: 1 << 24,
        ..ReadLimits::default()
    };
    let Ok(photo) = photo::read_bytes(bytes.to_vec(), &limits) else {
        return;
    };
    if photo.samples.size.area() > 1 << 14 {
        return;
    }
    for format in [Format::Png, Format::Tiff] {
        let mut out = Cursor::new(Vec::new());
        let written = photo::encode(&mut out, photo.samples.clone(), &photo.metadata, format);
        if written.is_ok() {
            let again = photo::read_bytes(out.into_inner(), &limits).expect("written here");
            assert!(again.samples == photo.samples, "{format:?} loses samples");
        }
    }
});
