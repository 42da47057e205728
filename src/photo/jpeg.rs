//! JPEG in and out (ITU-T T.81, JFIF 1.02; EXIF, XMP and ICC in application segments).

use std::io::{Cursor, Write};

use image::codecs::jpeg::JpegDecoder;
use img_parts::jpeg::{Jpeg, JpegSegment};
use img_parts::{Bytes, ImageEXIF, ImageICC};
use jpeg_encoder::{
    ChromaSubsamplingMethod, ColorType, Encoder, PixelDensity, PixelDensityUnit,
    QuantizationTableType,
};

use super::jpeg_coding::{Sampling, coding, frame_header, has_uneven_single_scans};
use super::jpeg_strips::{self, Raster};
use super::metadata::{Carried, FormatSpecific};
use super::stored::{ReadLimits, Stored, exif_facts};
use super::{Format, Metadata, PhotoErrorKind, PhotoWarning, Resolution, ResolutionUnit};
use super::{exif_block, samples};
use crate::scene::{ChannelLayout, CodeValues, Samples, Size};

const APP0: u8 = 0xe0;
const APP1: u8 = 0xe1;
const APP2: u8 = 0xe2;
const APP14: u8 = 0xee;
const APP15: u8 = 0xef;
const COMMENT: u8 = 0xfe;
const XMP_PREFIX: &[u8] = b"http://ns.adobe.com/xap/1.0/\0";
const EXIF_PREFIX: &[u8] = b"Exif\0\0";
/// Contents of one segment: 65 535 less its length field.
const MAX_SEGMENT_BYTES: usize = 65_533;
/// ICC.1:2022 B.4: 255 segments of 65 519 bytes.
const MAX_ICC_BYTES: usize = 255 * 65_519;
/// EXIF values above this are dropped first when a block is too large for its segment, bytes.
const MAX_EXIF_VALUE_BYTES: usize = 8_192;
/// Quality where no input tells one: T.81 annex K tables at scale 10 %, chroma at full size.
const DEFAULT_QUALITY: u8 = 95;
/// Samples a side that the frame header can tell.
const MAX_SIDE: usize = 65_535;

pub(super) fn read(bytes: Vec<u8>, limits: &ReadLimits) -> Result<Stored, PhotoErrorKind> {
    let bytes = Bytes::from(bytes);
    let jpeg = Jpeg::from_bytes(bytes.clone()).map_err(|_| PhotoErrorKind::Truncated)?;
    check_header(&jpeg, limits)?;
    if !reaches_its_end(&bytes) {
        return Err(PhotoErrorKind::Truncated);
    }
    let samples = samples(&bytes, limits)?;
    let mut warnings = Vec::new();
    let mut exif = jpeg.exif().map(|e| e.to_vec());
    let facts = exif_facts(&mut exif, &mut warnings);
    let metadata = Metadata {
        icc: jpeg.icc_profile().map(|p| p.to_vec()),
        exif,
        xmp: xmp(&jpeg),
        resolution: density(&jpeg),
        specific: FormatSpecific {
            jpeg_coding: coding(&jpeg),
            carried: carried(&jpeg),
            ..FormatSpecific::default()
        },
    };
    Ok(Stored {
        samples,
        metadata,
        facts,
        warnings,
        coded: Some(bytes),
    })
}

/// The samples as the file stores them, not turned.
pub(super) fn samples(bytes: &Bytes, limits: &ReadLimits) -> Result<Samples, PhotoErrorKind> {
    let decoder = JpegDecoder::new(Cursor::new(bytes))
        .map_err(|e| samples::from_decoder(Format::Jpeg, &e))?;
    samples::decoded(Format::Jpeg, decoder, limits)
}

fn check_header(jpeg: &Jpeg, limits: &ReadLimits) -> Result<(), PhotoErrorKind> {
    let (marker, header) = frame_header(jpeg).ok_or(PhotoErrorKind::Truncated)?;
    let &[bits, y1, y0, x1, x0, components, ..] = header else {
        return Err(PhotoErrorKind::Truncated);
    };
    let size = Size {
        columns: u16::from_be_bytes([x1, x0]) as usize,
        rows: u16::from_be_bytes([y1, y0]) as usize,
    };
    limits.check(size, components as usize, 8)?;
    if components == 4 {
        return Err(PhotoErrorKind::Cmyk);
    }
    let unsupported = |what: &str| {
        let what = what.to_owned();
        Err(PhotoErrorKind::Unsupported { what })
    };
    match (marker, bits) {
        (0xc0..=0xc2, 8) if has_uneven_single_scans(jpeg) => {
            unsupported("its channels at different sizes in scans of their own")
        }
        (0xc0..=0xc2, 8) => Ok(()),
        (0xc0..=0xc2, _) => {
            unsupported("more than 8 bits a sample, which JPEG viewers do not read")
        }
        (0xc3, _) => unsupported("losslessly coded JPEG data"),
        _ => unsupported("a kind of JPEG coding that cameras do not write"),
    }
}

/// Is there an end-of-image marker after the scans? Tables between scans are skipped by length.
fn reaches_its_end(bytes: &[u8]) -> bool {
    let mut at = 2;
    while let Some(&[mark, kind]) = bytes.get(at..at + 2) {
        match (mark, kind) {
            (0xff, 0xd9) => return true,
            (0xff, 0xff) => at += 1,
            (0xff, 0x00 | 0x01 | 0xd0..=0xd7) => at += 2,
            (0xff, _) => match bytes.get(at + 2..at + 4) {
                Some(&[high, low]) => at += 2 + u16::from_be_bytes([high, low]).max(2) as usize,
                _ => return false,
            },
            _ => match bytes[at..].iter().position(|&b| b == 0xff) {
                Some(found) => at += found,
                None => return false,
            },
        }
    }
    false
}

fn xmp(jpeg: &Jpeg) -> Option<Vec<u8>> {
    jpeg.segments_by_marker(APP1)
        .find_map(|s| s.contents().strip_prefix(XMP_PREFIX))
        .map(<[u8]>::to_vec)
}

/// JFIF 1.02: unit 0 aspect, 1 inch, 2 centimetre; x and y as 16 bits.
fn density(jpeg: &Jpeg) -> Option<Resolution> {
    let jfif = jpeg
        .segments_by_marker(APP0)
        .find_map(|s| s.contents().strip_prefix(b"JFIF\0"))?;
    let &[_, _, unit, x1, x0, y1, y0, ..] = jfif else {
        return None;
    };
    let (x, y) = (u16::from_be_bytes([x1, x0]), u16::from_be_bytes([y1, y0]));
    let unit = match unit {
        1 => ResolutionUnit::Inch,
        2 => ResolutionUnit::Centimetre,
        _ => ResolutionUnit::AspectOnly,
    };
    (x > 0 && y > 0).then_some(Resolution {
        x: f64::from(x),
        y: f64::from(y),
        unit,
    })
}

/// Segments that go into a JPEG output as they are. Left out: JFIF and its preview (written anew),
/// the colour transform of APP14 (the output has its own) and indices of further pictures, which
/// the output does not carry.
fn carried(jpeg: &Jpeg) -> Vec<Carried> {
    jpeg.segments()
        .iter()
        .filter(|s| {
            let contents = s.contents();
            let known = contents.starts_with(EXIF_PREFIX) || contents.starts_with(XMP_PREFIX);
            match s.marker() {
                APP1 => !known,
                APP2 => !contents.starts_with(b"ICC_PROFILE\0") && !contents.starts_with(b"MPF\0"),
                APP14 => false,
                marker => marker == COMMENT || (APP1..=APP15).contains(&marker),
            }
        })
        .map(|s| Carried::JpegSegment(s.marker(), s.contents().to_vec()))
        .collect()
}

/// Encodes into memory: with the input's own tables and sampling where it was a JPEG, so that
/// unchanged blocks lose next to nothing; else at quality 95 without chroma subsampling.
pub(super) fn write(
    out: &mut impl Write,
    picture: Samples,
    metadata: &Metadata,
) -> Result<Vec<PhotoWarning>, PhotoErrorKind> {
    let size = picture.size;
    let format = Format::Jpeg;
    if size.columns > MAX_SIDE || size.rows > MAX_SIDE {
        return Err(PhotoErrorKind::TooLargeForFormat { format, size });
    }
    let mut warnings = Vec::new();
    let (values, colour) = eight_bits(picture, &mut warnings);
    let coding = metadata.specific.jpeg_coding.as_ref();
    let sampling = coding.map_or(Sampling::NONE, |c| c.sampling.supported());
    let quality = metadata.specific.jpeg_quality.unwrap_or(DEFAULT_QUALITY);
    let failed = |what: String| PhotoErrorKind::Encode { format, what };
    let raster = Raster {
        values: &values,
        size,
        colour,
        channels: values.len() / size.area(),
        mcu: match colour {
            ColorType::Luma => Sampling::NONE.mcu(),
            _ => sampling.mcu(),
        },
    };
    let coded = jpeg_strips::encode(&raster, |out| {
        let mut encoder = Encoder::new(out, quality);
        encoder.set_sampling_factor(sampling.factor());
        encoder.set_chroma_subsampling_method(ChromaSubsamplingMethod::Average);
        if let Some(coding) = coding {
            encoder.set_quantization_tables(
                QuantizationTableType::Custom(coding.luma.clone()),
                QuantizationTableType::Custom(coding.chroma.clone()),
            );
        }
        if let Some(resolution) = metadata.resolution {
            encoder.set_density(jfif_density(resolution));
        }
        encoder
    })
    .map_err(|e| failed(e.to_string()))?;
    drop(values);
    let mut jpeg = Jpeg::from_bytes(Bytes::from(coded)).map_err(|e| failed(e.to_string()))?;
    add_segments(&mut jpeg, metadata, &mut warnings);
    jpeg.encoder().write_to(out)?;
    Ok(warnings)
}

fn add_segments(jpeg: &mut Jpeg, metadata: &Metadata, warnings: &mut Vec<PhotoWarning>) {
    let mut segments = Vec::new();
    let mut left_out = |what| {
        let format = Format::Jpeg;
        warnings.push(PhotoWarning::LeftOut { what, format });
    };
    let mut add = |marker, prefix: &[u8], contents: &[u8]| {
        let all = [prefix, contents].concat();
        let fits = all.len() <= MAX_SEGMENT_BYTES;
        if fits {
            segments.push(JpegSegment::new_with_contents(marker, all.into()));
        }
        fits
    };
    if let Some(exif) = &metadata.exif
        && !add(APP1, EXIF_PREFIX, exif)
    {
        let smaller = exif_block::without_large_values(exif, MAX_EXIF_VALUE_BYTES);
        if smaller.is_some_and(|exif| add(APP1, EXIF_PREFIX, &exif)) {
            left_out("the largest part of its EXIF data");
        } else {
            left_out("its EXIF data");
        }
    }
    if let Some(xmp) = &metadata.xmp
        && !add(APP1, XMP_PREFIX, xmp)
    {
        left_out("its XMP data");
    }
    for carried in &metadata.specific.carried {
        if let Carried::JpegSegment(marker, contents) = carried {
            add(*marker, b"", contents);
        }
    }
    let after_jfif = jpeg
        .segments()
        .iter()
        .take_while(|s| s.marker() == APP0)
        .count();
    jpeg.segments_mut().splice(after_jfif..after_jfif, segments);
    match &metadata.icc {
        Some(icc) if icc.len() <= MAX_ICC_BYTES => {
            jpeg.set_icc_profile(Some(Bytes::copy_from_slice(icc)));
        }
        Some(_) => left_out("its colour profile"),
        None => {}
    }
}

fn jfif_density(resolution: Resolution) -> PixelDensity {
    let resolution = match resolution.unit {
        ResolutionUnit::Metre => resolution.counted_in(ResolutionUnit::Inch),
        _ => resolution,
    };
    let whole = |v: f64| v.round().clamp(1.0, f64::from(u16::MAX)) as u16;
    PixelDensity {
        density: (whole(resolution.x), whole(resolution.y)),
        unit: match resolution.unit {
            ResolutionUnit::AspectOnly => PixelDensityUnit::PixelAspectRatio,
            ResolutionUnit::Centimetre => PixelDensityUnit::Centimeters,
            ResolutionUnit::Inch | ResolutionUnit::Metre => PixelDensityUnit::Inches,
        },
    }
}

/// Samples as JPEG takes them; 16 bits are rounded, alpha is left out.
fn eight_bits(picture: Samples, warnings: &mut Vec<PhotoWarning>) -> (Vec<u8>, ColorType) {
    let values = match picture.values {
        CodeValues::Eight(values) => values,
        CodeValues::Sixteen(values) => {
            warnings.push(PhotoWarning::DepthReduced);
            // 65 535 = 255 x 257: dividing by 257, rounded, maps full scale to full scale.
            values
                .iter()
                .map(|&v| ((u32::from(v) + 128) / 257) as u8)
                .collect()
        }
    };
    let (what, format) = ("its alpha channel", Format::Jpeg);
    match picture.layout {
        ChannelLayout::Grey => (values, ColorType::Luma),
        ChannelLayout::Rgb => (values, ColorType::Rgb),
        ChannelLayout::Rgba => {
            warnings.push(PhotoWarning::LeftOut { what, format });
            (values, ColorType::Rgba)
        }
        ChannelLayout::GreyAlpha => {
            warnings.push(PhotoWarning::LeftOut { what, format });
            (values.iter().step_by(2).copied().collect(), ColorType::Luma)
        }
    }
}
