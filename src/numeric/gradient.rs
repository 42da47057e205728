//! Gradients and how well a place is determined by them.

use rayon::prelude::*;

use crate::scene::Plane;

/// Smaller eigenvalue of the gradient's second moments over a square of `2·radius + 1` pixels, mean
/// a pixel: large on corners and texture, near 0 on edges and flat places. Borders closer than
/// `radius + 1` are 0. Holds three planes beside the input.
///
/// Source: Shi & Tomasi, "Good Features to Track", 1994, section 4.
pub fn corner_strength(plane: &Plane<f32>, radius: usize) -> Plane<f32> {
    let size = plane.size();
    let mut moments = vec![[0.0_f32; 3]; size.area()];
    if size.columns < 2 * radius + 3 || size.rows < 2 * radius + 3 {
        return Plane::filled(size, 0.0);
    }
    moments
        .par_chunks_exact_mut(size.columns)
        .enumerate()
        .filter(|(y, _)| (1..size.rows - 1).contains(y))
        .for_each_init(
            || vec![[0.0_f32; 3]; size.columns],
            |products, (y, out)| {
                products_of_gradients(plane, y, products);
                running_sums(products, radius, out);
            },
        );
    let area = ((2 * radius + 1) * (2 * radius + 1)) as f32;
    let mut strength = vec![0.0; size.area()];
    strength
        .par_chunks_exact_mut(size.columns)
        .enumerate()
        .filter(|(y, _)| (radius + 1..size.rows - radius - 1).contains(y))
        .for_each_init(
            || vec![[0.0_f32; 3]; size.columns],
            |sums, (y, out)| {
                sums.fill([0.0; 3]);
                for row in y - radius..=y + radius {
                    let moments = &moments[row * size.columns..(row + 1) * size.columns];
                    for (sum, m) in sums.iter_mut().zip(moments) {
                        for (s, m) in sum.iter_mut().zip(m) {
                            *s += m;
                        }
                    }
                }
                for (out, sum) in out.iter_mut().zip(sums.iter()) {
                    *out = smaller_eigenvalue(*sum) / area;
                }
            },
        );
    Plane::from_vec(size, strength)
}

/// The products xx, xy and yy of the central differences along row `y`.
fn products_of_gradients(plane: &Plane<f32>, y: usize, out: &mut [[f32; 3]]) {
    let (above, here, below) = (plane.row(y - 1), plane.row(y), plane.row(y + 1));
    let last = here.len() - 1;
    for x in 1..last {
        let dx = 0.5 * (here[x + 1] - here[x - 1]);
        let dy = 0.5 * (below[x] - above[x]);
        out[x] = [dx * dx, dx * dy, dy * dy];
    }
}

/// Sums over `2·radius + 1` neighbours along a row; the ends stay as they are.
fn running_sums(values: &[[f32; 3]], radius: usize, out: &mut [[f32; 3]]) {
    for (out, window) in out[radius..].iter_mut().zip(values.windows(2 * radius + 1)) {
        let mut sum = [0.0; 3];
        for v in window {
            for (s, v) in sum.iter_mut().zip(v) {
                *s += v;
            }
        }
        *out = sum;
    }
}

fn smaller_eigenvalue([xx, xy, yy]: [f32; 3]) -> f32 {
    let half_trace = 0.5 * (xx + yy);
    let half_difference = 0.5 * (xx - yy);
    (half_trace - half_difference.hypot(xy)).max(0.0)
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "the values compared are exact")]
mod tests {
    use super::*;
    use crate::scene::Size;

    const SIZE: Size = Size {
        columns: 20,
        rows: 20,
    };

    #[test]
    fn an_edge_is_no_corner() {
        let edge = Plane::from_fn(SIZE, |x, _| if x < 10 { 0.0 } else { 1.0 });
        let strongest = corner_strength(&edge, 3)
            .as_slice()
            .iter()
            .copied()
            .fold(0.0, f32::max);
        assert!(strongest < 1e-6, "{strongest}");
    }

    #[test]
    fn the_corner_of_a_square_is_the_strongest_place() {
        let square = Plane::from_fn(SIZE, |x, y| if x < 10 && y < 10 { 1.0 } else { 0.0 });
        let strength = corner_strength(&square, 2);
        let best = (0..SIZE.area())
            .max_by(|&a, &b| strength.as_slice()[a].total_cmp(&strength.as_slice()[b]))
            .unwrap();
        let (x, y) = (best % 20, best / 20);
        assert!((8..=11).contains(&x) && (8..=11).contains(&y), "{x}, {y}");
    }

    #[test]
    fn too_small_a_plane_has_no_corners() {
        let tiny = Plane::filled(
            Size {
                columns: 4,
                rows: 4,
            },
            1.0,
        );
        assert!(
            corner_strength(&tiny, 3)
                .as_slice()
                .iter()
                .all(|&v| v == 0.0)
        );
    }
}
