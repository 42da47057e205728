//! Filling of holes by weighted averages up and down a pyramid.
//!
//! Source: Gortler, Grzeszczuk, Szeliski & Cohen, "The Lumigraph", 1996, section 3.3 (pull-push).

use rayon::prelude::*;

use crate::scene::{Plane, Size};

/// Values known with a weight; where the weight is 0 the value is filled from farther and farther
/// around. Weights of 1 and more keep their value; below, the surroundings shine through.
///
/// Holds a third more than the two planes given.
#[must_use]
pub fn fill(values: &Plane<f32>, weights: &Plane<f32>) -> Plane<f32> {
    let size = values.size();
    if size.columns <= 1 && size.rows <= 1 {
        return values.clone();
    }
    let (coarse_values, coarse_weights) = pull(values, weights);
    let below = fill(&coarse_values, &coarse_weights);
    push(values, weights, &below)
}

fn pull(values: &Plane<f32>, weights: &Plane<f32>) -> (Plane<f32>, Plane<f32>) {
    let size = values.size();
    let half = Size {
        columns: size.columns.div_ceil(2),
        rows: size.rows.div_ceil(2),
    };
    let mut coarse = Plane::filled(half, 0.0f32);
    let mut coarse_weights = Plane::filled(half, 0.0f32);
    coarse
        .as_mut_slice()
        .par_chunks_exact_mut(half.columns)
        .zip(
            coarse_weights
                .as_mut_slice()
                .par_chunks_exact_mut(half.columns),
        )
        .enumerate()
        .for_each(|(y, (out, out_weights))| {
            for row in 2 * y..(2 * y + 2).min(size.rows) {
                let pairs = values.row(row).chunks(2).zip(weights.row(row).chunks(2));
                let out = out.iter_mut().zip(out_weights.iter_mut());
                for ((out, out_weight), (values, weights)) in out.zip(pairs) {
                    for (v, w) in values.iter().zip(weights) {
                        *out += w * v;
                        *out_weight += w;
                    }
                }
            }
            for (out, weight) in out.iter_mut().zip(out_weights) {
                *out = if *weight > 0.0 { *out / *weight } else { 0.0 };
                *weight = weight.min(1.0);
            }
        });
    (coarse, coarse_weights)
}

fn push(values: &Plane<f32>, weights: &Plane<f32>, below: &Plane<f32>) -> Plane<f32> {
    let mut out = crate::numeric::filter::enlarge(below, 2, values.size());
    let columns = values.columns();
    out.as_mut_slice()
        .par_chunks_exact_mut(columns)
        .enumerate()
        .for_each(|(y, out)| {
            for (out, (value, weight)) in
                out.iter_mut().zip(values.row(y).iter().zip(weights.row(y)))
            {
                *out += weight.min(1.0) * (value - *out);
            }
        });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hole_in_a_constant_is_filled_with_the_constant() {
        let size = Size {
            columns: 65,
            rows: 40,
        };
        let values = Plane::from_fn(size, |x, _| if (20..50).contains(&x) { 9.0 } else { 2.5 });
        let weights = Plane::from_fn(size, |x, _| if (20..50).contains(&x) { 0.0 } else { 1.0 });
        let filled = fill(&values, &weights);
        assert!(filled.as_slice().iter().all(|v| (v - 2.5).abs() < 1e-5));
    }

    #[test]
    fn known_values_stay() {
        let size = Size {
            columns: 33,
            rows: 33,
        };
        let values = Plane::from_fn(size, |x, y| (x * y) as f32);
        let filled = fill(&values, &Plane::filled(size, 1.0));
        assert_eq!(filled, values);
    }
}
