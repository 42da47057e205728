//! Corrections as people write them: on the command line, or in a TOML file.
//!
//! ```toml
//! [[correction]]
//! do = "take"                  # or "keep"
//! point = [3120, 840]          # column, row; or one of the next two
//! frames = ["lit-2.jpg"]       # pixels of these frames; left out: of the plate, for all frames
//!
//! [[correction]]
//! do = "keep"
//! box = [400, 200, 350, 180]   # left column, top row, width, height
//!
//! [[correction]]
//! do = "keep"
//! painted = "keep.png"         # grey: white where it holds; beside this file
//! ```

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::exit_status::ExitStatus;
use super::limits;
use super::messages::Failure;
use super::text_files::read_at_most;
use crate::handover::{PaintedError, shares_of};
use crate::photo;
use crate::pipeline::{Correction, Lie, Marks, Told};
use crate::report::Box2;
use crate::scene::{Plane, Point, Size};

/// Longest file of corrections that is read, bytes: a hundred thousand of them need less.
const MAX_BYTES: u64 = 16 << 20;

/// A correction, and whose pixels its place is in.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Asked {
    pub(super) told: Told,
    pub(super) place: Place,
    /// Names of the frames it is for; empty for all, with the place in pixels of the plate.
    pub(super) frames: Vec<String>,
    /// As it was written.
    pub(super) words: String,
}

/// A place as written.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Place {
    Point { x: usize, y: usize },
    Box(Box2),
    Painted(PathBuf),
}

/// Corrections that cannot be followed.
#[derive(Debug, thiserror::Error)]
pub(super) enum CorrectionError {
    #[error("cannot read the corrections `{}`", .0.display())]
    Unreadable(PathBuf, #[source] std::io::Error),
    #[error("`{}`, line {line}: {what}", path.display())]
    Broken {
        path: PathBuf,
        line: usize,
        what: String,
    },
    #[error("`{0}` is no place: neither `X,Y`, nor `X,Y,WxH`, nor a file")]
    NoPlace(String),
    #[error("`{words}` lies outside the frame of {size}")]
    Outside { words: String, size: Size },
    #[error("cannot use the painted picture `{}`", .0.display())]
    Painted(PathBuf, #[source] PaintedError),
}

impl CorrectionError {
    fn hint(&self) -> String {
        match self {
            Self::Unreadable(..) => "check the path given to `--corrections`".to_owned(),
            Self::Broken { .. } => {
                "each `[[correction]]` has `do` and one of `point`, `box`, `painted`".to_owned()
            }
            Self::NoPlace(_) => {
                "write a point as `3120,840`, a box as `400,200,350x180`, in pixels".to_owned()
            }
            Self::Outside { .. } => {
                "places count in pixels of the upright frame at full size, from the upper left"
                    .to_owned()
            }
            Self::Painted(_, e) => e.hint().to_owned(),
        }
    }
}

impl From<CorrectionError> for Failure {
    fn from(error: CorrectionError) -> Self {
        Self {
            hint: Some(error.hint()),
            error: Box::new(error),
            status: ExitStatus::WrongUsage,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    correction: Vec<toml::Spanned<Entry>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    #[serde(rename = "do")]
    told: Word,
    point: Option<[usize; 2]>,
    #[serde(rename = "box")]
    place: Option<[usize; 4]>,
    painted: Option<PathBuf>,
    #[serde(default)]
    frames: Vec<String>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Word {
    Keep,
    Take,
}

fn word(told: Told) -> &'static str {
    match told {
        Told::Keep => "keep",
        Told::Take => "take",
    }
}

/// Places typed after `--keep` and `--take`, for `frames`.
///
/// # Errors
/// [`CorrectionError::NoPlace`].
pub(super) fn typed(
    told: Told,
    places: &[String],
    frames: &[String],
) -> Result<Vec<Asked>, CorrectionError> {
    places
        .iter()
        .map(|text| {
            Ok(Asked {
                told,
                place: place(text)?,
                frames: frames.to_vec(),
                words: format!("{} {text}", word(told)),
            })
        })
        .collect()
}

fn place(text: &str) -> Result<Place, CorrectionError> {
    let numbers: Option<Vec<usize>> = text
        .split([',', 'x'])
        .map(|part| part.trim().parse().ok())
        .collect();
    match (numbers.as_deref(), text.matches('x').count()) {
        (Some(&[x, y]), 0) => Ok(Place::Point { x, y }),
        (Some(&[x, y, width, height]), 1) if width > 0 && height > 0 => Ok(Place::Box(Box2 {
            x,
            y,
            width,
            height,
        })),
        _ if Path::new(text).is_file() => Ok(Place::Painted(text.into())),
        _ => Err(CorrectionError::NoPlace(text.to_owned())),
    }
}

/// Corrections of a file.
///
/// # Errors
/// [`CorrectionError`] with the line of what is wrong.
pub(super) fn in_file(path: &Path) -> Result<Vec<Asked>, CorrectionError> {
    let unreadable = |e| CorrectionError::Unreadable(path.to_owned(), e);
    let bytes = read_at_most(path, MAX_BYTES).map_err(unreadable)?;
    let text = String::from_utf8(bytes);
    let text = text.map_err(|e| unreadable(std::io::Error::new(ErrorKind::InvalidData, e)))?;
    from_text(path, &text)
}

/// Corrections of a text.
///
/// # Errors
/// As [`in_file`].
pub(super) fn from_text(path: &Path, text: &str) -> Result<Vec<Asked>, CorrectionError> {
    let broken = |at: usize, what: &str| CorrectionError::Broken {
        path: path.to_owned(),
        line: text.get(..at).unwrap_or(text).matches('\n').count() + 1,
        what: what.trim().replace('\n', ", "),
    };
    let file: File = toml::from_str(text)
        .map_err(|e| broken(e.span().map_or(0, |span| span.start), e.message()))?;
    let entries = file.correction.into_iter().map(|spanned| {
        let at = spanned.span().start;
        let entry = spanned.into_inner();
        let place = match (entry.point, entry.place, entry.painted) {
            (Some([x, y]), None, None) => Place::Point { x, y },
            (None, Some([x, y, width, height]), None) if width > 0 && height > 0 => {
                Place::Box(Box2 {
                    x,
                    y,
                    width,
                    height,
                })
            }
            (None, None, Some(painted)) => {
                let folder = path.parent().unwrap_or(Path::new(""));
                Place::Painted(folder.join(painted))
            }
            _ => {
                return Err(broken(
                    at,
                    "one place is needed: `point`, `box` or `painted`",
                ));
            }
        };
        let told = match entry.told {
            Word::Keep => Told::Keep,
            Word::Take => Told::Take,
        };
        Ok(Asked {
            words: format!("{} {}", word(told), place_words(&place)),
            told,
            place,
            frames: entry.frames,
        })
    });
    entries.collect()
}

fn place_words(place: &Place) -> String {
    match place {
        Place::Point { x, y } => format!("{x},{y}"),
        Place::Box(b) => format!("{},{},{}x{}", b.x, b.y, b.width, b.height),
        Place::Painted(path) => path.display().to_string(),
    }
}

impl Asked {
    /// The correction in pixels of a lit frame of extent `size`, under which the plate lies as
    /// `lie` says.
    ///
    /// # Errors
    /// [`Failure`] when the place lies outside, or a painted picture cannot be used.
    pub(super) fn in_frame(&self, size: Size, lie: &Lie) -> Result<Correction, Failure> {
        let in_plate = self.frames.is_empty();
        let full = lie.registration.scaled(lie.factor as f64);
        let moved = |x: usize, y: usize| {
            let point = Point {
                x: x as f64,
                y: y as f64,
            };
            if in_plate {
                full.lit_point(point)
            } else {
                point
            }
        };
        let outside = || CorrectionError::Outside {
            words: self.words.clone(),
            size,
        };
        let marks = match &self.place {
            Place::Point { x, y } => {
                let (x, y) = pixel(moved(*x, *y), size).ok_or_else(outside)?;
                Marks::Point { x, y }
            }
            Place::Box(b) => {
                let corners = [moved(b.x, b.y), moved(b.x + b.width, b.y + b.height)];
                Marks::Box(cut_box(corners, size).ok_or_else(outside)?)
            }
            Place::Painted(path) => {
                let (shares, _) = painted(path, size)?;
                let carried = in_plate && !lie.registration.is_identity();
                Marks::Painted(if carried {
                    Plane::from_fn(size, |x, y| {
                        let from = full.plate_point(Point {
                            x: x as f64,
                            y: y as f64,
                        });
                        pixel(from, size).map_or(0, |(x, y)| *shares.at(x, y))
                    })
                } else {
                    shares
                })
            }
        };
        Ok(Correction {
            told: self.told,
            marks,
        })
    }
}

fn pixel(point: Point, size: Size) -> Option<(usize, usize)> {
    let (x, y) = (point.x.round(), point.y.round());
    let inside = x >= 0.0 && y >= 0.0 && x < size.columns as f64 && y < size.rows as f64;
    inside.then_some((x as usize, y as usize))
}

fn cut_box([from, to]: [Point; 2], size: Size) -> Option<Box2> {
    let cut = |v: f64, limit: usize| v.round().clamp(0.0, limit as f64) as usize;
    let (left, right) = (cut(from.x, size.columns), cut(to.x, size.columns));
    let (top, bottom) = (cut(from.y, size.rows), cut(to.y, size.rows));
    (left < right && top < bottom).then_some(Box2 {
        x: left,
        y: top,
        width: right - left,
        height: bottom - top,
    })
}

/// Shares of a painted picture, and the bits they were stored with.
///
/// # Errors
/// [`Failure`] when it cannot be read or is no grey picture of the frame's size.
pub(super) fn painted(path: &Path, size: Size) -> Result<(Plane<u16>, u8), Failure> {
    let photo = photo::read(path, &limits::in_force()).map_err(|e| Failure {
        hint: e.hint().map(ToOwned::to_owned),
        error: Box::new(e),
        status: ExitStatus::WrongUsage,
    })?;
    let shares = shares_of(&photo, size);
    let shares = shares.map_err(|e| CorrectionError::Painted(path.to_owned(), e))?;
    Ok((shares, photo.samples.bits()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_points_boxes_or_files() {
        assert_eq!(place("12,34").unwrap(), Place::Point { x: 12, y: 34 });
        let boxed = Box2 {
            x: 4,
            y: 5,
            width: 60,
            height: 7,
        };
        assert_eq!(place("4,5,60x7").unwrap(), Place::Box(boxed));
        for wrong in [
            "",
            "4",
            "4,5,6",
            "4,5,0x7",
            "4x5",
            "-1,3",
            "no-such-file.png",
        ] {
            assert!(place(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_file_says_the_same_in_longer_words() {
        let text = "[[correction]]\ndo = \"take\"\npoint = [12, 34]\nframes = [\"a.jpg\"]\n\n\
                    [[correction]]\ndo = \"keep\"\npainted = \"marks.png\"\n";
        let asked = from_text(Path::new("shoot/corrections.toml"), text).unwrap();
        assert_eq!(asked.len(), 2);
        assert_eq!(asked[0].words, "take 12,34");
        assert_eq!(asked[0].frames, ["a.jpg"]);
        assert_eq!(asked[1].told, Told::Keep);
        assert_eq!(asked[1].place, Place::Painted("shoot/marks.png".into()));
    }

    #[test]
    fn what_is_wrong_in_a_file_is_told_with_its_line() {
        for (text, at, words) in [
            ("[[correction]]\ndo = \"drop\"\npoint = [1, 2]\n", 2, "drop"),
            ("\n[[correction]]\ndo = \"keep\"\n", 2, "one place"),
            ("[[correction]]\ndo = \"keep\"\nspot = [1, 2]\n", 3, "spot"),
            ("[[correction]]\ndo = \"keep\"\npoint = [-1, 2]\n", 3, "-1"),
        ] {
            match from_text(Path::new("c.toml"), text) {
                Err(CorrectionError::Broken { line, what, .. }) => {
                    assert!(what.contains(words), "{what}");
                    assert_eq!(line, at, "{text}: {what}");
                }
                other => panic!("{text}: {other:?}"),
            }
        }
    }
}
