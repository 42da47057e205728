//! The colours that a sky can have.
//!
//! Where a white cloud in the lit frame meets blue sky in the plate, the rim's ratio is warm and
//! bright. Carried on over the plate's own clouds it would paint them cream, in a colour that is
//! nowhere in the sky.

use crate::lighting::FLARE;
use crate::numeric::elementary::ln;
use crate::numeric::robust::quantile;
use crate::scene::{Plane, SceneLinear};

/// Of the sky's pixels so many, as a share, are past either limit: grain, birds, the sun's disc.
const OUTLIERS: f64 = 0.005;

/// Fewer pixels of sky than this do not tell what a sky can be.
const LEAST_PIXELS: usize = 2000;

/// So many pixels are looked at, evenly spread.
const SAMPLES: usize = 20_000;

/// Limits of a sky, in the light of the lit frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct SkyColours {
    /// Brightest a channel, scene-linear, flare added.
    brightest: [f32; 3],
    /// Largest ln ratios of red and of green to blue.
    warmest: [f32; 2],
}

impl SkyColours {
    /// As the lit frame's open sky shows them, where `counts` says; none where it shows too little.
    pub(super) fn of(
        lit: &SceneLinear,
        sky: &Plane<bool>,
        counts: impl Fn(usize) -> bool,
    ) -> Option<Self> {
        let open: Vec<usize> = (0..sky.size().area())
            .filter(|&i| sky.as_slice()[i] && counts(i))
            .collect();
        if open.len() < LEAST_PIXELS {
            return None;
        }
        let step = open.len().div_ceil(SAMPLES);
        let light = |i: usize| lit.channels.each_ref().map(|c| c.as_slice()[i] + FLARE);
        let sampled = || open.iter().step_by(step).map(|&i| light(i));
        let most = |value: &dyn Fn([f32; 3]) -> f32| {
            let mut values: Vec<f64> = sampled().map(|p| f64::from(value(p))).collect();
            quantile(&mut values, 1.0 - OUTLIERS).map(|v| v as f32)
        };
        Some(Self {
            brightest: [most(&|p| p[0])?, most(&|p| p[1])?, most(&|p| p[2])?],
            warmest: [most(&|[r, _, b]| ln(r / b))?, most(&|[_, g, b]| ln(g / b))?],
        })
    }

    /// The ln gain nearest to `gain` that gives a pixel of the plate a colour of this sky.
    pub(super) fn allowed(&self, plate: [f32; 3], gain: [f32; 3]) -> [f32; 3] {
        let plate = plate.map(|v| ln(v.max(0.0) + FLARE));
        let capped = |c: usize| (plate[c] + gain[c]).min(ln(self.brightest[c]));
        let blue = capped(2);
        let red = capped(0).min(blue + self.warmest[0]);
        let green = capped(1).min(blue + self.warmest[1]);
        [red - plate[0], green - plate[1], blue - plate[2]]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    const SIZE: Size = Size {
        columns: 100,
        rows: 60,
    };

    /// Blue above, a neutral cloud below.
    fn sky() -> SceneLinear {
        let of =
            |blue: f32, cloud: f32| Plane::from_fn(SIZE, |_, y| if y < 30 { blue } else { cloud });
        SceneLinear {
            channels: [of(0.2, 0.8), of(0.35, 0.8), of(0.7, 0.8)],
        }
    }

    fn colours() -> SkyColours {
        let everywhere = Plane::filled(SIZE, true);
        SkyColours::of(&sky(), &everywhere, |_| true).expect("all of it is sky")
    }

    fn painted(plate: [f32; 3], gain: [f32; 3]) -> [f32; 3] {
        let allowed = colours().allowed(plate, gain);
        std::array::from_fn(|c| (plate[c] + FLARE) * allowed[c].exp() - FLARE)
    }

    #[test]
    fn what_the_sky_shows_is_let_through() {
        let cooler = [-0.2, -0.1, 0.0];
        let out = painted([0.7, 0.7, 0.7], cooler);
        let wanted = cooler.map(|g: f32| 0.7 * g.exp());
        for (out, wanted) in out.iter().zip(wanted) {
            assert!((out - wanted).abs() < 0.002, "{out} {wanted}");
        }
    }

    #[test]
    fn a_cloud_under_the_ratio_of_cloud_to_blue_sky_stays_a_cloud() {
        let cloud_to_blue = [
            (0.8f32 / 0.2).ln(),
            (0.8f32 / 0.35).ln(),
            (0.8f32 / 0.7).ln(),
        ];
        let out = painted([0.7, 0.7, 0.7], cloud_to_blue);
        assert!(out.iter().all(|v| (v - 0.8).abs() < 0.005), "{out:?}");
        let blue = painted([0.2, 0.35, 0.7], cloud_to_blue);
        assert!(blue.iter().all(|v| (v - 0.8).abs() < 0.005), "{blue:?}");
    }

    #[test]
    fn too_little_sky_tells_nothing() {
        let corner = Plane::from_fn(SIZE, |x, y| x < 20 && y < 20);
        assert!(SkyColours::of(&sky(), &corner, |_| true).is_none());
        let everywhere = Plane::filled(SIZE, true);
        assert!(SkyColours::of(&sky(), &everywhere, |_| false).is_none());
    }
}
