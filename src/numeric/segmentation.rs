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

/// Steps to four of a pixel's eight neighbours; the others look back from there.
const STEPS: [(i64, i64); 4] = [(1, 0), (0, 1), (1, 1), (-1, 1)];

/// Number of a pixel that is not cut, and bucket of an edge that is none.
const OUTSIDE: u32 = u32::MAX;
const NO_EDGE: u16 = u16::MAX;

/// For each pixel that is cut the differences to its neighbours by [`STEPS`], in steps of
/// [`MAX_DIFFERENCE`] / [`BUCKETS`].
type Buckets = [u16; STEPS.len()];

/// A piece, at its root.
#[derive(Debug, Clone, Copy)]
struct Root {
    area: u32,
    inner: f32,
}

/// Parents apart from what is known of roots: looking for roots touches little memory.
struct Forest {
    parents: Vec<u32>,
    roots: Vec<Root>,
}

impl Forest {
    fn of_single(count: usize) -> Self {
        let alone = Root {
            area: 1,
            inner: 0.0,
        };
        Self {
            parents: (0..count as u32).collect(),
            roots: vec![alone; count],
        }
    }

    fn find(&mut self, mut i: u32) -> u32 {
        let parents = &mut self.parents;
        loop {
            let parent = parents[i as usize];
            if parent == i {
                return i;
            }
            let grand = parents[parent as usize];
            parents[i as usize] = grand;
            i = grand;
        }
    }

    /// The roots of two pixels; `None` when they have the same, which neighbours mostly show by
    /// their parents.
    fn apart(&mut self, a: u32, b: u32) -> Option<(u32, u32)> {
        if self.parents[a as usize] == self.parents[b as usize] {
            return None;
        }
        let (a, b) = (self.find(a), self.find(b));
        (a != b).then_some((a, b))
    }

    fn root(&self, i: u32) -> Root {
        self.roots[i as usize]
    }

    fn join(&mut self, a: u32, b: u32, difference: f32) {
        let (small, large) = if self.root(a).area < self.root(b).area {
            (a, b)
        } else {
            (b, a)
        };
        self.parents[small as usize] = large;
        self.roots[large as usize].area += self.root(small).area;
        self.roots[large as usize].inner = difference;
    }
}

/// Cuts the pixels of `within` into pieces; `difference` tells how unlike two pixels are, by
/// their indices in row-major order. Neighbours are the eight around a pixel.
///
/// Holds 4 bytes a pixel beside the result, and 40 bytes a pixel that is cut.
#[must_use]
pub fn cut(
    within: &Plane<bool>,
    granularity: Granularity,
    difference: impl Fn(usize, usize) -> f32 + Sync,
) -> Pieces {
    let columns = within.columns();
    let inside = within.as_slice();
    let pixels: Vec<u32> = (0..inside.len())
        .filter(|&i| inside[i])
        .map(|i| i as u32)
        .collect();
    let mut compact = vec![OUTSIDE; inside.len()];
    for (n, &pixel) in pixels.iter().enumerate() {
        compact[pixel as usize] = n as u32;
    }
    let edges = sorted_edges(&buckets_of(within, &pixels, difference));
    let mut forest = Forest::of_single(pixels.len());
    let ends = |edge: u32| {
        let from = edge / STEPS.len() as u32;
        let (dx, dy) = STEPS[edge as usize % STEPS.len()];
        let to = i64::from(pixels[from as usize]) + dx + dy * columns as i64;
        (from, compact[to as usize])
    };
    for (bucket, edges) in edges.by_bucket() {
        let weight = bucket as f32 * MAX_DIFFERENCE / (BUCKETS - 1) as f32;
        for &edge in edges {
            let (a, b) = ends(edge);
            let Some((a, b)) = forest.apart(a, b) else {
                continue;
            };
            let allowed = |p: u32| {
                let root = forest.root(p);
                root.inner + granularity.scale / root.area as f32
            };
            if weight <= allowed(a).min(allowed(b)) {
                forest.join(a, b, weight);
            }
        }
    }
    for &edge in &edges.order {
        let (a, b) = ends(edge);
        let Some((a, b)) = forest.apart(a, b) else {
            continue;
        };
        let [one, other] = [a, b].map(|p| forest.root(p));
        if one.area.min(other.area) < granularity.min_area {
            forest.join(a, b, one.inner.max(other.inner));
        }
    }
    drop((edges, pixels));
    number_pieces(within.size(), compact, &mut forest)
}

/// Differences of the pixels that are cut to their neighbours that are.
fn buckets_of(
    within: &Plane<bool>,
    pixels: &[u32],
    difference: impl Fn(usize, usize) -> f32 + Sync,
) -> Vec<Buckets> {
    let (columns, rows) = (within.columns() as i64, within.rows() as i64);
    let inside = within.as_slice();
    let bucket = |pixel: u32, (dx, dy): (i64, i64)| {
        let i = i64::from(pixel);
        let (x, y) = (i % columns + dx, i / columns + dy);
        if x < 0 || x >= columns || y >= rows {
            return NO_EDGE;
        }
        let j = (y * columns + x) as usize;
        if !inside[j] {
            return NO_EDGE;
        }
        let share = difference(pixel as usize, j).clamp(0.0, MAX_DIFFERENCE) / MAX_DIFFERENCE;
        (share * (BUCKETS - 1) as f32) as u16
    };
    pixels
        .par_iter()
        .map(|&pixel| STEPS.map(|step| bucket(pixel, step)))
        .collect()
}

/// Edges by rising difference, equal ones in row-major order: number of the pixel among those that
/// are cut, times four, and number of the step.
struct SortedEdges {
    order: Vec<u32>,
    /// Where each bucket ends in `order`.
    ends: Vec<usize>,
}

impl SortedEdges {
    fn by_bucket(&self) -> impl Iterator<Item = (usize, &[u32])> {
        let starts = [0].into_iter().chain(self.ends.iter().copied());
        starts
            .zip(&self.ends)
            .map(|(from, &to)| &self.order[from..to])
            .enumerate()
    }
}

fn sorted_edges(buckets: &[Buckets]) -> SortedEdges {
    let all = || buckets.as_flattened().iter().enumerate();
    let edges = || all().filter(|&(_, &bucket)| bucket != NO_EDGE);
    let mut starts = vec![0usize; BUCKETS + 1];
    for (_, &bucket) in edges() {
        starts[bucket as usize + 1] += 1;
    }
    for b in 0..BUCKETS {
        starts[b + 1] += starts[b];
    }
    let mut order = vec![0u32; starts[BUCKETS]];
    for (edge, &bucket) in edges() {
        let slot = &mut starts[bucket as usize];
        order[*slot] = edge as u32;
        *slot += 1;
    }
    // Each start has moved on to where its bucket ends.
    starts.truncate(BUCKETS);
    SortedEdges {
        order,
        ends: starts,
    }
}

/// Numbers in the order of the pieces' first pixels, in place of the compact indices.
fn number_pieces(size: Size, mut compact: Vec<u32>, forest: &mut Forest) -> Pieces {
    let mut number_of_root = vec![0u32; forest.parents.len()];
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
