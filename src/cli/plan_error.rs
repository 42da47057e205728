//! Why a command line is turned away before any work, and what to do about it.

use std::path::PathBuf;

use super::exit_status::ExitStatus;
use super::messages::Failure;
use crate::scene::Size;

/// Why a command line is turned away before any work.
#[derive(Debug, thiserror::Error)]
pub(super) enum PlanError {
    #[error("there is no file `{}`", .0.display())]
    Missing(PathBuf),
    #[error("`{}` and `{}` are one and the same plate", .0.display(), .1.display())]
    PlateTwice(PathBuf, PathBuf),
    #[error("`{}` and `{}` are one and the same lit frame", .0.display(), .1.display())]
    LitTwice(PathBuf, PathBuf),
    #[error("`{}` is given as a lit frame and as the plate", .0.display())]
    LitIsPlate(PathBuf),
    #[error("`{}` is {size}, the plate `{}` is {plate_size}", path.display(), plate.display())]
    OtherSize {
        path: PathBuf,
        size: Size,
        plate: PathBuf,
        plate_size: Size,
    },
    #[error(
        "`{}` was shot with a {camera}, the plate `{}` with a {plate_camera}",
        path.display(), plate.display()
    )]
    OtherCamera {
        path: PathBuf,
        camera: String,
        plate: PathBuf,
        plate_camera: String,
    },
    #[error("`{}` and `{}` would both be written to `{}`", .0.display(), .1.display(), .2.display())]
    SharedOutput(PathBuf, PathBuf, PathBuf),
    #[error("`{}` would be replaced by an output", .0.display())]
    WouldReplaceInput(PathBuf),
    #[error("`{}` exists already{}", .0.display(), and_more(*.1))]
    OutputExists(PathBuf, usize),
    #[error("`{}` is no name for a page", .0.display())]
    PageName(PathBuf),
    #[error("the page `{}` exists already, or the folder for its pictures", .0.display())]
    PageExists(PathBuf),
    #[error("the page `{}` is one of the pictures", .0.display())]
    PageIsInput(PathBuf),
    #[error("`{}` is no text: a report, page or drawing does not replace it", .0.display())]
    NoText(PathBuf),
    #[error(
        "the outputs of `{}` and `{}` differ in upper and lower case only: `{}`",
        .0.display(), .1.display(), .2.display()
    )]
    SharedButForCase(PathBuf, PathBuf, PathBuf),
    #[error("another run is at work on the report `{}`", .0.display())]
    Busy(PathBuf),
    #[error("cannot write into the folder `{}`", .0.display())]
    Folder(PathBuf, #[source] std::io::Error),
}

fn and_more(others: usize) -> String {
    match others {
        0 => String::new(),
        n => format!(", and {n} more outputs"),
    }
}

impl PlanError {
    fn hint(&self) -> &'static str {
        match self {
            Self::Missing(_) => "check the path",
            Self::PlateTwice(..) | Self::LitTwice(..) => "name each file once",
            Self::LitIsPlate(_) => "the plate is the frame without gear: name another file as one",
            Self::OtherSize { .. } => {
                "use the plate of the same set-up, exported at the same size and uncropped"
            }
            Self::OtherCamera { .. } => "use the plate of the same set-up and camera",
            Self::SharedOutput(..) => "clean them in two runs with different `--out` folders",
            Self::SharedButForCase(..) => {
                "many disks hold one of the two: clean them in two runs with different `--out` folders"
            }
            Self::Busy(_) => "wait until it is done, or name another folder with `--out`",
            Self::WouldReplaceInput(_) => {
                "name another folder with `--out`: inputs are never replaced"
            }
            Self::OutputExists(..) => {
                "name another folder with `--out`, or allow it with `--overwrite`"
            }
            Self::PageExists(_) => {
                "name another file with `--page`, or allow it with `--overwrite`"
            }
            Self::PageIsInput(_) => "name another file with `--page`: inputs are never replaced",
            Self::NoText(_) => "name another file: `--overwrite` is for older ones of its kind",
            Self::PageName(_) => "name a file that ends in `.html`",
            Self::Folder(..) => "name a folder with `--out` that you may write into",
        }
    }
}

impl From<PlanError> for Failure {
    fn from(error: PlanError) -> Self {
        Self {
            hint: Some(error.hint().to_owned()),
            error: Box::new(error),
            status: ExitStatus::WrongUsage,
        }
    }
}
