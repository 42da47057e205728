//! The normal equations of the residual field, and their solution.

use nalgebra::{Matrix2, Vector2};

use super::{CUTOFF_DEVIATIONS, EVEN_DEVIATION_PX, PULL_TO_ZERO, ResidualField, Sample, Support};
use crate::numeric::robust::biweight;

/// Steps of conjugate gradients a fit, from the last fit's solution.
const SOLVER_STEPS: usize = 25;

/// Share of the first residual at which a fit's solution is good enough.
const SOLVER_SHARE: f64 = 1e-2;

/// Normal equations, kept as the terms they are made of.
pub(super) struct System<'a> {
    supports: &'a [Support],
    weights: Vec<Matrix2<f64>>,
    bends: Vec<([usize; 3], f64)>,
    right: Vec<Vector2<f64>>,
    diagonal: Vec<Vector2<f64>>,
}

const BEND: [f64; 3] = [1.0, -2.0, 1.0];

impl<'a> System<'a> {
    pub(super) fn of(
        field: &ResidualField,
        samples: &[Sample],
        supports: &'a [Support],
        deviation: f64,
        break_at: f64,
    ) -> Self {
        let count = field.coefficients.len();
        let mut right = vec![Vector2::zeros(); count];
        let mut diagonal = vec![Vector2::repeat(PULL_TO_ZERO); count];
        let weights = samples
            .iter()
            .zip(supports)
            .map(|(sample, support)| {
                let apart = sample.displacement - field.sum(support);
                let m2 = apart.dot(&(sample.information(deviation) * apart));
                let robust = biweight(m2 / CUTOFF_DEVIATIONS.powi(2));
                let weight =
                    sample.information(EVEN_DEVIATION_PX) * (robust * EVEN_DEVIATION_PX.powi(2));
                let pull = weight * sample.displacement;
                for &(i, w) in support {
                    right[i] += pull * w;
                    diagonal[i] += weight.diagonal() * (w * w);
                }
                weight
            })
            .collect();
        let bends = field
            .triples()
            .map(|triple| {
                let bend: Vector2<f64> = triple
                    .iter()
                    .zip(BEND)
                    .map(|(&i, b)| field.coefficients[i] * b)
                    .sum();
                let weight =
                    field.stiffness / (1.0 + bend.norm_squared() / break_at.powi(2)).powi(2);
                for (&i, b) in triple.iter().zip(BEND) {
                    diagonal[i] += Vector2::repeat(weight * b * b);
                }
                (triple, weight)
            })
            .collect();
        Self {
            supports,
            weights,
            bends,
            right,
            diagonal,
        }
    }

    fn times(&self, v: &[Vector2<f64>]) -> Vec<Vector2<f64>> {
        let mut out: Vec<Vector2<f64>> = v.iter().map(|v| v * PULL_TO_ZERO).collect();
        for (support, &weight) in self.supports.iter().zip(&self.weights) {
            if weight != Matrix2::zeros() {
                let sum: Vector2<f64> = support.iter().map(|&(i, w)| v[i] * w).sum();
                let pull = weight * sum;
                for &(i, w) in support {
                    out[i] += pull * w;
                }
            }
        }
        for (triple, weight) in &self.bends {
            let sum = (v[triple[0]] - v[triple[1]] * 2.0 + v[triple[2]]) * *weight;
            for (&i, b) in triple.iter().zip(BEND) {
                out[i] += sum * b;
            }
        }
        out
    }

    /// Conjugate gradients, preconditioned by the diagonal. Source: Saad, "Iterative Methods for
    /// Sparse Linear Systems", 2nd ed. 2003, algorithm 9.1.
    pub(super) fn solve(&self, solution: &mut [Vector2<f64>]) {
        let dot = |a: &[Vector2<f64>], b: &[Vector2<f64>]| -> f64 {
            a.iter().zip(b).map(|(a, b)| a.dot(b)).sum()
        };
        let scaled = |r: &[Vector2<f64>]| -> Vec<Vector2<f64>> {
            let pairs = r.iter().zip(&self.diagonal);
            pairs.map(|(r, d)| r.component_div(d)).collect()
        };
        let product = self.times(solution);
        let mut rest: Vec<Vector2<f64>> = self
            .right
            .iter()
            .zip(&product)
            .map(|(r, p)| r - p)
            .collect();
        let mut direction = scaled(&rest);
        let mut height = dot(&rest, &direction);
        let enough = height * SOLVER_SHARE.powi(2);
        for _ in 0..SOLVER_STEPS {
            if height <= enough {
                break;
            }
            let product = self.times(&direction);
            let length = height / dot(&direction, &product);
            for ((s, r), (d, p)) in solution
                .iter_mut()
                .zip(&mut rest)
                .zip(direction.iter().zip(&product))
            {
                *s += d * length;
                *r -= p * length;
            }
            let scaled = scaled(&rest);
            let next = dot(&rest, &scaled);
            for (d, s) in direction.iter_mut().zip(&scaled) {
                *d = s + *d * (next / height);
            }
            height = next;
        }
    }
}
