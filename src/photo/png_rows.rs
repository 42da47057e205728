//! PNG row by row, as quickly as it can be packed: for masks, and for what only this program reads
//! again. No second copy of the picture is made.

use std::io::Write;

use png::{Compression, Encoder, Info};

use super::png::{color_type, depth, encoding_failed, physical_dimensions};
use super::{PhotoErrorKind, Resolution};
use crate::scene::{ChannelLayout, Size};

/// Bytes of packed rows that go out together.
const CHUNK_BYTES: usize = 1 << 18;

/// What a picture's rows hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RowsOf {
    /// Extent of the picture.
    pub size: Size,
    /// Its channels.
    pub layout: ChannelLayout,
    /// 8 or 16 a sample.
    pub bits: u8,
}

/// Writes the rows that `fill` puts, one after the other, into the bytes it is given: all of them
/// as PNG has them, the high byte of 16 bits first.
///
/// # Errors
/// [`PhotoErrorKind`] when `out` cannot be written.
pub fn write_png_rows(
    out: &mut impl Write,
    rows: RowsOf,
    resolution: Option<Resolution>,
    mut fill: impl FnMut(usize, &mut [u8]),
) -> Result<(), PhotoErrorKind> {
    let RowsOf { size, layout, bits } = rows;
    let mut info = Info::with_size(size.columns as u32, size.rows as u32);
    info.color_type = color_type(layout);
    info.bit_depth = depth(bits);
    info.pixel_dims = resolution.map(physical_dimensions);
    let mut encoder = Encoder::with_info(out, info).map_err(encoding_failed)?;
    encoder.set_compression(Compression::Fastest);
    let mut writer = encoder.write_header().map_err(encoding_failed)?;
    let stream = writer.stream_writer_with_size(CHUNK_BYTES);
    let mut stream = stream.map_err(encoding_failed)?;
    let mut row = vec![0u8; size.columns * layout.count() * usize::from(bits / 8)];
    for y in 0..size.rows {
        fill(y, &mut row);
        stream.write_all(&row)?;
    }
    stream.finish().map_err(encoding_failed)?;
    writer.finish().map_err(encoding_failed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::{ReadLimits, read_bytes};
    use crate::scene::CodeValues;

    #[test]
    fn rows_come_back_as_they_went() {
        let size = Size {
            columns: 37,
            rows: 23,
        };
        let rgb = RowsOf {
            size,
            layout: ChannelLayout::Rgb,
            bits: 8,
        };
        let code = |y: usize, i: usize| (y * 31 + i * 7) as u8;
        let mut bytes = Vec::new();
        write_png_rows(&mut bytes, rgb, None, |y, row| {
            for (i, out) in row.iter_mut().enumerate() {
                *out = code(y, i);
            }
        })
        .unwrap();
        let back = read_bytes(bytes, &ReadLimits::default()).unwrap().samples;
        let expected = (0..23).flat_map(|y| (0..111).map(move |i| code(y, i)));
        assert_eq!((back.size, back.layout), (size, ChannelLayout::Rgb));
        assert_eq!(back.values, CodeValues::Eight(expected.collect()));
    }

    #[test]
    fn sixteen_bits_keep_all_of_them() {
        let grey = RowsOf {
            size: Size {
                columns: 300,
                rows: 2,
            },
            layout: ChannelLayout::Grey,
            bits: 16,
        };
        let mut bytes = Vec::new();
        write_png_rows(&mut bytes, grey, None, |y, row| {
            for (x, out) in row.as_chunks_mut::<2>().0.iter_mut().enumerate() {
                *out = ((200 * x + y) as u16).to_be_bytes();
            }
        })
        .unwrap();
        let back = read_bytes(bytes, &ReadLimits::default()).unwrap().samples;
        let expected = (0..2).flat_map(|y| (0..300).map(move |x| (200 * x + y) as u16));
        assert_eq!(back.values, CodeValues::Sixteen(expected.collect()));
    }
}
