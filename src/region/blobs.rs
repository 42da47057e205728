//! Connected blobs.

use crate::numeric::segmentation::Pieces;
use crate::scene::Plane;

/// Connected blobs (eight neighbours), numbered from 1.
pub fn connected_blobs(mask: &Plane<bool>) -> Pieces {
    let size = mask.size();
    let mut picture = image::GrayImage::new(size.columns as u32, size.rows as u32);
    for (to, &set) in picture.iter_mut().zip(mask.as_slice()) {
        *to = if set { u8::MAX } else { 0 };
    }
    let numbers = imageproc::region_labelling::connected_components(
        &picture,
        imageproc::region_labelling::Connectivity::Eight,
        image::Luma([0]),
    );
    let numbers: Vec<u32> = numbers.into_raw();
    let count = numbers.iter().copied().max().unwrap_or(0) as usize;
    Pieces {
        numbers: Plane::from_vec(size, numbers),
        count,
    }
}
