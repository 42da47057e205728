//! TIFF in (TIFF 6.0; BigTIFF): strips or tiles, chunky or planar, 8 and 16 bits.

use std::io::{BufRead, Cursor, Seek};

use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

use super::metadata::FormatSpecific;
use super::stored::{ReadLimits, Stored};
use super::tiff_texts::endless_texts;
use super::{Format, Metadata, PhotoErrorKind, PhotoWarning, exif_block};
use crate::scene::{ChannelLayout, CodeValues, Samples, Size};

pub(super) const TAG_XMP: u16 = 700;
pub(super) const TAG_DNG_VERSION: u16 = 50_706;
/// `ExtraSamples`: 1 associated, 2 unassociated alpha.
const ASSOCIATED_ALPHA: u16 = 1;
const UNASSOCIATED_ALPHA: u16 = 2;
/// `SampleFormat`: 1 unsigned whole numbers, 3 floating point.
const FORMAT_UNSIGNED: u16 = 1;
const FORMAT_FLOAT: u16 = 3;
/// `PhotometricInterpretation` of indices into a table of colours.
const PALETTE: u16 = 3;

pub(super) fn read(bytes: Vec<u8>, limits: &ReadLimits) -> Result<Stored, PhotoErrorKind> {
    endless_texts(&mut Cursor::new(&bytes))?;
    let mut decoder = Decoder::new(Cursor::new(&bytes)).map_err(|e| in_our_words(&e))?;
    let size = size(&mut decoder)?;
    refuse_raw(&mut decoder)?;
    let kind = Kind::of(&mut decoder)?;
    limits.check(size, kind.layout.count(), kind.bits as usize)?;
    let mut decoder = decoder.with_limits(decoder_limits(limits));
    let extra: Vec<u16> = unsigned_list(&mut decoder, Tag::ExtraSamples);
    let samples = Samples {
        size,
        layout: kind.layout,
        values: samples(&mut decoder, &kind, size)?,
    };
    let icc = bytes_of(&mut decoder, Tag::IccProfile);
    let xmp = bytes_of(&mut decoder, Tag::Unknown(TAG_XMP));
    let orientation = decoder
        .find_tag_unsigned::<u32>(Tag::Orientation)
        .ok()
        .flatten();
    let mut warnings = Vec::new();
    if decoder.more_images() {
        warnings.push(PhotoWarning::MorePictures);
    }
    drop(decoder);
    // The file's bytes move on into the EXIF reader: no second copy of a large file.
    let (exif, mut facts) = match exif_block::parsed(bytes) {
        Some(exif) => (exif_block::from_tiff(&exif), exif_block::facts(&exif)),
        None => (None, exif_block::ExifFacts::default()),
    };
    facts.orientation = orientation.unwrap_or(1);
    let metadata = Metadata {
        icc,
        exif,
        xmp,
        resolution: facts.resolution,
        specific: FormatSpecific {
            alpha_is_associated: extra.first() == Some(&ASSOCIATED_ALPHA),
            ..FormatSpecific::default()
        },
    };
    Ok(Stored {
        samples,
        metadata,
        facts,
        warnings,
        coded: None,
    })
}

pub(super) fn size<R: BufRead + Seek>(decoder: &mut Decoder<R>) -> Result<Size, PhotoErrorKind> {
    let (columns, rows) = decoder.dimensions().map_err(|e| in_our_words(&e))?;
    Ok(Size {
        columns: columns as usize,
        rows: rows as usize,
    })
}

/// Raw files of several makers are TIFF structures whose first picture is a small preview.
pub(super) fn refuse_raw<R: BufRead + Seek>(
    decoder: &mut Decoder<R>,
) -> Result<(), PhotoErrorKind> {
    let mut has = |tag| matches!(decoder.find_tag(tag), Ok(Some(_)));
    let sub_pictures = has(Tag::SubIfd);
    let raw = has(Tag::Unknown(TAG_DNG_VERSION));
    let subfile: u32 = decoder
        .find_tag_unsigned(Tag::NewSubfileType)
        .ok()
        .flatten()
        .unwrap_or(0);
    if raw || (sub_pictures && subfile & 1 == 1) {
        let what = "raw camera data with a preview".to_owned();
        return Err(PhotoErrorKind::Unsupported { what });
    }
    Ok(())
}

fn decoder_limits(limits: &ReadLimits) -> Limits {
    let mut out = Limits::default();
    out.decoding_buffer_size = limits.max_bytes as usize;
    out.intermediate_buffer_size = limits.max_bytes as usize;
    out.ifd_value_size = limits.max_bytes as usize;
    out
}

/// What the samples are.
struct Kind {
    layout: ChannelLayout,
    bits: u8,
}

impl Kind {
    fn of<R: BufRead + Seek>(decoder: &mut Decoder<R>) -> Result<Self, PhotoErrorKind> {
        let unsupported = |what: &str| {
            let what = what.to_owned();
            PhotoErrorKind::Unsupported { what }
        };
        let meaning = decoder.find_tag_unsigned::<u16>(Tag::PhotometricInterpretation);
        if matches!(meaning, Ok(Some(PALETTE))) {
            return Err(unsupported("colours of a palette"));
        }
        let colour = decoder.colortype().map_err(|e| in_our_words(&e))?;
        let formats: Vec<u16> = unsigned_list(decoder, Tag::SampleFormat);
        match formats.iter().find(|f| **f != FORMAT_UNSIGNED) {
            Some(&FORMAT_FLOAT) => return Err(unsupported("floating-point samples")),
            Some(_) => return Err(unsupported("signed samples")),
            None => {}
        }
        let extra: Vec<u16> = unsigned_list(decoder, Tag::ExtraSamples);
        let (layout, bits) = match colour {
            ColorType::Gray(bits) => (ChannelLayout::Grey, bits),
            ColorType::GrayA(bits) => (ChannelLayout::GreyAlpha, bits),
            ColorType::Multiband {
                bit_depth,
                num_samples: 2,
            } if matches!(extra[..], [ASSOCIATED_ALPHA | UNASSOCIATED_ALPHA]) => {
                (ChannelLayout::GreyAlpha, bit_depth)
            }
            ColorType::RGB(bits) => (ChannelLayout::Rgb, bits),
            ColorType::RGBA(bits) => (ChannelLayout::Rgba, bits),
            ColorType::CMYK(_) | ColorType::CMYKA(_) => return Err(PhotoErrorKind::Cmyk),
            ColorType::YCbCr(_) => {
                return Err(unsupported("YCbCr samples, as scanners write them"));
            }
            ColorType::Lab(_) => return Err(unsupported("Lab samples")),
            other => return Err(unsupported(&format!("samples of the kind {other:?}"))),
        };
        if extra.len() + layout.colours() > layout.count() {
            return Err(unsupported("more channels than colour and alpha"));
        }
        match bits {
            8 | 16 => Ok(Self { layout, bits }),
            other => Err(unsupported(&format!("{other} bits a sample"))),
        }
    }
}

fn samples<R: BufRead + Seek>(
    decoder: &mut Decoder<R>,
    kind: &Kind,
    size: Size,
) -> Result<CodeValues, PhotoErrorKind> {
    let mut result = DecodingResult::U8(Vec::new());
    let layout = decoder
        .read_image_to_buffer(&mut result)
        .map_err(|e| in_our_words(&e))?;
    let planes = layout.planes;
    let count = size.area() * kind.layout.count();
    match result {
        DecodingResult::U8(v) if v.len() == count => Ok(CodeValues::Eight(interleaved(v, planes))),
        DecodingResult::U16(v) if v.len() == count => {
            Ok(CodeValues::Sixteen(interleaved(v, planes)))
        }
        _ => Err(PhotoErrorKind::Damaged {
            format: Format::Tiff,
            what: "its samples do not fill the picture".to_owned(),
        }),
    }
}

fn interleaved<T: Copy>(values: Vec<T>, planes: usize) -> Vec<T> {
    if planes < 2 {
        return values;
    }
    let plane = values.len() / planes;
    (0..plane)
        .flat_map(|i| (0..planes).map(move |p| p * plane + i))
        .map(|i| values[i])
        .collect()
}

fn unsigned_list<R: BufRead + Seek>(decoder: &mut Decoder<R>, tag: Tag) -> Vec<u16> {
    decoder
        .find_tag_unsigned_vec(tag)
        .ok()
        .flatten()
        .unwrap_or_default()
}

fn bytes_of<R: BufRead + Seek>(decoder: &mut Decoder<R>, tag: Tag) -> Option<Vec<u8>> {
    decoder.find_tag(tag).ok().flatten()?.into_u8_vec().ok()
}

pub(super) fn in_our_words(error: &TiffError) -> PhotoErrorKind {
    match error {
        TiffError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoErrorKind::Truncated
        }
        TiffError::UnsupportedError(what) => PhotoErrorKind::Unsupported {
            what: format!("what is not read from TIFF: {what}"),
        },
        other => PhotoErrorKind::Damaged {
            format: Format::Tiff,
            what: other.to_string(),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn planes_are_woven_into_pixels() {
        assert_eq!(interleaved(vec![1, 2, 3, 4, 5, 6], 3), [1, 3, 5, 2, 4, 6]);
    }
}
