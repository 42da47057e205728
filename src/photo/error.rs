//! What can be wrong with a picture file, in words a photographer can act on.

use std::path::{Path, PathBuf};

use super::Format;
use crate::scene::Size;

/// A file that could not be read or written; the cause is its [`source`](std::error::Error::source).
#[derive(Debug, thiserror::Error)]
#[error("cannot {action} `{}`", path.display())]
#[non_exhaustive]
pub struct PhotoError {
    /// As the user named it.
    pub path: PathBuf,
    /// `read` or `write`.
    pub action: &'static str,
    /// What is wrong.
    #[source]
    pub kind: PhotoErrorKind,
}

impl PhotoError {
    pub(super) fn reading(path: &Path, kind: PhotoErrorKind) -> Self {
        let path = path.to_owned();
        Self {
            path,
            action: "read",
            kind,
        }
    }

    pub(super) fn writing(path: &Path, kind: PhotoErrorKind) -> Self {
        let path = path.to_owned();
        Self {
            path,
            action: "write",
            kind,
        }
    }

    /// The way out, shown as `hint: …`.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        self.kind.hint()
    }
}

/// What is wrong with a file.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PhotoErrorKind {
    /// The system refuses.
    #[error(transparent)]
    Io(#[from] std::io::Error),
    /// No byte in it.
    #[error("the file is empty")]
    Empty,
    /// Content of another kind.
    #[error("it is not a JPEG, PNG or TIFF picture{}", looks_like.map(|l| format!(": it looks like {l}")).unwrap_or_default())]
    NotAPicture {
        /// What it seems to be.
        looks_like: Option<&'static str>,
    },
    /// The bytes end too early.
    #[error("the file ends before the picture does")]
    Truncated,
    /// The bytes contradict themselves.
    #[error("the {format} data is damaged: {what}")]
    Damaged {
        /// Format by content.
        format: Format,
        /// The decoder's words.
        what: String,
    },
    /// A fault of the decoder, told here so that the other files of a run are cleaned.
    #[error("its decoder broke down over it")]
    DecoderBrokeDown,
    /// Four inks.
    #[error("its colours are CMYK")]
    Cmyk,
    /// Samples that are no light of a camera file.
    #[error("it holds {what}")]
    Unsupported {
        /// What is not read.
        what: String,
    },
    /// No pixel in it.
    #[error("it is {0}: there is no pixel in it")]
    NoPixels(Size),
    /// More pixels than the limits allow.
    #[error("it says it is {size}, more than the {max_megapixels} megapixels that are read")]
    TooLarge {
        /// As the header says.
        size: Size,
        /// The limit.
        max_megapixels: u64,
    },
    /// More memory than the limits allow.
    #[error("its {size} pixels would need {needed_mb} MB, {max_mb} MB are allowed")]
    TooMuchMemory {
        /// As the header says.
        size: Size,
        /// Megabytes of decoded samples.
        needed_mb: u64,
        /// The limit.
        max_mb: u64,
    },
    /// The format cannot hold a picture of this extent.
    #[error("{format} cannot hold {size}: 65535 pixels a side at most")]
    TooLargeForFormat {
        /// Output format.
        format: Format,
        /// Extent of the picture.
        size: Size,
    },
    /// The encoder gave up.
    #[error("encoding as {format} failed: {what}")]
    Encode {
        /// Output format.
        format: Format,
        /// The encoder's words.
        what: String,
    },
    /// Something stands where the file should go.
    #[error("the file exists already")]
    Exists,
}

impl PhotoErrorKind {
    fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::Io(e) => match e.kind() {
                std::io::ErrorKind::NotFound => "check the path: no such file",
                std::io::ErrorKind::PermissionDenied => "check who may read or write there",
                std::io::ErrorKind::StorageFull => "make room on the disk and run again",
                std::io::ErrorKind::NotSeekable => "copy it into a file first: it is read twice",
                std::io::ErrorKind::IsADirectory => "name the picture files, not their folder",
                _ => return None,
            },
            Self::Empty | Self::Truncated => "copy the file from the card again",
            Self::DecoderBrokeDown => {
                "copy the file from the card again; tell us if it opens elsewhere"
            }
            Self::Damaged { .. } => "copy the file from the card again, or export it anew",
            Self::NotAPicture { .. } | Self::Unsupported { .. } => {
                "export it as TIFF, PNG or JPEG with 8 or 16 bits a channel"
            }
            Self::Cmyk => "export it as RGB: cleaning needs light, not ink",
            Self::NoPixels(_) | Self::TooLarge { .. } => "check the file in a viewer",
            Self::TooMuchMemory { .. } => "export it at 8 bits a channel, or smaller",
            Self::TooLargeForFormat { .. } => "write PNG or TIFF instead: `--format tiff`",
            Self::Exists => "name another folder, or allow it with `--overwrite`",
            Self::Encode { .. } => return None,
        })
    }
}

/// Something the user should know, though the work goes on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PhotoWarning {
    /// The profile has no curves and matrix to work with.
    #[error(
        "its colour profile is a lookup table: sRGB is assumed for the arithmetic, the profile is kept"
    )]
    LutProfile,
    /// The profile does not parse, or is made for other channels.
    #[error(
        "its colour profile cannot be used ({0}): sRGB is assumed for the arithmetic, the profile is kept"
    )]
    UnusableProfile(String),
    /// More pictures in the file.
    #[error("it holds more than one picture: only the first is read")]
    MorePictures,
    /// Name and content differ.
    #[error("it is a {0} file by content, whatever its name says")]
    OtherThanNamed(Format),
    /// EXIF that does not parse.
    #[error("its EXIF data cannot be read and is left out")]
    UnreadableExif,
    /// Does not fit the output format.
    #[error("{what} does not fit into {format} and is left out")]
    LeftOut {
        /// What is lost.
        what: &'static str,
        /// Output format.
        format: Format,
    },
    /// The output format holds fewer bits.
    #[error("JPEG holds 8 bits a channel: the 16 bits are rounded")]
    DepthReduced,
}
