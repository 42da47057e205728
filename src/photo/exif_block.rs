//! EXIF (CIPA DC-008) as a block of bytes: read for facts, patched in place, rebuilt from TIFF.

use std::io::Cursor;

use exif::{Context, Exif, In, Reader, Tag, Value};
use serde::{Deserialize, Serialize};

use super::{Resolution, ResolutionUnit};
use crate::scene::Size;

/// What the camera wrote about itself and the exposure; absent where the file does not tell.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CameraFacts {
    /// Maker of the camera.
    pub make: Option<String>,
    /// Model of the camera.
    pub model: Option<String>,
    /// Seconds.
    pub exposure_time: Option<f64>,
    /// Focal length over aperture.
    pub f_number: Option<f64>,
    /// Photographic sensitivity (ISO 12232).
    pub iso: Option<u32>,
    /// Millimetres.
    pub focal_length: Option<f64>,
    /// Did the camera see its flash fire?
    pub flash_fired: Option<bool>,
    /// Local time of the exposure, `YYYY:MM:DD HH:MM:SS`.
    pub date_time_original: Option<String>,
    /// Model of the lens.
    pub lens: Option<String>,
}

/// How the camera was set to make a picture of what it saw; absent where the file does not tell.
/// The numbers are EXIF 2.32's own codes: they are compared, never shown.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PictureSettings {
    /// Does the camera choose the white balance? (`WhiteBalance` 0)
    pub auto_white_balance: Option<bool>,
    /// Does the camera choose the exposure? (`ExposureMode` 0 or 2)
    pub auto_exposure: Option<bool>,
    /// `LightSource`: the white balance that was chosen.
    pub light_source: Option<u32>,
    /// `Contrast`.
    pub contrast: Option<u32>,
    /// `Saturation`.
    pub saturation: Option<u32>,
    /// `Sharpness`.
    pub sharpness: Option<u32>,
    /// `CustomRendered`.
    pub rendering: Option<u32>,
    /// Distance that was focused on, metres.
    pub focus_distance: Option<f64>,
}

/// Everything that is read from a block.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct ExifFacts {
    pub(super) camera: CameraFacts,
    pub(super) picture: PictureSettings,
    pub(super) orientation: u32,
    pub(super) resolution: Option<Resolution>,
}

const TAG_IMAGE_WIDTH: u16 = 0x0100;
const TAG_IMAGE_LENGTH: u16 = 0x0101;
const TAG_ORIENTATION: u16 = 0x0112;
const TAG_EXIF_IFD: u16 = 0x8769;
const TAG_PIXEL_X_DIMENSION: u16 = 0xa002;
const TAG_PIXEL_Y_DIMENSION: u16 = 0xa003;
const TYPE_SHORT: u16 = 3;
const TYPE_LONG: u16 = 4;
/// Bytes of a directory entry (TIFF 6.0, section 2).
const ENTRY_BYTES: usize = 12;

/// Parses a block (or a whole TIFF file); what is damaged is skipped, `None` when nothing is left.
pub(super) fn parsed(block: Vec<u8>) -> Option<Exif> {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    reader
        .read_raw(block)
        .or_else(|e| e.distill_partial_result(|_| {}))
        .ok()
}

/// Camera, orientation and resolution.
pub(super) fn facts(exif: &Exif) -> ExifFacts {
    let field = |tag| exif.get_field(tag, In::PRIMARY).map(|f| &f.value);
    let text = |tag| field(tag).and_then(text_of);
    let number = |tag| field(tag).and_then(number_of);
    let whole = |tag| field(tag).and_then(|v| v.get_uint(0));
    ExifFacts {
        camera: CameraFacts {
            make: text(Tag::Make),
            model: text(Tag::Model),
            exposure_time: number(Tag::ExposureTime),
            f_number: number(Tag::FNumber),
            iso: whole(Tag::PhotographicSensitivity),
            focal_length: number(Tag::FocalLength),
            flash_fired: whole(Tag::Flash).map(|v| v & 1 == 1),
            date_time_original: text(Tag::DateTimeOriginal),
            lens: text(Tag::LensModel),
        },
        picture: PictureSettings {
            auto_white_balance: whole(Tag::WhiteBalance).map(|v| v == 0),
            auto_exposure: whole(Tag::ExposureMode).map(|v| v != 1),
            light_source: whole(Tag::LightSource),
            contrast: whole(Tag::Contrast),
            saturation: whole(Tag::Saturation),
            sharpness: whole(Tag::Sharpness),
            rendering: whole(Tag::CustomRendered),
            focus_distance: number(Tag::SubjectDistance).filter(|&d| d > 0.0),
        },
        orientation: whole(Tag::Orientation).unwrap_or(1),
        resolution: resolution(
            number(Tag::XResolution),
            number(Tag::YResolution),
            whole(Tag::ResolutionUnit),
        ),
    }
}

/// TIFF 6.0: unit 1 none, 2 inch (also when absent), 3 centimetre.
fn resolution(x: Option<f64>, y: Option<f64>, unit: Option<u32>) -> Option<Resolution> {
    let (x, y) = (x?, y?);
    let unit = match unit.unwrap_or(2) {
        1 => ResolutionUnit::AspectOnly,
        3 => ResolutionUnit::Centimetre,
        _ => ResolutionUnit::Inch,
    };
    (x > 0.0 && y > 0.0).then_some(Resolution { x, y, unit })
}

fn text_of(value: &Value) -> Option<String> {
    let Value::Ascii(parts) = value else {
        return None;
    };
    let text = String::from_utf8_lossy(parts.first()?).trim().to_owned();
    (!text.is_empty()).then_some(text)
}

fn number_of(value: &Value) -> Option<f64> {
    let number = match value {
        Value::Rational(v) => v.first()?.to_f64(),
        Value::SRational(v) => v.first()?.to_f64(),
        other => f64::from(other.get_uint(0)?),
    };
    number.is_finite().then_some(number)
}

/// Fits a block to the upright picture of extent `size`, in place: orientation 1, the pixel
/// dimensions right, the preview unlinked (it shows the gear). No value moves, so maker notes keep
/// their offsets. What is not there is not added.
pub(super) fn make_upright(block: &mut [u8], size: Size) {
    let Some(mut block) = Block::new(block) else {
        return;
    };
    let Some(first) = block.u32_at(4) else {
        return;
    };
    let (width, height) = (size.columns as u32, size.rows as u32);
    let mut exif_ifd = None;
    for (tag, at) in block.entries(first) {
        match tag {
            TAG_ORIENTATION => block.set_value(at, 1),
            TAG_IMAGE_WIDTH => block.set_value(at, width),
            TAG_IMAGE_LENGTH => block.set_value(at, height),
            TAG_EXIF_IFD => exif_ifd = block.u32_at(at + 8),
            _ => {}
        }
    }
    block.unlink_next(first);
    for (tag, at) in exif_ifd.map(|ifd| block.entries(ifd)).unwrap_or_default() {
        match tag {
            TAG_PIXEL_X_DIMENSION => block.set_value(at, width),
            TAG_PIXEL_Y_DIMENSION => block.set_value(at, height),
            _ => {}
        }
    }
}

/// A TIFF structure that is changed in place.
struct Block<'a> {
    bytes: &'a mut [u8],
    little_endian: bool,
}

impl<'a> Block<'a> {
    fn new(bytes: &'a mut [u8]) -> Option<Self> {
        let little_endian = match bytes.get(..4)? {
            b"II*\0" => true,
            b"MM\0*" => false,
            _ => return None,
        };
        Some(Self {
            bytes,
            little_endian,
        })
    }

    fn u16_at(&self, at: usize) -> Option<u16> {
        let bytes = self.bytes.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if self.little_endian {
            u16::from_le_bytes(bytes)
        } else {
            u16::from_be_bytes(bytes)
        })
    }

    fn u32_at(&self, at: usize) -> Option<u32> {
        let bytes = self.bytes.get(at..at.checked_add(4)?)?.try_into().ok()?;
        Some(if self.little_endian {
            u32::from_le_bytes(bytes)
        } else {
            u32::from_be_bytes(bytes)
        })
    }

    /// Tag and place of each entry of the directory at `ifd`.
    fn entries(&self, ifd: u32) -> Vec<(u16, usize)> {
        let ifd = ifd as usize;
        let count = self.u16_at(ifd).unwrap_or(0) as usize;
        (0..count)
            .map(|i| ifd + 2 + i * ENTRY_BYTES)
            .take_while(|at| at + ENTRY_BYTES <= self.bytes.len())
            .filter_map(|at| Some((self.u16_at(at)?, at)))
            .collect()
    }

    /// Writes a whole number into the entry at `at`, whatever of the two whole types it has.
    fn set_value(&mut self, at: usize, value: u32) {
        let (kind, place) = (self.u16_at(at + 2), at + 8);
        if kind == Some(TYPE_SHORT) {
            let value = value.min(u32::from(u16::MAX)) as u16;
            let bytes = if self.little_endian {
                value.to_le_bytes()
            } else {
                value.to_be_bytes()
            };
            self.bytes[place..place + 2].copy_from_slice(&bytes);
        } else if kind == Some(TYPE_LONG) {
            let bytes = if self.little_endian {
                value.to_le_bytes()
            } else {
                value.to_be_bytes()
            };
            self.bytes[place..place + 4].copy_from_slice(&bytes);
        }
    }

    /// Ends the chain of directories after `ifd`.
    fn unlink_next(&mut self, ifd: u32) {
        let count = self.u16_at(ifd as usize).unwrap_or(0) as usize;
        let at = ifd as usize + 2 + count * ENTRY_BYTES;
        if let Some(next) = self.bytes.get_mut(at..at + 4) {
            next.fill(0);
        }
    }
}

/// Tags of a TIFF file's first directory that describe how its own bytes lie, or that travel
/// elsewhere (XMP 700, ICC 34675); all others are worth keeping (TIFF 6.0 and its supplements).
pub(super) fn is_structural(tag: u16) -> bool {
    matches!(tag,
        254..=259 | 262 | 266 | 273 | 277..=281 | 284 | 292 | 293 | 317 | 320..=325 | 330 | 332..=334
        | 338..=347 | 351 | 512..=521 | 529..=532 | 559 | 700 | 34675 | 34665 | 34853 | 40965)
}

/// The block that stands for the EXIF, GPS and descriptive tags of a TIFF file.
pub(super) fn from_tiff(exif: &Exif) -> Option<Vec<u8>> {
    let kept: Vec<_> = exif
        .fields()
        .filter(|f| f.ifd_num == In::PRIMARY)
        .filter(|f| !matches!(f.value, Value::Unknown(..)))
        .filter(|f| f.tag.context() != Context::Tiff || !is_structural(f.tag.number()))
        .collect();
    block_of(&kept, exif.little_endian())
}

/// A block without what takes more than `max_value_bytes`, for containers that hold little.
pub(super) fn without_large_values(block: &[u8], max_value_bytes: usize) -> Option<Vec<u8>> {
    let exif = parsed(block.to_vec())?;
    let kept: Vec<_> = exif
        .fields()
        .filter(|f| f.ifd_num == In::PRIMARY && !matches!(f.value, Value::Unknown(..)))
        .filter(|f| match &f.value {
            Value::Undefined(v, _) | Value::Byte(v) => v.len() <= max_value_bytes,
            Value::Ascii(v) => v.iter().map(Vec::len).sum::<usize>() <= max_value_bytes,
            Value::Short(v) => v.len() * 2 <= max_value_bytes,
            Value::Long(v) => v.len() * 4 <= max_value_bytes,
            _ => true,
        })
        .collect();
    block_of(&kept, exif.little_endian())
}

fn block_of(fields: &[&exif::Field], little_endian: bool) -> Option<Vec<u8>> {
    let mut writer = exif::experimental::Writer::new();
    for field in fields {
        writer.push_field(field);
    }
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, little_endian).ok()?;
    Some(block.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Orientation 6 as SHORT, an Exif directory with both pixel dimensions, a next directory.
    fn block(little_endian: bool) -> Vec<u8> {
        let mut out = Vec::new();
        let w16 = |out: &mut Vec<u8>, v: u16| {
            out.extend(if little_endian {
                v.to_le_bytes()
            } else {
                v.to_be_bytes()
            });
        };
        let w32 = |out: &mut Vec<u8>, v: u32| {
            out.extend(if little_endian {
                v.to_le_bytes()
            } else {
                v.to_be_bytes()
            });
        };
        out.extend(if little_endian { b"II*\0" } else { b"MM\0*" });
        w32(&mut out, 8);
        w16(&mut out, 2);
        for (tag, kind, value) in [
            (TAG_ORIENTATION, TYPE_SHORT, 6),
            (TAG_EXIF_IFD, TYPE_LONG, 38),
        ] {
            w16(&mut out, tag);
            w16(&mut out, kind);
            w32(&mut out, 1);
            if kind == TYPE_SHORT {
                w16(&mut out, value as u16);
                w16(&mut out, 0);
            } else {
                w32(&mut out, value);
            }
        }
        w32(&mut out, 999);
        w16(&mut out, 2);
        for (tag, value) in [(TAG_PIXEL_X_DIMENSION, 3), (TAG_PIXEL_Y_DIMENSION, 2)] {
            w16(&mut out, tag);
            w16(&mut out, TYPE_LONG);
            w32(&mut out, 1);
            w32(&mut out, value);
        }
        w32(&mut out, 0);
        out
    }

    #[test]
    fn a_turned_block_is_upright_in_both_byte_orders() {
        for little_endian in [true, false] {
            let mut bytes = block(little_endian);
            let before = parsed(bytes.clone()).unwrap();
            assert_eq!(facts(&before).orientation, 6);
            make_upright(
                &mut bytes,
                Size {
                    columns: 2,
                    rows: 3,
                },
            );
            let after = Reader::new().read_raw(bytes).unwrap();
            assert_eq!(facts(&after).orientation, 1);
            let dimension = |tag| {
                after
                    .get_field(tag, In::PRIMARY)
                    .and_then(|f| f.value.get_uint(0))
            };
            assert_eq!(dimension(Tag::PixelXDimension), Some(2));
            assert_eq!(dimension(Tag::PixelYDimension), Some(3));
        }
    }

    #[test]
    fn nonsense_is_left_alone() {
        for bytes in [
            &b""[..],
            b"II*\0",
            b"II*\0\xff\xff\xff\xff",
            b"MM\0*\0\0\0\x08\xff\xff",
        ] {
            let mut changed = bytes.to_vec();
            make_upright(
                &mut changed,
                Size {
                    columns: 2,
                    rows: 3,
                },
            );
            assert_eq!(changed, bytes);
        }
    }
}
