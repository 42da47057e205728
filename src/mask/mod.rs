//! Stage 7: where the plate is to show.
//!
//! Generous where it is free, exact where it is dear: the pieces to be removed are closed, grown
//! by the lens's blur and through whole penumbrae, feathered, and never let onto the person.

use std::collections::VecDeque;

use crate::numeric::filter::{box_mean, gaussian};
use crate::numeric::spans::{Run, Spans};
use crate::scene::{Label, Perceived, Plane, Size, difference};

/// Lengths are for a frame of this long side and grow in proportion.
pub const REFERENCE_SIDE: f32 = 1800.0;

/// The mask grows by this much in any case, px at [`REFERENCE_SIDE`]: lens blur, demosaicing and
/// the ringing of sharpening around a hard edge (common practice, no source).
const GROW_ALWAYS: f32 = 4.0;

/// Around gear the mask grows this far while lit frame and relit plate still differ visibly.
const GROW_GEAR: f32 = 9.0;

/// Around a shadow this far, while it is still darker than its surroundings: the penumbra.
const GROW_PENUMBRA: f32 = 28.0;

/// Darker than the surroundings by this (ln units, 2 %) is penumbra still.
const PENUMBRA_DEPTH: f32 = -0.02;

/// A penumbra is where most of what is this near is darker, px at [`REFERENCE_SIDE`]: wider than
/// blades of grass and slats, which the flash may light otherwise than the ground around.
const PENUMBRA_WINDOW: f32 = 8.0;

/// Most of it.
const PENUMBRA_SHARE: f32 = 0.5;

/// Difference (CIE94) down to which a penumbra is followed; below, a rim cannot be seen.
const PENUMBRA_DIFFERENCE: f32 = 1.0;

/// Width of the feather, px at [`REFERENCE_SIDE`].
const FEATHER: f32 = 6.0;

/// Holes up to this share of the frame inside the mask are closed: the face of a box may
/// happen to have the plate's tone.
const HOLE_SHARE: f32 = 0.002;

/// What is thinner than twice this, px at [`REFERENCE_SIDE`], is no box but legs, struts and cables: between
/// them the ground shows, in the light that it has.
const THIN: f32 = 8.0;

/// A wider hole is in a box if this share of its rim is.
const MOSTLY_IN_A_BOX: f32 = 0.5;

/// The feather keeps this far off the person, px at [`REFERENCE_SIDE`].
const PERSON_GAP: f32 = 1.5;

/// Where the plate is to show.
#[derive(Debug, Clone)]
pub struct CutPlan {
    /// Share of the plate, 0..1, feathered.
    pub share: Plane<f32>,
    /// What must not be touched: the person.
    pub keep: Plane<bool>,
}

/// Pixels of one thing differ by less than this (CIE94) from where it meets the plate's border, and
/// by more from the background.
const SAME_THING: f32 = 8.0;

/// And by less than this from the next pixel.
const SAME_SURFACE: f32 = 4.0;

/// Carries the class of gear on into what the plate does not show: the last pixels at the border
/// of a frame whose camera moved. Elsewhere the labels stay.
///
/// `from_filled` is the difference (CIE94) to the plate, smoothly filled beyond its border: what
/// looks like that is background.
pub fn beyond_plate(
    labels: &Plane<Label>,
    usable: &Plane<bool>,
    lit_seen: &Perceived,
    from_filled: &Plane<f32>,
) -> Plane<Label> {
    let size = labels.size();
    let mut out = labels.clone();
    // Each pixel comes with the one at the plate's border that it goes on from: tones that creep
    // from step to step lead from the gear into a smooth sky.
    let mut queue: VecDeque<(usize, usize)> = (0..size.area())
        .filter(|&i| {
            labels.as_slice()[i] == Label::Gear
                && four_neighbours(i, size).any(|j| !usable.as_slice()[j])
                // A rim of the gear may have the background's colour.
                && four_neighbours(i, size)
                    .all(|j| labels.as_slice()[j] == Label::Gear || !usable.as_slice()[j])
        })
        .map(|i| (i, i))
        .collect();
    while let Some((i, origin)) = queue.pop_front() {
        for j in four_neighbours(i, size) {
            let is_open = !usable.as_slice()[j] && out.as_slice()[j] != Label::Gear;
            let apart = |k: usize| difference(lit_seen.at_index(k), lit_seen.at_index(j)).0;
            let stands_out = from_filled.as_slice()[j] > SAME_THING;
            if is_open && stands_out && apart(i) < SAME_SURFACE && apart(origin) < SAME_THING {
                out.as_mut_slice()[j] = Label::Gear;
                queue.push_back((j, origin));
            }
        }
    }
    out
}

/// What the mask is laid from; planes of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct CutInputs<'a> {
    /// Class a pixel; unchanged pixels are [`Label::Other`].
    pub labels: &'a Plane<Label>,
    /// Does the pixel belong to a piece of change?
    pub changed: &'a Plane<bool>,
    /// Visible difference to the relit plate, CIE94.
    pub difference: &'a Plane<f32>,
    /// ln ratio above the pool.
    pub excess: &'a Plane<f32>,
}

/// Lays the mask. Holds seven planes.
pub fn plan_cut(inputs: &CutInputs<'_>) -> CutPlan {
    let labels = inputs.labels;
    let scale = (labels.size().long_side() as f32 / REFERENCE_SIDE).max(0.5);
    let keep = labels.map(|l| *l == Label::Person);
    let core = labels.map(|l| l.is_removed());
    let holes = Holes::of(&core, &keep, scale);
    let core = holes.close(&core);
    let label = labels.as_slice();
    // Pieces that were judged to be something else are not grown into beyond the lens's blur.
    let open =
        |i: usize| !keep.as_slice()[i] && (label[i].is_removed() || !inputs.changed.as_slice()[i]);
    let seen = |i: usize| inputs.difference.as_slice()[i] > PENUMBRA_DIFFERENCE;
    let always = || distance_within(&core, GROW_ALWAYS * scale, |i| !keep.as_slice()[i]);
    let gear = || distance_within(&core, GROW_GEAR * scale, |i| open(i) && seen(i));
    let penumbra = || {
        let shadow = labels.map(|l| *l == Label::GearShadow);
        let is_darker = |i: usize| inputs.excess.as_slice()[i] < PENUMBRA_DEPTH;
        let window = (PENUMBRA_WINDOW * scale) as usize;
        let around = box_mean(
            &inputs.excess.map(|&e| f32::from(e < PENUMBRA_DEPTH)),
            window,
        );
        distance_within(&shadow, GROW_PENUMBRA * scale, |i| {
            let mostly = around.as_slice()[i] > PENUMBRA_SHARE;
            open(i) && seen(i) && is_darker(i) && mostly
        })
    };
    let (penumbra, (always, gear)) = rayon::join(penumbra, || rayon::join(always, gear));
    let full = Plane::from_fn(labels.size(), |x, y| {
        [&always, &gear, &penumbra]
            .iter()
            .any(|d| d.at(x, y).is_finite())
    });
    let full = holes.close(&full);
    let share = feather(&full, &keep, scale);
    CutPlan { share, keep }
}

/// What is known of holes in the mask.
struct Holes<'a> {
    keep: &'a Plane<bool>,
    /// In and around gear that is no leg, strut or cable.
    thick: Plane<bool>,
    /// Depth up to which growing and feathering leave nothing of a hole, px.
    shallow: f32,
}

impl<'a> Holes<'a> {
    fn of(core: &Plane<bool>, keep: &'a Plane<bool>, scale: f32) -> Self {
        let (thin, rim) = (THIN * scale, (THIN + GROW_GEAR + 1.0) * scale);
        let off = core.map(|c| !c);
        let inner = distance_within(&off, thin, |_| true).map(|d| d.is_infinite());
        Self {
            keep,
            thick: distance_within(&inner, rim, |_| true).map(|d| d.is_finite()),
            shallow: (GROW_ALWAYS + FEATHER) * scale,
        }
    }

    /// Fills holes of the mask (four neighbours) that are small, do not show the person, and are narrow or
    /// in a box.
    fn close(&self, core: &Plane<bool>) -> Plane<bool> {
        let size = core.size();
        let limit = (HOLE_SHARE * size.area() as f32) as usize;
        let open = Spans::off_mask(core);
        let mut out = core.clone();
        for hole in open.connected() {
            let area: usize = hole.iter().map(|(_, run)| run.to - run.from).sum();
            let is_on_border = |&(y, run): &(usize, Run)| {
                y == 0 || y + 1 == size.rows || run.from == 0 || run.to == size.columns
            };
            let shows_person = |&(y, run): &(usize, Run)| {
                let kept = &self.keep.row(y)[run.from..run.to];
                kept.contains(&true)
            };
            if area <= limit
                && !hole.iter().any(is_on_border)
                && !hole.iter().any(shows_person)
                && (self.is_narrow(&hole) || self.is_in_a_box(&hole))
            {
                for (y, run) in hole {
                    out.row_mut(y)[run.from..run.to].fill(true);
                }
            }
        }
        out
    }

    /// Is no disc in it wider than what growing fills? Told from its rows: what is this low or narrow
    /// throughout.
    fn is_narrow(&self, hole: &[(usize, Run)]) -> bool {
        let rows = hole.iter().map(|&(y, _)| y);
        let (first, last) = (rows.clone().min(), rows.max());
        let height = last.zip(first).map_or(0, |(last, first)| last - first + 1);
        let width = hole.iter().map(|(_, run)| run.to - run.from).max();
        height.min(width.unwrap_or(0)) as f32 <= 2.0 * self.shallow
    }

    /// Do the ends of most of its rows lie in or around a box?
    fn is_in_a_box(&self, hole: &[(usize, Run)]) -> bool {
        let ends = || {
            hole.iter()
                .flat_map(|&(y, run)| [(run.from - 1, y), (run.to, y)])
        };
        let thick = ends().filter(|&(x, y)| *self.thick.at(x, y));
        thick.count() as f32 >= MOSTLY_IN_A_BOX * ends().count() as f32
    }
}

fn four_neighbours(i: usize, size: Size) -> impl Iterator<Item = usize> {
    let (x, y) = (i % size.columns, i / size.columns);
    let left = (x > 0).then(|| i - 1);
    let right = (x + 1 < size.columns).then(|| i + 1);
    let up = (y > 0).then(|| i - size.columns);
    let down = (y + 1 < size.rows).then(|| i + size.columns);
    [left, right, up, down].into_iter().flatten()
}

/// Path length from `from` to each pixel, through pixels that `may_enter`, up to `reach`; infinite
/// beyond. Chamfer steps of 1 and the square root of 2, within 8 % of the Euclidean length.
fn distance_within(
    from: &Plane<bool>,
    reach: f32,
    may_enter: impl Fn(usize) -> bool,
) -> Plane<f32> {
    let size = from.size();
    let mut distance = from.map(|&f| if f { 0.0 } else { f32::INFINITY });
    let values = distance.as_mut_slice();
    let mut queue: VecDeque<usize> = (0..size.area())
        .filter(|&i| values[i] == 0.0 && four_neighbours(i, size).any(|j| values[j] > 0.0))
        .collect();
    while let Some(i) = queue.pop_front() {
        let (x, y) = (
            i as i64 % size.columns as i64,
            i as i64 / size.columns as i64,
        );
        for (dx, dy) in [
            (-1, 0),
            (1, 0),
            (0, -1),
            (0, 1),
            (-1, -1),
            (1, -1),
            (-1, 1),
            (1, 1),
        ] {
            let (nx, ny) = (x + dx, y + dy);
            if nx < 0 || ny < 0 || nx >= size.columns as i64 || ny >= size.rows as i64 {
                continue;
            }
            let j = ny as usize * size.columns + nx as usize;
            let step = if dx != 0 && dy != 0 {
                std::f32::consts::SQRT_2
            } else {
                1.0
            };
            let length = values[i] + step;
            if length <= reach && length + 1e-4 < values[j] && may_enter(j) {
                values[j] = length;
                queue.push_back(j);
            }
        }
    }
    distance
}

fn feather(full: &Plane<bool>, keep: &Plane<bool>, scale: f32) -> Plane<f32> {
    let width = FEATHER * scale;
    let gap = PERSON_GAP * scale;
    let (off, to_person) = rayon::join(
        || distance_within(full, width, |i| !keep.as_slice()[i]),
        || distance_within(keep, gap + 1.0, |_| true),
    );
    Plane::from_fn(full.size(), |x, y| {
        if *keep.at(x, y) {
            return 0.0;
        }
        let distance = *off.at(x, y);
        let soft = if distance <= 0.0 {
            1.0
        } else {
            smooth_step(1.0 - distance / width)
        };
        let near = *to_person.at(x, y);
        if distance > 0.0 && near.is_finite() {
            soft * (near / (gap + 1.0)).min(1.0)
        } else {
            soft
        }
    })
}

fn smooth_step(t: f32) -> f32 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// A plane of shares smoothed by `sigma`, for callers that blend layers along soft rims.
pub fn softened(mask: &Plane<bool>, sigma: f32) -> Plane<f32> {
    gaussian(&mask.map(|&m| if m { 1.0 } else { 0.0 }), sigma)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(
        gear: impl Fn(usize, usize) -> bool + Sync,
        person: impl Fn(usize, usize) -> bool + Sync,
    ) -> Plane<Label> {
        Plane::from_fn(
            Size {
                columns: 200,
                rows: 120,
            },
            |x, y| {
                if person(x, y) {
                    Label::Person
                } else if gear(x, y) {
                    Label::Gear
                } else {
                    Label::Other
                }
            },
        )
    }

    fn plan(labels: &Plane<Label>, difference: f32) -> CutPlan {
        plan_cut(&CutInputs {
            labels,
            changed: &labels.map(|l| *l != Label::Other),
            difference: &Plane::filled(labels.size(), difference),
            excess: &Plane::filled(labels.size(), 0.0),
        })
    }

    #[test]
    fn the_person_is_never_covered() {
        let labels = scene(
            |x, _| (60..100).contains(&x),
            |x, _| (100..130).contains(&x),
        );
        let plan = plan(&labels, 50.0);
        for y in 0..120 {
            assert!((100..130).all(|x| *plan.share.at(x, y) == 0.0));
            assert!((60..99).all(|x| *plan.share.at(x, y) > 0.0));
        }
    }

    #[test]
    fn a_hole_in_the_gear_is_closed_and_shares_stay_in_range() {
        let labels = scene(
            |x, y| (60..100).contains(&x) && !((75..78).contains(&x) && y == 60),
            |_, _| false,
        );
        let plan = plan(&labels, 0.0);
        assert!(*plan.share.at(76, 60) > 0.999);
        assert!(
            plan.share
                .as_slice()
                .iter()
                .all(|s| (0.0..=1.0).contains(s))
        );
        assert!(*plan.share.at(10, 10) < 1e-6);
    }

    /// A square hole of 60 px in a frame of bars, at [`REFERENCE_SIDE`].
    fn framed_hole(bar: usize) -> Plane<f32> {
        let size = Size {
            columns: 1800,
            rows: 1200,
        };
        let hole = |v: usize| (120..180).contains(&v);
        let around = |v: usize| (120 - bar..180 + bar).contains(&v);
        let labels = Plane::from_fn(size, |x, y| {
            if around(x) && around(y) && !(hole(x) && hole(y)) {
                Label::Gear
            } else {
                Label::Other
            }
        });
        plan(&labels, 0.0).share
    }

    #[test]
    fn a_hole_in_a_box_is_closed_and_ground_between_legs_is_left() {
        let middle = (150, 150);
        assert!(*framed_hole(40).at(middle.0, middle.1) > 0.999);
        assert!(*framed_hole(5).at(middle.0, middle.1) < 1e-6);
        // The legs themselves go.
        assert!(*framed_hole(5).at(118, 150) > 0.999);
    }

    #[test]
    fn nothing_to_remove_is_an_empty_mask() {
        let labels = scene(|_, _| false, |x, _| x > 150);
        let plan = plan(&labels, 9.0);
        assert!(plan.share.as_slice().iter().all(|s| *s == 0.0));
    }

    /// A shadow to the left of column 80 whose penumbra returns over 20 columns; a blade that the
    /// flash lights less than the ground stands on its rim and on open ground.
    #[test]
    fn the_mask_follows_a_penumbra_but_no_blade_out_of_it() {
        let shadow = |x: usize, _: usize| x < 80;
        let labels = scene(shadow, |_, _| false).map(|l| match l {
            Label::Gear => Label::GearShadow,
            other => *other,
        });
        let is_blade = |y: usize| (60..65).contains(&y);
        let excess = Plane::from_fn(labels.size(), |x, y| match x {
            0..80 => -0.4,
            80..100 => -0.025 * (100 - x) as f32,
            _ if is_blade(y) => -0.3,
            _ => 0.0,
        });
        let full = Size {
            columns: 1800,
            rows: 120,
        };
        let wide = |plane: &Plane<f32>| Plane::from_fn(full, |x, y| *plane.at(x.min(199), y));
        let labels = Plane::from_fn(full, |x, y| *labels.at(x.min(199), y));
        let plan = plan_cut(&CutInputs {
            changed: &labels.map(|l| *l != Label::Other),
            labels: &labels,
            difference: &Plane::filled(full, 5.0),
            excess: &wide(&excess),
        });
        assert!(*plan.share.at(94, 20) > 0.9);
        assert!(*plan.share.at(94, 62) > 0.9);
        // Up the blade it would be full to 28 px from the shadow and its feather end 6 px on, at 113.
        assert!((110..199).all(|x| *plan.share.at(x, 62) == 0.0));
    }
}
