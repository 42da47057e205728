//! What a file says about itself before it is decoded: enough to refuse a batch early.

use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use tiff::decoder::Decoder;
use tiff::tags::Tag;

use super::content::SIGNATURE_BYTES;
use super::exif_block::{self, ExifFacts};
use super::jpeg_coding::is_frame_header;
use super::orientation::Orientation;
use super::read::{guarded, open};
use super::tiff_texts::endless_texts;
use super::{Format, PhotoError, PhotoErrorKind, tiff_read};
use crate::scene::Size;

/// Format, upright extent and camera model of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Probe {
    /// Format by content.
    pub format: Format,
    /// Extent once upright.
    pub size: Size,
    /// Make and model of the camera, when the file tells.
    pub camera: Option<String>,
}

/// Reads a file's headers only: some kilobytes, however large the picture.
///
/// # Errors
/// [`PhotoError`] when the file cannot be opened or its headers are damaged.
pub fn probe(path: &Path) -> Result<Probe, PhotoError> {
    guarded(|| open_and_probe(path)).map_err(|kind| PhotoError::reading(path, kind))
}

fn open_and_probe(path: &Path) -> Result<Probe, PhotoErrorKind> {
    let mut file = BufReader::new(open(path)?);
    let mut start = Vec::new();
    (&mut file)
        .take(SIGNATURE_BYTES as u64)
        .read_to_end(&mut start)?;
    let format = Format::from_content(&start)?;
    file.rewind()?;
    let found = match format {
        Format::Jpeg => jpeg(&mut file),
        Format::Png => png(&mut file),
        Format::Tiff => tiff(file),
    };
    let (stored, facts) = found.map_err(|e| match e {
        PhotoErrorKind::Io(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoErrorKind::Truncated
        }
        other => other,
    })?;
    let names = [facts.camera.make, facts.camera.model];
    let names: Vec<_> = names.into_iter().flatten().collect();
    Ok(Probe {
        format,
        size: Orientation::from_exif(facts.orientation).upright_size(stored),
        camera: (!names.is_empty()).then(|| names.join(" ")),
    })
}

type Found = Result<(Size, ExifFacts), PhotoErrorKind>;

fn facts_of(block: Vec<u8>) -> ExifFacts {
    exif_block::parsed(block)
        .map(|exif| exif_block::facts(&exif))
        .unwrap_or_default()
}

/// Walks from segment to segment up to the frame header.
fn jpeg(file: &mut (impl Read + Seek)) -> Found {
    let mut facts = ExifFacts::default();
    file.seek(SeekFrom::Start(2))?;
    loop {
        let mut head = [0; 2];
        file.read_exact(&mut head)?;
        if head == [0xff, 0xff] {
            file.seek_relative(-1)?;
            continue;
        }
        if head[0] != 0xff {
            return Err(PhotoErrorKind::Damaged {
                format: Format::Jpeg,
                what: "a segment does not end where it says".to_owned(),
            });
        }
        let length = usize::from(u16::from_be_bytes(read_array(file)?)).max(2) - 2;
        if head[1] == 0xe1 || is_frame_header(head[1]) {
            let mut contents = vec![0; length];
            file.read_exact(&mut contents)?;
            if is_frame_header(head[1]) {
                let &[_, y1, y0, x1, x0, ..] = &contents[..] else {
                    return Err(PhotoErrorKind::Truncated);
                };
                let size = Size {
                    columns: u16::from_be_bytes([x1, x0]) as usize,
                    rows: u16::from_be_bytes([y1, y0]) as usize,
                };
                return Ok((size, facts));
            }
            if let Some(block) = contents.strip_prefix(b"Exif\0\0") {
                facts = facts_of(block.to_vec());
            }
        } else {
            file.seek_relative(length as i64)?;
        }
    }
}

/// Walks from chunk to chunk; EXIF may stand behind the samples.
fn png(file: &mut (impl Read + Seek)) -> Found {
    let mut facts = ExifFacts::default();
    let mut size = None;
    file.seek(SeekFrom::Start(8))?;
    loop {
        let length = match read_array(file) {
            Ok(length) => u32::from_be_bytes(length),
            Err(_) if size.is_some() => break,
            Err(e) => return Err(e.into()),
        };
        let kind: [u8; 4] = read_array(file)?;
        match &kind {
            b"IHDR" => {
                let width: [u8; 4] = read_array(file)?;
                let height: [u8; 4] = read_array(file)?;
                size = Some(Size {
                    columns: u32::from_be_bytes(width) as usize,
                    rows: u32::from_be_bytes(height) as usize,
                });
                file.seek_relative(i64::from(length) - 8 + 4)?;
            }
            b"eXIf" => {
                let mut block = Vec::new();
                file.take(u64::from(length)).read_to_end(&mut block)?;
                facts = facts_of(block);
                break;
            }
            b"IEND" => break,
            _ => file.seek_relative(i64::from(length) + 4)?,
        }
    }
    Ok((size.ok_or(PhotoErrorKind::Truncated)?, facts))
}

fn tiff(mut file: impl BufRead + Seek) -> Found {
    let endless = endless_texts(&mut file)?;
    let mut decoder = Decoder::new(file).map_err(|e| tiff_read::in_our_words(&e))?;
    tiff_read::refuse_raw(&mut decoder)?;
    let size = tiff_read::size(&mut decoder)?;
    let mut text = |tag| {
        if endless.contains(&tag) {
            return None;
        }
        let text = decoder.get_tag_ascii_string(tag).ok()?;
        let text = text.trim_matches(['\0', ' ']).to_owned();
        (!text.is_empty()).then_some(text)
    };
    let mut facts = ExifFacts::default();
    facts.camera.make = text(Tag::Make);
    facts.camera.model = text(Tag::Model);
    let orientation = decoder.find_tag_unsigned(Tag::Orientation);
    facts.orientation = orientation.ok().flatten().unwrap_or(1);
    Ok((size, facts))
}

fn read_array<const N: usize>(file: &mut impl Read) -> std::io::Result<[u8; N]> {
    let mut bytes = [0; N];
    file.read_exact(&mut bytes)?;
    Ok(bytes)
}
