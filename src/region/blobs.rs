//! Connected blobs, by runs along rows: far fewer than pixels.

use rayon::prelude::*;

use crate::numeric::segmentation::Pieces;
use crate::numeric::spans::Spans;
use crate::scene::{Plane, Size};

/// Connected blobs (eight neighbours), numbered from 1 in the order of their first pixels.
///
/// Source: He, Chao & Suzuki, "A Run-Based Two-Scan Labeling Algorithm", 2008.
pub fn connected_blobs(mask: &Plane<bool>) -> Pieces {
    let size = mask.size();
    let spans = Spans::of_mask(mask);
    let mut firsts = Vec::with_capacity(size.rows + 1);
    firsts.push(0);
    for y in 0..size.rows {
        firsts.push(firsts[y] + spans.row(y).len());
    }
    let runs = firsts[size.rows];
    let mut parent: Vec<u32> = (0..runs as u32).collect();
    for y in 1..size.rows {
        join_rows(&spans, y, &firsts, &mut parent);
    }
    // A run's root is the first of its blob, so that numbers are given out in order.
    let mut number_of = vec![0u32; runs];
    let mut count = 0;
    for run in 0..runs {
        let root = root(&mut parent, run as u32) as usize;
        if root == run {
            count += 1;
            number_of[run] = count;
        } else {
            number_of[run] = number_of[root];
        }
    }
    let mut numbers = Plane::filled(size, 0u32);
    numbers
        .as_mut_slice()
        .par_chunks_exact_mut(size.columns)
        .enumerate()
        .for_each(|(y, out)| {
            for (run, &number) in spans.row(y).iter().zip(&number_of[firsts[y]..]) {
                out[run.from..run.to].fill(number);
            }
        });
    Pieces {
        numbers,
        count: count as usize,
    }
}

/// Joins the runs of row `y` with those of the row above that they touch, corners included.
fn join_rows(spans: &Spans, y: usize, firsts: &[usize], parent: &mut [u32]) {
    let (above, here) = (spans.row(y - 1), spans.row(y));
    let (mut i, mut k) = (0, 0);
    while i < above.len() && k < here.len() {
        let (a, h) = (above[i], here[k]);
        if a.from <= h.to && h.from <= a.to {
            let one = root(parent, (firsts[y - 1] + i) as u32);
            let other = root(parent, (firsts[y] + k) as u32);
            parent[one.max(other) as usize] = one.min(other);
        }
        if a.to < h.to {
            i += 1;
        } else {
            k += 1;
        }
    }
}

fn root(parent: &mut [u32], mut run: u32) -> u32 {
    while parent[run as usize] != run {
        let next = parent[parent[run as usize] as usize];
        parent[run as usize] = next;
        run = next;
    }
    run
}

/// Blobs with gaps: what lies in cells that adjoin hangs together.
#[derive(Debug)]
pub struct LooseBlobs {
    gap: usize,
    blobs: Pieces,
    /// Pixels a cell.
    counts: Plane<usize>,
}

impl LooseBlobs {
    /// Of what is `wanted` of a frame; gaps up to `gap` px do not part a blob.
    pub fn of(size: Size, gap: usize, wanted: impl Fn(usize, usize) -> bool + Sync) -> Self {
        let grid = Size {
            columns: size.columns.div_ceil(gap),
            rows: size.rows.div_ceil(gap),
        };
        let mut counts = Plane::filled(grid, 0usize);
        counts
            .as_mut_slice()
            .par_chunks_exact_mut(grid.columns.max(1))
            .enumerate()
            .for_each(|(row, cells)| {
                for y in row * gap..((row + 1) * gap).min(size.rows) {
                    for (column, cell) in cells.iter_mut().enumerate() {
                        let across = column * gap..((column + 1) * gap).min(size.columns);
                        *cell += across.filter(|&x| wanted(x, y)).count();
                    }
                }
            });
        Self {
            gap,
            blobs: connected_blobs(&counts.map(|&c| c > 0)),
            counts,
        }
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.blobs.count
    }

    /// Number from 1 of the blob that a pixel's cell belongs to; 0 for none.
    pub fn number_at(&self, x: usize, y: usize) -> usize {
        *self.blobs.numbers.at(x / self.gap, y / self.gap) as usize
    }

    /// Cells of the blobs: column and row of the cell, the blob's number, pixels.
    pub fn cells(&self) -> impl Iterator<Item = (usize, usize, usize, usize)> {
        let columns = self.counts.columns();
        let both = self
            .blobs
            .numbers
            .as_slice()
            .iter()
            .zip(self.counts.as_slice());
        both.enumerate()
            .filter(|(_, (number, _))| **number > 0)
            .map(move |(i, (&number, &count))| (i % columns, i / columns, number as usize, count))
    }
}

#[cfg(test)]
mod tests {
    use imageproc::region_labelling::{Connectivity, connected_components};

    use super::*;
    use crate::scene::Size;

    /// The library's labelling, pixel by pixel, is the plain twin.
    #[test]
    fn blobs_are_those_of_imageproc() {
        let size = Size {
            columns: 67,
            rows: 41,
        };
        for density in [2, 3, 5, 9] {
            let mask = Plane::from_fn(size, |x, y| {
                let mixed =
                    ((x * 73 + y * 151 + density) as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
                (mixed >> 40) % 10 < density as u64
            });
            let picture = image::GrayImage::from_fn(67, 41, |x, y| {
                image::Luma([u8::from(*mask.at(x as usize, y as usize))])
            });
            let twin = connected_components(&picture, Connectivity::Eight, image::Luma([0]));
            let blobs = connected_blobs(&mask);
            assert_eq!(blobs.numbers.as_slice(), twin.as_raw().as_slice());
            assert_eq!(blobs.count as u32, *twin.as_raw().iter().max().unwrap());
        }
    }
}
