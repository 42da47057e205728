//! Stage 2: what changed everywhere between plate and lit frame.
//!
//! Every pixel's log-ratio lit / plate is the sum of an ambient shift (one gain a channel), the
//! flash pool (smooth and positive, on everything but the sky), and whatever stands in between.
//! The pool is read where both frames show the same structure, and carried smoothly, robustly,
//! under what they don't share (Eisemann & Durand 2004 and Petschnigg et al. 2004 work with the
//! same ratio, for other ends).

mod agreement;
mod noise;
mod pool;

pub use agreement::{Agreement, structure_agreement};
pub use noise::NoiseModel;
pub use pool::PoolCells;

use rayon::prelude::*;

use crate::numeric::elementary::ln;
use crate::numeric::filter::{CONVOLVED_ROWS, GaussianStrip, StripBuffers};
use crate::numeric::robust::quantile;
use crate::scene::{Plane, SceneLinear};
use crate::vectors::vectorised;

/// Light added before any logarithm, share of white: veiling glare of a wide lens keeps real
/// blacks above about this level, and noise would otherwise rule the logarithm (common practice,
/// no source).
pub const FLARE: f32 = 0.004;

/// What changed everywhere.
#[derive(Debug, Clone)]
pub struct LightingChange {
    /// Ambient gain a channel, lit / plate, scene-linear: the level that flash only adds to.
    pub gain: [f32; 3],
    /// Noise of the lit working copy.
    pub noise: NoiseModel,
    /// `ln((lit + FLARE) / (plate + FLARE))` a channel, of the frames as seen (slightly blurred).
    pub log_ratio: [Plane<f32>; 3],
    /// The smooth part of the log-ratio a channel: pool and ambient shift together.
    pub pool: [Plane<f32>; 3],
    /// What the pool was carried from.
    pub cells: PoolCells,
    /// Where both frames show the same structure.
    pub agreement: Agreement,
}

/// Shares of the ground that lie below the dimmest and the brightest that count. A flash reaches a
/// quarter of the ground and more, a patch of sun between clouds need not; and what the pool was
/// carried under may have got anything.
const SPREAD_SHARES: [f64; 2] = [0.05, 0.75];

impl LightingChange {
    /// How unevenly light was added, ln units: between where the ground (all but the plate's `sky`)
    /// gained least and where it gained much. Ambient light that shifts lifts all of it alike, a
    /// flash fades over its distance. 0 where there is no ground.
    pub fn spread(&self, sky: &Plane<bool>) -> f64 {
        let [r, g, b] = self.pool.each_ref().map(Plane::as_slice);
        let mut gained: Vec<f64> = (0..sky.as_slice().len())
            .filter(|&i| !sky.as_slice()[i])
            .map(|i| f64::from(r[i] + g[i] + b[i]) / 3.0)
            .collect();
        let [least, most] = SPREAD_SHARES.map(|share| quantile(&mut gained, share));
        match (least, most) {
            (Some(least), Some(most)) => most - least,
            _ => 0.0,
        }
    }
}

/// Blur before ratios are taken, px: the eye's and the noise's, as in the comparison of frames.
pub const RATIO_BLUR: f32 = 1.0;

/// Separates the light that changed from things that moved.
///
/// `lit` and `plate` are working copies in lit-frame pixels; `sky` is where the plate shows open
/// sky, `usable` where the plate covers the lit frame at all. Holds some 15 planes.
pub fn separate_light(
    lit: &SceneLinear,
    plate: &SceneLinear,
    sky: &Plane<bool>,
    usable: &Plane<bool>,
) -> LightingChange {
    let noise = NoiseModel::fit(lit);
    let agreement = structure_agreement(lit, plate, &noise);
    let log_ratio = std::array::from_fn(|c| log_ratio(&lit.channels[c], &plate.channels[c]));
    let pool = pool::flash_pool(&log_ratio, &agreement, sky, usable);
    LightingChange {
        gain: pool.ambient_gain,
        noise,
        log_ratio,
        pool: pool.planes,
        cells: pool.cells,
        agreement,
    }
}

/// `ln((lit + FLARE) / (plate + FLARE))` of one channel, both blurred.
fn log_ratio(lit: &Plane<f32>, plate: &Plane<f32>) -> Plane<f32> {
    let size = lit.size();
    let blur = GaussianStrip::new(RATIO_BLUR, size);
    let mut out = Plane::unset(size);
    out.as_mut_slice()
        .par_chunks_mut(CONVOLVED_ROWS * size.columns)
        .enumerate()
        .for_each_init(
            || (StripBuffers::default(), Vec::new()),
            |(buffers, plate_light), (strip, out)| {
                let first = strip * CONVOLVED_ROWS;
                plate_light.resize(out.len(), 0.0);
                blur.blur(
                    first,
                    |y, row| row.copy_from_slice(lit.row(y)),
                    buffers,
                    out,
                );
                blur.blur(
                    first,
                    |y, row| row.copy_from_slice(plate.row(y)),
                    buffers,
                    plate_light,
                );
                vectorised(
                    #[inline(always)]
                    || {
                        for (out, p) in out.iter_mut().zip(plate_light.iter()) {
                            *out = ln((out.max(0.0) + FLARE) / (p.max(0.0) + FLARE));
                        }
                    },
                );
            },
        );
    out
}

#[cfg(test)]
mod tests {
    use super::separate_light;
    use crate::scene::drawn::{gravel, grey};
    use crate::scene::{Plane, Size};

    /// Day that grows brighter lifts all alike; a flash that falls off from 1.6 to 1.2 times spreads
    /// by ln(1.50 / 1.22) = 0.21 over the width that counts.
    #[test]
    fn a_flash_spreads_and_the_day_does_not() {
        let size = Size {
            columns: 480,
            rows: 320,
        };
        let spread = |gain: &(dyn Fn(usize) -> f32 + Sync)| {
            let floor = gravel(size);
            let lit = Plane::from_fn(size, |x, y| floor.at(x, y) * gain(x));
            let [lit, plate] = [lit, floor].map(grey);
            let (sky, usable) = (Plane::filled(size, false), Plane::filled(size, true));
            let light = separate_light(&lit, &plate, &sky, &usable);
            assert!(light.spread(&Plane::filled(size, true)).abs() < f64::EPSILON);
            light.spread(&sky)
        };
        assert!(spread(&|_| 1.3) < 0.02);
        let flash = spread(&|x| 1.6 - 0.4 * x as f32 / 480.0);
        assert!((0.16..0.22).contains(&flash), "{flash}");
    }
}
