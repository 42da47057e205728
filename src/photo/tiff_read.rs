//! TIFF in (TIFF 6.0; BigTIFF): strips or tiles, chunky or planar, palette, 8 and 16 bits.

use std::io::{BufRead, Cursor, Seek};

use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError};

use super::metadata::FormatSpecific;
use super::stored::{ReadLimits, Stored};
use super::{Format, Metadata, PhotoErrorKind, PhotoWarning, exif_block};
use crate::scene::{ChannelLayout, CodeValues, Samples, Size};

const TAG_XMP: u16 = 700;
const TAG_DNG_VERSION: u16 = 50_706;
/// `ExtraSamples`: 1 associated, 2 unassociated alpha.
const ASSOCIATED_ALPHA: u16 = 1;
const UNASSOCIATED_ALPHA: u16 = 2;
/// `SampleFormat`: 1 unsigned whole numbers, 3 floating point.
const FORMAT_UNSIGNED: u16 = 1;
const FORMAT_FLOAT: u16 = 3;

pub(super) fn read(bytes: Vec<u8>, limits: &ReadLimits) -> Result<Stored, PhotoErrorKind> {
    let mut decoder = Decoder::new(Cursor::new(&bytes)).map_err(|e| in_our_words(&e))?;
    let size = size(&mut decoder)?;
    refuse_raw(&mut decoder)?;
    let kind = Kind::of(&mut decoder)?;
    limits.check(size, kind.layout().count(), kind.bits())?;
    let mut decoder = decoder.with_limits(decoder_limits(limits));
    let extra: Vec<u16> = unsigned_list(&mut decoder, Tag::ExtraSamples);
    let samples = Samples {
        size,
        layout: kind.layout(),
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

/// How the samples lie.
enum Kind {
    /// Samples as they are.
    Plain { layout: ChannelLayout, bits: u8 },
    /// Indices of 8 bits or fewer into a table of 16-bit colours.
    Palette { table: Vec<u16>, bits: u8 },
}

impl Kind {
    fn of<R: BufRead + Seek>(decoder: &mut Decoder<R>) -> Result<Self, PhotoErrorKind> {
        let colour = decoder.colortype().map_err(|e| in_our_words(&e))?;
        let formats: Vec<u16> = unsigned_list(decoder, Tag::SampleFormat);
        let unsupported = |what: &str| {
            let what = what.to_owned();
            PhotoErrorKind::Unsupported { what }
        };
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
            ColorType::Palette(bits @ (1 | 2 | 4 | 8)) => {
                let table: Vec<u16> = unsigned_list(decoder, Tag::ColorMap);
                if table.len() != 3 << bits {
                    return Err(PhotoErrorKind::Damaged {
                        format: Format::Tiff,
                        what: "its palette is incomplete".to_owned(),
                    });
                }
                return Ok(Self::Palette { table, bits });
            }
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
            8 | 16 => Ok(Self::Plain { layout, bits }),
            other => Err(unsupported(&format!("{other} bits a sample"))),
        }
    }

    fn layout(&self) -> ChannelLayout {
        match self {
            Self::Plain { layout, .. } => *layout,
            Self::Palette { .. } => ChannelLayout::Rgb,
        }
    }

    /// Bits of the samples that are handed over.
    fn bits(&self) -> usize {
        match self {
            Self::Plain { bits, .. } => *bits as usize,
            Self::Palette { table, .. } => {
                if table.iter().all(|v| v % 257 == 0 || v % 256 == 0) {
                    8
                } else {
                    16
                }
            }
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
    let damaged = || PhotoErrorKind::Damaged {
        format: Format::Tiff,
        what: "its samples do not fill the picture".to_owned(),
    };
    let count = size.area() * kind.layout().count();
    match (kind, result) {
        (Kind::Palette { table, bits }, DecodingResult::U8(indices)) => {
            let rows = indices.len() / size.rows;
            if indices.len() < (size.columns * *bits as usize).div_ceil(8) * size.rows {
                return Err(damaged());
            }
            let indices: Vec<usize> = indices
                .chunks_exact(rows)
                .flat_map(|row| unpacked(row, *bits, size.columns))
                .collect();
            Ok(coloured(&indices, table, kind.bits()))
        }
        (Kind::Plain { .. }, DecodingResult::U8(v)) if v.len() == count => {
            Ok(CodeValues::Eight(interleaved(v, planes)))
        }
        (Kind::Plain { .. }, DecodingResult::U16(v)) if v.len() == count => {
            Ok(CodeValues::Sixteen(interleaved(v, planes)))
        }
        _ => Err(damaged()),
    }
}

/// Indices of a row, the first in the highest bits.
fn unpacked(row: &[u8], bits: u8, columns: usize) -> impl Iterator<Item = usize> + '_ {
    let per_byte = (8 / bits) as usize;
    let mask = ((1u16 << bits) - 1) as u8;
    (0..columns).map(move |x| {
        let shift = bits as usize * (per_byte - 1 - x % per_byte);
        ((row[x / per_byte] >> shift) & mask) as usize
    })
}

/// The palette holds all reds, then all greens, then all blues, 16 bits each.
fn coloured(indices: &[usize], table: &[u16], bits: usize) -> CodeValues {
    let colours = table.len() / 3;
    let lookup = indices
        .iter()
        .flat_map(|&i| [table[i], table[colours + i], table[2 * colours + i]]);
    if bits == 8 {
        CodeValues::Eight(lookup.map(|v| (v >> 8) as u8).collect())
    } else {
        CodeValues::Sixteen(lookup.collect())
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
    fn packed_indices_come_highest_bits_first() {
        let four: Vec<_> = unpacked(&[0x1f, 0xa0], 4, 3).collect();
        assert_eq!(four, [1, 15, 10]);
        let one: Vec<_> = unpacked(&[0b1010_0000], 1, 4).collect();
        assert_eq!(one, [1, 0, 1, 0]);
    }

    #[test]
    fn a_palette_of_eight_bit_colours_stays_eight_bit() {
        let table = [0, 65_535, 0x1100, 0x2222, 0, 0];
        let kind = Kind::Palette {
            table: table.to_vec(),
            bits: 1,
        };
        assert_eq!(kind.bits(), 8);
        assert_eq!(
            coloured(&[1, 0], &table, 8),
            CodeValues::Eight(vec![255, 0x22, 0, 0, 0x11, 0])
        );
    }

    #[test]
    fn planes_are_woven_into_pixels() {
        assert_eq!(interleaved(vec![1, 2, 3, 4, 5, 6], 3), [1, 3, 5, 2, 4, 6]);
    }
}
