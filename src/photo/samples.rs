//! From a decoder's bytes to samples, within limits.

use image::{ColorType, ImageDecoder};

use super::{Format, PhotoErrorKind, ReadLimits};
use crate::scene::{ChannelLayout, CodeValues, Samples, Size};

/// Decodes with one of the `image` crate's decoders; no sample is converted.
pub(super) fn decoded(
    format: Format,
    decoder: impl ImageDecoder,
    limits: &ReadLimits,
) -> Result<Samples, PhotoErrorKind> {
    let (columns, rows) = decoder.dimensions();
    let size = Size {
        columns: columns as usize,
        rows: rows as usize,
    };
    let (layout, bits) = match decoder.color_type() {
        ColorType::L8 => (ChannelLayout::Grey, 8),
        ColorType::La8 => (ChannelLayout::GreyAlpha, 8),
        ColorType::Rgb8 => (ChannelLayout::Rgb, 8),
        ColorType::Rgba8 => (ChannelLayout::Rgba, 8),
        ColorType::L16 => (ChannelLayout::Grey, 16),
        ColorType::La16 => (ChannelLayout::GreyAlpha, 16),
        ColorType::Rgb16 => (ChannelLayout::Rgb, 16),
        ColorType::Rgba16 => (ChannelLayout::Rgba, 16),
        other => {
            let what = format!("samples of the kind {other:?}");
            return Err(PhotoErrorKind::Unsupported { what });
        }
    };
    limits.check(size, layout.count(), bits)?;
    let count = size.area() * layout.count();
    let failed = |e| from_decoder(format, &e);
    let values = if bits == 8 {
        let mut values = vec![0u8; count];
        decoder.read_image(&mut values).map_err(failed)?;
        CodeValues::Eight(values)
    } else {
        let mut values = vec![0u16; count];
        decoder
            .read_image(bytemuck::cast_slice_mut(&mut values))
            .map_err(failed)?;
        CodeValues::Sixteen(values)
    };
    Ok(Samples {
        size,
        layout,
        values,
    })
}

/// A decoder's complaint in our words.
pub(super) fn from_decoder(format: Format, error: &image::ImageError) -> PhotoErrorKind {
    let what = error.to_string();
    match error {
        image::ImageError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoErrorKind::Truncated
        }
        image::ImageError::Unsupported(_) => PhotoErrorKind::Unsupported { what },
        _ if what.contains("nexpected end of") || what.contains("nexpected EOF") => {
            PhotoErrorKind::Truncated
        }
        _ => PhotoErrorKind::Damaged { format, what },
    }
}
