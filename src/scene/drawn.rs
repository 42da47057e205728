//! Drawn surfaces for tests.

use super::{Plane, SceneLinear, Size};

/// Gravel of 3 px, 0.2 to 0.4 of white.
pub(crate) fn gravel(size: Size) -> Plane<f32> {
    Plane::from_fn(size, |x, y| {
        let mixed = ((x / 3) * 7919 + (y / 3) * 104_729) as u64;
        let mixed = mixed.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
        0.2 + 0.2 * (mixed % 101) as f32 / 101.0
    })
}

/// A picture without colour.
pub(crate) fn grey(light: Plane<f32>) -> SceneLinear {
    SceneLinear {
        channels: [light.clone(), light.clone(), light],
    }
}
