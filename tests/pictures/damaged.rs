//! Whole files of every format and depth, and what can become of them.

use derig::photo::{Format, Metadata};
use derig::scene::{ChannelLayout, Size};

use super::elsewhere::from_elsewhere;
use super::{FORMATS, encoded, exif_block, picture};

/// Extent of the whole files.
pub(crate) const SIZE: Size = Size {
    columns: 61,
    rows: 43,
};

/// Extent of what is in them: they say that the camera was held upright.
pub(crate) const UPRIGHT: Size = Size {
    columns: SIZE.rows,
    rows: SIZE.columns,
};

/// Whole files of every format and depth, with all metadata, and as other programs write them.
pub(crate) fn whole_files() -> Vec<(String, Format, Vec<u8>)> {
    let mut files = from_elsewhere();
    let kinds = [
        (ChannelLayout::Grey, 8),
        (ChannelLayout::Rgb, 8),
        (ChannelLayout::Rgba, 8),
        (ChannelLayout::Grey, 16),
        (ChannelLayout::Rgb, 16),
        (ChannelLayout::Rgba, 16),
    ];
    let metadata = Metadata {
        icc: Some(moxcms::ColorProfile::new_display_p3().encode().unwrap()),
        exif: Some(exif_block(6, SIZE)),
        xmp: Some(b"<x:xmpmeta xmlns:x='adobe:ns:meta/' tiff:Orientation=\"6\"/>".to_vec()),
        ..Metadata::default()
    };
    for format in FORMATS {
        for (layout, bits) in kinds {
            let has_alpha = layout == ChannelLayout::Rgba;
            if format == Format::Jpeg && (bits == 16 || has_alpha) {
                continue;
            }
            let bytes = encoded(picture(SIZE, layout, bits), &metadata, format);
            files.push((format!("{format} {layout:?} {bits}"), format, bytes));
        }
    }
    files
}

/// A small generator, so that the files are the same on every machine (Steele, Lea & Flood,
/// "Fast splittable pseudorandom number generators", 2014).
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    fn below(&mut self, count: usize) -> usize {
        (self.next() % count as u64) as usize
    }
}

/// Where a file speaks of itself: its first bytes, and of a TIFF the first directory.
fn header(whole: &[u8]) -> Vec<usize> {
    const FIRST: usize = 160;
    const DIRECTORY: usize = 400;
    let mut places: Vec<usize> = (0..whole.len().min(FIRST)).collect();
    let word = |at: usize| <[u8; 4]>::try_from(&whole[at..at + 4]).unwrap();
    let directory = match &whole[..4] {
        b"II*\0" => u32::from_le_bytes(word(4)) as usize,
        b"MM\0*" => u32::from_be_bytes(word(4)) as usize,
        b"II+\0" => u32::from_le_bytes(word(8)) as usize,
        _ => return places,
    };
    places.extend(directory.max(FIRST)..whole.len().min(directory + DIRECTORY));
    places
}

/// The chunks of a damaged PNG with sums that fit, so that a decoder goes on; `None` of other formats,
/// or where no chunk can be made out.
fn with_sums(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut mended = bytes.to_vec();
    let mut at = 8;
    if !bytes.starts_with(b"\x89PNG") {
        return None;
    }
    while let Some(length) = bytes.get(at..at + 4) {
        let length = u32::from_be_bytes(length.try_into().unwrap()) as usize;
        let (from, to) = (at + 4, (at + 8).checked_add(length)?);
        if to + 4 > bytes.len() {
            break;
        }
        let mut sum = flate2::Crc::new();
        sum.update(&bytes[from..to]);
        mended[to..to + 4].copy_from_slice(&sum.sum().to_be_bytes());
        at = to + 4;
    }
    (mended != bytes).then_some(mended)
}

/// Every damaged copy of a whole file: what was done, and the bytes.
pub(crate) fn damaged(whole: &[u8]) -> Vec<(String, Vec<u8>)> {
    let mut copies = Vec::new();
    for part in 0..64 {
        let bytes = whole[..whole.len() * part / 64].to_vec();
        copies.push((format!("cut at {part}/64"), bytes));
    }
    for at in header(whole) {
        for value in [0x00, 0xff, whole[at] ^ 0x01, whole[at] ^ 0x80] {
            let mut bytes = whole.to_vec();
            bytes[at] = value;
            copies.push((format!("byte {at} is {value:#04x}"), bytes));
        }
    }
    let mut draw = Draw(whole.len() as u64);
    for number in 0..120 {
        let mut bytes = whole.to_vec();
        let what = match number % 4 {
            0 => {
                for _ in 0..8 {
                    let at = draw.below(bytes.len());
                    bytes[at] = draw.next() as u8;
                }
                "eight bytes drawn anew"
            }
            1 => {
                let (from, to) = (draw.below(bytes.len()), draw.below(bytes.len()));
                bytes[from.min(to)..from.max(to)].fill(0);
                "zeros in the middle"
            }
            2 => {
                let at = draw.below(bytes.len());
                bytes.drain(at..(at + 1 + draw.below(64)).min(whole.len()));
                "bytes lost"
            }
            _ => {
                let at = draw.below(bytes.len().saturating_sub(8));
                let end = at + 4;
                bytes[at..end].copy_from_slice(&[0xff, 0xff, 0xff, 0x7f]);
                "a huge number"
            }
        };
        copies.push((format!("{what} ({number})"), bytes));
    }
    let summed: Vec<_> = copies
        .iter()
        .filter_map(|(what, bytes)| Some((format!("{what}, sums mended"), with_sums(bytes)?)))
        .collect();
    copies.extend(summed);
    copies
}
