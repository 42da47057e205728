//! Filling of holes by weighted averages up and down a pyramid.
//!
//! Source: Gortler, Grzeszczuk, Szeliski & Cohen, "The Lumigraph", 1996, section 3.3 (pull-push).

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
    let sums = Plane::from_fn(half, |x, y| {
        let mut total = (0.0f32, 0.0f32);
        for row in 2 * y..(2 * y + 2).min(size.rows) {
            for column in 2 * x..(2 * x + 2).min(size.columns) {
                let w = *weights.at(column, row);
                total.0 += w * values.at(column, row);
                total.1 += w;
            }
        }
        total
    });
    let values = sums.map(|&(v, w)| if w > 0.0 { v / w } else { 0.0 });
    let weights = sums.map(|&(_, w)| w.min(1.0));
    (values, weights)
}

fn push(values: &Plane<f32>, weights: &Plane<f32>, below: &Plane<f32>) -> Plane<f32> {
    let smooth = crate::numeric::filter::enlarge(below, 2, values.size());
    Plane::from_fn(values.size(), |x, y| {
        let w = weights.at(x, y).min(1.0);
        let under = smooth.at(x, y);
        under + w * (values.at(x, y) - under)
    })
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
