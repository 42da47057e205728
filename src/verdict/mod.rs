//! Stage 9: does the frame need anybody, and where.
//!
//! Measured signs only: pieces that could as well be something else, gear where the plate shows
//! nothing, a rim along which lit frame and plate disagree, frames that hardly line up. When in
//! doubt it asks to be looked at.

use crate::classify::{Classified, Probabilities};
use crate::region::{Piece, Regions};
use crate::report::{Box2, HandWork, Verdict};
use crate::scene::{Label, Plane, Size, Window};

/// A piece whose removal is this uncertain is doubtful: probabilities between the two.
const DOUBTFUL: std::ops::Range<f32> = 0.3..0.7;

/// What may be a shadow is darker than the pool by this, ln units (10 %): no light casts less.
const SHADOW_DEPTH: f32 = -0.1;

/// A single shadow that differs less than this (CIE94) is passed over by whoever looks for it.
const SHADOW_NOTICED: f32 = 3.0;

/// A piece that was left is doubtful from this probability of gear, shadow and glint on.
const LEFT_DOUBT: f32 = 0.4;

/// And from this share of the frame on.
const MIN_LEFT_SHARE: f32 = 0.0008;

/// Pieces of a soft shadow are likelier the gear's than most things, each by itself.
const SOFT_SHADOW: f32 = 0.35;

/// They lie below the ambient's level and the pool around by this, ln units (5 %): flash only adds.
const SOFT_DEPTH: f32 = -0.05;

/// Together they show from this share of the frame on.
const MIN_SOFT_SHARE: f32 = 0.00085;

/// Doubtful pieces below this share of the frame can't be seen at a glance.
const MIN_DOUBT_SHARE: f32 = 0.0004;

/// Gear on this share of the frame that the plate does not show asks for a look.
const MIN_GAP_SHARE: f32 = 0.0002;

/// Tiles along the rim, px of the working copy.
const RIM_TILE: usize = 48;

/// Share of the plate by which a pixel counts as the mask's outer rim, where a seam would show.
const RIM_SHARE: std::ops::Range<f32> = 0.02..0.5;

/// Rim pixels that a tile needs to count.
const MIN_RIM: usize = 60;

/// Mean difference (CIE94) between lit frame and relit plate along a tile's rim that may show.
const RIM_DIFFERENCE: f32 = 6.0;

/// Where what was not touched differs as much, leaves or water moved: the rim does not stand out.
/// It must differ by this factor more than the untouched surroundings.
const RIM_STANDS_OUT: f32 = 1.5;

/// Reach of a tile's surroundings, px of the working copy: wider than a leaf, narrower than a tree.
const BESIDE_REACH: usize = 32;

/// Untouched pixels that surroundings need to speak.
const MIN_BESIDE: usize = 200;

/// Registration residual at full size from which nothing can be trusted, px.
const MAX_RESIDUAL_PX: f64 = 1.0;

/// What the verdict is read from; planes of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct Signs<'a> {
    /// The pieces.
    pub regions: &'a Regions,
    /// What they were taken for.
    pub classified: &'a Classified,
    /// Class a pixel, gear beyond the plate's border included.
    pub labels: &'a Plane<Label>,
    /// Where the plate shows the lit frame's place.
    pub usable: &'a Plane<bool>,
    /// Open sky of the plate, carried on beyond its border.
    pub sky: &'a Plane<bool>,
    /// Share of the plate in the merge.
    pub share: &'a Plane<f32>,
    /// Difference between lit frame and relit plate (CIE94).
    pub difference: &'a Plane<f32>,
    /// Registration residual at full size, px.
    pub residual_px: f64,
    /// Full pixels a working pixel, both ways.
    pub factor: usize,
}

/// Judges a frame: the verdict, and the places to look at, the surest first.
pub fn judge(signs: &Signs<'_>) -> (Verdict, Vec<HandWork>) {
    let mut places = Vec::new();
    places.extend(unaligned(signs));
    places.extend(plate_gap(signs));
    places.extend(doubtful_pieces(signs));
    places.extend(soft_shadow(signs));
    places.extend(rough_rims(signs));
    places.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let verdict = if places.is_empty() {
        Verdict::Finished
    } else {
        Verdict::LookHere
    };
    (verdict, places)
}

fn unaligned(signs: &Signs<'_>) -> Option<HandWork> {
    let size = signs.labels.size();
    (signs.residual_px > MAX_RESIDUAL_PX).then(|| HandWork {
        place: boxed(
            Window {
                left: 0,
                top: 0,
                right: size.columns,
                bottom: size.rows,
            },
            signs.factor,
        ),
        reason: format!(
            "the plate lines up to {:.1} px only: look at fine detail along the mask",
            signs.residual_px
        ),
        confidence: 0.6,
    })
}

fn plate_gap(signs: &Signs<'_>) -> Option<HandWork> {
    let size = signs.labels.size();
    // Sky goes on beyond a border as it came.
    let hidden = |x: usize, y: usize| {
        let is_gear = *signs.labels.at(x, y) == Label::Gear;
        is_gear && !*signs.usable.at(x, y) && !*signs.sky.at(x, y)
    };
    let (window, count) = extent(size, hidden);
    (count as f32 > MIN_GAP_SHARE * size.area() as f32).then(|| HandWork {
        place: boxed(window, signs.factor),
        reason: "the plate does not reach this far: filled from its border".to_owned(),
        confidence: 0.7,
    })
}

fn extent(size: Size, wanted: impl Fn(usize, usize) -> bool) -> (Window, usize) {
    let mut window = Window {
        left: size.columns,
        top: size.rows,
        right: 0,
        bottom: 0,
    };
    let mut count = 0;
    for y in 0..size.rows {
        for x in 0..size.columns {
            if wanted(x, y) {
                window.left = window.left.min(x);
                window.top = window.top.min(y);
                window.right = window.right.max(x + 1);
                window.bottom = window.bottom.max(y + 1);
                count += 1;
            }
        }
    }
    (window, count)
}

fn doubtful_pieces(signs: &Signs<'_>) -> Vec<HandWork> {
    let area = signs.labels.size().area() as f32;
    let any_gear = signs.classified.labels.contains(&Label::Gear);
    signs
        .regions
        .pieces
        .iter()
        .zip(&signs.classified.probabilities)
        .zip(&signs.classified.labels)
        .filter_map(|((piece, p), label)| {
            let share = piece.area as f32 / area;
            let (is_doubtful, confidence, reason) = if label.is_removed() {
                let name = label.words();
                let reason = format!("taken for {name} and removed, but may belong to the picture");
                let removed = p.removed();
                let is_doubtful = share > MIN_DOUBT_SHARE && DOUBTFUL.contains(&removed);
                let undecided = 1.0 - 2.0 * (removed - 0.5).abs();
                (is_doubtful, undecided, reason)
            } else {
                let reason = "left in the picture, but may be gear or its shadow".to_owned();
                let removed = may_be_removed(piece, p, any_gear);
                let is_doubtful = share > MIN_LEFT_SHARE && removed > LEFT_DOUBT;
                (is_doubtful, removed, reason)
            };
            is_doubtful.then(|| HandWork {
                place: boxed(piece.window, signs.factor),
                reason,
                confidence,
            })
        })
        .collect()
}

/// Pieces that were left, each too faint or too small to be asked for, which together may be a soft
/// shadow of the gear.
fn soft_shadow(signs: &Signs<'_>) -> Option<HandWork> {
    if !signs.classified.labels.contains(&Label::Gear) {
        return None;
    }
    let size = signs.labels.size();
    let is_part: Vec<bool> = signs
        .regions
        .pieces
        .iter()
        .zip(&signs.classified.probabilities)
        .zip(&signs.classified.labels)
        .map(|((piece, p), label)| {
            let f = &piece.features;
            !label.is_removed()
                && p.of(Label::GearShadow) > SOFT_SHADOW
                && f.above_ambient.max(f.excess) < SOFT_DEPTH
        })
        .collect();
    let numbers = &signs.regions.numbers;
    let (window, count) = extent(size, |x, y| {
        let n = *numbers.at(x, y);
        n > 0 && is_part[n as usize - 1]
    });
    (count as f32 > MIN_SOFT_SHARE * size.area() as f32).then(|| HandWork {
        place: boxed(window, signs.factor),
        reason: "a soft shadow of the gear may be left: darker here than without it".to_owned(),
        confidence: 0.6,
    })
}

/// Probability that a piece that was left should have gone. A shadow needs gear that throws it, is
/// dark, and only counts where it is noticed.
fn may_be_removed(piece: &Piece, p: &Probabilities, any_gear: bool) -> f32 {
    let f = &piece.features;
    let may_be_shadow = any_gear && f.excess < SHADOW_DEPTH && f.difference > SHADOW_NOTICED;
    let shadow = if may_be_shadow {
        p.of(Label::GearShadow)
    } else {
        0.0
    };
    p.of(Label::Gear) + p.of(Label::Glint) + shadow
}

/// Tiles in which lit frame and relit plate disagree along the soft rim of the mask: a seam.
fn rough_rims(signs: &Signs<'_>) -> Vec<HandWork> {
    let size = signs.share.size();
    Window::tiles(size, RIM_TILE)
        .filter_map(|tile| {
            let mean = rough_rim(signs, tile)?;
            Some(HandWork {
                place: boxed(tile, signs.factor),
                reason: "frame and plate differ along the rim of the mask: a seam may show"
                    .to_owned(),
                confidence: (mean / (2.0 * RIM_DIFFERENCE)).min(1.0),
            })
        })
        .collect()
}

/// Mean difference along the rim in a tile, where it stands out.
fn rough_rim(signs: &Signs<'_>, tile: Window) -> Option<f32> {
    let rim = mean_difference(signs, tile, |x, y| RIM_SHARE.contains(signs.share.at(x, y)));
    let mean = rim.of_at_least(MIN_RIM).filter(|&m| m > RIM_DIFFERENCE)?;
    let around = tile.grown(BESIDE_REACH, signs.share.size());
    let beside = mean_difference(signs, around, |x, y| {
        *signs.share.at(x, y) <= 0.0 && !signs.labels.at(x, y).is_person()
    });
    let moves = beside.of_at_least(MIN_BESIDE).unwrap_or(0.0);
    (mean > RIM_STANDS_OUT * moves).then_some(mean)
}

/// A mean and over how many pixels.
struct Mean {
    value: f32,
    count: usize,
}

impl Mean {
    fn of_at_least(&self, count: usize) -> Option<f32> {
        (self.count >= count).then_some(self.value)
    }
}

fn mean_difference(
    signs: &Signs<'_>,
    window: Window,
    wanted: impl Fn(usize, usize) -> bool,
) -> Mean {
    let (mut sum, mut count) = (0.0f32, 0usize);
    for y in window.top..window.bottom {
        for x in (window.left..window.right).filter(|&x| wanted(x, y)) {
            sum += *signs.difference.at(x, y);
            count += 1;
        }
    }
    Mean {
        value: sum / count.max(1) as f32,
        count,
    }
}

fn boxed(window: Window, factor: usize) -> Box2 {
    Box2 {
        x: window.left * factor,
        y: window.top * factor,
        width: window.columns() * factor,
        height: window.rows() * factor,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size {
        columns: 192,
        rows: 144,
    };

    /// How many tiles are asked about along the soft rim of a mask whose rim differs by 9 units,
    /// what is beside it by `beside`.
    fn rims_asked_about(beside: f32) -> usize {
        // A soft rim of 12 px across the middle of two tiles; the plate shows to its left.
        let share = Plane::from_fn(SIZE, |x, _| {
            (1.0 - (x as f32 - 66.0) / 12.0).clamp(0.0, 1.0)
        });
        let difference = share.map(|&s| if s > 0.0 { 9.0 } else { beside });
        let labels = Plane::filled(SIZE, Label::Other);
        let (usable, sky) = (Plane::filled(SIZE, true), Plane::filled(SIZE, false));
        let regions = Regions {
            numbers: Plane::filled(SIZE, 0),
            pieces: Vec::new(),
        };
        let classified = Classified {
            probabilities: Vec::new(),
            labels: Vec::new(),
        };
        let (verdict, places) = judge(&Signs {
            regions: &regions,
            classified: &classified,
            labels: &labels,
            usable: &usable,
            sky: &sky,
            share: &share,
            difference: &difference,
            residual_px: 0.0,
            factor: 1,
        });
        assert_eq!(verdict == Verdict::Finished, places.is_empty());
        places.len()
    }

    #[test]
    fn a_rim_beside_what_did_not_change_is_asked_about() {
        // Three rows of tiles, one column of them with rim.
        assert_eq!(rims_asked_about(0.5), 3);
    }

    #[test]
    fn a_rim_among_leaves_that_moved_as_much_is_not() {
        assert_eq!(rims_asked_about(8.0), 0);
    }
}
