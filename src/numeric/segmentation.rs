//! Pieces of a picture by merging neighbours across their weakest differences.
//!
//! Source: Felzenszwalb & Huttenlocher, "Efficient Graph-Based Image Segmentation", 2004,
//! section 3 (pairwise predicate) and 4 (grid graph).

use rayon::prelude::*;

use crate::scene::{Plane, Size};

/// Pieces of a plane: a number from 1 a pixel, 0 where `within` was false.
#[derive(Debug, Clone)]
pub struct Pieces {
    /// Piece number a pixel.
    pub numbers: Plane<u32>,
    /// Number of pieces; the largest number in use.
    pub count: usize,
}

/// How finely to cut.
#[derive(Debug, Clone, Copy)]
pub struct Granularity {
    /// The paper's k, in units of the difference: larger makes larger pieces.
    pub scale: f32,
    /// Pieces below this many pixels join the neighbour they differ least from.
    pub min_area: u32,
}

/// Steps into which differences are sorted; finer than any difference that matters.
const BUCKETS: usize = 4096;

/// Largest difference told apart from larger ones.
const MAX_DIFFERENCE: f32 = 64.0;

/// Rows whose differences are worked out at once.
const STRIP_ROWS: usize = 32;

/// Steps to four of a pixel's eight neighbours; the others look back from there.
const STEPS: [(i64, i64); 4] = [(1, 0), (0, 1), (1, 1), (-1, 1)];

/// Number of a pixel that is not cut.
const OUTSIDE: u32 = u32::MAX;

/// Between a pixel and its neighbour by one of [`STEPS`].
#[derive(Debug, Clone, Copy, Default)]
struct Edge {
    /// Index of the pixel in row-major order.
    from: u32,
    /// Difference in steps of [`MAX_DIFFERENCE`] / [`BUCKETS`].
    bucket: u16,
    step: u8,
}

/// A piece, at its root.
#[derive(Debug, Clone, Copy)]
struct Node {
    parent: u32,
    area: u32,
    inner: f32,
}

struct Forest(Vec<Node>);

impl Forest {
    fn find(&mut self, mut i: u32) -> u32 {
        let nodes = &mut self.0;
        while nodes[i as usize].parent != i {
            let grand = nodes[nodes[i as usize].parent as usize].parent;
            nodes[i as usize].parent = grand;
            i = grand;
        }
        i
    }

    fn join(&mut self, a: u32, b: u32, difference: f32) {
        let nodes = &mut self.0;
        let (small, large) = if nodes[a as usize].area < nodes[b as usize].area {
            (a, b)
        } else {
            (b, a)
        };
        nodes[small as usize].parent = large;
        nodes[large as usize].area += nodes[small as usize].area;
        nodes[large as usize].inner = difference;
    }
}

/// Cuts the pixels of `within` into pieces; `difference` tells how unlike two pixels are, by
/// their indices in row-major order. Neighbours are the eight around a pixel.
///
/// Holds 4 bytes a pixel beside the result, and 80 bytes a pixel that is cut.
#[must_use]
pub fn cut(
    within: &Plane<bool>,
    granularity: Granularity,
    difference: impl Fn(usize, usize) -> f32 + Sync,
) -> Pieces {
    let columns = within.columns();
    let mut count = 0;
    let compact: Vec<u32> = within
        .as_slice()
        .iter()
        .map(|&inside| {
            if inside {
                count += 1;
                count - 1
            } else {
                OUTSIDE
            }
        })
        .collect();
    let edges = sorted_by_bucket(&edges_of(within, difference));
    let mut forest = Forest(
        (0..count)
            .map(|i| Node {
                parent: i,
                area: 1,
                inner: 0.0,
            })
            .collect(),
    );
    let ends = |edge: &Edge| {
        let (dx, dy) = STEPS[edge.step as usize];
        let to = i64::from(edge.from) + dx + dy * columns as i64;
        (compact[edge.from as usize], compact[to as usize])
    };
    for edge in &edges {
        let weight = edge.bucket as f32 * MAX_DIFFERENCE / (BUCKETS - 1) as f32;
        let (a, b) = ends(edge);
        let (a, b) = (forest.find(a), forest.find(b));
        if a == b {
            continue;
        }
        let allowed = |p: u32| {
            let node = forest.0[p as usize];
            node.inner + granularity.scale / node.area as f32
        };
        if weight <= allowed(a).min(allowed(b)) {
            forest.join(a, b, weight);
        }
    }
    for edge in &edges {
        let (a, b) = ends(edge);
        let (a, b) = (forest.find(a), forest.find(b));
        let [one, other] = [a, b].map(|p| forest.0[p as usize]);
        if a != b && one.area.min(other.area) < granularity.min_area {
            forest.join(a, b, one.inner.max(other.inner));
        }
    }
    drop(edges);
    number_pieces(within.size(), compact, &mut forest)
}

/// The edges between neighbours that are both to be cut, strip by strip, in row-major order.
fn edges_of(
    within: &Plane<bool>,
    difference: impl Fn(usize, usize) -> f32 + Sync,
) -> Vec<Vec<Edge>> {
    let (columns, rows) = (within.columns(), within.rows());
    let inside = within.as_slice();
    let strip = |k: usize| {
        let mut edges = Vec::new();
        for y in k * STRIP_ROWS..((k + 1) * STRIP_ROWS).min(rows) {
            for x in (0..columns).filter(|&x| inside[y * columns + x]) {
                let i = y * columns + x;
                for (step, &(dx, dy)) in STEPS.iter().enumerate() {
                    let (nx, ny) = (x as i64 + dx, y as i64 + dy);
                    if nx < 0 || nx >= columns as i64 || ny >= rows as i64 {
                        continue;
                    }
                    let j = ny as usize * columns + nx as usize;
                    if inside[j] {
                        let share = difference(i, j).clamp(0.0, MAX_DIFFERENCE) / MAX_DIFFERENCE;
                        edges.push(Edge {
                            from: i as u32,
                            bucket: (share * (BUCKETS - 1) as f32) as u16,
                            step: step as u8,
                        });
                    }
                }
            }
        }
        edges
    };
    (0..rows.div_ceil(STRIP_ROWS))
        .into_par_iter()
        .map(strip)
        .collect()
}

/// By rising difference; equal ones in their order.
fn sorted_by_bucket(strips: &[Vec<Edge>]) -> Vec<Edge> {
    let mut starts = vec![0usize; BUCKETS + 1];
    for edge in strips.iter().flatten() {
        starts[edge.bucket as usize + 1] += 1;
    }
    for b in 0..BUCKETS {
        starts[b + 1] += starts[b];
    }
    let mut out = vec![Edge::default(); starts[BUCKETS]];
    for edge in strips.iter().flatten() {
        let slot = &mut starts[edge.bucket as usize];
        out[*slot] = *edge;
        *slot += 1;
    }
    out
}

/// Numbers in the order of the pieces' first pixels, in place of the compact indices.
fn number_pieces(size: Size, mut compact: Vec<u32>, forest: &mut Forest) -> Pieces {
    let mut number_of_root = vec![0u32; forest.0.len()];
    let mut count = 0;
    for number in &mut compact {
        if *number == OUTSIDE {
            *number = 0;
            continue;
        }
        let root = forest.find(*number) as usize;
        if number_of_root[root] == 0 {
            count += 1;
            number_of_root[root] = count;
        }
        *number = number_of_root[root];
    }
    Pieces {
        numbers: Plane::from_vec(size, compact),
        count: count as usize,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_flat_halves_and_a_thin_line_are_three_pieces() {
        let size = Size {
            columns: 40,
            rows: 30,
        };
        let value = Plane::from_fn(size, |x, _| match x {
            0..=19 => 1.0f32,
            20..=21 => 30.0,
            _ => 12.0,
        });
        let within = Plane::filled(size, true);
        let values = value.as_slice();
        let pieces = cut(
            &within,
            Granularity {
                scale: 20.0,
                min_area: 8,
            },
            |a, b| (values[a] - values[b]).abs(),
        );
        assert_eq!(pieces.count, 3);
        assert_ne!(pieces.numbers.at(0, 0), pieces.numbers.at(39, 29));
        assert_eq!(pieces.numbers.at(20, 0), pieces.numbers.at(21, 29));
    }
}
