//! OpenRaster out (draft specification 0.0.5, baseline 0.0.3 of `stack.xml`, freedesktop.org).

use std::borrow::Cow;
use std::io::{Cursor, Seek, Write};

use maud::html;
use rayon::prelude::*;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use super::layers::{Parts, Visibility};
use crate::photo::{self, Format, Metadata, PhotoErrorKind, PhotoWarning, ResolutionUnit};
use crate::scene::{Encoding, Samples};

/// The first entry's name and contents.
pub(super) const MIMETYPE: (&str, &str) = ("mimetype", "image/openraster");
pub(super) const STACK: &str = "stack.xml";
pub(super) const MERGED: &str = "mergedimage.png";
const THUMBNAIL: &str = "Thumbnails/thumbnail.png";
/// Version of the baseline that `stack.xml` follows.
const VERSION: &str = "0.0.3";
/// Largest side of the thumbnail, pixels.
const THUMBNAIL_SIDE: usize = 256;
/// Pictures that are encoded side by side: more would fill the memory before they fill the cores.
const PICTURES_AT_ONCE: usize = 2;
/// Resolution where the lit frame tells none, pixels an inch (the specification's default).
const DEFAULT_RESOLUTION: f64 = 72.0;

/// Writes a frame's layers as one OpenRaster file; hands back what could not be kept.
///
/// `metadata` and `encoding` are the lit frame's; its profile (sRGB where it has none) goes into
/// every layer. Holds a copy of two layers and their PNGs at a time.
///
/// # Errors
/// [`PhotoErrorKind`] when `out` cannot be written or a layer cannot be encoded.
pub fn write(
    out: &mut (impl Write + Seek),
    parts: &Parts<'_>,
    metadata: &Metadata,
    encoding: &Encoding,
) -> Result<Vec<PhotoWarning>, PhotoErrorKind> {
    let colours = metadata.colours_only();
    let mut file = Entries {
        zip: ZipWriter::new(out),
        warnings: Vec::new(),
    };
    file.put(MIMETYPE.0, CompressionMethod::Stored, MIMETYPE.1.as_bytes())?;
    let layers = parts.layers();
    let listed: Vec<_> = layers.iter().map(|l| (l.kind, l.visibility)).collect();
    let stack = stack_xml(parts, &listed, metadata);
    file.put(STACK, CompressionMethod::Deflated, stack.as_bytes())?;
    let merged = (MERGED, Cow::Borrowed(parts.merged));
    let pictures: Vec<_> = layers
        .into_iter()
        .map(|layer| (layer.kind.source(), layer.samples))
        .chain([merged])
        .collect();
    file.pictures(pictures, &colours)?;
    let thumbnail = photo::screen_copy(parts.merged, encoding, THUMBNAIL_SIDE);
    let thumbnail = vec![(THUMBNAIL, Cow::Owned(thumbnail))];
    file.pictures(thumbnail, &Metadata::default().colours_only())?;
    file.zip.finish().map_err(failed)?;
    Ok(file.warnings)
}

fn failed(error: zip::result::ZipError) -> PhotoErrorKind {
    PhotoErrorKind::Io(error.into())
}

struct Entries<W: Write + Seek> {
    zip: ZipWriter<W>,
    warnings: Vec<PhotoWarning>,
}

impl<W: Write + Seek> Entries<W> {
    fn put(
        &mut self,
        name: &str,
        method: CompressionMethod,
        bytes: &[u8],
    ) -> Result<(), PhotoErrorKind> {
        // No time of day goes in: the same frame gives the same bytes.
        let options = SimpleFileOptions::default()
            .compression_method(method)
            .last_modified_time(zip::DateTime::default())
            .large_file(bytes.len() > u32::MAX as usize);
        self.zip.start_file(name, options).map_err(failed)?;
        Ok(self.zip.write_all(bytes)?)
    }

    /// PNGs are compressed already, and are stored.
    fn pictures(
        &mut self,
        mut pictures: Vec<(&str, Cow<'_, Samples>)>,
        metadata: &Metadata,
    ) -> Result<(), PhotoErrorKind> {
        while !pictures.is_empty() {
            let next: Vec<_> = pictures
                .drain(..pictures.len().min(PICTURES_AT_ONCE))
                .collect();
            let encoded: Vec<_> = next
                .into_par_iter()
                .map(|(name, samples)| Ok((name, png(samples.into_owned(), metadata)?)))
                .collect::<Result<_, PhotoErrorKind>>()?;
            for (name, (bytes, lost)) in encoded {
                self.warnings.extend(lost);
                self.put(name, CompressionMethod::Stored, &bytes)?;
            }
        }
        Ok(())
    }
}

fn png(
    samples: Samples,
    metadata: &Metadata,
) -> Result<(Vec<u8>, Vec<PhotoWarning>), PhotoErrorKind> {
    let mut png = Cursor::new(Vec::new());
    let lost = photo::encode(&mut png, samples, metadata, Format::Png)?;
    Ok((png.into_inner(), lost))
}

type Listed = (super::LayerKind, Visibility);

fn stack_xml(parts: &Parts<'_>, layers: &[Listed], metadata: &Metadata) -> String {
    let [xres, yres] = resolution(metadata);
    let stack = html! {
        image version=(VERSION) w=(parts.size().columns) h=(parts.size().rows)
            xres=(xres) yres=(yres) {
            stack {
                @for (kind, visibility) in layers {
                    layer name=(kind.name()) src=(kind.source()) x="0" y="0" opacity="1.0"
                        visibility=(visibility_word(*visibility)) composite-op="svg:src-over" {}
                }
            }
        }
    };
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n",
        stack.into_string()
    )
}

fn visibility_word(visibility: Visibility) -> &'static str {
    match visibility {
        Visibility::Visible => "visible",
        Visibility::Hidden => "hidden",
    }
}

/// Pixels an inch; the file format takes whole numbers.
fn resolution(metadata: &Metadata) -> [u32; 2] {
    let told = metadata
        .resolution
        .filter(|r| r.unit != ResolutionUnit::AspectOnly)
        .map(|r| r.counted_in(ResolutionUnit::Inch))
        .map_or([DEFAULT_RESOLUTION; 2], |r| [r.x, r.y]);
    told.map(|v| v.round().max(1.0) as u32)
}
