//! Pieces of a picture by merging neighbours across their weakest differences.
//!
//! Source: Felzenszwalb & Huttenlocher, "Efficient Graph-Based Image Segmentation", 2004,
//! section 3 (pairwise predicate) and 4 (grid graph).

use crate::scene::Plane;

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

struct Forest {
    parent: Vec<u32>,
    area: Vec<u32>,
    inner: Vec<f32>,
}

impl Forest {
    fn find(&mut self, mut i: u32) -> u32 {
        while self.parent[i as usize] != i {
            let grand = self.parent[self.parent[i as usize] as usize];
            self.parent[i as usize] = grand;
            i = grand;
        }
        i
    }

    fn join(&mut self, a: u32, b: u32, difference: f32) {
        let (small, large) = if self.area[a as usize] < self.area[b as usize] {
            (a, b)
        } else {
            (b, a)
        };
        self.parent[small as usize] = large;
        self.area[large as usize] += self.area[small as usize];
        self.inner[large as usize] = difference;
    }
}

/// Cuts the pixels of `within` into pieces; `difference` tells how unlike two pixels are, by
/// their indices in row-major order. Neighbours are the eight around a pixel.
#[must_use]
pub fn cut(
    within: &Plane<bool>,
    granularity: Granularity,
    difference: impl Fn(usize, usize) -> f32,
) -> Pieces {
    let size = within.size();
    let inside = within.as_slice();
    let mut edges: Vec<(u16, u32, u8)> = Vec::new();
    let steps: [(i64, i64); 4] = [(1, 0), (0, 1), (1, 1), (-1, 1)];
    for y in 0..size.rows {
        for x in 0..size.columns {
            let i = y * size.columns + x;
            if !inside[i] {
                continue;
            }
            for (d, &(dx, dy)) in steps.iter().enumerate() {
                let (nx, ny) = (x as i64 + dx, y as i64 + dy);
                if nx < 0 || nx >= size.columns as i64 || ny >= size.rows as i64 {
                    continue;
                }
                let j = ny as usize * size.columns + nx as usize;
                if inside[j] {
                    let step = difference(i, j).clamp(0.0, MAX_DIFFERENCE) / MAX_DIFFERENCE;
                    edges.push(((step * (BUCKETS - 1) as f32) as u16, i as u32, d as u8));
                }
            }
        }
    }
    let edges = sorted_by_bucket(edges);
    let mut forest = Forest {
        parent: (0..inside.len() as u32).collect(),
        area: vec![1; inside.len()],
        inner: vec![0.0; inside.len()],
    };
    let end = |i: u32, d: u8| {
        let (dx, dy) = steps[d as usize];
        (i as i64 + dx + dy * size.columns as i64) as u32
    };
    for &(bucket, i, d) in &edges {
        let weight = bucket as f32 * MAX_DIFFERENCE / (BUCKETS - 1) as f32;
        let (a, b) = (forest.find(i), forest.find(end(i, d)));
        if a == b {
            continue;
        }
        let allowed = |f: &Forest, p: u32| {
            f.inner[p as usize] + granularity.scale / f.area[p as usize] as f32
        };
        if weight <= allowed(&forest, a).min(allowed(&forest, b)) {
            forest.join(a, b, weight);
        }
    }
    for &(_, i, d) in &edges {
        let (a, b) = (forest.find(i), forest.find(end(i, d)));
        let smaller = forest.area[a as usize].min(forest.area[b as usize]);
        if a != b && smaller < granularity.min_area {
            let inner = forest.inner[a as usize].max(forest.inner[b as usize]);
            forest.join(a, b, inner);
        }
    }
    number_pieces(within, &mut forest)
}

fn sorted_by_bucket(edges: Vec<(u16, u32, u8)>) -> Vec<(u16, u32, u8)> {
    let mut starts = vec![0usize; BUCKETS + 1];
    for e in &edges {
        starts[e.0 as usize + 1] += 1;
    }
    for b in 0..BUCKETS {
        starts[b + 1] += starts[b];
    }
    let mut out = vec![(0, 0, 0); edges.len()];
    for e in edges {
        let slot = &mut starts[e.0 as usize];
        out[*slot] = e;
        *slot += 1;
    }
    out
}

fn number_pieces(within: &Plane<bool>, forest: &mut Forest) -> Pieces {
    let mut numbers = Plane::filled(within.size(), 0u32);
    let mut number_of_root = vec![0u32; within.size().area()];
    let mut count = 0;
    for (i, &inside) in within.as_slice().iter().enumerate() {
        if inside {
            let root = forest.find(i as u32) as usize;
            if number_of_root[root] == 0 {
                count += 1;
                number_of_root[root] = count;
            }
            numbers.as_mut_slice()[i] = number_of_root[root];
        }
    }
    Pieces {
        numbers,
        count: count as usize,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

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
