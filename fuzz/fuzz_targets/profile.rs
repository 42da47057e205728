//! Any bytes as the ICC profile of a picture.
#![no_main]

use derig::photo::{Metadata, ReadLimits, read_bytes};
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |icc: &[u8]| {
    let metadata = Metadata {
        icc: Some(icc.to_vec()),
        ..Metadata::default()
    };
    if let Some(file) = derig_fuzz::png(&metadata) {
        if let Ok(photo) = read_bytes(file, &ReadLimits::default()) {
            for curve in &photo.encoding.curves {
                let rises = curve.table().windows(2).all(|w| w[0] < w[1]);
                assert!(rises, "a curve that cannot be inverted");
            }
        }
    }
});
