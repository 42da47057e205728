//! Any picture as a painted mask.
#![no_main]

use derig::handover::{mask_from_painted, shares_of};
use derig::photo::{ReadLimits, read_bytes};
use derig::scene::Plane;
use libfuzzer_sys::fuzz_target;

fuzz_target!(init: derig_fuzz::stay_on_one_thread(), |bytes: &[u8]| {
    let limits = ReadLimits {
        max_pixels: 1 << 16,
        max_bytes: 1 << 20,
        ..ReadLimits::default()
    };
    let Ok(photo) = read_bytes(bytes.to_vec(), &limits) else {
        return;
    };
    let size = photo.samples.size;
    if let Ok(shares) = shares_of(&photo, size) {
        let before = Plane::from_fn(size, |x, y| (x * 7919 + y * 104_729) as u16);
        let mask = mask_from_painted(&shares, &before, photo.samples.bits());
        assert_eq!(mask.size(), size);
    }
});
