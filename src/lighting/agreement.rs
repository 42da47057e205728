//! Do both frames show the same structure here?

use rayon::prelude::*;

use super::{FLARE, NoiseModel};
use crate::numeric::elementary::ln;
use crate::numeric::filter::{CONVOLVED_ROWS, GaussianStrip, StripBuffers, gaussian};
use crate::scene::{Plane, SceneLinear};
use crate::vectors::vectorised;

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
    let light = [lit, plate].map(SceneLinear::luminance);
    let [lit_log, plate_log] = light
        .each_ref()
        .map(|light| light.map(|y| ln(y.max(0.0) + FLARE)));
    let floor = light[0].map(|&light| {
        let relative = noise.sigma(light) / (light.max(0.0) + FLARE);
        NOISE_MARGIN * relative * relative + UNSEEN_VARIANCE
    });
    let fine = fine_agreement(&lit_log, &plate_log, &floor);
    let coarse = moments(&lit_log, &plate_log, COARSE_SIGMA);
    drop((lit_log, plate_log));
    let agreement = agreement(&coarse, &floor);
    let [lit, plate, _] = coarse;
    Agreement {
        fine,
        coarse: agreement,
        plate_texture: deviation(plate),
        lit_texture: deviation(lit),
    }
}

/// Standard deviation, in place of variance.
fn deviation(mut variance: Plane<f32>) -> Plane<f32> {
    let values = variance.as_mut_slice().par_iter_mut();
    values.for_each(|v| *v = v.max(0.0).sqrt());
    variance
}

/// [`agreement`] of the moments at the fine scale, a strip at a time.
fn fine_agreement(lit: &Plane<f32>, plate: &Plane<f32>, floor: &Plane<f32>) -> Plane<f32> {
    let size = lit.size();
    let blur = GaussianStrip::new(FINE_SIGMA, size);
    let mut out = Plane::unset(size);
    out.as_mut_slice()
        .par_chunks_mut(CONVOLVED_ROWS * size.columns)
        .zip(floor.as_slice().par_chunks(CONVOLVED_ROWS * size.columns))
        .enumerate()
        .for_each_init(
            || (StripBuffers::default(), [const { Vec::new() }; 5]),
            |(buffers, means), (strip, (out, floor))| {
                let first = strip * CONVOLVED_ROWS;
                for mean in means.iter_mut() {
                    mean.resize(out.len(), 0.0);
                }
                let mut blurred = Blurred {
                    blur: &blur,
                    first,
                    pair: [lit, plate],
                    buffers,
                };
                let [l, p, ll, pp, lp] = means.each_mut();
                blurred.of(
                    #[inline(always)]
                    |l, _| l,
                    l,
                );
                blurred.of(
                    #[inline(always)]
                    |_, p| p,
                    p,
                );
                blurred.of(
                    #[inline(always)]
                    |l, _| l * l,
                    ll,
                );
                blurred.of(
                    #[inline(always)]
                    |_, p| p * p,
                    pp,
                );
                blurred.of(
                    #[inline(always)]
                    |l, p| l * p,
                    lp,
                );
                let [l, p, ll, pp, lp] = means.each_ref().map(|mean| &mean[..out.len()]);
                let floor = &floor[..out.len()];
                vectorised(
                    #[inline(always)]
                    || {
                        for (x, out) in out.iter_mut().enumerate() {
                            let (lit, plate) = (ll[x] - l[x] * l[x], pp[x] - p[x] * p[x]);
                            let covariance = lp[x] - l[x] * p[x];
                            *out = (2.0 * covariance + floor[x]) / (lit + plate + floor[x]);
                        }
                    },
                );
            },
        );
    out
}

/// Blurred rows of what two planes say together.
struct Blurred<'a> {
    blur: &'a GaussianStrip,
    /// The first row.
    first: usize,
    pair: [&'a Plane<f32>; 2],
    buffers: &'a mut StripBuffers,
}

impl Blurred<'_> {
    fn of(&mut self, of: impl Fn(f32, f32) -> f32, out: &mut [f32]) {
        let [lit, plate] = self.pair;
        self.blur.blur(
            self.first,
            #[inline(always)]
            |y, row| {
                let pairs = lit.row(y).iter().zip(plate.row(y));
                for (value, (&l, &p)) in row.iter_mut().zip(pairs) {
                    *value = of(l, p);
                }
            },
            self.buffers,
            out,
        );
    }
}

/// From lit variance, plate variance and covariance.
fn agreement([lit, plate, covariance]: &[Plane<f32>; 3], floor: &Plane<f32>) -> Plane<f32> {
    let columns = floor.columns();
    let mut out = Plane::unset(floor.size());
    out.as_mut_slice()
        .par_chunks_exact_mut(columns)
        .enumerate()
        .for_each(|(y, out)| {
            let rows = [lit, plate, covariance, floor].map(|plane| &plane.row(y)[..columns]);
            vectorised(
                #[inline(always)]
                || {
                    for (x, out) in out[..columns].iter_mut().enumerate() {
                        let [l, p, c, f] = rows.map(|row| row[x]);
                        *out = (2.0 * c + f) / (l + p + f);
                    }
                },
            );
        });
    out
}

/// Local variance of the lit frame, of the plate, and their covariance.
fn moments(lit: &Plane<f32>, plate: &Plane<f32>, sigma: f32) -> [Plane<f32>; 3] {
    // Second moments of the deviations from a wider mean would be steadier still, but ln(light)
    // spans a few units only, and f32 keeps six digits of them.
    let [lit_mean, plate_mean] = [lit, plate].map(|p| gaussian(p, sigma));
    let central = |a: &Plane<f32>, b: &Plane<f32>, means: [&Plane<f32>; 2]| {
        let mut product = gaussian(&a.zip(b, |a, b| a * b), sigma);
        let columns = a.columns();
        product
            .as_mut_slice()
            .par_chunks_exact_mut(columns)
            .enumerate()
            .for_each(|(y, row)| {
                let means = means[0].row(y).iter().zip(means[1].row(y));
                vectorised(
                    #[inline(always)]
                    || {
                        for (value, (a, b)) in row.iter_mut().zip(means) {
                            *value -= a * b;
                        }
                    },
                );
            });
        product
    };
    [
        central(lit, lit, [&lit_mean, &lit_mean]),
        central(plate, plate, [&plate_mean, &plate_mean]),
        central(lit, plate, [&lit_mean, &plate_mean]),
    ]
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
