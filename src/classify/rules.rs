//! Rules over the named features.

use super::{Evidence, Probabilities};
use crate::region::PieceFeatures;
use crate::scene::Label;

/// 0 at and below `low`, 1 at and above `high`; falling when `low > high`.
fn ramp(value: f32, low: f32, high: f32) -> f32 {
    ((value - low) / (high - low)).clamp(0.0, 1.0)
}

pub(super) fn probabilities(f: &PieceFeatures, evidence: Evidence) -> Probabilities {
    let covered = ramp(f.agreement_coarse, 0.65, 0.4).max(ramp(f.plate_sky, 0.3, 0.6) * ramp(f.lit_sky, 0.8, 0.4)).max(ramp(f.plate_sky, 0.3, 0.6) * ramp(f.difference, 8.0, 14.0));
    let strong = ramp(f.difference, 3.0, 6.0);
    let (still, gone) = match evidence {
        Evidence::WithPoses => (ramp(f.still, 0.5, 0.7), ramp(f.returns, 0.5, 0.3)),
        Evidence::Alone => (ramp(f.blob_off_centre, 0.1, 0.25), 1.0),
    };
    let mut p = [0.0f32; 8];
    let mut set = |label: Label, value: f32| p[label.index() as usize] = value;
    let gear = covered * strong * still * gone;
    set(Label::Gear, gear);
    let person = covered * strong * (1.0 - still);
    set(Label::Person, person);
    let near_gear = match evidence {
        Evidence::WithPoses => ramp(f.to_standing, 0.12, 0.06),
        Evidence::Alone => 0.5,
    };
    let dark = ramp(f.excess, -0.06, -0.12);
    set(Label::GearShadow, (1.0 - gear) * dark * still * gone * near_gear * (1.0 - f.plate_sky));
    set(Label::Other, (1.0 - gear) * (1.0 - person) * 0.5);
    Probabilities(p).normalised()
}
