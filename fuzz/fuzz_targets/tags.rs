//! Any bytes as EXIF and XMP, in each format, read and written again.
#![no_main]

use std::io::Cursor;

use derig::photo::{Format, Metadata, ReadLimits, encode, read_bytes};
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |bytes: &[u8]| {
    let (xmp, exif) = bytes.split_at(bytes.len() / 4);
    let metadata = Metadata {
        exif: Some(exif.to_vec()),
        xmp: Some(xmp.to_vec()),
        ..Metadata::default()
    };
    for format in [Format::Jpeg, Format::Png, Format::Tiff] {
        let mut out = Cursor::new(Vec::new());
        if encode(&mut out, derig_fuzz::picture(), &metadata, format).is_err() {
            continue;
        }
        let photo = read_bytes(out.into_inner(), &ReadLimits::default());
        let photo = photo.expect("tags never make a picture unreadable");
        let mut again = Cursor::new(Vec::new());
        let _ = encode(&mut again, photo.samples, &photo.metadata, Format::Jpeg);
    }
});
