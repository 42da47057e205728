//! Do both frames show the same structure here?

use super::{FLARE, NoiseModel};
use crate::numeric::filter::gaussian;
use crate::scene::{Plane, SceneLinear};

/// Window of the fine comparison, sigma in px: a stand of three pixels fills it.
const FINE_SIGMA: f32 = 1.6;

/// Window of the coarse comparison, sigma in px: several leaves or blades of grass.
const COARSE_SIGMA: f32 = 5.0;

/// Structure is told from noise at this many times the noise's variance.
const NOISE_MARGIN: f32 = 4.0;

/// Structure weaker than this is not seen: variance of ln(light) of a 2 % step (about one
/// just noticeable difference of lightness).
const UNSEEN_VARIANCE: f32 = 0.0002;

/// Same structure or not, at two scales, and how much structure there is.
#[derive(Debug, Clone)]
pub struct Agreement {
    /// -1..1 at the fine scale: 1 for the same surface under smoothly changed light, or nothing
    /// to compare; 0 for unrelated things.
    pub fine: Plane<f32>,
    /// The same at the coarse scale.
    pub coarse: Plane<f32>,
    /// Standard deviation of the plate's ln(luminance) in the coarse window: its texture.
    pub plate_texture: Plane<f32>,
    /// The same of the lit frame.
    pub lit_texture: Plane<f32>,
}

/// Compares the structure of two aligned frames whatever light fell on them.
///
/// In ln(luminance) a change of light adds a smooth amount, so the same surface keeps its
/// variations one for one: agreement is `2·cov / (var + var)` (the structure and contrast terms of
/// Wang, Bovik, Sheikh & Simoncelli, "Image Quality Assessment: From Error Visibility to
/// Structural Similarity", 2004), steadied by the noise. Holds some ten planes while it works.
pub fn structure_agreement(
    lit: &SceneLinear,
    plate: &SceneLinear,
    noise: &NoiseModel,
) -> Agreement {
    let log = |picture: &SceneLinear| picture.luminance().map(|y| (y.max(0.0) + FLARE).ln());
    let (lit_log, plate_log) = (log(lit), log(plate));
    let floor = lit_log.map(|l| {
        let light = (l.exp() - FLARE).max(0.0);
        let relative = noise.sigma(light) / (light + FLARE);
        NOISE_MARGIN * relative * relative + UNSEEN_VARIANCE
    });
    let fine = moments(&lit_log, &plate_log, FINE_SIGMA);
    let coarse = moments(&lit_log, &plate_log, COARSE_SIGMA);
    Agreement {
        fine: fine.agreement(&floor),
        coarse: coarse.agreement(&floor),
        plate_texture: coarse.plate_variance.map(|v| v.max(0.0).sqrt()),
        lit_texture: coarse.lit_variance.map(|v| v.max(0.0).sqrt()),
    }
}

struct Moments {
    lit_variance: Plane<f32>,
    plate_variance: Plane<f32>,
    covariance: Plane<f32>,
}

impl Moments {
    fn agreement(&self, floor: &Plane<f32>) -> Plane<f32> {
        let spread = self.lit_variance.zip(&self.plate_variance, |a, b| a + b);
        let sums = self.covariance.zip(&spread, |&c, &s| (c, s));
        sums.zip(floor, |&(c, s), &f| (2.0 * c + f) / (s + f))
    }
}

fn moments(lit: &Plane<f32>, plate: &Plane<f32>, sigma: f32) -> Moments {
    let (lit_mean, plate_mean) = (gaussian(lit, sigma), gaussian(plate, sigma));
    // Second moments of the deviations from a wider mean would be steadier still, but ln(light)
    // spans a few units only, and f32 keeps six digits of them.
    let second = |a: &Plane<f32>, b: &Plane<f32>, ma: &Plane<f32>, mb: &Plane<f32>| {
        let product = gaussian(&a.zip(b, |a, b| a * b), sigma);
        product.zip(&ma.zip(mb, |a, b| a * b), |p, m| p - m)
    };
    Moments {
        lit_variance: second(lit, lit, &lit_mean, &lit_mean),
        plate_variance: second(plate, plate, &plate_mean, &plate_mean),
        covariance: second(lit, plate, &lit_mean, &plate_mean),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    fn textured(phase: usize, gain: f32) -> SceneLinear {
        let size = Size {
            columns: 80,
            rows: 60,
        };
        let plane = Plane::from_fn(size, |x, y| {
            let mixed = (x * 7919 + y * 104_729 + phase * 15_485_863) as u64;
            let mixed = mixed.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40;
            let v = (mixed % 101) as f32 / 101.0;
            gain * (0.1 + 0.3 * v) * (1.0 + x as f32 / 80.0)
        });
        SceneLinear {
            channels: [plane.clone(), plane.clone(), plane],
        }
    }

    #[test]
    fn more_light_on_the_same_surface_agrees_and_another_surface_does_not() {
        let noise = NoiseModel {
            constant: 1e-6,
            slope: 1e-5,
        };
        let same = structure_agreement(&textured(0, 2.0), &textured(0, 1.0), &noise);
        let other = structure_agreement(&textured(5, 1.0), &textured(0, 1.0), &noise);
        assert!(*same.fine.at(40, 30) > 0.95);
        assert!(*other.coarse.at(40, 30) < 0.5);
    }
}
