//! Where the pieces lie, on a coarse grid: ways between them, and how restless the place is.

use crate::numeric::filter::box_mean;
use crate::region::{Regions, connected_blobs};
use crate::scene::{Label, Plane, Size, Window};

/// Cells along the long side on which ways are measured.
const CELLS: usize = 400;

/// What stays of a place is taken for at least this share of it: nothing is divided by nothing.
const LEAST_STAYING: f32 = 0.05;

/// Where the pieces lie on a grid of square cells.
pub(super) struct Places {
    grid: Size,
    cell: usize,
    frame: Size,
    pieces: usize,
    /// Piece, cell in row-major order, pixels: one for each time a row of cells meets a piece anew.
    meetings: Vec<(u32, u32, u32)>,
}

impl Places {
    /// Of all pieces.
    pub(super) fn of(regions: &Regions) -> Self {
        let size = regions.numbers.size();
        let cell = (size.long_side() / CELLS).max(1);
        let grid = Size {
            columns: size.columns.div_ceil(cell),
            rows: size.rows.div_ceil(cell),
        };
        let mut meetings: Vec<(u32, u32, u32)> = Vec::new();
        for y in 0..size.rows {
            let parts = regions.numbers.row(y).chunks(cell);
            for (part, at) in parts.zip((y / cell * grid.columns) as u32..) {
                for &n in part.iter().filter(|&&n| n > 0) {
                    match meetings.last_mut() {
                        Some(last) if last.0 == n - 1 && last.1 == at => last.2 += 1,
                        _ => meetings.push((n - 1, at, 1)),
                    }
                }
            }
        }
        Self {
            grid,
            cell,
            frame: size,
            pieces: regions.pieces.len(),
            meetings,
        }
    }

    /// Shortest way from each piece to a `wanted` one of a blob that takes `least` of the frame, as
    /// a share of the long side; infinite when there is none.
    pub(super) fn ways(
        &self,
        labels: &[Label],
        wanted: impl Fn(Label) -> bool,
        least: f32,
    ) -> Vec<f32> {
        let occupied = self.occupied(labels, wanted, least);
        let mut out = vec![f32::INFINITY; self.pieces];
        if occupied.as_slice().iter().all(|o| !o) {
            return out;
        }
        let bytes = occupied.map(|&o| if o { 255u8 } else { 0 });
        let picture = image::GrayImage::from_raw(
            self.grid.columns as u32,
            self.grid.rows as u32,
            bytes.into_vec(),
        )
        .expect("a plane holds rows x columns bytes");
        let squares = imageproc::distance_transform::euclidean_squared_distance_transform(&picture);
        let to_share = self.cell as f32 / self.frame.long_side() as f32;
        let to_cells = squares.as_raw();
        let to_cells: Vec<f32> = to_cells
            .iter()
            .map(|s| s.sqrt() as f32 * to_share)
            .collect();
        for &(piece, cell, _) in &self.meetings {
            let way = &mut out[piece as usize];
            *way = way.min(to_cells[cell as usize]);
        }
        out
    }

    /// Cells that show a `wanted` piece, of blobs that are large enough.
    fn occupied(
        &self,
        labels: &[Label],
        wanted: impl Fn(Label) -> bool,
        least: f32,
    ) -> Plane<bool> {
        let counts = self.counts(labels, wanted);
        let blobs = connected_blobs(&counts.map(|&c| c > 0));
        let mut pixels = vec![0u32; blobs.count + 1];
        for (&b, &c) in blobs.numbers.as_slice().iter().zip(counts.as_slice()) {
            pixels[b as usize] += c;
        }
        let least = least * self.frame.area() as f32;
        blobs
            .numbers
            .map(|&b| b > 0 && pixels[b as usize] as f32 >= least)
    }

    /// Pixels of `wanted` pieces, by cell.
    fn counts(&self, labels: &[Label], wanted: impl Fn(Label) -> bool) -> Plane<u32> {
        let mut counts = Plane::filled(self.grid, 0u32);
        for &(piece, cell, pixels) in &self.meetings {
            if wanted(labels[piece as usize]) {
                counts.as_mut_slice()[cell as usize] += pixels;
            }
        }
        counts
    }

    /// How much of what lies around and does not go has changed by itself, 0..1, by cell, within
    /// `reach` (a share of the long side) each way.
    pub(super) fn restlessness(&self, labels: &[Label], reach: f32) -> Restlessness {
        let radius = (reach * self.frame.long_side() as f32 / self.cell as f32).round() as usize;
        let pixel = 1.0 / (self.cell * self.cell) as f32;
        let share = |counts: Plane<u32>| box_mean(&counts.map(|&c| c as f32 * pixel), radius);
        let is_itself = |l: Label| matches!(l, Label::Other | Label::Sway);
        let by_itself = share(self.counts(labels, is_itself));
        let goes = share(self.counts(labels, Label::is_removed));
        let cells = by_itself.zip(&goes, |b, g| b / (1.0 - g).max(LEAST_STAYING));
        Restlessness {
            cells,
            cell: self.cell,
        }
    }
}

/// Changes by themselves, see [`Places::restlessness`].
pub(super) struct Restlessness {
    cells: Plane<f32>,
    cell: usize,
}

impl Restlessness {
    /// In the middle of a window.
    pub(super) fn around(&self, window: &Window) -> f32 {
        let x = usize::midpoint(window.left, window.right) / self.cell;
        let y = usize::midpoint(window.top, window.bottom) / self.cell;
        *self.cells.at(x, y)
    }
}
