//! One value a pixel.

use ndarray::Array2;
use rayon::prelude::*;

use super::Size;

/// Rows x columns of `T`, in standard (row-major) layout. The name of a variable says the unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane<T> {
    values: Array2<T>,
}

impl<T: Clone + Send + Sync> Plane<T> {
    /// A plane of one value.
    pub fn filled(size: Size, value: T) -> Self {
        Self {
            values: Array2::from_elem((size.rows, size.columns), value),
        }
    }

    /// From rows laid end to end.
    ///
    /// # Panics
    /// When `values` does not hold `size.area()` values: a broken caller.
    pub fn from_vec(size: Size, values: Vec<T>) -> Self {
        let values = Array2::from_shape_vec((size.rows, size.columns), values)
            .expect("the caller hands over rows x columns values");
        Self { values }
    }

    /// A plane whose value at each `(x, y)` is what `value` says; rows run in parallel.
    pub fn from_fn(size: Size, value: impl Fn(usize, usize) -> T + Sync) -> Self {
        let mut out = Vec::with_capacity(size.area());
        (0..size.area())
            .into_par_iter()
            .with_min_len(size.columns.max(1))
            .map(|i| value(i % size.columns, i / size.columns))
            .collect_into_vec(&mut out);
        Self::from_vec(size, out)
    }

    /// Extent in pixels.
    pub fn size(&self) -> Size {
        let (rows, columns) = self.values.dim();
        Size { columns, rows }
    }

    /// Width in pixels.
    pub fn columns(&self) -> usize {
        self.values.ncols()
    }

    /// Height in pixels.
    pub fn rows(&self) -> usize {
        self.values.nrows()
    }

    /// All values, rows end to end.
    pub fn as_slice(&self) -> &[T] {
        self.values
            .as_slice()
            .expect("planes are in standard layout")
    }

    /// All values, rows end to end, to be changed.
    pub fn as_mut_slice(&mut self) -> &mut [T] {
        self.values
            .as_slice_mut()
            .expect("planes are in standard layout")
    }

    /// One row.
    pub fn row(&self, y: usize) -> &[T] {
        let columns = self.columns();
        &self.as_slice()[y * columns..(y + 1) * columns]
    }

    /// One row, to be changed.
    pub fn row_mut(&mut self, y: usize) -> &mut [T] {
        let columns = self.columns();
        &mut self.as_mut_slice()[y * columns..(y + 1) * columns]
    }

    /// The value at column `x`, row `y`.
    pub fn at(&self, x: usize, y: usize) -> &T {
        &self.values[[y, x]]
    }

    /// Sets the value at column `x`, row `y`.
    pub fn set(&mut self, x: usize, y: usize, value: T) {
        self.values[[y, x]] = value;
    }

    /// A plane of the same extent, value by value; in parallel.
    #[must_use]
    pub fn map<U: Clone + Send + Sync>(&self, f: impl Fn(&T) -> U + Sync + Send) -> Plane<U> {
        let mut out = Vec::with_capacity(self.size().area());
        self.as_slice()
            .par_iter()
            .with_min_len(4096)
            .map(f)
            .collect_into_vec(&mut out);
        Plane::from_vec(self.size(), out)
    }

    /// Two planes of one extent combined value by value; in parallel.
    ///
    /// # Panics
    /// When the extents differ: a broken caller.
    #[must_use]
    pub fn zip<U, V>(&self, other: &Plane<U>, f: impl Fn(&T, &U) -> V + Sync + Send) -> Plane<V>
    where
        U: Clone + Send + Sync,
        V: Clone + Send + Sync,
    {
        assert_eq!(
            self.size(),
            other.size(),
            "planes of one frame have one extent"
        );
        let mut out = Vec::with_capacity(self.size().area());
        self.as_slice()
            .par_iter()
            .zip(other.as_slice().par_iter())
            .with_min_len(4096)
            .map(|(a, b)| f(a, b))
            .collect_into_vec(&mut out);
        Plane::from_vec(self.size(), out)
    }

    /// As an `ndarray` view, for the library's own algorithms.
    pub fn view(&self) -> ndarray::ArrayView2<'_, T> {
        self.values.view()
    }
}
