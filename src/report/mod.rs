//! What a run tells about itself: the types behind `report.json`, and the labelled overlay.

mod legend;
mod lettering;
mod overlay;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

pub(crate) use overlay::heavier;
pub use overlay::{Hatching, class_style, overlay};

use crate::scene::Label;

/// Version of the layout of `report.json`; grows when a field changes its meaning or goes.
pub const REPORT_VERSION: u32 = 1;

/// JSON schema (draft 2020-12) of `report.json` at [`REPORT_VERSION`].
pub const REPORT_SCHEMA: &str = include_str!("schema.json");

/// A rectangle in pixels of the upright lit frame at full size.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Box2 {
    /// First column.
    pub x: usize,
    /// First row.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// How the plate was laid over the lit frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RegistrationReport {
    /// `identity`, `shift`, `similarity` or `homography`.
    pub model: String,
    /// Plate pixel to lit pixel at full size, row-major, pixel centres at integers.
    pub homography: [f64; 9],
    /// Mean shift over the frame, columns then rows, in pixels.
    pub shift_px: [f64; 2],
    /// Rotation in degrees.
    pub rotation_deg: f64,
    /// Enlargement; 1.0 for none.
    pub scale: f64,
    /// Root mean square disagreement of the tiles that were used, in pixels.
    pub residual_px: f64,
    /// Tiles that were used.
    pub tiles: usize,
    /// Largest length of the smooth field on top of the model (parallax), in pixels.
    pub parallax_px: f64,
}

/// What changed everywhere between plate and lit frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LightReport {
    /// Gain of the ambient light a channel, lit / plate, scene-linear.
    pub gain: [f32; 3],
    /// Standard deviation of the noise at mid grey (0.18), scene-linear, a channel mean.
    pub noise_at_mid_grey: f32,
    /// Share of the picture that is open sky, 0..1.
    pub sky_share: f32,
    /// How far the clouds high in the middle moved since the plate, columns then rows, px.
    pub drift_px: [f64; 2],
}

/// A piece of the picture and what it was taken for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RegionReport {
    /// Class.
    pub class: Label,
    /// Probability of the class, 0..1.
    pub probability: f32,
    /// Where.
    #[serde(rename = "box")]
    pub place: Box2,
    /// Extent in pixels at full size.
    pub area_px: usize,
    /// Is it taken out of the picture?
    pub removed: bool,
}

/// Does the frame need anybody?
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Nothing left to do, as far as derig can tell.
    Finished,
    /// A person should look at the places named.
    LookHere,
}

/// A place to look at, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HandWork {
    /// Where.
    #[serde(rename = "box")]
    pub place: Box2,
    /// Why, in a photographer's words.
    pub reason: String,
    /// How sure derig is that something is wrong there, 0..1.
    pub confidence: f32,
}

/// Everything about one lit frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameReport {
    /// Registration against the plate.
    pub registration: RegistrationReport,
    /// Light.
    pub light: LightReport,
    /// Regions of visible change, the largest first.
    pub regions: Vec<RegionReport>,
    /// Share of the picture's pixels that were replaced, 0..1.
    pub replaced_share: f64,
    /// Verdict.
    pub verdict: Verdict,
    /// What is left to do by hand.
    pub hand_work: Vec<HandWork>,
    /// Seconds a stage.
    pub seconds: BTreeMap<String, f64>,
}
