//! A set of pixels as runs along rows, for work that touches a small part of a plane.

use rayon::prelude::*;

use crate::scene::{Plane, Size, Window};

/// Pixels `from..to` of one row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Run {
    /// First column.
    pub from: usize,
    /// One past the last column.
    pub to: usize,
}

/// Pixels of a plane, as disjoint runs in rising order, row by row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spans {
    size: Size,
    rows: Vec<Vec<Run>>,
}

impl Spans {
    /// Of the pixels `(x, y)` for which `inside` holds.
    pub fn of(size: Size, inside: impl Fn(usize, usize) -> bool + Sync) -> Self {
        let row = |y: usize| {
            let mut runs: Vec<Run> = Vec::new();
            for x in (0..size.columns).filter(|&x| inside(x, y)) {
                match runs.last_mut() {
                    Some(last) if last.to == x => last.to = x + 1,
                    _ => runs.push(Run { from: x, to: x + 1 }),
                }
            }
            runs
        };
        Self {
            size,
            rows: (0..size.rows).into_par_iter().map(row).collect(),
        }
    }

    /// Of the pixels of a mask.
    pub fn of_mask(mask: &Plane<bool>) -> Self {
        Self::of_value(mask, true)
    }

    /// Of the pixels that are not in a mask.
    pub fn off_mask(mask: &Plane<bool>) -> Self {
        Self::of_value(mask, false)
    }

    fn of_value(mask: &Plane<bool>, value: bool) -> Self {
        let row = |y: usize| {
            let row = mask.row(y);
            let mut runs = Vec::new();
            let mut x = 0;
            while let Some(from) = next(row, x, value) {
                x = next(row, from, !value).unwrap_or(row.len());
                runs.push(Run { from, to: x });
            }
            runs
        };
        Self {
            size: mask.size(),
            rows: (0..mask.rows()).into_par_iter().map(row).collect(),
        }
    }

    /// Of the union of rectangles, each cut at the borders of `size`.
    pub fn of_windows(size: Size, windows: &[Window]) -> Self {
        let mut rows: Vec<Vec<Run>> = vec![Vec::new(); size.rows];
        for window in windows {
            let run = Run {
                from: window.left,
                to: window.right.min(size.columns),
            };
            for row in &mut rows[window.top..window.bottom.min(size.rows)] {
                row.push(run);
            }
        }
        Self {
            size,
            rows: rows.into_iter().map(merged).collect(),
        }
    }

    /// Extent of the plane.
    pub fn size(&self) -> Size {
        self.size
    }

    /// Runs of one row.
    pub fn row(&self, y: usize) -> &[Run] {
        &self.rows[y]
    }

    /// Number of pixels.
    pub fn area(&self) -> usize {
        self.rows.iter().flatten().map(|r| r.to - r.from).sum()
    }

    /// The pixels of these for which `inside` holds.
    #[must_use]
    pub fn filtered(&self, inside: impl Fn(usize, usize) -> bool + Sync) -> Self {
        let row = |(y, runs): (usize, &Vec<Run>)| {
            let mut out: Vec<Run> = Vec::new();
            for x in runs
                .iter()
                .flat_map(|r| r.from..r.to)
                .filter(|&x| inside(x, y))
            {
                match out.last_mut() {
                    Some(last) if last.to == x => last.to = x + 1,
                    _ => out.push(Run { from: x, to: x + 1 }),
                }
            }
            out
        };
        Self {
            size: self.size,
            rows: self.rows.par_iter().enumerate().map(row).collect(),
        }
    }

    /// The pixels that both have.
    #[must_use]
    pub fn intersection(&self, other: &Self) -> Self {
        let row = |(ours, theirs): (&Vec<Run>, &Vec<Run>)| {
            let (mut i, mut k) = (0, 0);
            let mut out = Vec::new();
            while i < ours.len() && k < theirs.len() {
                let (a, b) = (ours[i], theirs[k]);
                let both = Run {
                    from: a.from.max(b.from),
                    to: a.to.min(b.to),
                };
                if both.from < both.to {
                    out.push(both);
                }
                if a.to < b.to {
                    i += 1;
                } else {
                    k += 1;
                }
            }
            out
        };
        Self {
            size: self.size,
            rows: self.rows.iter().zip(&other.rows).map(row).collect(),
        }
    }

    /// The part in a window, in the window's pixels.
    #[must_use]
    pub fn within(&self, window: Window) -> Self {
        let shift = |r: &Run| Run {
            from: r.from.clamp(window.left, window.right) - window.left,
            to: r.to.clamp(window.left, window.right) - window.left,
        };
        let row = |runs: &Vec<Run>| runs.iter().map(shift).filter(|r| r.from < r.to).collect();
        let rows = self.rows[window.top..window.bottom]
            .iter()
            .map(row)
            .collect();
        Self {
            size: window.size(),
            rows,
        }
    }

    /// All pixels within `reach` columns and rows of these.
    #[must_use]
    pub fn grown(&self, reach: usize) -> Self {
        let wide: Vec<Vec<Run>> = self
            .rows
            .par_iter()
            .map(|runs| {
                let grow = |r: &Run| Run {
                    from: r.from.saturating_sub(reach),
                    to: (r.to + reach).min(self.size.columns),
                };
                merged(runs.iter().map(grow).collect())
            })
            .collect();
        let rows = (0..self.size.rows)
            .into_par_iter()
            .map(|y| {
                let near = y.saturating_sub(reach)..(y + reach + 1).min(self.size.rows);
                merged(wide[near].concat())
            })
            .collect();
        Self {
            size: self.size,
            rows,
        }
    }

    /// Connected parts (four neighbours), each as runs with their rows.
    pub fn connected(&self) -> Vec<Vec<(usize, Run)>> {
        let mut firsts = vec![0];
        for runs in &self.rows {
            firsts.push(firsts[firsts.len() - 1] + runs.len());
        }
        let mut parent: Vec<usize> = (0..firsts[self.rows.len()]).collect();
        for y in 1..self.rows.len() {
            let (above, here) = (&self.rows[y - 1], &self.rows[y]);
            let (mut i, mut k) = (0, 0);
            while i < above.len() && k < here.len() {
                if above[i].from < here[k].to && here[k].from < above[i].to {
                    let one = root(&mut parent, firsts[y - 1] + i);
                    let other = root(&mut parent, firsts[y] + k);
                    parent[one.max(other)] = one.min(other);
                }
                if above[i].to < here[k].to {
                    i += 1;
                } else {
                    k += 1;
                }
            }
        }
        let mut parts: Vec<Vec<(usize, Run)>> = Vec::new();
        let mut part_of = vec![0; parent.len()];
        for (y, runs) in self.rows.iter().enumerate() {
            for (k, &run) in runs.iter().enumerate() {
                let index = firsts[y] + k;
                let root = root(&mut parent, index);
                // A root is the first run of its part.
                if root == index {
                    part_of[index] = parts.len();
                    parts.push(Vec::new());
                }
                part_of[index] = part_of[root];
                parts[part_of[root]].push((y, run));
            }
        }
        parts
    }

    /// The cells of 2x2 pixels that hold any of these.
    #[must_use]
    pub fn halved(&self) -> Self {
        let size = Size {
            columns: self.size.columns.div_ceil(2),
            rows: self.size.rows.div_ceil(2),
        };
        let rows = self
            .rows
            .par_chunks(2)
            .map(|pair| {
                let halve = |r: &Run| Run {
                    from: r.from / 2,
                    to: r.to.div_ceil(2),
                };
                merged(pair.iter().flatten().map(halve).collect())
            })
            .collect();
        Self { size, rows }
    }

    /// A plane that is 0 but for these pixels; `fill` is handed each run's row, the run and its
    /// values. Rows run in parallel.
    pub fn filled(&self, fill: impl Fn(usize, Run, &mut [f32]) + Sync) -> Plane<f32> {
        let mut out = Plane::filled(self.size, 0.0f32);
        self.fill(&mut out, fill);
        out
    }

    /// Hands `fill` each run's row, the run and its values in `plane`. Rows run in parallel.
    pub fn fill(&self, plane: &mut Plane<f32>, fill: impl Fn(usize, Run, &mut [f32]) + Sync) {
        let columns = self.size.columns;
        plane
            .as_mut_slice()
            .par_chunks_exact_mut(columns.max(1))
            .zip(&self.rows)
            .enumerate()
            .for_each(|(y, (values, runs))| {
                for &run in runs {
                    fill(y, run, &mut values[run.from..run.to]);
                }
            });
    }
}

/// Whether a value is in a stretch; looked at whole, in vectors.
#[allow(
    clippy::needless_bitwise_bool,
    reason = "a branch would keep it from vectors"
)]
fn has(part: &[bool], value: bool) -> bool {
    part.iter().fold(false, |any, &is| any | (is == value))
}

/// The first place of a value, `from` there or later.
fn next(row: &[bool], from: usize, value: bool) -> Option<usize> {
    /// Long stretches of one value are passed so many at once.
    const TOGETHER: usize = 16;
    let parts = row[from..].chunks(TOGETHER);
    let (k, part) = parts.enumerate().find(|(_, part)| has(part, value))?;
    let within = part.iter().position(|&is| is == value)?;
    Some(from + k * TOGETHER + within)
}

fn root(parent: &mut [usize], mut run: usize) -> usize {
    while parent[run] != run {
        parent[run] = parent[parent[run]];
        run = parent[run];
    }
    run
}

/// Sorted, and joined where they overlap or touch.
fn merged(mut runs: Vec<Run>) -> Vec<Run> {
    runs.sort_unstable();
    runs.dedup_by(|next, last| {
        let joins = next.from <= last.to;
        if joins {
            last.to = last.to.max(next.to);
        }
        joins
    });
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size {
        columns: 11,
        rows: 7,
    };

    fn contains(spans: &Spans, x: usize, y: usize) -> bool {
        spans.row(y).iter().any(|r| (r.from..r.to).contains(&x))
    }

    fn speckle(x: usize, y: usize) -> bool {
        (x * 7 + y * 5).is_multiple_of(13)
    }

    #[test]
    fn masks_are_read_as_pixel_by_pixel() {
        let size = Size {
            columns: 83,
            rows: 9,
        };
        for every in [1, 2, 7, 40, 1000] {
            let is_in = |x: usize, y: usize| ((x + 31 * y) / every).is_multiple_of(2) && y != 4;
            let mask = Plane::from_fn(size, is_in);
            assert_eq!(Spans::of_mask(&mask), Spans::of(size, is_in));
            assert_eq!(Spans::off_mask(&mask), Spans::of(size, |x, y| !is_in(x, y)));
        }
    }

    #[test]
    fn growing_and_halving_equal_their_plain_twins() {
        let spans = Spans::of(SIZE, speckle);
        let (grown, halved) = (spans.grown(2), spans.halved());
        for y in 0..SIZE.rows {
            for x in 0..SIZE.columns {
                let near = (0..SIZE.rows).any(|v| {
                    (0..SIZE.columns)
                        .any(|u| speckle(u, v) && u.abs_diff(x) <= 2 && v.abs_diff(y) <= 2)
                });
                assert_eq!(contains(&grown, x, y), near, "{x} {y}");
                if speckle(x, y) {
                    assert!(contains(&halved, x / 2, y / 2));
                }
            }
        }
        assert_eq!(
            halved.size(),
            Size {
                columns: 6,
                rows: 4
            }
        );
    }

    #[test]
    fn overlapping_windows_are_counted_once() {
        let window = |left, right| Window {
            left,
            top: 1,
            right,
            bottom: 3,
        };
        let spans = Spans::of_windows(SIZE, &[window(4, 20), window(0, 5)]);
        assert_eq!((spans.area(), spans.row(1).len()), (22, 1));
        let even = spans.filtered(|x, _| x % 2 == 0);
        assert_eq!(even.area(), 12);
    }

    #[test]
    fn filling_leaves_the_rest_at_zero() {
        let plane = Spans::of(SIZE, speckle).filled(|_, _, values| values.fill(1.0));
        let count = plane.as_slice().iter().filter(|&&v| v > 0.0).count();
        assert_eq!(count, Spans::of(SIZE, speckle).area());
    }
}
