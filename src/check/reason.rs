//! What may be wrong with a plate or a lit frame, how much it matters, and what to do now.

use serde::{Deserialize, Serialize};

use crate::report::Box2;

/// Will it do?
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// It will do.
    Go,
    /// The pictures do not tell; look at the reasons.
    CannotTell,
    /// Something must be shot again while the tripod stands.
    ShootAgain,
}

impl Answer {
    /// As told to people.
    pub fn words(self) -> &'static str {
        match self {
            Self::Go => "go",
            Self::CannotTell => "cannot tell",
            Self::ShootAgain => "shoot again",
        }
    }
}

/// How much a reason matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bearing {
    /// Told for care's sake: the clean-up copes with it.
    Noted,
    /// It may spoil the frame; a person should look.
    Doubtful,
    /// It spoils the frame.
    Spoils,
}

/// What has to be shot again, if anything has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shot {
    /// The plate.
    Plate,
    /// The lit frame.
    LitFrame,
}

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// The frames cannot be laid over each other.
    DoesNotLineUp,
    /// Lit frame and plate differ in extent.
    OtherSize,
    /// The two files show the same picture.
    SamePicture,
    /// The camera was knocked, turned or carried.
    CameraMoved,
    /// The focal length changed.
    Zoomed,
    /// The plate is less sharp, or the lit frame: focus or a shaken camera.
    FocusChanged,
    /// Shutter, aperture or ISO changed.
    ExposureChanged,
    /// White balance changed.
    WhiteBalanceChanged,
    /// Contrast or saturation of the camera's pictures changed.
    PictureStyleChanged,
    /// Sun went in or came out, or lamps changed.
    LightChanged,
    /// The plate's clouds are not those of the lit frame.
    OtherSky,
    /// Sky without detail.
    SkyClipped,
    /// Gear or somebody stands in the plate.
    StandsInPlate,
    /// The box was taken off, its stand left in both frames.
    StandLeft,
    /// The plate does not show the border where gear stands.
    PlateDoesNotReach,
    /// Gear touches the person, in front or behind.
    GearTouchesPerson,
    /// The gear's shadow falls on the person.
    ShadowOnPerson,
    /// Flash glints on glasses or skin.
    GlintOnPerson,
    /// The border cuts the flash's light where gear is to go.
    PoolCut,
    /// Much time between lit frame and plate.
    PlateLate,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 20] = [
        Self::DoesNotLineUp,
        Self::OtherSize,
        Self::SamePicture,
        Self::CameraMoved,
        Self::Zoomed,
        Self::FocusChanged,
        Self::ExposureChanged,
        Self::WhiteBalanceChanged,
        Self::PictureStyleChanged,
        Self::LightChanged,
        Self::OtherSky,
        Self::SkyClipped,
        Self::StandsInPlate,
        Self::StandLeft,
        Self::PlateDoesNotReach,
        Self::GearTouchesPerson,
        Self::ShadowOnPerson,
        Self::GlintOnPerson,
        Self::PoolCut,
        Self::PlateLate,
    ];
}

/// What a number counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// Pixels of the lit frame at full size.
    Px,
    /// Per cent of the length, area or amount that the sentence names.
    Percent,
    /// Degrees.
    Degrees,
    /// Stops.
    Stops,
    /// Micro reciprocal degrees of colour temperature.
    Mired,
    /// Colour difference, CIE94.
    ColourDifference,
    /// Minutes.
    Minutes,
    /// Places in the picture.
    Places,
    /// Settings of the camera.
    Settings,
}

/// A number, and the number from which it matters.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// What was found.
    pub value: f64,
    /// From here on it spoils the frame.
    pub limit: f64,
    /// Of both.
    pub unit: Unit,
}

impl Measured {
    /// How far the value lies towards its limit: 1 at the limit.
    pub fn weight(&self) -> f64 {
        (self.value / self.limit).abs().min(MOST_WEIGHT)
    }
}

/// Beyond ten times the limit nothing gets worse.
const MOST_WEIGHT: f64 = 10.0;

/// A reason behind an answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reason {
    /// What is wrong.
    pub fault: Fault,
    /// How much it matters.
    pub bearing: Bearing,
    /// 1 at the limit from which it spoils the frame; orders reasons of one bearing.
    pub weight: f64,
    /// The number behind it.
    pub measured: Measured,
    /// Where, in pixels of the upright lit frame at full size; the whole picture when absent.
    #[serde(rename = "box")]
    pub place: Option<Box2>,
    /// Where, in words.
    pub place_in_words: String,
    /// What was found, in a photographer's words.
    pub what: String,
    /// What to do about it now.
    pub now: String,
    /// Which picture it is about.
    pub shot: Shot,
}

/// Reasons in order of weight.
pub(super) fn in_order(mut reasons: Vec<Reason>) -> Vec<Reason> {
    reasons.sort_by(|a, b| {
        let by_weight = b.weight.total_cmp(&a.weight);
        b.bearing
            .cmp(&a.bearing)
            .then(by_weight)
            .then(a.fault.cmp(&b.fault))
    });
    reasons
}

/// The answer that reasons lead to.
pub(super) fn answer(reasons: &[Reason]) -> Answer {
    match reasons.iter().map(|r| r.bearing).max() {
        Some(Bearing::Spoils) => Answer::ShootAgain,
        Some(Bearing::Doubtful) => Answer::CannotTell,
        Some(Bearing::Noted) | None => Answer::Go,
    }
}
