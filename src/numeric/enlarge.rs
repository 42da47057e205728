//! Bilinear enlargement a row at a time, for work on strips of a full-size picture.

use crate::scene::{Plane, Size};
use crate::vectors::vectorised;

/// Where the pixels of a full-size row lie on a working copy that was box-reduced.
#[derive(Debug, Clone)]
pub struct RowEnlarger {
    across: Vec<Place>,
    rows: usize,
    factor: usize,
}

/// The neighbours of a full-size pixel on the copy, and how far it lies towards the second.
#[derive(Debug, Clone, Copy)]
struct Place {
    low: usize,
    high: usize,
    share: f32,
}

impl RowEnlarger {
    /// For a copy of extent `working`, reduced `factor` times from pictures of `columns` columns.
    pub fn new(working: Size, factor: usize, columns: usize) -> Self {
        Self {
            across: (0..columns)
                .map(|x| place(x, working.columns, factor))
                .collect(),
            rows: working.rows,
            factor,
        }
    }

    /// First and last row of the copy that full-size row `y` lies between.
    pub fn rows_at(&self, y: usize) -> (usize, usize) {
        let down = place(y, self.rows, self.factor);
        (down.low, down.high)
    }

    /// Values of `plane` along full-size row `y`.
    pub fn row(&self, plane: &Plane<f32>, y: usize, out: &mut [f32]) {
        self.row_from(plane, y, 0, out);
    }

    /// The same from full-size column `left` on.
    pub fn row_from(&self, plane: &Plane<f32>, y: usize, left: usize, out: &mut [f32]) {
        self.rows_from(plane, left, out.len()).row(y, out);
    }

    /// For several rows of `plane`, of so many columns from `left` on.
    pub fn rows_from<'a>(
        &'a self,
        plane: &'a Plane<f32>,
        left: usize,
        columns: usize,
    ) -> EnlargedRows<'a> {
        EnlargedRows {
            plane,
            down: (self.rows, self.factor),
            across: &self.across[left..left + columns],
            widened: Default::default(),
        }
    }
}

/// Rows of an enlarged plane, one after the other: each row of the copy is widened once for all those
/// that it has a say in.
#[derive(Debug)]
pub struct EnlargedRows<'a> {
    plane: &'a Plane<f32>,
    /// Rows of the copy, and the factor.
    down: (usize, usize),
    across: &'a [Place],
    /// Above and below the last row that was asked for.
    widened: [Widened; 2],
}

/// A row of the copy, as wide as the rows asked for.
#[derive(Debug, Default)]
struct Widened {
    row: Option<usize>,
    values: Vec<f32>,
}

impl EnlargedRows<'_> {
    /// Values along full-size row `y`.
    pub fn row(&mut self, y: usize, out: &mut [f32]) {
        let (rows, factor) = self.down;
        let down = place(y, rows, factor);
        if self.widened[0].row != Some(down.low) {
            // What was below the last rows is mostly above these.
            self.widened.swap(0, 1);
        }
        for (widened, row) in self.widened.iter_mut().zip([down.low, down.high]) {
            if widened.row != Some(row) {
                widened.widen(self.plane, row, self.across);
            }
        }
        let [above, below] = self.widened.each_ref().map(|widened| &widened.values);
        vectorised(
            #[inline(always)]
            || {
                for (out, (up, down_value)) in out.iter_mut().zip(above.iter().zip(below)) {
                    *out = up + down.share * (down_value - up);
                }
            },
        );
    }
}

impl Widened {
    fn widen(&mut self, plane: &Plane<f32>, row: usize, across: &[Place]) {
        self.row = Some(row);
        let values = plane.row(row);
        self.values.clear();
        let widen = |at: &Place| {
            let (low, high) = (values[at.low], values[at.high]);
            low + at.share * (high - low)
        };
        self.values.extend(across.iter().map(widen));
    }
}

fn place(i: usize, limit: usize, factor: usize) -> Place {
    if factor == 1 {
        let at = i.min(limit - 1);
        return Place {
            low: at,
            high: at,
            share: 0.0,
        };
    }
    let p = ((i as f32 + 0.5) / factor as f32 - 0.5).clamp(0.0, (limit - 1) as f32);
    let low = (p as usize).min(limit.saturating_sub(2));
    Place {
        low,
        high: (low + 1).min(limit - 1),
        share: p - low as f32,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_stays_a_slope() {
        let working = Size {
            columns: 10,
            rows: 6,
        };
        // Box means of the full-size slope 2x + 3y.
        let centre = |i: usize| 4.0 * i as f32 + 1.5;
        let plane = Plane::from_fn(working, |x, y| 2.0 * centre(x) + 3.0 * centre(y));
        let enlarger = RowEnlarger::new(working, 4, 40);
        let mut row = vec![0.0; 40];
        for y in 2..22 {
            enlarger.row(&plane, y, &mut row);
            for (x, value) in row.iter().enumerate().take(38).skip(2) {
                let truth = 2.0 * x as f32 + 3.0 * y as f32;
                assert!((value - truth).abs() < 1e-4, "{x},{y}: {value} {truth}");
            }
        }
    }

    #[test]
    fn without_reduction_rows_are_copied() {
        let size = Size {
            columns: 5,
            rows: 3,
        };
        let plane = Plane::from_fn(size, |x, y| (10 * y + x) as f32);
        let mut row = vec![0.0; 5];
        RowEnlarger::new(size, 1, 5).row(&plane, 2, &mut row);
        assert_eq!(row, plane.row(2));
    }
}
