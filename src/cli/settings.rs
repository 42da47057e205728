//! What a studio wants always the same: `derig.toml`, and what of it is in force.
//!
//! The file is looked for in the current folder and nowhere else, or named with `--settings`. The
//! command line wins over it, it wins over what is built in.

use std::fmt;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde::Deserialize;
use toml::Spanned;

use super::args::CleanArgs;
use super::choices::{LayerChoice, MaskDepth, MaskFormat, OutputFormat, PageChoice, RedoData};
use super::exit_status::ExitStatus;
use super::messages::Failure;
use super::text_files::read_at_most;

/// Name of the file that is looked for.
const FILE_NAME: &str = "derig.toml";
/// In the output folder's name: the folder of the lit frames.
const FOLDER_MARK: &str = "{folder}";
/// Longest settings file that is read, bytes: far more than all keys with comments need.
const MAX_BYTES: u64 = 1 << 20;

/// Where a value is from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Origin {
    CommandLine,
    File { path: PathBuf, line: usize },
    BuiltIn,
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CommandLine => f.write_str("command line"),
            Self::File { path, line } => write!(f, "{}, line {line}", path.display()),
            Self::BuiltIn => f.write_str("built in"),
        }
    }
}

/// A value and where it is from.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Setting<T> {
    pub(super) value: T,
    pub(super) origin: Origin,
}

impl<T> Setting<T> {
    pub(super) fn built_in(value: T) -> Self {
        let origin = Origin::BuiltIn;
        Self { value, origin }
    }

    fn chosen(typed: Option<T>, file: Option<Self>, built_in: T) -> Self {
        match typed {
            Some(value) => Self {
                value,
                origin: Origin::CommandLine,
            },
            None => file.unwrap_or_else(|| Self::built_in(built_in)),
        }
    }
}

/// The settings of `derig clean` that are in force.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct InForce {
    /// Output folder, `{folder}` in it not yet filled in.
    pub(super) out: Setting<Option<PathBuf>>,
    pub(super) format: Setting<OutputFormat>,
    /// JPEG quality; `None` keeps the tables of a JPEG input.
    pub(super) quality: Setting<Option<u8>>,
    pub(super) mask_depth: Setting<MaskDepth>,
    pub(super) mask_format: Setting<MaskFormat>,
    pub(super) layers: Setting<Vec<LayerChoice>>,
    pub(super) redo_data: Setting<RedoData>,
    pub(super) page: Setting<PageChoice>,
}

/// A settings file that cannot be followed.
#[derive(Debug, thiserror::Error)]
pub(super) enum SettingsError {
    #[error("cannot read the settings `{}`", .0.display())]
    Unreadable(PathBuf, #[source] std::io::Error),
    #[error("the settings `{}` are no text of reasonable length", .0.display())]
    NoText(PathBuf),
    #[error("`{}`, line {line}: {what}", path.display())]
    Broken {
        path: PathBuf,
        line: usize,
        what: String,
    },
    #[error("no output folder is named")]
    NoOut,
    #[error("`{}` needs one folder of lit frames, and they come from several", .0.display())]
    SeveralFolders(PathBuf),
}

impl From<SettingsError> for Failure {
    fn from(error: SettingsError) -> Self {
        let hint = match &error {
            SettingsError::Unreadable(..) => "check the path given to `--settings`".to_owned(),
            SettingsError::NoText(_) => "name a TOML file with `--settings`".to_owned(),
            SettingsError::Broken { .. } => {
                "`derig settings` prints all keys, in a folder without a `derig.toml`".to_owned()
            }
            SettingsError::NoOut => {
                format!("name one with `--out`, or always the same one as `out` in `{FILE_NAME}`")
            }
            SettingsError::SeveralFolders(_) => {
                "name a folder with `--out`, or clean the folders one by one".to_owned()
            }
        };
        Self {
            error: Box::new(error),
            hint: Some(hint),
            status: ExitStatus::WrongUsage,
        }
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    clean: Option<CleanTable>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct CleanTable {
    out: Option<Spanned<String>>,
    format: Option<Spanned<String>>,
    quality: Option<Spanned<i64>>,
    mask_depth: Option<Spanned<i64>>,
    mask_format: Option<Spanned<String>>,
    layers: Option<Spanned<Vec<String>>>,
    redo_data: Option<Spanned<String>>,
    page: Option<Spanned<String>>,
}

/// The settings file's text, for lines in messages.
struct Source<'a> {
    path: &'a Path,
    text: &'a str,
}

impl Source<'_> {
    fn line(&self, at: usize) -> usize {
        let before = self.text.get(..at).unwrap_or(self.text);
        before.matches('\n').count() + 1
    }

    fn broken(&self, at: usize, what: String) -> SettingsError {
        SettingsError::Broken {
            path: self.path.to_owned(),
            line: self.line(at),
            what,
        }
    }

    fn parsed(&self) -> Result<File, SettingsError> {
        toml::from_str(self.text).map_err(|e| {
            let at = e.span().map_or(0, |span| span.start);
            self.broken(at, e.message().trim().replace('\n', ", "))
        })
    }

    fn setting<T, U>(
        &self,
        spanned: Option<Spanned<T>>,
        meant: impl FnOnce(T) -> Result<U, String>,
    ) -> Result<Option<Setting<U>>, SettingsError> {
        let Some(spanned) = spanned else {
            return Ok(None);
        };
        let at = spanned.span().start;
        let value = meant(spanned.into_inner()).map_err(|what| self.broken(at, what))?;
        let origin = Origin::File {
            path: self.path.to_owned(),
            line: self.line(at),
        };
        Ok(Some(Setting { value, origin }))
    }
}

/// One of clap's values by its name, so that file and command line speak the same words.
pub(super) fn named<T: ValueEnum>(name: &str) -> Result<T, String> {
    T::from_str(name, false).map_err(|_| format!("`{name}` is none of {}", names::<T>()))
}

fn names<T: ValueEnum>() -> String {
    let names: Vec<_> = T::value_variants().iter().map(name_of).collect();
    names.join(", ")
}

/// A value's name on the command line.
pub(super) fn name_of<T: ValueEnum>(value: &T) -> String {
    let possible = value.to_possible_value();
    possible.map_or_else(String::new, |v| v.get_name().to_owned())
}

fn out_pattern(typed: String) -> Result<Option<PathBuf>, String> {
    let rest = typed.replace(FOLDER_MARK, "");
    if rest.contains(['{', '}']) {
        return Err(format!(
            "`{typed}`: only `{FOLDER_MARK}` may stand in braces"
        ));
    }
    Ok(Some(PathBuf::from(typed)))
}

fn each_once(mut layers: Vec<LayerChoice>) -> Vec<LayerChoice> {
    layers.sort_unstable();
    layers.dedup();
    layers
}

fn quality(typed: i64) -> Result<Option<u8>, String> {
    match u8::try_from(typed) {
        Ok(quality @ 1..=100) => Ok(Some(quality)),
        _ => Err(format!("quality is 1 to 100, not {typed}")),
    }
}

impl InForce {
    /// The settings for what was typed.
    ///
    /// # Errors
    /// [`SettingsError`] when a settings file was named and is not there, or cannot be followed.
    pub(super) fn of(typed: &CleanArgs) -> Result<Self, SettingsError> {
        let found = found_file(typed.settings.as_deref())?;
        Self::from_text(
            typed,
            found
                .as_ref()
                .map(|(path, text)| (path.as_path(), &text[..])),
        )
    }

    /// As [`InForce::of`], from a file's text.
    pub(super) fn from_text(
        typed: &CleanArgs,
        file: Option<(&Path, &str)>,
    ) -> Result<Self, SettingsError> {
        let (path, text) = file.unwrap_or((Path::new(FILE_NAME), ""));
        let source = Source { path, text };
        let table = source.parsed()?.clean.unwrap_or_default();
        let out = source.setting(table.out, out_pattern)?;
        let format = source.setting(table.format, |v| named(&v))?;
        let in_file_quality = source.setting(table.quality, quality)?;
        let mask_depth = source.setting(table.mask_depth, |v| named(&v.to_string()))?;
        let mask_format = source.setting(table.mask_format, |v| named(&v))?;
        let layers = source.setting(table.layers, |names| {
            let named: Result<Vec<_>, _> = names.iter().map(|name| named(name)).collect();
            named.map(each_once)
        })?;
        let redo_data = source.setting(table.redo_data, |v| named(&v))?;
        let page = source.setting(table.page, |v| named(&v))?;
        let typed_layers = (!typed.layers.is_empty()).then(|| each_once(typed.layers.clone()));
        Ok(Self {
            out: Setting::chosen(typed.out.clone().map(Some), out, None),
            format: Setting::chosen(typed.format, format, OutputFormat::Same),
            quality: Setting::chosen(typed.quality.map(Some), in_file_quality, None),
            mask_depth: Setting::chosen(typed.mask_depth, mask_depth, MaskDepth::Eight),
            mask_format: Setting::chosen(typed.mask_format, mask_format, MaskFormat::Png),
            layers: Setting::chosen(typed_layers, layers, Vec::new()),
            redo_data: Setting::chosen(typed.redo_data, redo_data, RedoData::Keep),
            page: Setting::chosen(typed.page, page, PageChoice::None),
        })
    }

    /// What is built in, with an output folder.
    pub(super) fn built_in(out: PathBuf) -> Self {
        Self {
            out: Setting::built_in(Some(out)),
            format: Setting::built_in(OutputFormat::Same),
            quality: Setting::built_in(None),
            mask_depth: Setting::built_in(MaskDepth::Eight),
            mask_format: Setting::built_in(MaskFormat::Png),
            layers: Setting::built_in(Vec::new()),
            redo_data: Setting::built_in(RedoData::Keep),
            page: Setting::built_in(PageChoice::None),
        }
    }

    /// The output folder for these lit frames.
    ///
    /// # Errors
    /// [`SettingsError`] when none is named, or `{folder}` could be several.
    pub(super) fn out_folder(&self, lit: &[PathBuf]) -> Result<PathBuf, SettingsError> {
        let pattern = self.out.value.as_ref().ok_or(SettingsError::NoOut)?;
        // What was typed is taken as it is: a folder may well be called so.
        let text = match (&self.out.origin, pattern.to_str()) {
            (Origin::File { .. }, Some(text)) if text.contains(FOLDER_MARK) => text,
            _ => return Ok(pattern.clone()),
        };
        let folder = |path: &PathBuf| match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
            _ => PathBuf::from("."),
        };
        let first = lit.first().map(folder).unwrap_or_default();
        if lit.iter().any(|path| folder(path) != first) {
            return Err(SettingsError::SeveralFolders(pattern.clone()));
        }
        // Piece by piece, since a folder's name need not be Unicode.
        let mut filled = std::ffi::OsString::new();
        for (i, piece) in text.split(FOLDER_MARK).enumerate() {
            if i > 0 {
                filled.push(&first);
            }
            filled.push(piece);
        }
        Ok(filled.into())
    }
}

fn found_file(named: Option<&Path>) -> Result<Option<(PathBuf, String)>, SettingsError> {
    let path = named.unwrap_or(Path::new(FILE_NAME));
    let bytes = match read_at_most(path, MAX_BYTES) {
        Ok(bytes) => bytes,
        Err(e) if named.is_none() && e.kind() == ErrorKind::NotFound => return Ok(None),
        Err(e) if matches!(e.kind(), ErrorKind::FileTooLarge | ErrorKind::InvalidData) => {
            return Err(SettingsError::NoText(path.to_owned()));
        }
        Err(e) => return Err(SettingsError::Unreadable(path.to_owned(), e)),
    };
    let text = String::from_utf8(bytes).map_err(|_| SettingsError::NoText(path.to_owned()))?;
    Ok(Some((path.to_owned(), text)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn in_force(typed: &CleanArgs, text: &str) -> Result<InForce, SettingsError> {
        InForce::from_text(typed, Some((Path::new(FILE_NAME), text)))
    }

    fn typed() -> CleanArgs {
        CleanArgs::with_settings(None)
    }

    fn line(number: usize) -> Origin {
        Origin::File {
            path: PathBuf::from(FILE_NAME),
            line: number,
        }
    }

    #[test]
    fn the_command_line_wins_over_the_file_and_the_file_over_what_is_built_in() {
        let text = "# the studio's\n[clean]\nformat = \"tiff\"\nmask-depth = 16\n";
        let mut typed = typed();
        typed.mask_depth = Some(MaskDepth::Eight);
        let found = in_force(&typed, text).unwrap();
        assert_eq!(found.format.value, OutputFormat::Tiff);
        assert_eq!(found.format.origin, line(3));
        assert_eq!(found.mask_depth.value, MaskDepth::Eight);
        assert_eq!(found.mask_depth.origin, Origin::CommandLine);
        assert_eq!(found.layers, Setting::built_in(Vec::new()));
    }

    #[test]
    fn what_cannot_be_followed_is_told_with_its_line() {
        for (text, at, words) in [
            ("[clean]\nmask-dept = 8\n", 2, "mask-dept"),
            ("\n\n[cleaning]\n", 3, "cleaning"),
            (
                "[clean]\nformat = \"gif\"\n",
                2,
                "none of same, png, tiff, jpeg",
            ),
            ("[clean]\n\nmask-depth = 12", 3, "none of 8, 16"),
            ("[clean]\nquality = 0\n", 2, "1 to 100"),
            ("[clean]\nquality = \"high\"\n", 2, "invalid type"),
            (
                "[clean]\nlayers = [\"patch\", \"all\"]\n",
                2,
                "`all` is none of",
            ),
            ("[clean]\nout = \"{frame}/x\"\n", 2, "{folder}"),
            ("[clean]\nformat = \n", 2, ""),
            ("[clean]\nout = \"a\"\nout = \"b\"\n", 3, "duplicate"),
        ] {
            match in_force(&typed(), text) {
                Err(SettingsError::Broken { line, what, .. }) => {
                    assert_eq!(line, at, "{text}: {what}");
                    assert!(what.contains(words), "{text}: {what}");
                }
                other => panic!("{text}: {other:?}"),
            }
        }
    }

    #[test]
    fn the_output_folder_follows_the_lit_frames() {
        let text = "[clean]\nout = \"{folder}/cleaned\"\n";
        let found = in_force(&typed(), text).unwrap();
        let out = |lit: &[&str]| {
            let lit: Vec<PathBuf> = lit.iter().map(PathBuf::from).collect();
            found.out_folder(&lit)
        };
        assert_eq!(
            out(&["a/b/1.jpg", "a/b/2.jpg"]).unwrap(),
            Path::new("a/b/cleaned")
        );
        assert_eq!(out(&["1.jpg"]).unwrap(), Path::new("./cleaned"));
        assert!(matches!(
            out(&["a/1.jpg", "2.jpg"]),
            Err(SettingsError::SeveralFolders(_))
        ));
        let none = in_force(&typed(), "").unwrap();
        assert!(matches!(none.out_folder(&[]), Err(SettingsError::NoOut)));
    }
}
