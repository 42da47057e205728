//! Paths in JSON, whatever bytes they hold.
//!
//! A path that is Unicode is written as it is. One that is not becomes a `file` URI (RFC 8089) with its
//! bytes percent-encoded (RFC 3986, section 2.1), so that a plan or a report can be written, moved through
//! any scheduler and read again.

use std::path::{Path, PathBuf};

use serde::de::Error as DeError;
use serde::ser::Error as SerError;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

const SCHEME: &str = "file://";
/// Folder in the output folder for what merging again needs.
pub(super) const REDO_FOLDER: &str = "for-redo";

/// A path as text; none where the system's paths are no bytes.
fn text_of(path: &Path) -> Option<String> {
    match path.to_str() {
        Some(text) if !text.starts_with(SCHEME) => Some(text.to_owned()),
        _ => encoded(path),
    }
}

/// The path that a text stands for.
fn path_of(text: &str) -> Option<PathBuf> {
    match text.strip_prefix(SCHEME) {
        Some(encoded) => decoded(encoded),
        None => Some(PathBuf::from(text)),
    }
}

/// A path as reports tell it; where the system's paths are no bytes and it is no Unicode, only shown.
pub(super) fn told_path(path: &Path) -> String {
    text_of(path).unwrap_or_else(|| path.display().to_string())
}

/// The name of an output as reports tell it; one that is no Unicode with its whole path.
pub(super) fn told_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or_default().to_str();
    name.map_or_else(|| told_path(path), ToOwned::to_owned)
}

/// The path that a report tells.
pub(super) fn meant_path(text: &str) -> PathBuf {
    path_of(text).unwrap_or_else(|| text.into())
}

/// The output that a report tells, in the folder where the report is now.
pub(super) fn meant_output(folder: &Path, text: &str) -> PathBuf {
    let path = meant_path(text);
    let Some(name) = path.file_name().filter(|_| text.starts_with(SCHEME)) else {
        return folder.join(path);
    };
    let redo = Path::new(REDO_FOLDER);
    if path.parent().is_some_and(|parent| parent.ends_with(redo)) {
        folder.join(redo).join(name)
    } else {
        folder.join(name)
    }
}

#[cfg(unix)]
fn encoded(path: &Path) -> Option<String> {
    use std::fmt::Write as _;
    use std::os::unix::ffi::OsStrExt as _;

    let whole = std::path::absolute(path).ok()?;
    let mut text = SCHEME.to_owned();
    for &byte in whole.as_os_str().as_bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            text.push(char::from(byte));
        } else {
            // Writing into a `String` cannot fail.
            let _ = write!(text, "%{byte:02X}");
        }
    }
    Some(text)
}

#[cfg(unix)]
fn decoded(encoded: &str) -> Option<PathBuf> {
    use std::os::unix::ffi::OsStringExt as _;

    let mut bytes = Vec::with_capacity(encoded.len());
    let mut rest = encoded.as_bytes();
    while let Some((&first, more)) = rest.split_first() {
        rest = more;
        if first == b'%' {
            let digits = more.get(..2).and_then(|d| std::str::from_utf8(d).ok())?;
            bytes.push(u8::from_str_radix(digits, 16).ok()?);
            rest = &more[2..];
        } else {
            bytes.push(first);
        }
    }
    Some(std::ffi::OsString::from_vec(bytes).into())
}

#[cfg(not(unix))]
fn encoded(path: &Path) -> Option<String> {
    path.to_str().map(ToOwned::to_owned)
}

#[cfg(not(unix))]
fn decoded(encoded: &str) -> Option<PathBuf> {
    Some(PathBuf::from(format!("{SCHEME}{encoded}")))
}

const NO_TEXT: &str = "a path that is no Unicode";
const NO_PATH: &str = "a `file` URI that is not percent-encoded as it should be";

/// For `#[serde(with = "...")]` on a path.
pub(super) mod one {
    use super::{
        DeError as _, Deserialize as _, Deserializer, NO_PATH, NO_TEXT, Path, PathBuf,
        SerError as _, Serialize as _, Serializer, path_of, text_of,
    };

    pub(in crate::cli) fn serialize<S: Serializer>(path: &Path, to: S) -> Result<S::Ok, S::Error> {
        let text = text_of(path).ok_or_else(|| S::Error::custom(NO_TEXT))?;
        text.serialize(to)
    }

    pub(in crate::cli) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<PathBuf, D::Error> {
        let text = String::deserialize(from)?;
        path_of(&text).ok_or_else(|| D::Error::custom(NO_PATH))
    }
}

/// For `#[serde(with = "...")]` on a list of paths.
pub(super) mod list {
    use super::{
        DeError as _, Deserialize as _, Deserializer, NO_PATH, NO_TEXT, PathBuf, SerError as _,
        Serialize as _, Serializer, path_of, text_of,
    };

    pub(in crate::cli) fn serialize<S: Serializer>(
        paths: &[PathBuf],
        to: S,
    ) -> Result<S::Ok, S::Error> {
        let texts: Option<Vec<String>> = paths.iter().map(|p| text_of(p)).collect();
        let texts = texts.ok_or_else(|| S::Error::custom(NO_TEXT))?;
        texts.serialize(to)
    }

    pub(in crate::cli) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<Vec<PathBuf>, D::Error> {
        let texts = Vec::<String>::deserialize(from)?;
        let paths: Option<_> = texts.iter().map(|t| path_of(t)).collect();
        paths.ok_or_else(|| D::Error::custom(NO_PATH))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_of_unicode_stays_as_it_is() {
        for name in ["lit 1.jpg", "Übung/lit%20.jpg", ""] {
            assert_eq!(text_of(Path::new(name)).as_deref(), Some(name));
            assert_eq!(path_of(name), Some(PathBuf::from(name)));
        }
    }

    #[cfg(unix)]
    #[test]
    fn any_bytes_come_back_as_they_were() {
        use std::os::unix::ffi::OsStrExt as _;

        let all: Vec<u8> = (1..=255u8).filter(|&b| b != b'/').collect();
        let path = Path::new("/card").join(std::ffi::OsStr::from_bytes(&all));
        let text = text_of(&path).unwrap();
        assert!(
            text.is_ascii() && text.starts_with("file:///card/%01%02"),
            "{text}"
        );
        assert_eq!(path_of(&text), Some(path));
        // The folder may have moved since; what merging again needs is one folder down.
        let out = Path::new("/out");
        for place in ["", "for-redo"] {
            let name = std::ffi::OsStr::from_bytes(&all);
            let told = told_name(&Path::new("/was").join(place).join(name));
            assert_eq!(meant_output(out, &told), out.join(place).join(name));
        }
        assert_eq!(meant_output(out, "lit.png"), Path::new("/out/lit.png"));
        for torn in ["file:///a%F", "file:///a%", "file:///a%GG"] {
            assert_eq!(path_of(torn), None, "{torn}");
        }
    }
}
