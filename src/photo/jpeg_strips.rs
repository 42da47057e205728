//! Encoding a JPEG on several cores: strips between restart markers know nothing of each other.
//!
//! A restart interval resets the prediction and fills up the last byte (ITU-T T.81, E.1.4 and
//! F.1.1.5.1), so that strips coded as pictures of their own, with equal tables, are the intervals
//! of one picture. It decodes to the samples that one scan without restarts gives.

use jpeg_encoder::{ColorType, Encoder, EncodingError};
use rayon::prelude::*;

use super::jpeg_coding::is_frame_header;
use crate::scene::Size;

/// Rows of MCUs a strip: 128 or 256 rows of samples, a dozen strips or more a frame.
const MCU_ROWS: usize = 16;
/// Longest restart interval in MCUs (B.2.4.4).
const MAX_INTERVAL: usize = 65_535;
const SOS: u8 = 0xda;
const RST0: u8 = 0xd0;
/// Restart markers count modulo this.
const RESTART_NUMBERS: usize = 8;
const END_OF_IMAGE: [u8; 2] = [0xff, 0xd9];

/// Interleaved samples to encode.
#[derive(Debug, Clone, Copy)]
pub(super) struct Raster<'a> {
    pub(super) values: &'a [u8],
    pub(super) size: Size,
    pub(super) colour: ColorType,
    /// Samples a pixel.
    pub(super) channels: usize,
    /// Extent of an MCU.
    pub(super) mcu: Size,
}

/// Encodes strips side by side; `configure` is called for the encoder of each and must do the same.
///
/// Holds the coded picture.
///
/// # Errors
/// The encoder's.
pub(super) fn encode(
    raster: &Raster<'_>,
    new_encoder: impl for<'v> Fn(&'v mut Vec<u8>) -> Encoder<&'v mut Vec<u8>> + Sync,
) -> Result<Vec<u8>, EncodingError> {
    let Raster { size, mcu, .. } = *raster;
    let rows = MCU_ROWS * mcu.rows;
    let interval = MCU_ROWS * size.columns.div_ceil(mcu.columns);
    let in_one = size.rows <= rows || interval > MAX_INTERVAL;
    let rows = if in_one { size.rows } else { rows };
    let strips: Vec<Vec<u8>> = raster
        .values
        .par_chunks(rows * size.columns * raster.channels)
        .map(|values| {
            let mut coded = Vec::new();
            let mut encoder = new_encoder(&mut coded);
            if !in_one {
                encoder.set_restart_interval(interval as u16);
            }
            let rows = values.len() / (size.columns * raster.channels);
            encoder.encode(values, size.columns as u16, rows as u16, raster.colour)?;
            Ok(coded)
        })
        .collect::<Result<_, EncodingError>>()?;
    Ok(joined(strips, size))
}

/// The first strip's headers, with the height of the whole, and everybody's scans.
fn joined(strips: Vec<Vec<u8>>, size: Size) -> Vec<u8> {
    let mut strips = strips.into_iter();
    let mut picture = strips.next().unwrap_or_default();
    let Some(Places { height, scan }) = places(&picture) else {
        return picture;
    };
    picture[height..height + 2].copy_from_slice(&(size.rows as u16).to_be_bytes());
    picture.truncate(picture.len() - END_OF_IMAGE.len());
    for (n, strip) in strips.enumerate() {
        picture.extend([0xff, RST0 + (n % RESTART_NUMBERS) as u8]);
        // Equal tables make headers of equal length.
        picture.extend_from_slice(&strip[scan..strip.len() - END_OF_IMAGE.len()]);
    }
    picture.extend(END_OF_IMAGE);
    picture
}

/// Where a coded picture tells its height, and where its scan's data begin.
struct Places {
    height: usize,
    scan: usize,
}

fn places(coded: &[u8]) -> Option<Places> {
    let mut height = None;
    let mut at = 2;
    loop {
        let &[0xff, marker, high, low] = coded.get(at..at + 4)? else {
            return None;
        };
        let next = at + 2 + usize::from(u16::from_be_bytes([high, low]));
        if is_frame_header(marker) {
            // Length and sample precision come before.
            height = Some(at + 5);
        }
        if marker == SOS {
            return Some(Places {
                height: height?,
                scan: next,
            });
        }
        at = next;
    }
}

#[cfg(test)]
mod tests {
    use image::codecs::jpeg::JpegDecoder;
    use image::{ImageDecoder, RgbImage};
    use jpeg_encoder::{ChromaSubsamplingMethod, SamplingFactor};

    use super::*;

    fn decoded(coded: &[u8]) -> Vec<u8> {
        let decoder = JpegDecoder::new(std::io::Cursor::new(coded)).unwrap();
        let mut values = vec![0; decoder.total_bytes() as usize];
        decoder.read_image(&mut values).unwrap();
        values
    }

    fn new_encoder(out: &mut Vec<u8>, factor: SamplingFactor) -> Encoder<&mut Vec<u8>> {
        let mut encoder = Encoder::new(out, 90);
        encoder.set_sampling_factor(factor);
        encoder.set_chroma_subsampling_method(ChromaSubsamplingMethod::Average);
        encoder
    }

    /// The encoder's own single scan is the plain twin.
    #[test]
    fn strips_decode_to_the_samples_of_one_scan() {
        for (factor, side, rows) in [
            (SamplingFactor::F_1_1, 8, 307),
            (SamplingFactor::F_2_2, 16, 530),
            (SamplingFactor::F_2_1, 8, 128),
            (SamplingFactor::F_2_2, 16, 2400),
        ] {
            let columns = 75;
            let picture = RgbImage::from_fn(columns as u32, rows as u32, |x, y| {
                let v = (x * 7 + y * 3 + (x * y) % 31) % 256;
                image::Rgb([v as u8, (255 - v) as u8, (x * 3 % 256) as u8])
            });
            let raster = Raster {
                values: picture.as_raw(),
                size: Size { columns, rows },
                colour: ColorType::Rgb,
                channels: 3,
                mcu: Size {
                    columns: if factor == SamplingFactor::F_1_1 {
                        8
                    } else {
                        16
                    },
                    rows: side,
                },
            };
            let strips = encode(&raster, |out| new_encoder(out, factor)).unwrap();
            let mut whole = Vec::new();
            new_encoder(&mut whole, factor)
                .encode(
                    picture.as_raw(),
                    columns as u16,
                    rows as u16,
                    ColorType::Rgb,
                )
                .unwrap();
            assert!(decoded(&strips) == decoded(&whole), "{factor:?} {rows}");
        }
    }
}
