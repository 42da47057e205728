//! A picture in scene-linear light.

use rayon::prelude::*;

use super::{Plane, Size};
use crate::vectors::vectorised;

/// Rows x columns x 3 of scene-linear light, f32, in the file's own primaries, planar.
///
/// 1.0 is the file's white; values may exceed it after relighting; never NaN. One `SceneLinear` of
/// 2.7 MP (the usual working copy) takes 32 MB, of 24 MP 288 MB: stages work on reduced copies.
#[derive(Debug, Clone, PartialEq)]
pub struct SceneLinear {
    /// Red, green, blue.
    pub channels: [Plane<f32>; 3],
}

impl SceneLinear {
    /// A picture of one value.
    pub fn filled(size: Size, value: f32) -> Self {
        Self {
            channels: std::array::from_fn(|_| Plane::filled(size, value)),
        }
    }

    /// A picture all of whose values are to be set by the caller, as [`Plane::unset`].
    pub(crate) fn unset(size: Size) -> Self {
        Self {
            channels: std::array::from_fn(|_| Plane::unset(size)),
        }
    }

    /// Extent in pixels.
    pub fn size(&self) -> Size {
        self.channels[0].size()
    }

    /// The three channels at column `x`, row `y`.
    pub fn at(&self, x: usize, y: usize) -> [f32; 3] {
        std::array::from_fn(|c| *self.channels[c].at(x, y))
    }

    /// The three channels of the pixel at `index` in row-major order.
    pub fn at_index(&self, index: usize) -> [f32; 3] {
        std::array::from_fn(|c| self.channels[c].as_slice()[index])
    }

    /// Hands each row's number and three channels to `work`; rows in parallel.
    pub(crate) fn for_each_row(&mut self, work: impl Fn(usize, [&mut [f32]; 3]) + Sync + Send) {
        let columns = self.size().columns.max(1);
        let [red, green, blue] = &mut self.channels;
        red.as_mut_slice()
            .par_chunks_exact_mut(columns)
            .zip(green.as_mut_slice().par_chunks_exact_mut(columns))
            .zip(blue.as_mut_slice().par_chunks_exact_mut(columns))
            .enumerate()
            .for_each(|(y, ((red, green), blue))| work(y, [red, green, blue]));
    }

    /// Luminance with the weights of ITU-R BT.709 on linear light.
    pub fn luminance(&self) -> Plane<f32> {
        let [r, g, b] = &self.channels;
        let mut out = Plane::unset(self.size());
        out.as_mut_slice()
            .par_chunks_exact_mut(self.size().columns.max(1))
            .enumerate()
            .for_each(|(y, out)| {
                let rows = r.row(y).iter().zip(g.row(y)).zip(b.row(y));
                vectorised(
                    #[inline(always)]
                    || {
                        for (out, ((r, g), b)) in out.iter_mut().zip(rows) {
                            *out = 0.2126 * r + 0.7152 * g + 0.0722 * b;
                        }
                    },
                );
            });
        out
    }
}
