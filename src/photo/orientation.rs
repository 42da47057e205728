//! The eight EXIF orientations (CIPA DC-008, tag 0x0112), applied to samples.

use rayon::prelude::*;

use crate::scene::{CodeValues, Samples, Size};

/// How the stored picture must be turned to stand upright.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Orientation {
    /// Rows and columns change places first.
    transpose: bool,
    /// Then the rows are mirrored left to right …
    mirror_columns: bool,
    /// … and the columns top to bottom.
    mirror_rows: bool,
}

/// Rows turned together, so that a cache line of the source serves them all.
const ROWS_TOGETHER: usize = 16;

impl Orientation {
    /// From the tag's value; what is not 1 to 8 counts as upright.
    pub(super) fn from_exif(value: u32) -> Self {
        let (transpose, mirror_columns, mirror_rows) = match value {
            2 => (false, true, false),
            3 => (false, true, true),
            4 => (false, false, true),
            5 => (true, false, false),
            6 => (true, true, false),
            7 => (true, true, true),
            8 => (true, false, true),
            _ => (false, false, false),
        };
        Self {
            transpose,
            mirror_columns,
            mirror_rows,
        }
    }

    pub(super) fn is_upright(self) -> bool {
        self == Self::default()
    }

    pub(super) fn swaps_sides(self) -> bool {
        self.transpose
    }

    /// Extent after turning.
    pub(super) fn upright_size(self, stored: Size) -> Size {
        if self.transpose {
            Size {
                columns: stored.rows,
                rows: stored.columns,
            }
        } else {
            stored
        }
    }

    /// The samples, upright. Holds both while it works, unless they are upright already.
    pub(super) fn applied_to(self, samples: Samples) -> Samples {
        if self.is_upright() {
            return samples;
        }
        let (stored, channels) = (samples.size, samples.layout.count());
        let values = match samples.values {
            CodeValues::Eight(v) => CodeValues::Eight(self.turned(&v, stored, channels)),
            CodeValues::Sixteen(v) => CodeValues::Sixteen(self.turned(&v, stored, channels)),
        };
        Samples {
            size: self.upright_size(stored),
            layout: samples.layout,
            values,
        }
    }

    fn turned<T: Copy + Default + Send + Sync>(
        self,
        stored: &[T],
        size: Size,
        channels: usize,
    ) -> Vec<T> {
        let upright = self.upright_size(size);
        let stride = upright.columns * channels;
        let mut out = vec![T::default(); stored.len()];
        out.par_chunks_mut(stride * ROWS_TOGETHER)
            .enumerate()
            .for_each(|(block, rows)| {
                for x in 0..upright.columns {
                    for (row, out) in rows.chunks_exact_mut(stride).enumerate() {
                        let from = self.stored_index(x, block * ROWS_TOGETHER + row, size);
                        out[x * channels..(x + 1) * channels]
                            .copy_from_slice(&stored[from * channels..(from + 1) * channels]);
                    }
                }
            });
        out
    }

    /// Pixel index in the stored picture of upright column `x`, row `y`.
    fn stored_index(self, x: usize, y: usize, stored: Size) -> usize {
        let upright = self.upright_size(stored);
        let x = if self.mirror_columns {
            upright.columns - 1 - x
        } else {
            x
        };
        let y = if self.mirror_rows {
            upright.rows - 1 - y
        } else {
            y
        };
        let (column, row) = if self.transpose { (y, x) } else { (x, y) };
        row * stored.columns + column
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::ChannelLayout;

    /// A 3x2 picture `F` is stored so that each orientation value brings it back: where row 0 and
    /// column 0 of the stored picture lie in the upright one is the standard's own definition
    /// (CIPA DC-008, 4.6.5: 1 top/left, 2 top/right, 3 bottom/right, 4 bottom/left, 5 left/top,
    /// 6 right/top, 7 right/bottom, 8 left/bottom).
    #[test]
    fn each_orientation_is_as_the_standard_defines_it() {
        let upright: Vec<u8> = vec![1, 2, 3, 4, 5, 6];
        let stored: [(u32, [u8; 6], usize); 8] = [
            (1, [1, 2, 3, 4, 5, 6], 3),
            (2, [3, 2, 1, 6, 5, 4], 3),
            (3, [6, 5, 4, 3, 2, 1], 3),
            (4, [4, 5, 6, 1, 2, 3], 3),
            (5, [1, 4, 2, 5, 3, 6], 2),
            (6, [3, 6, 2, 5, 1, 4], 2),
            (7, [6, 3, 5, 2, 4, 1], 2),
            (8, [4, 1, 5, 2, 6, 3], 2),
        ];
        for (value, values, columns) in stored {
            let samples = Samples {
                size: Size {
                    columns,
                    rows: 6 / columns,
                },
                layout: ChannelLayout::Grey,
                values: CodeValues::Eight(values.to_vec()),
            };
            let turned = Orientation::from_exif(value).applied_to(samples);
            assert_eq!(
                turned.size,
                Size {
                    columns: 3,
                    rows: 2
                },
                "orientation {value}"
            );
            assert_eq!(
                turned.values,
                CodeValues::Eight(upright.clone()),
                "orientation {value}"
            );
        }
    }

    #[test]
    fn pixels_of_several_channels_stay_together() {
        let samples = Samples {
            size: Size {
                columns: 2,
                rows: 1,
            },
            layout: ChannelLayout::Rgb,
            values: CodeValues::Sixteen(vec![1, 2, 3, 4, 5, 6]),
        };
        let turned = Orientation::from_exif(2).applied_to(samples);
        assert_eq!(turned.values, CodeValues::Sixteen(vec![4, 5, 6, 1, 2, 3]));
    }
}
