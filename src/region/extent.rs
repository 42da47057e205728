//! How far a piece or blob reaches.

use crate::scene::{Point, Window};

/// Area, centre and box of a set of pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Extent {
    /// Pixels.
    pub(super) area: usize,
    /// First column.
    pub(super) left: usize,
    /// First row.
    pub(super) top: usize,
    /// Last column.
    pub(super) right: usize,
    /// Last row.
    pub(super) bottom: usize,
    sum_x: f64,
    sum_y: f64,
}

impl Default for Extent {
    fn default() -> Self {
        Self {
            area: 0,
            left: usize::MAX,
            top: usize::MAX,
            right: 0,
            bottom: 0,
            sum_x: 0.0,
            sum_y: 0.0,
        }
    }
}

impl Extent {
    /// Adds one pixel.
    pub(super) fn add(&mut self, x: usize, y: usize) {
        self.area += 1;
        self.left = self.left.min(x);
        self.top = self.top.min(y);
        self.right = self.right.max(x);
        self.bottom = self.bottom.max(y);
        self.sum_x += x as f64;
        self.sum_y += y as f64;
    }

    /// Adds the pixels of another set.
    pub(super) fn join(&mut self, other: &Self) {
        self.area += other.area;
        self.left = self.left.min(other.left);
        self.top = self.top.min(other.top);
        self.right = self.right.max(other.right);
        self.bottom = self.bottom.max(other.bottom);
        self.sum_x += other.sum_x;
        self.sum_y += other.sum_y;
    }

    /// Mean place; not a number for no pixels.
    pub(super) fn centre(&self) -> Point {
        let area = self.area as f64;
        Point {
            x: self.sum_x / area,
            y: self.sum_y / area,
        }
    }

    /// The box around the pixels, of which there must be some.
    pub(super) fn window(&self) -> Window {
        Window {
            left: self.left,
            top: self.top,
            right: self.right + 1,
            bottom: self.bottom + 1,
        }
    }
}
