//! Pixels that are mixed of two lights.

/// Difference between two lights, relative to the second, below which it cannot be told how a pixel
/// is mixed of both.
const LEAST_CONTRAST: f32 = 0.05;

/// So near to the rim between two lights a pixel may be mixed of both, px: lens blur, demosaicing,
/// resampling.
pub const MIXED_REACH: usize = 2;

/// Share of the second of two lights in a pixel, as a function of the pixel's own light: its place
/// on the line between the two, 0 at the first, 1 at the second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mixture {
    /// Share a unit of light, a channel.
    pub slope: [f32; 3],
    /// Share of what is black.
    pub offset: f32,
}

impl Mixture {
    /// The same share whatever the light.
    pub const fn fixed(share: f32) -> Self {
        Self {
            slope: [0.0; 3],
            offset: share,
        }
    }

    /// Of `second` before or beside `first`, both scene-linear; none where they are hardly two.
    pub fn between(first: [f32; 3], second: [f32; 3]) -> Option<Self> {
        let apart: [f32; 3] = std::array::from_fn(|c| second[c] - first[c]);
        let square = |v: [f32; 3]| v.iter().map(|v| v * v).sum::<f32>();
        let span = square(apart);
        if span <= LEAST_CONTRAST * LEAST_CONTRAST * square(second) {
            return None;
        }
        let slope = apart.map(|a| a / span);
        let offset = -(0..3).map(|c| slope[c] * first[c]).sum::<f32>();
        Some(Self { slope, offset })
    }

    /// Share of the second in a pixel of this light, 0..1.
    #[inline]
    pub fn share(self, light: [f32; 3]) -> f32 {
        let along: f32 = (0..3).map(|c| self.slope[c] * light[c]).sum();
        (along + self.offset).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mixture_tells_its_share_and_ends_at_its_ends() {
        let (leaf, sky) = ([0.03, 0.06, 0.02], [0.3, 0.5, 0.8]);
        let mixture = Mixture::between(leaf, sky).expect("they differ");
        for share in [0.0f32, 0.25, 0.5, 1.0] {
            let light = std::array::from_fn(|c| leaf[c] + share * (sky[c] - leaf[c]));
            assert!((mixture.share(light) - share).abs() < 1e-5);
        }
        assert!(mixture.share([1.0; 3]) >= 1.0);
        assert!(mixture.share([0.0; 3]) <= 0.0);
    }

    #[test]
    fn what_is_hardly_two_tells_nothing() {
        assert_eq!(Mixture::between([0.5; 3], [0.51; 3]), None);
    }
}
