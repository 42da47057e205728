//! Differences that forgive a small displacement.

use rayon::prelude::*;

use crate::scene::{Perceived, Plane, difference};

/// Smallest difference (CIE94) of each pixel of `one` to the pixels of `other` displaced by up to
/// `reach` pixels in steps of `reach` (nine places): half a pixel of parallax is not visible.
#[must_use]
pub fn tolerant_difference(one: &Perceived, other: &Perceived, reach: usize) -> Plane<f32> {
    let size = one.size();
    let mut out = Plane::filled(size, 0.0f32);
    out.as_mut_slice()
        .par_chunks_exact_mut(size.columns)
        .enumerate()
        .for_each(|(y, out)| {
            let rows = [y.saturating_sub(reach), y, (y + reach).min(size.rows - 1)];
            for (x, out) in out.iter_mut().enumerate() {
                let here = one.at_index(y * size.columns + x);
                let columns = [
                    x,
                    x.saturating_sub(reach),
                    (x + reach).min(size.columns - 1),
                ];
                let mut best = difference(here, other.at_index(y * size.columns + x)).0;
                if best > GOOD_ENOUGH {
                    for row in rows {
                        for column in columns {
                            let there = other.at_index(row * size.columns + column);
                            best = best.min(difference(here, there).0);
                        }
                    }
                }
                *out = best;
            }
        });
    out
}

/// Below this difference (CIE94) no displacement is tried: nothing to see.
const GOOD_ENOUGH: f32 = 0.5;
