//! Pieces of a picture by merging neighbours across their weakest differences.
//!
//! Source: Felzenszwalb & Huttenlocher, "Efficient Graph-Based Image Segmentation", 2004,
//! section 3 (pairwise predicate) and 4 (grid graph).

use rayon::prelude::*;

use crate::scene::{Plane, Size, recycled};
use crate::vectors::vectorised;

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

/// Bucket of an edge that is none.
const NO_EDGE: u16 = u16::MAX;

/// For each pixel that is cut the differences to its neighbours by [`STEPS`], in steps of
/// [`MAX_DIFFERENCE`] / [`BUCKETS`].
type Buckets = [u16; STEPS.len()];

/// Pieces as trees of pixels, by their index in the picture: an edge then needs nothing but its
/// number to be followed. Where nothing is cut nothing is touched either.
struct Forest {
    /// A pixel's parent, or [`IS_ROOT`] and the piece's area.
    links: Vec<u32>,
    /// Largest difference inside a piece, at its root.
    inner: Vec<f32>,
}

/// Marks a root among [`Forest::links`].
const IS_ROOT: u32 = 1 << 31;

impl Forest {
    fn of_single(pixels: &[u32], area: usize) -> Self {
        let mut links: Vec<u32> = recycled::zeroed(area);
        for &pixel in pixels {
            links[pixel as usize] = IS_ROOT | 1;
        }
        Self {
            links,
            inner: recycled::zeroed(area),
        }
    }

    fn find(&mut self, mut i: u32) -> u32 {
        let links = &mut self.links;
        loop {
            let parent = links[i as usize];
            if parent & IS_ROOT != 0 {
                return i;
            }
            let grand = links[parent as usize];
            if grand & IS_ROOT != 0 {
                return parent;
            }
            links[i as usize] = grand;
            i = grand;
        }
    }

    /// The roots of two pixels; `None` when they have the same, which neighbours mostly show by
    /// their parents.
    fn apart(&mut self, a: u32, b: u32) -> Option<(u32, u32)> {
        let [one, other] = [a, b].map(|i| self.links[i as usize]);
        if one == other && one & IS_ROOT == 0 {
            return None;
        }
        let (a, b) = (self.find(a), self.find(b));
        (a != b).then_some((a, b))
    }

    /// Pixels of a root's piece.
    fn area(&self, root: u32) -> u32 {
        self.links[root as usize] & !IS_ROOT
    }

    fn inner(&self, root: u32) -> f32 {
        self.inner[root as usize]
    }

    fn join(&mut self, a: u32, b: u32, difference: f32) {
        let (small, large) = if self.area(a) < self.area(b) {
            (a, b)
        } else {
            (b, a)
        };
        self.links[large as usize] += self.area(small);
        self.links[small as usize] = large;
        self.inner[large as usize] = difference;
    }
}

/// Cuts the pixels of `within` into pieces; `differences` tells how unlike the pixels are from one
/// index on, in row-major order, to those from another on. Neighbours are the eight around a pixel.
///
/// Holds 4 bytes a pixel beside the result, and 32 bytes a pixel that is cut.
///
/// # Panics
/// When there are 2^29 pixels or more: a broken caller.
#[must_use]
pub fn cut(
    within: &Plane<bool>,
    granularity: Granularity,
    differences: impl Fn(usize, usize, &mut [f32]) + Sync,
) -> Pieces {
    let columns = within.columns();
    let inside = within.as_slice();
    assert!(inside.len() < 1 << 29, "an edge's number has 31 bits");
    let mut pixels: Vec<u32> = recycled::roomy(inside.len());
    pixels.extend((0..inside.len() as u32).filter(|&i| inside[i as usize]));
    let mut edges = sorted_edges(&pixels, &buckets_of(within, &pixels, differences));
    let mut forest = Forest::of_single(&pixels, inside.len());
    let onward = STEPS.map(|(dx, dy)| (dx + dy * columns as i64) as u32);
    let ends = |edge: u32| {
        let from = edge / STEPS.len() as u32;
        (from, from + onward[edge as usize % STEPS.len()])
    };
    // Edges between pieces that stay apart, as yet, in their order.
    let mut left = 0;
    let mut from = 0;
    for (bucket, &to) in edges.ends.iter().enumerate() {
        let weight = bucket as f32 * MAX_DIFFERENCE / (BUCKETS - 1) as f32;
        for at in from..to {
            let edge = edges.order[at];
            let (a, b) = ends(edge);
            let Some((a, b)) = forest.apart(a, b) else {
                continue;
            };
            let allowed = |p: u32| forest.inner(p) + granularity.scale / forest.area(p) as f32;
            if weight <= allowed(a).min(allowed(b)) {
                forest.join(a, b, weight);
            } else {
                edges.order[left] = edge;
                left += 1;
            }
        }
        from = to;
    }
    for &edge in &edges.order[..left] {
        let (a, b) = ends(edge);
        let Some((a, b)) = forest.apart(a, b) else {
            continue;
        };
        if forest.area(a).min(forest.area(b)) < granularity.min_area {
            forest.join(a, b, forest.inner(a).max(forest.inner(b)));
        }
    }
    drop(edges);
    number_pieces(within.size(), &pixels, forest)
}

/// Pixels a task of [`buckets_of`].
const TASK: usize = 8192;

/// Differences of the pixels that are cut to their neighbours that are.
fn buckets_of(
    within: &Plane<bool>,
    pixels: &[u32],
    differences: impl Fn(usize, usize, &mut [f32]) + Sync,
) -> Vec<Buckets> {
    let mut found: Vec<Buckets> = recycled::zeroed(pixels.len());
    found
        .par_chunks_mut(TASK)
        .zip(pixels.par_chunks(TASK))
        .for_each_init(Vec::new, |unlike: &mut Vec<f32>, (found, pixels)| {
            vectorised(
                #[inline(always)]
                || {
                    found.fill([NO_EDGE; STEPS.len()]);
                    let mut done = 0;
                    while let Some(run) = first_run(&pixels[done..], within.columns()) {
                        for step in 0..STEPS.len() {
                            let room = (&mut *unlike, &mut found[done..]);
                            run.fill(within, step, room, &differences);
                        }
                        done += run.length;
                    }
                },
            );
        });
    found
}

/// Pixels side by side in a row.
struct PixelRun {
    /// Index of the first.
    first: usize,
    column: usize,
    row: usize,
    length: usize,
}

/// The first of the pixels and those that follow it in its row without a gap.
fn first_run(pixels: &[u32], columns: usize) -> Option<PixelRun> {
    let first = *pixels.first()? as usize;
    let (column, row) = (first % columns, first / columns);
    let follows = |&(k, &pixel): &(usize, &u32)| pixel as usize == first + k;
    let in_row = pixels.iter().take(columns - column);
    Some(PixelRun {
        first,
        column,
        row,
        length: in_row.enumerate().take_while(follows).count(),
    })
}

impl PixelRun {
    /// Sorts the differences to the neighbours a step away into buckets; `unlike` is room to work in.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn fill(
        &self,
        within: &Plane<bool>,
        step: usize,
        (unlike, found): (&mut Vec<f32>, &mut [Buckets]),
        differences: impl Fn(usize, usize, &mut [f32]),
    ) {
        let (dx, dy) = STEPS[step];
        let columns = within.columns();
        let from = usize::from(dx < 0 && self.column == 0);
        let beyond = usize::from(dx > 0 && self.column + self.length == columns);
        if self.row + dy as usize >= within.rows() || from + beyond >= self.length {
            return;
        }
        let own = self.first + from;
        let other = (own as i64 + dx + dy * columns as i64) as usize;
        unlike.resize(self.length - from - beyond, 0.0);
        differences(own, other, unlike);
        let inside = &within.as_slice()[other..][..unlike.len()];
        let pairs = unlike.iter().zip(inside).zip(&mut found[from..]);
        for ((&unlike, &is_inside), found) in pairs {
            let share = unlike.clamp(0.0, MAX_DIFFERENCE) / MAX_DIFFERENCE;
            if is_inside {
                found[step] = (share * (BUCKETS - 1) as f32) as u16;
            }
        }
    }
}

/// Edges by rising difference, equal ones in row-major order: number of the pixel times four, and
/// number of the step.
struct SortedEdges {
    order: Vec<u32>,
    /// Where each bucket ends in `order`.
    ends: Vec<usize>,
}

fn sorted_edges(pixels: &[u32], buckets: &[Buckets]) -> SortedEdges {
    let mut starts = vec![0usize; BUCKETS + 1];
    for &bucket in buckets.as_flattened() {
        if bucket != NO_EDGE {
            starts[bucket as usize + 1] += 1;
        }
    }
    for b in 0..BUCKETS {
        starts[b + 1] += starts[b];
    }
    let mut order: Vec<u32> = recycled::zeroed(starts[BUCKETS]);
    for (pixel, buckets) in pixels.iter().zip(buckets) {
        for (edge, &bucket) in (pixel * STEPS.len() as u32..).zip(buckets) {
            if bucket != NO_EDGE {
                let slot = &mut starts[bucket as usize];
                order[*slot] = edge;
                *slot += 1;
            }
        }
    }
    // Each start has moved on to where its bucket ends.
    starts.truncate(BUCKETS);
    SortedEdges {
        order,
        ends: starts,
    }
}

/// Numbers in the order of the pieces' first pixels.
fn number_pieces(size: Size, pixels: &[u32], mut forest: Forest) -> Pieces {
    let roots: Vec<u32> = pixels.iter().map(|&pixel| forest.find(pixel)).collect();
    // Links are not followed any more: numbers take their place, a root's first.
    let mut numbers = forest.links;
    let mut count = 0;
    for (&pixel, &root) in pixels.iter().zip(&roots) {
        if numbers[root as usize] & IS_ROOT != 0 {
            count += 1;
            numbers[root as usize] = count;
        }
        numbers[pixel as usize] = numbers[root as usize];
    }
    Pieces {
        numbers: Plane::from_vec(size, numbers),
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
            |a, b, out| {
                for (out, (a, b)) in out.iter_mut().zip(values[a..].iter().zip(&values[b..])) {
                    *out = (a - b).abs();
                }
            },
        );
        assert_eq!(pieces.count, 3);
        assert_ne!(pieces.numbers.at(0, 0), pieces.numbers.at(39, 29));
        assert_eq!(pieces.numbers.at(20, 0), pieces.numbers.at(21, 29));
    }
}
