//! Noise that grows with the signal.

use crate::scene::{Plane, SceneLinear};

/// Poisson-Gaussian noise of one frame: `variance = constant + slope · light`, scene-linear, mean
/// of the three channels.
///
/// Source of the model: Foi, Trimeche, Katkovnik & Egiazarian, "Practical Poissonian-Gaussian
/// Noise Modeling and Fitting for Single-Image Raw-Data", 2008. Fitted as in Immerkaer, "Fast
/// Noise Variance Estimation", 1996, in the flattest blocks of every brightness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseModel {
    /// Variance at black.
    pub constant: f32,
    /// Variance gained a unit of light.
    pub slope: f32,
}

/// Side of the blocks in which noise is read, px.
const BLOCK: usize = 12;

/// Brightness classes, even in the square root of light.
const CLASSES: usize = 16;

/// Blocks a class needs to count.
const MIN_BLOCKS: usize = 12;

/// This share of a class's blocks, the flattest, is taken for textureless.
const FLAT_SHARE: f32 = 0.1;

/// A file of 8 bits can't show less noise than its own rounding: 1/255 at mid-tones, in light.
const ROUNDING_VARIANCE: f32 = 4e-7;

impl NoiseModel {
    /// Fits the model to a working copy.
    pub fn fit(picture: &SceneLinear) -> Self {
        let green = &picture.channels[1];
        let mut classes: Vec<Vec<(f32, f32)>> = vec![Vec::new(); CLASSES];
        for top in (1..green.rows().saturating_sub(BLOCK + 1)).step_by(BLOCK) {
            for left in (1..green.columns().saturating_sub(BLOCK + 1)).step_by(BLOCK) {
                let (mean, variance) = block_statistics(green, left, top);
                let class = (mean.clamp(0.0, 0.999).sqrt() * CLASSES as f32) as usize;
                classes[class].push((variance, mean));
            }
        }
        let points: Vec<(f32, f32)> = classes.into_iter().filter_map(flattest).collect();
        Self::through(&points)
    }

    fn through(points: &[(f32, f32)]) -> Self {
        if points.is_empty() {
            return Self {
                constant: ROUNDING_VARIANCE,
                slope: 1e-5,
            };
        }
        // Through the lower envelope: texture only ever adds to a class's reading.
        let slope = points
            .iter()
            .map(|&(mean, variance)| variance / (mean + 0.02))
            .fold(f32::INFINITY, f32::min)
            .max(1e-7);
        let mut ratios: Vec<f32> = points.iter().map(|&(m, v)| v / (m + 0.02)).collect();
        ratios.sort_by(f32::total_cmp);
        let typical = ratios[ratios.len() / 3].min(4.0 * slope).max(slope);
        Self {
            constant: typical * 0.02 + ROUNDING_VARIANCE,
            slope: typical,
        }
    }

    /// Standard deviation at a level of light.
    pub fn sigma(&self, light: f32) -> f32 {
        (self.constant + self.slope * light.max(0.0)).sqrt()
    }
}

/// Mean light and noise variance of one block, by a mask that is blind to planes and edges' means.
fn block_statistics(plane: &Plane<f32>, left: usize, top: usize) -> (f32, f32) {
    let (mut sum, mut energy) = (0.0f32, 0.0f32);
    for y in top..top + BLOCK {
        let (a, b, c) = (plane.row(y - 1), plane.row(y), plane.row(y + 1));
        for x in left..left + BLOCK {
            let corners = a[x - 1] + a[x + 1] + c[x - 1] + c[x + 1];
            let sides = a[x] + b[x - 1] + b[x + 1] + c[x];
            let response = corners - 2.0 * sides + 4.0 * b[x];
            sum += b[x];
            energy += response * response;
        }
    }
    let count = (BLOCK * BLOCK) as f32;
    (sum / count, energy / (36.0 * count))
}

fn flattest(mut blocks: Vec<(f32, f32)>) -> Option<(f32, f32)> {
    if blocks.len() < MIN_BLOCKS {
        return None;
    }
    blocks.sort_by(|a, b| a.0.total_cmp(&b.0));
    let take = ((blocks.len() as f32 * FLAT_SHARE) as usize).max(4);
    let share = 1.0 / take as f32;
    let (variance, mean) = blocks[..take].iter().fold((0.0, 0.0), |sum, b| {
        (sum.0 + b.0 * share, sum.1 + b.1 * share)
    });
    Some((mean, variance))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;
    use rand::{Rng, SeedableRng};

    #[test]
    fn the_fit_finds_the_noise_that_was_put_in() {
        let mut rng = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(3);
        let size = Size {
            columns: 600,
            rows: 400,
        };
        let mut picture = SceneLinear::filled(size, 0.0);
        for channel in &mut picture.channels {
            for y in 0..size.rows {
                for x in 0..size.columns {
                    let light = 0.05 + 0.8 * x as f32 / 600.0;
                    let sigma = (1e-6 + 2e-5 * light).sqrt();
                    let normal: f32 = (0..12).map(|_| rng.r#gen::<f32>()).sum::<f32>() - 6.0;
                    channel.set(x, y, light + sigma * normal);
                }
            }
        }
        let noise = NoiseModel::fit(&picture);
        let truth = (1e-6f32 + 2e-5 * 0.4).sqrt();
        let ratio = noise.sigma(0.4) / truth;
        assert!((0.6..1.5).contains(&ratio), "{ratio}");
    }
}
