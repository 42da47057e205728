//! Corrections: what a person says of a place, carried into the mask.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use super::{Before, Reopened, part};
use crate::change::{FORGIVEN_SHIFT, as_seen, relit_as_seen, tolerant_difference};
use crate::mask::{CutInputs, beyond_plate, plan_cut};
use crate::merge::mask_value;
use crate::numeric::enlarge::RowEnlarger;
use crate::pipeline::Frame;
use crate::report::Box2;
use crate::scene::{Label, Perceived, Plane, Window};

/// A point may miss its piece by this much, px of the working copy: stands are thin.
const POINT_REACH: usize = 6;

/// How far round a piece its label has a say in the mask, px of the working copy: a whole penumbra
/// and the feather on the largest working copy, and what blurs look at beyond.
const SAY_MARGIN: usize = 72;

/// A box means the pieces of which it covers at least this share.
const PIECE_IN_BOX: f64 = 0.5;

/// Width of the feather round a box, full-size px a 1000 px of long side.
const BOX_FEATHER: f32 = 3.0;

/// A piece is a shadow when it is darker than its surroundings by this (ln units), and its surface
/// the plate's.
const SHADOW_DEPTH: f64 = -0.08;
const SHADOW_AGREEMENT: f64 = 0.6;

/// What a person wants of a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Told {
    /// The lit frame stays.
    Keep,
    /// The plate is to show.
    Take,
}

/// A place, in pixels of the upright lit frame at full size.
#[derive(Debug, Clone, PartialEq)]
pub enum Marks {
    /// What stands there: the pieces of one class that hang together.
    Point {
        /// Column.
        x: usize,
        /// Row.
        y: usize,
    },
    /// All of it, and the pieces that lie in it by half or more with their rims; but no person and no
    /// gear that lies mostly outside and says otherwise.
    Box(Box2),
    /// How much is meant of each pixel, 0..65 535; soft edges count.
    Painted(Plane<u16>),
}

/// What a person says of a place.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// What is wanted.
    pub told: Told,
    /// Where.
    pub marks: Marks,
}

/// A mask with corrections in it.
#[derive(Debug, Clone)]
pub struct Corrected {
    /// The new mask; equal to the old one where nothing was said.
    pub mask: Plane<u16>,
    /// The pieces' labels after it: a piece that is kept counts as person.
    pub labels: Vec<Label>,
    /// Corrections, by index, at whose place nothing was found to keep or take.
    pub without_effect: Vec<usize>,
}

impl Reopened<'_> {
    /// Carries corrections into a frame's mask, in their order: later ones win.
    pub fn corrected(
        &self,
        lit: &Frame,
        before: &Before<'_>,
        corrections: &[Correction],
    ) -> Corrected {
        let pieces = &before.decision.pieces;
        let mut labels = before.decision.labels.clone();
        let mut painted: Vec<(Told, Plane<u16>)> = Vec::new();
        let mut without_effect = Vec::new();
        for (index, correction) in corrections.iter().enumerate() {
            let told = correction.told;
            let meant = match &correction.marks {
                Marks::Point { x, y } => {
                    // As the person saw them, not as earlier corrections of the same call left them:
                    // what one says must not hang together with what another says.
                    self.pieces_at(pieces, &before.decision.labels, [*x, *y])
                }
                Marks::Box(place) => self.pieces_in(pieces, place),
                Marks::Painted(shares) => {
                    painted.push((told, shares.clone()));
                    continue;
                }
            };
            match &correction.marks {
                Marks::Box(place) => {
                    let spared = spared(told, &labels, &meant);
                    let shares = self.boxed(before.mask, place, pieces, &spared);
                    painted.push((told, shares));
                }
                _ if meant.is_empty() => without_effect.push(index),
                _ => {}
            }
            let measured = if told == Told::Take { &meant[..] } else { &[] };
            let shadows = Shadows::among(measured, self, pieces);
            for piece in meant {
                labels[piece] = match told {
                    Told::Keep => Label::Person,
                    Told::Take if shadows.is_shadow(piece, labels[piece]) => Label::GearShadow,
                    Told::Take => Label::Gear,
                };
            }
        }
        let mut mask = if labels == before.decision.labels {
            before.mask.clone()
        } else {
            self.recut(lit, before, &labels)
        };
        for (told, shares) in painted {
            mask = mask.zip(&shares, |&share, &meant| match told {
                Told::Keep => {
                    let left = u32::from(u16::MAX - meant);
                    ((u32::from(share) * left + 32_767) / 65_535) as u16
                }
                Told::Take => share.max(meant),
            });
        }
        Corrected {
            mask,
            labels,
            without_effect,
        }
    }

    /// The mask laid again where the new labels change it.
    fn recut(&self, lit: &Frame, before: &Before<'_>, labels: &[Label]) -> Plane<u16> {
        let pieces = &before.decision.pieces;
        let is_changed = |n: &u32| {
            let piece = (*n as usize).checked_sub(1);
            piece.is_some_and(|i| before.decision.labels.get(i) != labels.get(i))
        };
        let Some(window) = part::window_of(pieces, SAY_MARGIN, is_changed) else {
            return before.mask.clone();
        };
        let seen = self.seen_near(window, &lit.encoding.to_xyz);
        let changed = pieces.map(|&n| n > 0);
        let cut = |labels: &[Label]| {
            let plane = label_plane(pieces, labels);
            let plane = beyond_plate(&plane, &seen.usable, &seen.lit, &seen.difference);
            plan_cut(&CutInputs {
                labels: &plane,
                changed: &changed,
                difference: &seen.difference,
                excess: &seen.excess,
            })
            .share
        };
        let (was, is) = (cut(&before.decision.labels), cut(labels));
        let (columns, factor) = (before.mask.columns(), self.set_up.factor());
        let enlarger = RowEnlarger::new(was.size(), factor, columns);
        let mut mask = before.mask.clone();
        let (mut old, mut new) = (vec![0.0f32; columns], vec![0.0f32; columns]);
        for y in 0..mask.rows() {
            enlarger.row(&was, y, &mut old);
            enlarger.row(&is, y, &mut new);
            for (out, (old, new)) in mask.row_mut(y).iter_mut().zip(old.iter().zip(&new)) {
                if mask_value(*old) != mask_value(*new) {
                    *out = mask_value(*new);
                }
            }
        }
        mask
    }

    /// What laying the mask looks at, near a change; elsewhere nothing grows.
    fn seen_near(&self, window: Window, to_xyz: &[[f32; 3]; 3]) -> Seen {
        let compared = &self.compared;
        let size = compared.lit.size();
        let light = &compared.light;
        let of = |plane: &Plane<f32>| part::part(plane, window);
        let pool = light.pool.each_ref().map(of);
        let lit = as_seen(&part::part_of_picture(&compared.lit, window), to_xyz);
        let plate = part::part_of_picture(&compared.plate, window);
        let plate = relit_as_seen(&plate, &pool, to_xyz);
        let difference = tolerant_difference(&lit, &plate, FORGIVEN_SHIFT);
        let ratio = light.log_ratio.each_ref().map(of);
        let excess = Plane::from_fn(window.size(), |x, y| {
            let channels = ratio.iter().zip(&pool);
            let above = channels.map(|(ratio, pool)| ratio.at(x, y) - pool.at(x, y));
            above.sum::<f32>() / 3.0
        });
        let usable = part::part(&compared.usable, window);
        Seen {
            lit: part::seen_in_place(&lit, window, size),
            usable: part::in_place(&usable, window, size, true),
            difference: part::in_place(&difference, window, size, 0.0),
            excess: part::in_place(&excess, window, size, 0.0),
        }
    }

    /// A box with its feather, without what is spared.
    fn boxed(
        &self,
        mask: &Plane<u16>,
        place: &Box2,
        pieces: &Plane<u32>,
        spared: &BTreeSet<u32>,
    ) -> Plane<u16> {
        let factor = self.set_up.factor();
        let size = pieces.size();
        let is_spared = |x: usize, y: usize| {
            let (x, y) = (
                (x / factor).min(size.columns - 1),
                (y / factor).min(size.rows - 1),
            );
            // The pixel beside it is mixed.
            let across = x.saturating_sub(1)..=(x + 1).min(size.columns - 1);
            let mut down = y.saturating_sub(1)..=(y + 1).min(size.rows - 1);
            down.any(|y| across.clone().any(|x| spared.contains(pieces.at(x, y))))
        };
        let width = (BOX_FEATHER * mask.size().long_side() as f32 / 1000.0).max(2.0);
        let outside = |at: usize, from: usize, length: usize| {
            let last = from.saturating_add(length).saturating_sub(1);
            from.saturating_sub(at).max(at.saturating_sub(last)) as f32
        };
        Plane::from_fn(mask.size(), |x, y| {
            let off = (
                outside(x, place.x, place.width),
                outside(y, place.y, place.height),
            );
            if off.0 >= width || off.1 >= width || is_spared(x, y) {
                return 0;
            }
            let off = off.0.hypot(off.1).min(width);
            let t = 1.0 - off / width;
            (t * t * (3.0 - 2.0 * t) * 65_535.0).round() as u16
        })
    }

    /// The piece at a full-size pixel and those of its class that hang together with it.
    fn pieces_at(&self, pieces: &Plane<u32>, labels: &[Label], [x, y]: [usize; 2]) -> Vec<usize> {
        let factor = self.set_up.factor();
        let size = pieces.size();
        let (x, y) = (
            (x / factor).min(size.columns - 1),
            (y / factor).min(size.rows - 1),
        );
        let Some(start) = nearest_piece(pieces, [x, y]) else {
            return Vec::new();
        };
        let class = |at: usize| {
            let piece = (pieces.as_slice()[at] as usize).checked_sub(1)?;
            Some((piece, *labels.get(piece)?))
        };
        let Some((_, wanted)) = class(start) else {
            return Vec::new();
        };
        let mut seen = Plane::filled(size, false);
        let mut found = BTreeSet::new();
        let mut queue = VecDeque::from([start]);
        seen.as_mut_slice()[start] = true;
        while let Some(at) = queue.pop_front() {
            if let Some((piece, _)) = class(at) {
                found.insert(piece);
            }
            let (x, y) = (at % size.columns, at / size.columns);
            let across = x.saturating_sub(1)..=(x + 1).min(size.columns - 1);
            for y in y.saturating_sub(1)..=(y + 1).min(size.rows - 1) {
                for x in across.clone() {
                    let next = y * size.columns + x;
                    let belongs = class(next).is_some_and(|(_, label)| label == wanted);
                    if belongs && !seen.as_slice()[next] {
                        seen.as_mut_slice()[next] = true;
                        queue.push_back(next);
                    }
                }
            }
        }
        found.into_iter().collect()
    }

    /// The pieces that lie in a box by half or more.
    fn pieces_in(&self, pieces: &Plane<u32>, place: &Box2) -> Vec<usize> {
        let factor = self.set_up.factor();
        let size = pieces.size();
        let end = |from: usize, length: usize, limit: usize| {
            from.saturating_add(length).div_ceil(factor).min(limit)
        };
        let across = (place.x / factor)..end(place.x, place.width, size.columns);
        let down = (place.y / factor)..end(place.y, place.height, size.rows);
        let mut inside: BTreeMap<u32, usize> = BTreeMap::new();
        for y in down {
            for &n in pieces.row(y).get(across.clone()).unwrap_or_default() {
                if n > 0 {
                    *inside.entry(n).or_default() += 1;
                }
            }
        }
        let mut whole: BTreeMap<u32, usize> = inside.keys().map(|&n| (n, 0)).collect();
        for n in pieces.as_slice() {
            if let Some(count) = whole.get_mut(n) {
                *count += 1;
            }
        }
        inside
            .into_iter()
            .filter(|(n, count)| *count as f64 >= PIECE_IN_BOX * whole[n] as f64)
            .map(|(n, _)| n as usize - 1)
            .collect()
    }
}

fn nearest_piece(pieces: &Plane<u32>, [x, y]: [usize; 2]) -> Option<usize> {
    let size = pieces.size();
    let across = x.saturating_sub(POINT_REACH)..=(x + POINT_REACH).min(size.columns - 1);
    let down = y.saturating_sub(POINT_REACH)..=(y + POINT_REACH).min(size.rows - 1);
    down.flat_map(|py| across.clone().map(move |px| (px, py)))
        .filter(|&(px, py)| *pieces.at(px, py) > 0)
        .min_by_key(|&(px, py)| px.abs_diff(x).pow(2) + py.abs_diff(y).pow(2))
        .map(|(px, py)| py * size.columns + px)
}

pub(super) fn label_plane(pieces: &Plane<u32>, labels: &[Label]) -> Plane<Label> {
    pieces.map(|&n| {
        let piece = (n as usize).checked_sub(1);
        piece
            .and_then(|i| labels.get(i).copied())
            .unwrap_or_default()
    })
}

/// Numbers of the pieces that a box leaves alone: not meant by it, and what it must not touch.
fn spared(told: Told, labels: &[Label], meant: &[usize]) -> BTreeSet<u32> {
    let speaks_against = |label: &Label| match told {
        Told::Take => label.is_person(),
        Told::Keep => label.is_removed(),
    };
    let pieces = labels.iter().enumerate();
    pieces
        .filter(|(piece, label)| speaks_against(label) && !meant.contains(piece))
        .map(|(piece, _)| piece as u32 + 1)
        .collect()
}

/// Planes of the working copy that laying the mask looks at.
struct Seen {
    lit: Perceived,
    usable: Plane<bool>,
    difference: Plane<f32>,
    excess: Plane<f32>,
}

/// Which of the pieces meant are light alone.
struct Shadows {
    /// Mean excess and agreement a piece that is meant.
    means: BTreeMap<usize, [f64; 2]>,
}

impl Shadows {
    fn among(meant: &[usize], reopened: &Reopened<'_>, pieces: &Plane<u32>) -> Self {
        let light = &reopened.compared.light;
        let mut sums: BTreeMap<usize, [f64; 3]> = meant.iter().map(|&m| (m, [0.0; 3])).collect();
        for (at, &n) in pieces.as_slice().iter().enumerate() {
            if n == 0 {
                continue;
            }
            let Some(sum) = sums.get_mut(&(n as usize - 1)) else {
                continue;
            };
            let channels = light.log_ratio.iter().zip(&light.pool);
            let excess: f32 = channels
                .map(|(ratio, pool)| ratio.as_slice()[at] - pool.as_slice()[at])
                .sum();
            sum[0] += f64::from(excess) / 3.0;
            sum[1] += f64::from(light.agreement.coarse.as_slice()[at]);
            sum[2] += 1.0;
        }
        let mean = |s: [f64; 3]| [s[0] / s[2].max(1.0), s[1] / s[2].max(1.0)];
        Self {
            means: sums.into_iter().map(|(m, s)| (m, mean(s))).collect(),
        }
    }

    fn is_shadow(&self, piece: usize, label: Label) -> bool {
        let [excess, agreement] = self.means.get(&piece).copied().unwrap_or_default();
        let lies_on_plate = agreement > SHADOW_AGREEMENT;
        label == Label::PersonShadow || (excess < SHADOW_DEPTH && lies_on_plate)
    }
}
