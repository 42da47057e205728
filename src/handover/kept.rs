//! What is kept of a clean-up so that it can be merged again: a ZIP of a JSON text and four PNGs.
//!
//! | entry | holds |
//! |---|---|
//! | `decision.json` | where plate and clouds lie, what each piece was taken for |
//! | `pieces.png` | piece number a working pixel, 24 bits as red, green, blue |
//! | `sky.png` | open sky of the plate, 255 or 0 a working pixel |
//! | `mask.png` | share of the plate, 16 bits, cut to the mask |
//! | `merged.png` | the merge's samples, cut to the mask, 0 where it is the lit frame's |

use std::io::{Read, Seek, Write};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

use crate::photo::{self, PhotoErrorKind, ReadLimits, RowsOf, write_png_rows};
use crate::pipeline::{Decision, Lie};
use crate::scene::{ChannelLayout, CodeValues, Label, Plane, Samples, Size, Window};

const DECISION: &str = "decision.json";
const PIECES: &str = "pieces.png";
const SKY: &str = "sky.png";
const MASK: &str = "mask.png";
const MERGED: &str = "merged.png";
/// Version of this layout.
const VERSION: u32 = 1;
/// Longest text that is read, bytes: a million pieces.
const MAX_TEXT_BYTES: u64 = 64 << 20;
/// Of a pixel: RGB and alpha of 16 bits.
const MAX_SAMPLE_BYTES: u64 = 8;

/// A frame as it was handed over.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// The merge, in the lit frame's layout.
    pub merged: Samples,
    /// Its mask at full size.
    pub mask: Plane<u16>,
    /// What was decided.
    pub decision: Decision,
}

/// Why what was kept cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum KeptError {
    /// The archive is broken.
    #[error("the archive cannot be read")]
    Archive(#[from] zip::result::ZipError),
    /// The system fails.
    #[error("it cannot be read")]
    Io(#[from] std::io::Error),
    /// The text is broken.
    #[error("what was decided cannot be read")]
    Text(#[from] serde_json::Error),
    /// A picture is broken.
    #[error("`{0}` in it cannot be read")]
    Picture(&'static str, #[source] PhotoErrorKind),
    /// Parts that do not belong together.
    #[error("{0}")]
    DoesNotFit(&'static str),
}

/// The text.
#[derive(Debug, Serialize, Deserialize)]
struct Text {
    version: u32,
    size: [usize; 2],
    /// Left, top, right, bottom of the mask; none for an empty one.
    window: Option<[usize; 4]>,
    lie: Lie,
    labels: Vec<Label>,
}

/// Writes what merging again needs.
///
/// # Errors
/// [`PhotoErrorKind`] when `out` cannot be written.
///
/// # Panics
/// Never: a decision can be written down.
pub fn write_kept(
    out: &mut (impl Write + Seek),
    merged: &Samples,
    mask: &Plane<u16>,
    decision: &Decision,
) -> Result<(), PhotoErrorKind> {
    let window = window_of(mask);
    let text = Text {
        version: VERSION,
        size: [merged.size.columns, merged.size.rows],
        window: window.map(|w| [w.left, w.top, w.right, w.bottom]),
        lie: decision.lie.clone(),
        labels: decision.labels.clone(),
    };
    let text = serde_json::to_vec(&text).expect("a decision has string keys only");
    let mut pictures = vec![(PIECES, Picture::Pieces), (SKY, Picture::Sky)];
    if let Some(window) = window {
        pictures.push((MASK, Picture::Mask(window)));
        pictures.push((MERGED, Picture::Merged(window)));
    }
    let encoded: Vec<_> = pictures
        .into_par_iter()
        .map(|(name, picture)| {
            let mut png = Vec::new();
            picture.encode(&mut png, (merged, mask), decision)?;
            Ok((name, png))
        })
        .collect::<Result<_, PhotoErrorKind>>()?;
    let failed = |e: zip::result::ZipError| PhotoErrorKind::Io(e.into());
    let mut zip = ZipWriter::new(out);
    let mut put = |name: &str, method, bytes: &[u8]| -> Result<(), PhotoErrorKind> {
        // No time of day goes in: the same frame gives the same bytes.
        let options = SimpleFileOptions::default()
            .compression_method(method)
            .last_modified_time(zip::DateTime::default());
        zip.start_file(name, options).map_err(failed)?;
        Ok(zip.write_all(bytes)?)
    };
    put(DECISION, CompressionMethod::Deflated, &text)?;
    for (name, bytes) in encoded {
        put(name, CompressionMethod::Stored, &bytes)?;
    }
    zip.finish().map_err(failed)?;
    Ok(())
}

/// Reads what was kept of the clean-up of `lit`.
///
/// # Errors
/// [`KeptError`] when it is broken or belongs to another frame.
pub fn read_kept(file: impl Read + Seek, lit: &Samples) -> Result<Kept, KeptError> {
    let mut archive = ZipArchive::new(file)?;
    let text: Text = serde_json::from_slice(&entry(&mut archive, DECISION, MAX_TEXT_BYTES)?)?;
    let other = KeptError::DoesNotFit;
    if text.version != VERSION {
        return Err(other("it is of another version of derig"));
    }
    if text.size != [lit.size.columns, lit.size.rows] {
        return Err(other("it belongs to a frame of another size"));
    }
    let pieces = pieces_of(&picture(&mut archive, PIECES, lit.size)?);
    let working = |side: usize| (side / text.lie.factor.max(1)).max(1);
    if [pieces.columns(), pieces.rows()] != text.size.map(working) {
        return Err(other("its pieces are of another size"));
    }
    let sky = picture(&mut archive, SKY, lit.size)?;
    if sky.size != pieces.size() {
        return Err(other("its sky is of another size"));
    }
    let most = pieces.as_slice().par_iter().max().copied().unwrap_or(0);
    if most as usize > text.labels.len() {
        return Err(other("it has pieces that were taken for nothing"));
    }
    let mut kept = Kept {
        merged: lit.clone(),
        mask: Plane::filled(lit.size, 0),
        decision: Decision {
            lie: text.lie,
            sky: Plane::from_fn(sky.size, |x, y| sky.code(x, y, 0) > 0),
            pieces,
            labels: text.labels,
        },
    };
    if let Some(window) = text.window {
        let window = checked(window, lit.size).ok_or(other("its mask lies outside the frame"))?;
        let mask = picture(&mut archive, MASK, lit.size)?;
        let merged = picture(&mut archive, MERGED, lit.size)?;
        kept.put_back(&mask, &merged, window)?;
    }
    Ok(kept)
}

impl Kept {
    fn put_back(
        &mut self,
        mask: &Samples,
        merged: &Samples,
        window: Window,
    ) -> Result<(), KeptError> {
        let layout = self.merged.layout;
        let fits = mask.size == window.size()
            && merged.size == window.size()
            && merged.layout.colours() == layout.colours()
            && merged.bits() == self.merged.bits()
            && mask.bits() == 16;
        if !fits {
            return Err(KeptError::DoesNotFit("its pictures are of another kind"));
        }
        for y in 0..window.rows() {
            for x in 0..window.columns() {
                let share = mask.code(x, y, 0);
                if share == 0 {
                    continue;
                }
                let at = (window.left + x, window.top + y);
                self.mask.set(at.0, at.1, share);
                for c in 0..layout.colours() {
                    self.merged.set_code(at.0, at.1, c, merged.code(x, y, c));
                }
            }
        }
        Ok(())
    }
}

fn entry(
    archive: &mut ZipArchive<impl Read + Seek>,
    name: &str,
    most: u64,
) -> Result<Vec<u8>, KeptError> {
    let mut entry = archive.by_name(name)?;
    let mut bytes = Vec::new();
    (&mut entry).take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// A picture that is no larger than the frame it belongs to: what says it is, is not unpacked.
fn picture(
    archive: &mut ZipArchive<impl Read + Seek>,
    name: &'static str,
    frame: Size,
) -> Result<Samples, KeptError> {
    let samples = (frame.area() as u64).saturating_mul(MAX_SAMPLE_BYTES);
    let limits = ReadLimits {
        max_pixels: frame.area() as u64,
        max_bytes: samples,
        max_file_bytes: samples.saturating_mul(2).saturating_add(MAX_TEXT_BYTES),
    };
    let bytes = entry(archive, name, limits.max_file_bytes)?;
    let photo = photo::read_bytes(bytes, &limits).map_err(|e| KeptError::Picture(name, e))?;
    Ok(photo.samples)
}

fn checked([left, top, right, bottom]: [usize; 4], size: Size) -> Option<Window> {
    let inside = left < right && top < bottom && right <= size.columns && bottom <= size.rows;
    inside.then_some(Window {
        left,
        top,
        right,
        bottom,
    })
}

/// The smallest window with all of the mask; `None` for an empty one.
fn window_of(mask: &Plane<u16>) -> Option<Window> {
    let spans: Vec<Option<(usize, usize)>> = (0..mask.rows())
        .into_par_iter()
        .map(|y| {
            let row = mask.row(y);
            // Most rows have nothing, which is seen faster of all at once.
            if row.iter().fold(0, |any, &s| any | s) == 0 {
                return None;
            }
            let left = row.iter().position(|&s| s > 0)?;
            let right = row.iter().rposition(|&s| s > 0)? + 1;
            Some((left, right))
        })
        .collect();
    let top = spans.iter().position(Option::is_some)?;
    let bottom = spans.iter().rposition(Option::is_some)? + 1;
    let found = || spans.iter().flatten();
    Some(Window {
        left: found().map(|s| s.0).min()?,
        top,
        right: found().map(|s| s.1).max()?,
        bottom,
    })
}

/// One of the pictures that are kept.
#[derive(Debug, Clone, Copy)]
enum Picture {
    Pieces,
    Sky,
    /// Cut to a window.
    Mask(Window),
    /// Likewise.
    Merged(Window),
}

impl Picture {
    fn encode(
        self,
        out: &mut Vec<u8>,
        (merged, mask): (&Samples, &Plane<u16>),
        decision: &Decision,
    ) -> Result<(), PhotoErrorKind> {
        let rows = |size, layout, bits| RowsOf { size, layout, bits };
        match self {
            Self::Pieces => {
                let pieces = &decision.pieces;
                let rows = rows(pieces.size(), ChannelLayout::Rgb, 8);
                write_png_rows(out, rows, None, |y, row| {
                    for (out, n) in row.as_chunks_mut::<3>().0.iter_mut().zip(pieces.row(y)) {
                        let [_, r, g, b] = n.to_be_bytes();
                        *out = [r, g, b];
                    }
                })
            }
            Self::Sky => {
                let rows = rows(decision.sky.size(), ChannelLayout::Grey, 8);
                write_png_rows(out, rows, None, |y, row| {
                    for (out, &open) in row.iter_mut().zip(decision.sky.row(y)) {
                        *out = if open { u8::MAX } else { 0 };
                    }
                })
            }
            Self::Mask(window) => {
                let rows = rows(window.size(), ChannelLayout::Grey, 16);
                write_png_rows(out, rows, None, |y, row| {
                    let shares = &mask.row(window.top + y)[window.left..window.right];
                    for (out, share) in row.as_chunks_mut::<2>().0.iter_mut().zip(shares) {
                        *out = share.to_be_bytes();
                    }
                })
            }
            Self::Merged(window) => {
                let layout = match merged.layout {
                    ChannelLayout::Grey | ChannelLayout::GreyAlpha => ChannelLayout::Grey,
                    ChannelLayout::Rgb | ChannelLayout::Rgba => ChannelLayout::Rgb,
                };
                let rows = rows(window.size(), layout, merged.bits());
                write_png_rows(out, rows, None, |y, row| {
                    merged_row(merged, mask, (window, y), layout.count(), row);
                })
            }
        }
    }
}

/// The row `y` of a window of the merge, in PNG's order of bytes; 0 where it is the lit frame's.
fn merged_row(
    merged: &Samples,
    mask: &Plane<u16>,
    (window, y): (Window, usize),
    colours: usize,
    out: &mut [u8],
) {
    let y = window.top + y;
    let step = merged.layout.count();
    let first = y * mask.columns() + window.left;
    let samples = first * step..(first + window.columns()) * step;
    let shares = &mask.row(y)[window.left..window.right];
    out.fill(0);
    match &merged.values {
        CodeValues::Eight(values) => {
            let pixels = values[samples].chunks_exact(step).zip(shares);
            for (out, (pixel, &share)) in out.chunks_exact_mut(colours).zip(pixels) {
                if share > 0 {
                    out.copy_from_slice(&pixel[..colours]);
                }
            }
        }
        CodeValues::Sixteen(values) => {
            let pixels = values[samples].chunks_exact(step).zip(shares);
            for (out, (pixel, &share)) in out.chunks_exact_mut(2 * colours).zip(pixels) {
                if share > 0 {
                    for (out, code) in out.as_chunks_mut::<2>().0.iter_mut().zip(pixel) {
                        *out = code.to_be_bytes();
                    }
                }
            }
        }
    }
}

fn pieces_of(picture: &Samples) -> Plane<u32> {
    Plane::from_fn(picture.size, |x, y| {
        (0..picture.layout.colours()).fold(0, |n, c| n << 8 | u32::from(picture.code(x, y, c)))
    })
}
