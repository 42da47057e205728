//! One value a pixel.

use std::any::Any;

use ndarray::ArrayView2;
use rayon::prelude::*;

use super::{Size, recycled};
use crate::vectors::vectorised;

/// Values that a task works on: some rows, small enough to share out evenly.
const CHUNK: usize = 16_384;

/// Rows x columns of `T`, rows end to end. The name of a variable says the unit.
#[derive(Debug, PartialEq)]
pub struct Plane<T: 'static> {
    size: Size,
    values: Vec<T>,
}

/// Is it the zero that fresh pages hold?
fn is_zero<T: 'static>(value: &T) -> bool {
    let value = (value as &dyn Any).downcast_ref::<f32>();
    value.is_some_and(|value| value.to_bits() == 0)
}

impl<T: 'static> Drop for Plane<T> {
    fn drop(&mut self) {
        recycled::given(std::mem::take(&mut self.values));
    }
}

impl<T: Clone + 'static> Clone for Plane<T> {
    fn clone(&self) -> Self {
        let values = match recycled::taken(self.values.len()) {
            Some(mut values) => {
                values.clone_from_slice(&self.values);
                values
            }
            None => match recycled::zeros(self.values.len()) {
                Some(mut values) => {
                    values.clone_from_slice(&self.values);
                    values
                }
                None => self.values.clone(),
            },
        };
        Self {
            size: self.size,
            values,
        }
    }
}

impl<T: Clone + Send + Sync + 'static> Plane<T> {
    /// A plane of one value.
    pub fn filled(size: Size, value: T) -> Self {
        let values = match recycled::taken(size.area()) {
            Some(mut values) => {
                values.fill(value);
                values
            }
            None => match recycled::zeros(size.area()) {
                Some(values) if is_zero(&value) => values,
                Some(mut values) => {
                    values.fill(value);
                    values
                }
                None => vec![value; size.area()],
            },
        };
        Self { size, values }
    }

    /// A plane all of whose values are to be set by the caller, every one: it may hold those of a
    /// plane that is gone.
    pub(crate) fn unset(size: Size) -> Self
    where
        T: Default,
    {
        let values = recycled::taken(size.area()).or_else(|| recycled::zeros(size.area()));
        let values = values.unwrap_or_else(|| vec![T::default(); size.area()]);
        Self { size, values }
    }

    /// From rows laid end to end.
    ///
    /// # Panics
    /// When `values` does not hold `size.area()` values: a broken caller.
    pub fn from_vec(size: Size, values: Vec<T>) -> Self {
        assert_eq!(
            values.len(),
            size.area(),
            "the caller hands over rows x columns values"
        );
        Self { size, values }
    }

    /// A plane whose value at each `(x, y)` is what `value` says; rows run in parallel.
    pub fn from_fn(size: Size, value: impl Fn(usize, usize) -> T + Sync) -> Self
    where
        T: Default,
    {
        let mut out = Self::unset(size);
        out.values
            .par_chunks_exact_mut(size.columns.max(1))
            .enumerate()
            .for_each(|(y, row)| {
                vectorised(
                    #[inline(always)]
                    || {
                        for (x, out) in row.iter_mut().enumerate() {
                            *out = value(x, y);
                        }
                    },
                );
            });
        out
    }

    /// The values, rows end to end.
    pub fn into_vec(mut self) -> Vec<T> {
        std::mem::take(&mut self.values)
    }

    /// Extent in pixels.
    #[inline]
    pub fn size(&self) -> Size {
        self.size
    }

    /// Width in pixels.
    #[inline]
    pub fn columns(&self) -> usize {
        self.size.columns
    }

    /// Height in pixels.
    #[inline]
    pub fn rows(&self) -> usize {
        self.size.rows
    }

    /// All values, rows end to end.
    #[inline]
    pub fn as_slice(&self) -> &[T] {
        &self.values
    }

    /// All values, rows end to end, to be changed.
    #[inline]
    pub fn as_mut_slice(&mut self) -> &mut [T] {
        &mut self.values
    }

    /// One row.
    #[inline]
    pub fn row(&self, y: usize) -> &[T] {
        &self.values[y * self.size.columns..][..self.size.columns]
    }

    /// One row, to be changed.
    #[inline]
    pub fn row_mut(&mut self, y: usize) -> &mut [T] {
        &mut self.values[y * self.size.columns..][..self.size.columns]
    }

    /// The value at column `x`, row `y`.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> &T {
        debug_assert!(x < self.size.columns, "column {x} of {}", self.size.columns);
        &self.values[y * self.size.columns + x]
    }

    /// Sets the value at column `x`, row `y`.
    #[inline]
    pub fn set(&mut self, x: usize, y: usize, value: T) {
        debug_assert!(x < self.size.columns, "column {x} of {}", self.size.columns);
        self.values[y * self.size.columns + x] = value;
    }

    /// A plane of the same extent, value by value; in parallel.
    #[must_use]
    pub fn map<U: Clone + Default + Send + Sync + 'static>(
        &self,
        f: impl Fn(&T) -> U + Sync + Send,
    ) -> Plane<U> {
        let mut out = Plane::unset(self.size());
        out.values
            .par_chunks_mut(CHUNK)
            .zip(self.as_slice().par_chunks(CHUNK))
            .for_each(|(out, values)| {
                vectorised(
                    #[inline(always)]
                    || {
                        for (out, value) in out.iter_mut().zip(values) {
                            *out = f(value);
                        }
                    },
                );
            });
        out
    }

    /// Two planes of one extent combined value by value; in parallel.
    ///
    /// # Panics
    /// When the extents differ: a broken caller.
    #[must_use]
    pub fn zip<U, V>(&self, other: &Plane<U>, f: impl Fn(&T, &U) -> V + Sync + Send) -> Plane<V>
    where
        U: Clone + Send + Sync + 'static,
        V: Clone + Default + Send + Sync + 'static,
    {
        assert_eq!(
            self.size(),
            other.size(),
            "planes of one frame have one extent"
        );
        let mut out = Plane::unset(self.size());
        out.values
            .par_chunks_mut(CHUNK)
            .zip(self.as_slice().par_chunks(CHUNK))
            .zip(other.as_slice().par_chunks(CHUNK))
            .for_each(|((out, ours), theirs)| {
                vectorised(
                    #[inline(always)]
                    || {
                        for ((out, a), b) in out.iter_mut().zip(ours).zip(theirs) {
                            *out = f(a, b);
                        }
                    },
                );
            });
        out
    }

    /// As an `ndarray` view, for the library's own algorithms.
    ///
    /// # Panics
    /// Never: a plane holds rows x columns values.
    pub fn view(&self) -> ArrayView2<'_, T> {
        ArrayView2::from_shape((self.size.rows, self.size.columns), &self.values)
            .expect("a plane holds rows x columns values")
    }
}
