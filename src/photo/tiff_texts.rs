//! Texts in a TIFF that claim to be longer than their file.
//!
//! The decoder writes a line of its own to standard error about the longest of them (fuzz target `photo`);
//! here they are found before it looks.

use std::io::{Read, Seek, SeekFrom};

use tiff::tags::Tag;

use super::tiff_read::{TAG_DNG_VERSION, TAG_XMP};
use super::{Format, PhotoErrorKind};

/// Field type of texts (TIFF 6.0, section 2): 7-bit ASCII, one byte each.
const ASCII: u64 = 2;
/// Version of the sister with 64-bit offsets.
const BIG: u64 = 43;
/// A directory of TIFF 6.0 cannot have more fields than this.
const MOST_FIELDS: u64 = u16::MAX as u64;

/// Tags in the first directory whose text claims more bytes than the whole file has. The file is left at its
/// start; what cannot be followed is left to the decoder.
///
/// # Errors
/// [`PhotoErrorKind::Damaged`] where such a text stands in the place of numbers that say how to read the
/// pixels or what they mean.
pub(super) fn endless_texts(file: &mut (impl Read + Seek)) -> Result<Vec<Tag>, PhotoErrorKind> {
    let length = file.seek(SeekFrom::End(0))?;
    let mut found = Vec::new();
    // A directory that is cut short ends the search, not the reading.
    let _ = for_each_text(file, |tag, count| {
        if count > length {
            found.push(Tag::from_u16_exhaustive(tag));
        }
    });
    file.rewind()?;
    match found.iter().find(|tag| !is_passed_over(**tag)) {
        Some(tag) => Err(PhotoErrorKind::Damaged {
            format: Format::Tiff,
            what: format!("tag {} claims a text longer than the file", tag.to_u16()),
        }),
        None => Ok(found),
    }
}

/// Texts that a picture does without, and tags that nobody here asks for.
fn is_passed_over(tag: Tag) -> bool {
    match tag {
        Tag::Artist
        | Tag::Copyright
        | Tag::DateTime
        | Tag::GdalNodata
        | Tag::GeoAsciiParamsTag
        | Tag::HostComputer
        | Tag::ImageDescription
        | Tag::Make
        | Tag::Model
        | Tag::Software => true,
        Tag::Unknown(number) => ![TAG_XMP, TAG_DNG_VERSION].contains(&number),
        _ => false,
    }
}

#[derive(Clone, Copy)]
enum ByteOrder {
    Little,
    Big,
}

impl ByteOrder {
    fn read<const BYTES: usize>(self, file: &mut impl Read) -> std::io::Result<u64> {
        let mut bytes = [0; BYTES];
        file.read_exact(&mut bytes)?;
        let longer = |number: u64, byte: &u8| number << 8 | u64::from(*byte);
        Ok(match self {
            Self::Little => bytes.iter().rev().fold(0, longer),
            Self::Big => bytes.iter().fold(0, longer),
        })
    }
}

/// Hands over tag and count of each text of the first directory.
fn for_each_text(
    file: &mut (impl Read + Seek),
    mut hand_over: impl FnMut(u16, u64),
) -> std::io::Result<()> {
    let mut mark = [0; 2];
    file.rewind()?;
    file.read_exact(&mut mark)?;
    let order = match &mark {
        b"II" => ByteOrder::Little,
        _ => ByteOrder::Big,
    };
    let is_big = order.read::<2>(file)? == BIG;
    let fields = if is_big {
        order.read::<4>(file)?;
        let directory = order.read::<8>(file)?;
        file.seek(SeekFrom::Start(directory))?;
        order.read::<8>(file)?.min(MOST_FIELDS)
    } else {
        let directory = order.read::<4>(file)?;
        file.seek(SeekFrom::Start(directory))?;
        order.read::<2>(file)?
    };
    for _ in 0..fields {
        let tag = order.read::<2>(file)? as u16;
        let kind = order.read::<2>(file)?;
        // The count, then the value or where it lies.
        let count = if is_big {
            let count = order.read::<8>(file)?;
            order.read::<8>(file)?;
            count
        } else {
            let count = order.read::<4>(file)?;
            order.read::<4>(file)?;
            count
        };
        if kind == ASCII {
            hand_over(tag, count);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    /// A file of 64 bytes with one text, in the form of TIFF 6.0 and of its sister, in either byte order.
    fn files(tag: u16, count: u32) -> [Vec<u8>; 4] {
        let small = |swap: fn(&[u8]) -> Vec<u8>, mark: &[u8]| {
            let parts: [&[u8]; 7] = [
                &42_u16.to_be_bytes(),
                &8_u32.to_be_bytes(),
                &1_u16.to_be_bytes(),
                &tag.to_be_bytes(),
                &2_u16.to_be_bytes(),
                &count.to_be_bytes(),
                &[0; 8],
            ];
            let parts = parts.map(swap);
            [mark.to_vec(), parts.concat()].concat()
        };
        let big = |swap: fn(&[u8]) -> Vec<u8>, mark: &[u8]| {
            let parts: [&[u8]; 9] = [
                &43_u16.to_be_bytes(),
                &8_u16.to_be_bytes(),
                &0_u16.to_be_bytes(),
                &16_u64.to_be_bytes(),
                &1_u64.to_be_bytes(),
                &tag.to_be_bytes(),
                &2_u16.to_be_bytes(),
                &u64::from(count).to_be_bytes(),
                &[0; 16],
            ];
            let parts = parts.map(swap);
            [mark.to_vec(), parts.concat()].concat()
        };
        let same = |bytes: &[u8]| bytes.to_vec();
        let swapped = |bytes: &[u8]| bytes.iter().rev().copied().collect();
        let files = [
            small(same, b"MM"),
            small(swapped, b"II"),
            big(same, b"MM"),
            big(swapped, b"II"),
        ];
        files.map(|mut file| {
            file.resize(64, 0);
            file
        })
    }

    #[test]
    fn a_text_longer_than_its_file_is_found_in_every_form() {
        for (count, is_endless) in [(64, false), (65, true), (u32::MAX, true)] {
            for file in files(Tag::Make.to_u16(), count) {
                let found = endless_texts(&mut Cursor::new(file)).unwrap();
                assert_eq!(found == [Tag::Make], is_endless, "{count}");
            }
            for file in files(Tag::StripOffsets.to_u16(), count) {
                let found = endless_texts(&mut Cursor::new(file));
                assert_eq!(found.is_err(), is_endless, "{count}");
            }
        }
    }

    #[test]
    fn what_cannot_be_followed_is_left_to_the_decoder() {
        for file in files(Tag::Make.to_u16(), 3) {
            for cut in 0..20 {
                let found = endless_texts(&mut Cursor::new(&file[..cut])).unwrap();
                assert!(found.is_empty());
            }
        }
    }
}
