//! PNG in and out (Portable Network Graphics, 3rd edition).

use std::borrow::Cow;
use std::io::{Cursor, Write};

use image::ImageDecoder;
use image::codecs::png::PngDecoder;
use img_parts::Bytes;
use img_parts::png::Png;
use png::{
    BitDepth, ColorType, Compression, Encoder, Info, PixelDimensions, Unit, chunk::ChunkType,
};

use super::metadata::{Carried, FormatSpecific};
use super::samples;
use super::stored::{ReadLimits, Stored, exif_facts};
use super::{Format, Metadata, PhotoErrorKind, PhotoWarning, Resolution, ResolutionUnit};
use crate::scene::{ChannelLayout, CodeValues, Samples, Size};

const XMP_KEYWORD: &str = "XML:com.adobe.xmp";
/// Ancillary chunks that stay true after the clean-up and are copied as they are. Those that say
/// how colours are meant come without a profile only, and before the samples.
const KEPT_CHUNKS: [[u8; 4]; 10] = [
    *b"cICP", *b"mDCV", *b"cLLI", *b"sRGB", *b"gAMA", *b"cHRM", *b"sBIT", *b"tEXt", *b"zTXt",
    *b"iTXt",
];
/// Must not stand beside iCCP (section 11.3.2).
const INSTEAD_OF_PROFILE: [[u8; 4]; 1] = [*b"sRGB"];

/// Most bytes that profile, EXIF and texts may unpack to beside the samples: profiles of printers have
/// some megabytes, and a row of the widest picture less.
const MAX_EXTRA_BYTES: u64 = 64 << 20;

pub(super) fn read(bytes: Vec<u8>, limits: &ReadLimits) -> Result<Stored, PhotoErrorKind> {
    let bytes = Bytes::from(bytes);
    let header = header_size(&bytes).ok_or(PhotoErrorKind::Truncated)?;
    limits.check(header, 1, 8)?;
    let chunks = Png::from_bytes(bytes.clone()).map_err(|_| PhotoErrorKind::Truncated)?;
    let failed = |e| samples::from_decoder(Format::Png, &e);
    let mut decoder_limits = image::Limits::default();
    decoder_limits.max_alloc = Some(MAX_EXTRA_BYTES);
    let decoder = PngDecoder::with_limits(Cursor::new(&bytes), decoder_limits);
    let mut decoder = decoder.map_err(failed)?;
    let icc = decoder.icc_profile().map_err(failed)?;
    let mut exif = decoder.exif_metadata().map_err(failed)?;
    let xmp = decoder.xmp_metadata().map_err(failed)?;
    let mut warnings = Vec::new();
    if decoder.is_apng().map_err(failed)? {
        warnings.push(PhotoWarning::MorePictures);
    }
    let samples = samples::decoded(Format::Png, decoder, limits)?;
    let facts = exif_facts(&mut exif, &mut warnings);
    let metadata = Metadata {
        specific: FormatSpecific {
            carried: carried(&chunks, samples.bits(), icc.is_some()),
            ..FormatSpecific::default()
        },
        icc,
        exif,
        xmp,
        resolution: pixel_dimensions(&chunks),
    };
    Ok(Stored {
        samples,
        metadata,
        facts,
        warnings,
        coded: None,
    })
}

/// Width and height from IHDR, which comes first.
pub(super) fn header_size(bytes: &[u8]) -> Option<Size> {
    let word = |at: usize| {
        let word = bytes.get(at..at + 4)?.try_into().ok()?;
        Some(u32::from_be_bytes(word) as usize)
    };
    Some(Size {
        columns: word(16)?,
        rows: word(20)?,
    })
}

/// `pHYs`: pixels a unit, unit 1 the metre.
fn pixel_dimensions(png: &Png) -> Option<Resolution> {
    let contents = png.chunk_by_type(*b"pHYs")?.contents();
    let (x, rest) = contents.split_first_chunk()?;
    let (y, rest) = rest.split_first_chunk()?;
    Some(Resolution {
        x: f64::from(u32::from_be_bytes(*x)),
        y: f64::from(u32::from_be_bytes(*y)),
        unit: match rest.first()? {
            1 => ResolutionUnit::Metre,
            _ => ResolutionUnit::AspectOnly,
        },
    })
}

fn carried(png: &Png, bits: u8, has_profile: bool) -> Vec<Carried> {
    // Significant bits told for a palette or for 1 to 4 bits are wrong once these are expanded.
    let depth = png
        .chunk_by_type(*b"IHDR")
        .map(|c| c.contents().get(8..10).map(<[u8]>::to_vec));
    let expanded = depth.flatten().is_none_or(|d| d[0] != bits || d[1] == 3);
    png.chunks()
        .iter()
        .filter(|c| KEPT_CHUNKS.contains(&c.kind()))
        .filter(|c| !(has_profile && INSTEAD_OF_PROFILE.contains(&c.kind())))
        .filter(|c| !(expanded && c.kind() == *b"sBIT"))
        .filter(|c| !(c.kind() == *b"iTXt" && c.contents().starts_with(XMP_KEYWORD.as_bytes())))
        .map(|c| Carried::PngChunk(c.kind(), c.contents().to_vec()))
        .collect()
}

/// Encodes with the fastest compression that still earns its name.
pub(super) fn write(
    out: &mut impl Write,
    picture: Samples,
    metadata: &Metadata,
) -> Result<Vec<PhotoWarning>, PhotoErrorKind> {
    let mut info = Info::with_size(picture.size.columns as u32, picture.size.rows as u32);
    info.color_type = color_type(picture.layout);
    info.bit_depth = depth(picture.bits());
    info.icc_profile = metadata.icc.as_deref().map(Cow::from);
    info.exif_metadata = metadata.exif.as_deref().map(Cow::from);
    info.pixel_dims = metadata.resolution.map(physical_dimensions);
    let failed = encoding_failed;
    let mut encoder = Encoder::with_info(out, info).map_err(failed)?;
    encoder.set_compression(Compression::Fast);
    let mut writer = encoder.write_header().map_err(failed)?;
    let mut warnings = Vec::new();
    for carried in &metadata.specific.carried {
        if let Carried::PngChunk(kind, contents) = carried {
            writer
                .write_chunk(ChunkType(*kind), contents)
                .map_err(failed)?;
        }
    }
    match metadata.xmp.as_deref().map(std::str::from_utf8) {
        Some(Ok(xmp)) => writer
            .write_text_chunk(&png::text_metadata::ITXtChunk::new(XMP_KEYWORD, xmp))
            .map_err(failed)?,
        Some(Err(_)) => warnings.push(PhotoWarning::LeftOut {
            what: "its XMP data",
            format: Format::Png,
        }),
        None => {}
    }
    match picture.values {
        CodeValues::Eight(values) => writer.write_image_data(&values),
        CodeValues::Sixteen(mut values) => {
            for value in &mut values {
                *value = value.to_be();
            }
            writer.write_image_data(bytemuck::cast_slice(&values))
        }
    }
    .map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(warnings)
}

pub(super) fn color_type(layout: ChannelLayout) -> ColorType {
    match layout {
        ChannelLayout::Grey => ColorType::Grayscale,
        ChannelLayout::GreyAlpha => ColorType::GrayscaleAlpha,
        ChannelLayout::Rgb => ColorType::Rgb,
        ChannelLayout::Rgba => ColorType::Rgba,
    }
}

pub(super) fn depth(bits: u8) -> BitDepth {
    if bits == 8 {
        BitDepth::Eight
    } else {
        BitDepth::Sixteen
    }
}

pub(super) fn encoding_failed(error: png::EncodingError) -> PhotoErrorKind {
    match error {
        png::EncodingError::IoError(e) => PhotoErrorKind::Io(e),
        other => PhotoErrorKind::Encode {
            format: Format::Png,
            what: other.to_string(),
        },
    }
}

pub(super) fn physical_dimensions(resolution: Resolution) -> PixelDimensions {
    let resolution = resolution.counted_in(ResolutionUnit::Metre);
    let whole = |v: f64| v.round().clamp(1.0, f64::from(i32::MAX)) as u32;
    PixelDimensions {
        xppu: whole(resolution.x),
        yppu: whole(resolution.y),
        unit: match resolution.unit {
            ResolutionUnit::AspectOnly => Unit::Unspecified,
            _ => Unit::Meter,
        },
    }
}
