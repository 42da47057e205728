//! On location, in a second or two: will this plate do, or what must be shot again while the tripod
//! still stands?
//!
//! Frames are looked at as copies of at most 1200 px, laid over each other by the same stages as the
//! clean-up ([`crate::pipeline::SetUp::overview`]). Only sharpness is read at full size, in small windows.
//! Everything found is a [`Reason`] with a number, its limit, a place and what to do now.

mod camera;
mod clouds;
mod left_standing;
mod light;
mod modifier_face;
mod person;
mod places;
mod reason;
mod sharpness;
mod standing;
mod told;

pub use reason::{Answer, Bearing, Fault, Measured, Reason, Shot, Unit};
pub use sharpness::{Sharpness, Softening};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::photo::{CameraFacts, Photo, PictureSettings, screen_copy};
use crate::pipeline::{CleanError, Frame, Overview, SetUp};
use crate::region::{Stands, stands};
use crate::report::Box2;
use crate::scene::{Encoding, Samples, Size, Window};
use told::Told;

/// Version of the layout of `derig check --json`; grows when a field changes its meaning or goes.
pub const CHECK_VERSION: u32 = 1;

/// JSON schema (draft 2020-12) of that at [`CHECK_VERSION`].
pub const CHECK_SCHEMA: &str = include_str!("schema.json");

/// Longest side of the small copies, px: the size that the classifier learnt on; a stand is 2 px.
const CHECK_SIDE: usize = 1200;

/// Places that must agree when a plate has hardly any structure: so few tell nothing about the plate.
const HARDLY_ANY_PLACES: usize = 12;

/// Reasons below this weight are not worth a photographer's time on location.
const TOLD_FROM: f64 = 0.5;
/// A knock is told of from a smaller weight on: it says that the head is not locked.
const KNOCK_TOLD_FROM: f64 = 0.1;

/// A small copy of a frame, and what is read of the whole.
#[derive(Debug)]
pub struct SmallFrame {
    size: Size,
    small: Frame,
    sharpness: Sharpness,
    camera: CameraFacts,
    picture: PictureSettings,
}

impl SmallFrame {
    /// Of a decoded photo, which is not needed any more afterwards. Holds 3 bytes a pixel of the copy.
    pub fn of(photo: &Photo) -> Self {
        let facts = (photo.camera.clone(), photo.picture.clone());
        Self::from_samples(&photo.samples, &photo.encoding, facts)
    }

    /// Of samples and what the camera wrote.
    pub fn from_samples(
        samples: &Samples,
        encoding: &Encoding,
        (camera, picture): (CameraFacts, PictureSettings),
    ) -> Self {
        let (small, sharpness) = rayon::join(
            || screen_copy(samples, encoding, CHECK_SIDE),
            || Sharpness::of(samples),
        );
        Self {
            size: samples.size,
            small: Frame {
                samples: small,
                encoding: Encoding::srgb(256),
            },
            sharpness,
            camera,
            picture,
        }
    }

    /// Full pixels a pixel of the copy.
    fn factor(&self) -> usize {
        self.size.long_side().div_ceil(CHECK_SIDE).max(1)
    }
}

/// What is said of a lit frame, and of the plate under it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameCheck {
    /// Will frame and plate do?
    pub answer: Answer,
    /// Why, what weighs most first.
    pub reasons: Vec<Reason>,
}

/// What is said of a set-up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetUpCheck {
    /// That of its worst frame.
    pub answer: Answer,
    /// Must the plate be shot again, or lit frames, or both?
    pub again: Vec<Shot>,
    /// Each fault once, where it weighs most, what weighs most first.
    pub reasons: Vec<Reason>,
}

/// A plate ready to be compared with lit frames.
#[derive(Debug)]
pub struct PlateToCheck {
    plate: SmallFrame,
    set_up: SetUp,
}

/// A lit frame beside a plate, all that the parts of the check read.
struct Pair<'a> {
    lit: &'a SmallFrame,
    plate: &'a SmallFrame,
    /// The lit frame over the plate.
    over: Overview,
    /// In which of the two frames each piece of change stands.
    stands: Vec<Stands>,
}

impl Pair<'_> {
    fn size(&self) -> Size {
        self.lit.size
    }

    fn full(&self, window: Window) -> Box2 {
        places::full(window, self.lit.factor(), self.lit.size)
    }

    /// A reason at a place, graded by its number.
    fn reason(&self, fault: Fault, measured: Measured, place: Option<Box2>, told: Told) -> Reason {
        told.graded(fault, measured, (place, self.size()))
    }
}

impl PlateToCheck {
    /// Prepares a plate; its own share of the work is done with the first frame.
    ///
    /// # Panics
    /// Never: one plate has one extent.
    pub fn new(plate: SmallFrame) -> Self {
        let set_up =
            SetUp::new(vec![plate.small.clone()]).expect("a single plate differs from none");
        Self { plate, set_up }
    }

    /// Which of `count` lit frames should be shown to [`PlateToCheck::observe`] before the first check.
    pub fn frames_to_observe(count: usize) -> Vec<usize> {
        SetUp::frames_to_observe(count)
    }

    /// Takes a lit frame as evidence of what stands still from pose to pose; `index` is its number.
    pub fn observe(&mut self, index: usize, lit: &SmallFrame) {
        // What keeps a frame from being observed is told when it is checked.
        let _ = self.set_up.observe(index, &lit.small);
    }

    /// Checks lit frame `index` against the plate.
    pub fn check(&self, index: usize, lit: &SmallFrame) -> FrameCheck {
        if lit.size != self.plate.size {
            return self.refused(lit, &other_size(lit.size, self.plate.size));
        }
        let over = self.set_up.overview(index, &lit.small);
        let over = match over {
            Ok(over) => over,
            Err(error) => return self.refused(lit, &refusal(&error)),
        };
        let pair = Pair {
            lit,
            plate: &self.plate,
            stands: stands(&over.regions, &over.lit_seen, &over.plate_seen),
            over,
        };
        let parts: [fn(&Pair<'_>) -> Vec<Reason>; 6] = [
            camera::reasons,
            light::reasons,
            clouds::reasons,
            standing::reasons,
            left_standing::reasons,
            person::reasons,
        ];
        let found: Vec<Vec<Reason>> = parts.par_iter().map(|part| part(&pair)).collect();
        let found = found.into_iter().flatten().filter(is_told).collect();
        let reasons = reason::in_order(without_consequences(found));
        FrameCheck {
            answer: reason::answer(&reasons),
            reasons,
        }
    }

    fn refused(&self, lit: &SmallFrame, refusal: &Refusal) -> FrameCheck {
        let told = Told::of(Shot::Plate, refusal.what.clone()).advise(refusal.now, "");
        let told = told.at_least(refusal.bearing).at_most(refusal.bearing);
        let mut reasons = vec![told.graded(refusal.fault, refusal.measured, (None, lit.size))];
        // Tags tell why more surely than pictures that do not line up.
        let tags = camera::from_tags(lit, &self.plate);
        reasons.extend(tags.into_iter().filter(is_told));
        FrameCheck {
            answer: reason::answer(&reasons),
            reasons,
        }
    }
}

/// Why a frame cannot be compared at all.
struct Refusal {
    fault: Fault,
    bearing: Bearing,
    measured: Measured,
    what: String,
    now: &'static str,
}

fn other_size(lit: Size, plate: Size) -> Refusal {
    Refusal {
        fault: Fault::OtherSize,
        bearing: Bearing::Spoils,
        measured: Measured {
            value: lit.columns.abs_diff(plate.columns) as f64,
            limit: 1.0,
            unit: Unit::Px,
        },
        what: format!("the lit frame is {lit}, the plate {plate}"),
        now: "set the camera to the same image size and aspect for both, and shoot the plate again",
    }
}

fn refusal(error: &CleanError) -> Refusal {
    match error {
        CleanError::SizeMismatch { lit, plate } => other_size(*lit, *plate),
        CleanError::SamePicture => Refusal {
            fault: Fault::SamePicture,
            bearing: Bearing::Spoils,
            measured: Measured {
                value: 100.0,
                limit: 100.0,
                unit: Unit::Percent,
            },
            what: "lit frame and plate are the same picture".to_owned(),
            now: "name the frame with the gear as lit and the empty one as plate",
        },
        CleanError::NotAligned { tiles, needed } => {
            let hardly_any = *needed <= HARDLY_ANY_PLACES;
            Refusal {
                fault: Fault::DoesNotLineUp,
                bearing: if hardly_any {
                    Bearing::Doubtful
                } else {
                    Bearing::Spoils
                },
                measured: Measured {
                    value: needed.saturating_sub(*tiles) as f64,
                    limit: *needed as f64 / 2.0,
                    unit: Unit::Places,
                },
                what: if hardly_any {
                    format!(
                        "the plate shows too little detail: {tiles} places to hold on to, {needed} needed"
                    )
                } else {
                    format!("the plate does not line up: {tiles} places agree, {needed} needed")
                },
                now: if hardly_any {
                    "light and focus both as they should be, and shoot both again"
                } else {
                    "put the camera back to the same place, framing and focal length, and shoot lit frame and plate again"
                },
            }
        }
    }
}

fn is_told(reason: &Reason) -> bool {
    let from = match reason.fault {
        Fault::CameraMoved => KNOCK_TOLD_FROM,
        _ => TOLD_FROM,
    };
    reason.weight >= from
}

/// Leaves out what follows from a heavier cause: a fault is told once, under its own name.
fn without_consequences(mut reasons: Vec<Reason>) -> Vec<Reason> {
    let spoils = |fault: Fault| {
        reasons
            .iter()
            .any(|r| r.fault == fault && r.bearing == Bearing::Spoils)
    };
    let exposure = spoils(Fault::ExposureChanged);
    let balance = spoils(Fault::WhiteBalanceChanged);
    let other_view = spoils(Fault::CameraMoved) || spoils(Fault::Zoomed);
    let other_sky = spoils(Fault::OtherSky);
    let follows = |fault: Fault| match fault {
        // Clipped highlights bend the curve that is measured, and clouds look other at another exposure.
        Fault::PictureStyleChanged | Fault::SkyClipped | Fault::LightChanged => exposure || balance,
        // Another view has another border, and a sky that does not fit is taken for anything.
        Fault::PlateDoesNotReach => other_view || other_sky,
        _ => false,
    };
    reasons.retain(|r| !follows(r.fault));
    reasons
}

/// Sums up the frames of a set-up.
pub fn sum_up(frames: &[FrameCheck]) -> SetUpCheck {
    let mut reasons: Vec<Reason> = Vec::new();
    for reason in frames.iter().flat_map(|f| &f.reasons) {
        match reasons.iter_mut().find(|r| r.fault == reason.fault) {
            Some(known) if (known.bearing, known.weight) < (reason.bearing, reason.weight) => {
                known.clone_from(reason);
            }
            Some(_) => {}
            None => reasons.push(reason.clone()),
        }
    }
    let reasons = reason::in_order(reasons);
    let mut again: Vec<Shot> = reasons
        .iter()
        .filter(|r| r.bearing == Bearing::Spoils)
        .map(|r| r.shot)
        .collect();
    again.sort_unstable();
    again.dedup();
    SetUpCheck {
        answer: frames
            .iter()
            .map(|f| f.answer)
            .max()
            .unwrap_or(Answer::CannotTell),
        again,
        reasons,
    }
}
