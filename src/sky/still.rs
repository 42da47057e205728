//! What was taken for sky and is not: textured things that stand still between two frames.
//!
//! From one frame alone, hazy hills, snow or grass out of focus are as smooth as clouds. Two frames
//! tell: fine texture that is the same in both belongs to something solid (or to clouds that stand
//! still, which it costs nothing to treat as such). The sky's colours are then fitted anew on what
//! is left above, and only what they fit stays sky.

use super::layer::{
    BLOCK, Blocks, Growth, SkyLayer, blocks_of, fit_colours, fitting, grow_from_top,
};
use crate::numeric::filter::{block_mean, block_mean_of, box_mean};
use crate::scene::{Perceived, Plane};

/// Least standard deviation within a block that is texture and not noise, CIELAB units: twice what
/// a frame at ISO 400 leaves in its working copy.
const LEAST_TEXTURE: f32 = 1.0;

/// Correlation of the fine texture of two frames from which on it is the same thing.
const SAME_THING: f32 = 0.75;

/// Share of the blocks full of sky that must stand still before anything is done: below it there
/// are birds, wires and the rims of roofs, which the mask already leaves out.
const LEAST_STILL: f32 = 0.03;

/// How the sky is grown anew through what does not stand still.
const WARY: Growth = Growth {
    max_step: 3.0,
    max_texture: 1.5,
};

/// A sky that keeps less of itself than this was hardly told apart, and stays as it was.
const LEAST_LEFT: f32 = 0.1;

/// The sky of the plate without what the lit frame shows standing still; `None` if there is none.
///
/// `lit` and `plate` are registered; the plate is needed a block around the mask. Holds a dozen
/// planes of blocks.
#[must_use]
pub fn without_still_things(
    sky: &SkyLayer,
    lit: &Perceived,
    plate: &Perceived,
) -> Option<SkyLayer> {
    let size = sky.mask.size();
    let share = block_mean_of(size, BLOCK, |y, out| {
        for (out, &sky) in out.iter_mut().zip(sky.mask.row(y)) {
            *out = if sky { 1.0 } else { 0.0 };
        }
    });
    let still = still_blocks(lit, plate);
    let full = share.map(|&s| s > 0.99);
    let count = |p: &Plane<bool>| p.as_slice().iter().filter(|&&v| v).count();
    let standing = full.zip(&still, |&full, &still| full && still);
    if count(&standing) as f32 <= LEAST_STILL * count(&full) as f32 {
        return None;
    }
    let (lab, texture) = blocks_of(plate);
    let open = full.zip(&still, |&full, &still| full && !still);
    let texture = texture.zip(&open, |&t, &open| if open { t } else { f32::INFINITY });
    let grown = grow_from_top((&lab, &texture), WARY);
    if (count(&grown) as f32) < LEAST_LEFT * count(&full) as f32 {
        return None;
    }
    let colours = fit_colours(&Blocks { lab, sky: grown })?;
    let layer = SkyLayer::of_colours(colours, size);
    let mask = fitting(&layer, plate, |y, out| out.copy_from_slice(sky.mask.row(y)));
    Some(layer.over(mask))
}

/// Blocks whose texture is the same in both frames, with their neighbours as one.
fn still_blocks(lit: &Perceived, plate: &Perceived) -> Plane<bool> {
    let texture = Texture::of(&lit.lightness, &plate.lightness)
        .and(&Texture::of(&lit.a, &plate.a))
        .and(&Texture::of(&lit.b, &plate.b))
        .of_neighbourhoods();
    let Texture { lit, plate, both } = &texture;
    Plane::from_fn(lit.size(), |x, y| {
        let (l, p) = (*lit.at(x, y), *plate.at(x, y));
        let textured = l.min(p) > LEAST_TEXTURE * LEAST_TEXTURE;
        textured && *both.at(x, y) > SAME_THING * (l * p).sqrt()
    })
}

/// Variances of two frames within blocks, and their covariance.
struct Texture {
    lit: Plane<f32>,
    plate: Plane<f32>,
    both: Plane<f32>,
}

impl Texture {
    fn of(lit: &Plane<f32>, plate: &Plane<f32>) -> Self {
        let (l, p) = (block_mean(lit, BLOCK), block_mean(plate, BLOCK));
        Self {
            lit: covariance((lit, &l), (lit, &l)),
            plate: covariance((plate, &p), (plate, &p)),
            both: covariance((lit, &l), (plate, &p)),
        }
    }

    fn and(self, other: &Self) -> Self {
        Self {
            lit: self.lit.zip(&other.lit, |a, b| a + b),
            plate: self.plate.zip(&other.plate, |a, b| a + b),
            both: self.both.zip(&other.both, |a, b| a + b),
        }
    }

    fn of_neighbourhoods(self) -> Self {
        Self {
            lit: box_mean(&self.lit, 1),
            plate: box_mean(&self.plate, 1),
            both: box_mean(&self.both, 1),
        }
    }
}

/// Of two planes within their blocks; each comes with its means.
fn covariance(
    (a, mean_a): (&Plane<f32>, &Plane<f32>),
    (b, mean_b): (&Plane<f32>, &Plane<f32>),
) -> Plane<f32> {
    let products = block_mean_of(a.size(), BLOCK, |y, out| {
        for ((out, a), b) in out.iter_mut().zip(a.row(y)).zip(b.row(y)) {
            *out = a * b;
        }
    });
    let means = mean_a.zip(mean_b, |a, b| a * b);
    products.zip(&means, |product, means| product - means)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    const SIZE: Size = Size {
        columns: 240,
        rows: 160,
    };
    /// First row of the hills.
    const RIDGE: usize = 100;

    /// Value noise with cells of `side` px, -1..1: a hash of the cell, smoothly between.
    fn noise(x: f32, y: f32, side: f32, seed: u32) -> f32 {
        let hash = |x: i32, y: i32| {
            let mut h = (x as u32).wrapping_mul(0x9E37_79B1) ^ (y as u32).wrapping_mul(0x85EB_CA77);
            h = (h ^ seed.wrapping_mul(0xC2B2_AE3D)).wrapping_mul(0x27D4_EB2F);
            ((h >> 8) & 0xFFFF) as f32 / 32768.0 - 1.0
        };
        let (u, v) = (x / side, y / side);
        let (i, j) = (u.floor(), v.floor());
        let ease = |t: f32| t * t * (3.0 - 2.0 * t);
        let (s, t) = (ease(u - i), ease(v - j));
        let at = |a: i32, b: i32| hash(i as i32 + a, j as i32 + b);
        let (above, below) = (
            at(0, 0) + s * (at(1, 0) - at(0, 0)),
            at(0, 1) + s * (at(1, 1) - at(0, 1)),
        );
        above + t * (below - above)
    }

    /// Soft clouds that have gone `drift` px over hills in haze, with noise of the sensor.
    fn seen(drift: f32, seed: u32) -> Perceived {
        let plane = |of: &(dyn Fn(f32, f32) -> (f32, f32) + Sync)| {
            Plane::from_fn(SIZE, |x, y| {
                let (sky, hills) = of(x as f32, y as f32);
                let grain = 0.4 * noise(x as f32, y as f32, 1.0, seed);
                grain + if y < RIDGE { sky } else { hills }
            })
        };
        Perceived {
            lightness: plane(&|x, y| {
                let clouds = 78.0 + 6.0 * noise(x - drift, y, 30.0, 1);
                (clouds, 64.0 + 5.0 * noise(x, y, 3.0, 2))
            }),
            a: plane(&|_, _| (-2.0, 0.0)),
            b: plane(&|x, y| (-14.0 + 5.0 * noise(x - drift, y, 30.0, 1), -4.0)),
        }
    }

    fn share_of(mask: &Plane<bool>, rows: std::ops::Range<usize>) -> f32 {
        let all = rows.len() * SIZE.columns;
        let open = rows.flat_map(|y| mask.row(y)).filter(|&&s| s).count();
        open as f32 / all as f32
    }

    #[test]
    fn hills_that_stand_still_are_no_sky_and_clouds_that_drift_are() {
        let everything = SkyLayer::from_mask(Plane::filled(SIZE, true));
        let (plate, lit) = (seen(0.0, 11), seen(9.0, 12));
        let found = without_still_things(&everything, &lit, &plate).unwrap();
        let (above, below) = (
            share_of(&found.mask, 0..RIDGE - 6),
            share_of(&found.mask, RIDGE + 6..SIZE.rows),
        );
        assert!(above > 0.97, "{above} of the clouds are left");
        assert!(below < 0.03, "{below} of the hills are left");
    }

    #[test]
    fn a_sky_without_such_things_stays_as_it_was() {
        let clouds = Plane::from_fn(SIZE, |_, y| y < RIDGE);
        let sky = SkyLayer::from_mask(clouds);
        assert!(without_still_things(&sky, &seen(9.0, 12), &seen(0.0, 11)).is_none());
    }
}
