//! OpenRaster in: files from editors, and files that only look like it.
//!
//! Nothing is unpacked to the disk. Entries are taken by the exact name that `stack.xml` gives, and
//! only what it names is opened; sizes are limited before and while bytes are unpacked.

use std::io::{Read, Seek};

use roxmltree::{Document, Node, ParsingOptions};
use zip::{CompressionMethod, ZipArchive};

use super::layers::{LayerKind, Visibility};
use super::openraster::{MIMETYPE, STACK};
use crate::photo::{self, Photo, PhotoErrorKind, ReadLimits};
use crate::scene::{ChannelLayout, Plane, Size};

/// What a file may ask for before it is turned away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Of each layer's picture.
    pub picture: ReadLimits,
    /// Most bytes of all layers' decoded samples together.
    pub max_bytes: u64,
    /// Most layers.
    pub max_layers: usize,
}

impl Default for Limits {
    /// Six layers of the largest picture that is read at all at 8 bits RGBA are more than an edited
    /// frame needs; a hundred layers are more than a retoucher keeps.
    fn default() -> Self {
        Self {
            picture: ReadLimits::default(),
            max_bytes: 8_000_000_000,
            max_layers: 100,
        }
    }
}

/// Longest `stack.xml`, bytes: a thousand layers with long names.
const MAX_STACK_BYTES: u64 = 1 << 20;
/// Most entries of the archive; layers, previews and what editors add.
const MAX_ENTRIES: usize = 10_000;
/// Deepest nesting of stacks.
const MAX_DEPTH: usize = 32;

/// A file that came back from an editor.
#[derive(Debug, Clone)]
pub struct HandedBack {
    /// Extent of the picture.
    pub size: Size,
    /// Its layers, the top one first, nested stacks opened out.
    pub layers: Vec<LayerBack>,
}

impl HandedBack {
    /// The layer of a kind, by its name; the topmost where an editor left two.
    pub fn layer(&self, kind: LayerKind) -> Option<&LayerBack> {
        self.layers.iter().find(|l| l.name == kind.name())
    }

    /// The mask that was painted: the patch's alpha with its opacity; empty where the patch is
    /// hidden; `None` when there is no patch.
    pub fn mask(&self) -> Option<Plane<u16>> {
        Some(self.layer(LayerKind::Patch)?.coverage(self.size))
    }
}

/// One layer of it.
#[derive(Debug, Clone)]
pub struct LayerBack {
    /// As the editor's list shows it.
    pub name: String,
    /// Column and row of its upper left corner in the picture; may lie outside.
    pub place: [i64; 2],
    /// Opacity with that of the stacks round it, 0..1.
    pub opacity: f64,
    /// Does it show?
    pub visibility: Visibility,
    /// How it is laid over what is below, `svg:src-over` unless told otherwise.
    pub composite: String,
    /// Its picture.
    pub photo: Photo,
}

impl LayerBack {
    /// How much of each pixel of the picture the layer covers: alpha times opacity, 0 outside of
    /// it and where it is hidden.
    pub fn coverage(&self, size: Size) -> Plane<u16> {
        let own = self.photo.samples.size;
        let alpha = match self.photo.samples.layout {
            ChannelLayout::GreyAlpha => Some(1),
            ChannelLayout::Rgba => Some(3),
            ChannelLayout::Grey | ChannelLayout::Rgb => None,
        };
        // 65 535 = 255 x 257.
        let scale = if self.photo.samples.bits() == 8 {
            257
        } else {
            1
        };
        let opacity = match self.visibility {
            Visibility::Visible => self.opacity,
            Visibility::Hidden => 0.0,
        };
        Plane::from_fn(size, |x, y| {
            let inside = |at: usize, start: i64, length: usize| {
                usize::try_from(at as i64 - start)
                    .ok()
                    .filter(|&at| at < length)
            };
            let at = (
                inside(x, self.place[0], own.columns),
                inside(y, self.place[1], own.rows),
            );
            let (Some(x), Some(y)) = at else { return 0 };
            let share = alpha.map_or(u16::MAX, |c| self.photo.samples.code(x, y, c) * scale);
            // Exact where the opacity is 1: an unpainted mask comes back bit by bit.
            (f64::from(share) * opacity).round() as u16
        })
    }
}

/// Why a file is no OpenRaster file that can be taken back.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenRasterError {
    /// The system or the archive fails.
    #[error("the archive cannot be read")]
    Archive(#[source] zip::result::ZipError),
    /// Another kind of archive.
    #[error("it is no OpenRaster file: its first entry does not say `image/openraster`")]
    NotOpenRaster,
    /// Something that must be there is not.
    #[error("there is no `{0}` in it")]
    Missing(String),
    /// The list of layers is broken.
    #[error("its list of layers is broken: {0}")]
    Stack(String),
    /// A layer's path leads out of the archive.
    #[error("its layer `{layer}` names the file `{source_path}` outside of it")]
    PathOutside {
        /// Layer.
        layer: String,
        /// As named.
        source_path: String,
    },
    /// More than the limits allow.
    #[error("it asks for {what}: more than the {most} that are read")]
    TooMuch {
        /// What.
        what: String,
        /// Limit.
        most: u64,
    },
    /// A layer's picture is broken.
    #[error("its layer `{layer}` cannot be read")]
    Layer {
        /// Layer.
        layer: String,
        /// Why.
        #[source]
        source: PhotoErrorKind,
    },
}

impl OpenRasterError {
    /// The way out, shown as `hint: …`.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Archive(_) | Self::Missing(_) | Self::Stack(_) | Self::Layer { .. } => {
                "save it again from the editor as OpenRaster"
            }
            Self::NotOpenRaster => "name the `.ora` file that derig wrote or the editor saved",
            Self::PathOutside { .. } | Self::TooMuch { .. } => {
                "use only files that you or derig made"
            }
        }
    }
}

/// Reads an OpenRaster file with its layers' samples as decoded.
///
/// # Errors
/// [`OpenRasterError`] when it is something else, broken, or asks for more than `limits` allow.
pub fn read(file: impl Read + Seek, limits: &Limits) -> Result<HandedBack, OpenRasterError> {
    let mut archive = ZipArchive::new(file).map_err(OpenRasterError::Archive)?;
    if archive.len() > MAX_ENTRIES {
        return Err(OpenRasterError::TooMuch {
            what: format!("{} entries", archive.len()),
            most: MAX_ENTRIES as u64,
        });
    }
    check_mimetype(&mut archive)?;
    let stack = entry(&mut archive, STACK, MAX_STACK_BYTES)?;
    let stack = String::from_utf8(stack)
        .map_err(|_| OpenRasterError::Stack("it is not UTF-8".to_owned()))?;
    let (size, listed) = listed_layers(&stack, limits)?;
    let mut room = limits.max_bytes;
    let mut layers = Vec::with_capacity(listed.len());
    for layer in listed {
        layers.push(layer.taken(&mut archive, limits, &mut room)?);
    }
    Ok(HandedBack { size, layers })
}

fn check_mimetype(archive: &mut ZipArchive<impl Read + Seek>) -> Result<(), OpenRasterError> {
    let mut first = archive
        .by_index(0)
        .map_err(|_| OpenRasterError::NotOpenRaster)?;
    let stored = first.compression() == CompressionMethod::Stored;
    let mut said = Vec::new();
    let length = MIMETYPE.1.len() as u64;
    let read = (&mut first).take(length + 2).read_to_end(&mut said);
    let said = said.trim_ascii_end();
    let named = first.name().is_ok_and(|name| name == MIMETYPE.0);
    let is_said = named && read.is_ok() && said == MIMETYPE.1.as_bytes();
    if stored && is_said {
        Ok(())
    } else {
        Err(OpenRasterError::NotOpenRaster)
    }
}

/// An entry's bytes; `most` holds for what it says of itself and for what really comes out.
fn entry(
    archive: &mut ZipArchive<impl Read + Seek>,
    name: &str,
    most: u64,
) -> Result<Vec<u8>, OpenRasterError> {
    let too_much = |bytes: u64| OpenRasterError::TooMuch {
        what: format!("{bytes} bytes or more for `{name}`"),
        most,
    };
    let mut entry = archive.by_name(name).map_err(|e| match e {
        zip::result::ZipError::FileNotFound => OpenRasterError::Missing(name.to_owned()),
        other => OpenRasterError::Archive(other),
    })?;
    if entry.size() > most {
        return Err(too_much(entry.size()));
    }
    let mut bytes = Vec::new();
    (&mut entry)
        .take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| OpenRasterError::Archive(e.into()))?;
    if bytes.len() as u64 > most {
        return Err(too_much(bytes.len() as u64));
    }
    Ok(bytes)
}

/// A layer as `stack.xml` lists it.
struct Listed {
    name: String,
    source: String,
    place: [i64; 2],
    opacity: f64,
    visibility: Visibility,
    composite: String,
}

impl Listed {
    fn taken(
        self,
        archive: &mut ZipArchive<impl Read + Seek>,
        limits: &Limits,
        room: &mut u64,
    ) -> Result<LayerBack, OpenRasterError> {
        let bytes = entry(archive, &self.source, limits.picture.max_file_bytes)?;
        let picture = ReadLimits {
            max_bytes: limits.picture.max_bytes.min(*room),
            ..limits.picture
        };
        let photo =
            photo::read_bytes(bytes, &picture).map_err(|source| OpenRasterError::Layer {
                layer: self.name.clone(),
                source,
            })?;
        let samples = &photo.samples;
        let pixel = samples.layout.count() * usize::from(samples.bits() / 8);
        *room = room.saturating_sub((samples.size.area() * pixel) as u64);
        Ok(LayerBack {
            name: self.name,
            place: self.place,
            opacity: self.opacity,
            visibility: self.visibility,
            composite: self.composite,
            photo,
        })
    }
}

fn broken(what: impl Into<String>) -> OpenRasterError {
    OpenRasterError::Stack(what.into())
}

fn listed_layers(text: &str, limits: &Limits) -> Result<(Size, Vec<Listed>), OpenRasterError> {
    // No document type: entities are how a short text grows without end.
    let options = ParsingOptions {
        allow_dtd: false,
        ..ParsingOptions::default()
    };
    let document =
        Document::parse_with_options(text, options).map_err(|e| broken(e.to_string()))?;
    let image = document.root_element();
    if image.tag_name().name() != "image" {
        return Err(broken("its root is not `image`"));
    }
    let side = |name| -> Result<usize, OpenRasterError> {
        let told = image.attribute(name).and_then(|v| v.trim().parse().ok());
        told.filter(|&v| v > 0)
            .ok_or_else(|| broken(format!("`{name}` of the image is no number of pixels")))
    };
    let size = Size {
        columns: side("w")?,
        rows: side("h")?,
    };
    let most = limits.picture.max_pixels;
    if (size.columns as u64).saturating_mul(size.rows as u64) > most {
        let what = format!("a picture of {size}");
        return Err(OpenRasterError::TooMuch { what, most });
    }
    let stack = image
        .children()
        .find(|n| n.has_tag_name("stack"))
        .ok_or_else(|| broken("there is no `stack` in it"))?;
    let mut layers = Vec::new();
    let outermost = Around {
        place: [0, 0],
        opacity: 1.0,
        visibility: Visibility::Visible,
        depth: 0,
    };
    open_out(stack, outermost, limits.max_layers, &mut layers)?;
    Ok((size, layers))
}

/// What the stacks round a layer do to it.
#[derive(Clone, Copy)]
struct Around {
    place: [i64; 2],
    opacity: f64,
    visibility: Visibility,
    depth: usize,
}

fn open_out(
    stack: Node<'_, '_>,
    around: Around,
    most: usize,
    layers: &mut Vec<Listed>,
) -> Result<(), OpenRasterError> {
    if around.depth > MAX_DEPTH {
        return Err(broken("its stacks are nested too deep"));
    }
    for node in stack.children().filter(Node::is_element) {
        let inner = within(node, around)?;
        match node.tag_name().name() {
            "stack" => open_out(node, inner, most, layers)?,
            "layer" => layers.push(listed(node, inner)?),
            // Editors add elements of their own.
            _ => {}
        }
        if layers.len() > most {
            return Err(OpenRasterError::TooMuch {
                what: format!("{} layers or more", layers.len()),
                most: most as u64,
            });
        }
    }
    Ok(())
}

fn within(node: Node<'_, '_>, around: Around) -> Result<Around, OpenRasterError> {
    let offset = |name| match node.attribute(name) {
        None => Ok(0),
        Some(v) => v
            .trim()
            .parse::<i32>()
            .map_err(|_| broken(format!("`{name}` of a layer is no number of pixels"))),
    };
    let opacity = match node.attribute("opacity").map(|v| v.trim().parse::<f64>()) {
        None => 1.0,
        Some(Ok(v)) if (0.0..=1.0).contains(&v) => v,
        Some(_) => return Err(broken("the opacity of a layer is not between 0 and 1")),
    };
    let hidden = node.attribute("visibility") == Some("hidden");
    Ok(Around {
        place: [
            around.place[0] + i64::from(offset("x")?),
            around.place[1] + i64::from(offset("y")?),
        ],
        opacity: around.opacity * opacity,
        visibility: if hidden {
            Visibility::Hidden
        } else {
            around.visibility
        },
        depth: around.depth + 1,
    })
}

fn listed(node: Node<'_, '_>, inner: Around) -> Result<Listed, OpenRasterError> {
    let name = node.attribute("name").unwrap_or_default().to_owned();
    let source = node
        .attribute("src")
        .ok_or_else(|| broken(format!("the layer `{name}` has no picture")))?;
    if is_outside(source) {
        return Err(OpenRasterError::PathOutside {
            layer: name,
            source_path: source.to_owned(),
        });
    }
    Ok(Listed {
        name,
        source: source.to_owned(),
        place: inner.place,
        opacity: inner.opacity,
        visibility: inner.visibility,
        composite: node
            .attribute("composite-op")
            .unwrap_or("svg:src-over")
            .to_owned(),
    })
}

/// Absolute, with a drive letter, or climbing: no path within an archive is.
fn is_outside(path: &str) -> bool {
    path.is_empty()
        || path.starts_with('/')
        || path.contains(['\\', ':', '\0'])
        || path.split('/').any(|part| part == "..")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn listed_in(stack: &str) -> Result<Vec<Listed>, OpenRasterError> {
        let text = format!("<image version='0.0.3' w='8' h='6'>{stack}</image>");
        listed_layers(&text, &Limits::default()).map(|(_, layers)| layers)
    }

    #[test]
    fn nested_stacks_hand_down_place_opacity_and_visibility() {
        let layers = listed_in(
            "<stack><layer name='a' src='data/a.png'/>\
             <stack x='2' y='-3' opacity='0.5' visibility='hidden'>\
             <layer name='b' src='data/b.png' x='1' opacity='0.5'/></stack></stack>",
        )
        .unwrap();
        assert_eq!(layers[0].name, "a");
        assert_eq!(layers[0].visibility, Visibility::Visible);
        let inner = &layers[1];
        assert_eq!(inner.place, [3, -3]);
        assert!((inner.opacity - 0.25).abs() < 1e-12);
        assert_eq!(inner.visibility, Visibility::Hidden);
    }

    #[test]
    fn paths_that_climb_are_told_from_paths_within() {
        for path in ["../a", "data/../../a", "/etc/passwd", "C:/a", "data\\a", ""] {
            assert!(is_outside(path), "{path}");
        }
        for path in ["data/a.png", "data/a..b.png", "a.png"] {
            assert!(!is_outside(path), "{path}");
        }
    }

    #[test]
    fn a_stack_that_makes_no_sense_is_refused() {
        for stack in [
            "",
            "<stack><layer name='a'/></stack>",
            "<stack><layer src='a.png' opacity='7'/></stack>",
            "<stack><layer src='a.png' x='far'/></stack>",
            "<stack><layer src='a.png'>",
        ] {
            assert!(listed_in(stack).is_err(), "{stack}");
        }
        let deep = "<stack>".repeat(40) + &"</stack>".repeat(40);
        assert!(listed_in(&deep).is_err());
        let entity = "<!DOCTYPE image [<!ENTITY a 'b'>]><image w='1' h='1'><stack/></image>";
        assert!(listed_layers(entity, &Limits::default()).is_err());
    }
}
