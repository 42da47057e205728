//! Gaps between gear and gear that goes on beyond them.
//!
//! Before a black tyre a black pole cannot be seen, nor can a cable among leaves; but a pole that ends
//! on one side and goes on in line on the other did not end. The gap goes with the rest unless what
//! stands there would show, and nothing does.

use rayon::prelude::*;

use super::lines::{ASIDE, shows_along};
use super::looks::{Look, Looker, On, Place};
use super::slender::{Course, SPACING, directions};
use crate::scene::{Plane, difference};

/// The longest gap, px at [`crate::mask::REFERENCE_SIDE`], as all lengths here: a wheel, a shrub.
const WIDEST: f32 = 420.0;
/// Behind an end a gap wider than this is far: the end's direction is hardly known so far on ..
const FAR: f32 = 110.0;
/// .. and the thing must be hidden on almost all of the way. On the training, development and large
/// scenes the three far gaps that were gear's had up to 0.06 against them, the four others from 0.21.
const FAR_CONTRARY: f32 = 0.1;
/// The shortest: nearer gear is the end's own rim.
const NARROWEST: f32 = 8.0;
/// An end of so many times [`END`] is long.
const LONG: f32 = 2.0;
/// An end is so many times longer than wide.
const SLENDER: f32 = 5.0;
/// An end is so long, and lies on gear for so much of it.
const END: (f32, f32) = (34.0, 0.9);
/// Gear along a line is looked for so far apart, px.
const WAY_STEP: f32 = 1.5;
/// Beside an end, so far off, there is no gear on so much of its way: it is slender.
const BESIDE: (f32, f32) = (5.0, 0.7);
/// Widths of ends, px.
const WIDTHS: [f32; 3] = [3.0, 7.0, 13.0];
/// Ahead of an end and beside it there is gear on less than this share of the way.
const GOES_ON_BESIDE: f32 = 0.3;
/// Beyond the gap the gear goes on in line for so long.
const GOES_ON: f32 = 24.0;
/// Or there is gear on so much of that way.
const ARRIVED: f32 = 0.5;
/// A thing shows before what differs by more than this from it (CIE94): above the texture of stone.
const WOULD_SHOW: f32 = 7.0;
/// Nearer to the plate than this share of what the thing differs from it, and farther from the thing,
/// the plate is seen.
const NEARER: f32 = 0.5;
/// The tone may change along a stroke; but where nothing changed by more than this (CIE94), so far
/// to either side, nothing stands.
const UNCHANGED: f32 = 2.5;
const NEAR: [f32; 5] = [0.0, -2.5, 2.5, -5.0, 5.0];
/// What ends along an edge of the scene, a wall's top or a door's post, is part of that edge as often:
/// both sides of it, so far off, differ so much (CIE94), on so much of the way.
const EDGE: (f32, f32) = (5.0, 8.0);
const MOST_ON_EDGE: f32 = 0.7;
/// What is preferred: a degree less of a turn is worth so much of that share.
const TURN_COST: f32 = 0.02;
/// And the widest gap so much more than none.
const WAY_COST: f32 = 0.1;
/// Ends nearer to each other than this are one, px.
const ONE_END: f32 = 12.0;

/// What a gap begins at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Behind {
    /// Slender gear: it must go on in line.
    ShortEnd,
    /// The same, so long that it points at what it goes on to.
    LongEnd,
    /// A stroke that was followed where no gear was; cables hang in curves.
    Stroke,
}

impl Behind {
    /// Turns that are tried across the gap, degrees: as well as the direction is known.
    fn turns(self) -> i32 {
        match self {
            Self::ShortEnd => 7,
            Self::LongEnd => 3,
            Self::Stroke => 10,
        }
    }

    /// Share of a gap so wide on which it would show and does not, at most: leaves may hide a cable.
    fn most_contrary(self, way: f32) -> f32 {
        match self {
            Self::ShortEnd | Self::LongEnd if way > FAR => FAR_CONTRARY,
            Self::ShortEnd => 0.2,
            Self::LongEnd | Self::Stroke => 0.35,
        }
    }
}

/// The gaps between slender gear that ends and slender gear in line with it: courses across.
pub(super) fn gaps(looker: &Looker<'_>, seeds: &[Place], large: &Plane<bool>) -> Vec<Course> {
    let behind = -END.0 * looker.scale;
    let gap = |end: &Look| {
        let colour = looker.colour(end, (behind, -1.0), On::Gear)?;
        across((looker, large), end, colour, Behind::ShortEnd).or_else(|| {
            let is_long = share_on_gear(looker, end, (LONG * behind, -1.0), 0.0) >= END.1;
            is_long.then(|| across((looker, large), end, colour, Behind::LongEnd))?
        })
    };
    ends(looker, seeds).par_iter().filter_map(gap).collect()
}

/// The course across a gap from an end to gear ahead, if there is gear in reach and nothing speaks
/// against it.
pub(super) fn across(
    (looker, large): (&Looker<'_>, &Plane<bool>),
    end: &Look,
    colour: [f32; 3],
    behind: Behind,
) -> Option<Course> {
    let turns = behind.turns();
    let turned = (-2 * turns..=2 * turns).map(|half| {
        let turn = 0.5 * half as f32;
        (turn, end.turned(turn.to_radians()))
    });
    let tries = turned.flat_map(|(turn, line)| {
        ASIDE.map(|aside| (turn, line.from(end.at(0.0, aside * looker.scale))))
    });
    let found = tries.filter_map(|(turn, line)| {
        let way = arrival((looker, large), &line, behind)?;
        let gap = (1..way as usize).map(|at| line.onward(at as f32));
        if behind != Behind::Stroke && on_edge(looker, gap) {
            return None;
        }
        let against = contrary(looker, &line, (way, behind), colour);
        let cost = against + TURN_COST * turn.abs() + WAY_COST * way / (WIDEST * looker.scale);
        (against <= behind.most_contrary(way / looker.scale)).then_some((cost, line, way))
    });
    let (_, line, way) = found.min_by(|a, b| a.0.total_cmp(&b.0))?;
    let steps = (way / SPACING).ceil() as usize;
    let points = (0..=steps)
        .map(|k| line.onward(k as f32 * SPACING))
        .collect();
    Some(Course::across(points, end.width))
}

/// Way to the gear ahead; none where there is none, or a person before it.
fn arrival(
    (looker, large): (&Looker<'_>, &Plane<bool>),
    line: &Look,
    behind: Behind,
) -> Option<f32> {
    let widest = WIDEST * looker.scale;
    let mut way = 3.0;
    loop {
        if way > widest || looker.is_person(line.at(way, 0.0))? {
            return None;
        }
        if looker.is_gear(line.at(way, 0.0)) {
            break;
        }
        way += 1.0;
    }
    let onward = line.onward(way);
    let goes_on = GOES_ON * looker.scale;
    let is_met = match behind {
        Behind::ShortEnd => is_slender(looker, &onward, (1.0, goes_on)),
        Behind::LongEnd | Behind::Stroke => {
            let (x, y) = onward.start.pixel(looker.size)?;
            *large.at(x, y) && share_on_gear(looker, &onward, (1.0, goes_on), 0.0) >= ARRIVED
        }
    };
    is_met.then_some(way)
}

/// Share of the gap on which the thing would show before the plate, and the plate shows instead.
fn contrary(
    looker: &Looker<'_>,
    line: &Look,
    (way, behind): (f32, Behind),
    colour: [f32; 3],
) -> f32 {
    let (mut against, mut all) = (0.0f32, 0.0f32);
    let mut at = 1.0;
    while at < way {
        let differs = |across: f32| -> Option<[f32; 3]> {
            let [lit, plate] = looker.both(line.at(at, across * looker.scale))?;
            let [shows, off] = [plate, lit].map(|seen| difference(seen, colour).0);
            Some([shows, difference(lit, plate).0, off])
        };
        if let Some([shows, changed, off]) = differs(0.0) {
            let is_contrary = if behind == Behind::Stroke {
                let mut near = NEAR.into_iter();
                near.all(|a| differs(a).is_none_or(|d| d[1] < UNCHANGED))
            } else {
                let is_plate = changed < NEARER * shows && off >= NEARER * shows;
                // What is thinner than the lens resolves has not its own tone before a bright sky. On
                // a far way any leaf's rim would be taken for it.
                let may_be_thin = way <= FAR * looker.scale;
                is_plate && !(may_be_thin && shows_along(looker, line, at))
            };
            all += 1.0;
            against += f32::from(shows > WOULD_SHOW && is_contrary);
        }
        at += 1.0;
    }
    against / all.max(1.0)
}

/// Do so many of these looks lie along an edge of the plate?
pub(super) fn on_edge(looker: &Looker<'_>, looks: impl Iterator<Item = Look>) -> bool {
    let off = EDGE.0 * looker.scale;
    let (mut along, mut all) = (0.0f32, 0.0f32);
    for look in looks {
        let sides = [-off, off].map(|off| looker.both(look.at(0.0, off)));
        if let [Some([_, left]), Some([_, right])] = sides {
            all += 1.0;
            along += f32::from(difference(left, right).0 > EDGE.1);
        }
    }
    along > MOST_ON_EDGE * all
}

/// Ends of slender gear, looking away from it.
fn ends(looker: &Looker<'_>, seeds: &[Place]) -> Vec<Look> {
    let behind = (-END.0 * looker.scale, -1.0);
    let directions = directions();
    let end_along = |line: Look| {
        if looker.is_gear(line.at(2.0, 0.0)) || looker.is_gear(line.at(5.0, 0.0)) {
            return None;
        }
        if !is_on_gear(looker, &line, behind) {
            return None;
        }
        let mut widths = WIDTHS.into_iter();
        let width = widths.find(|w| is_slim(looker, &line, behind, *w))?;
        let least = (-SLENDER * width * looker.scale, -1.0);
        if !is_on_gear(looker, &line, least) {
            return None;
        }
        // Where a leg's rim is crossed aslant, it goes on beside.
        let mut beside = [-1.0, -0.5, 0.0, 0.5, 1.0]
            .map(|k| k * width * looker.scale)
            .into_iter();
        let ahead = (4.0, 4.0 + NARROWEST * looker.scale);
        if beside.any(|off| share_on_gear(looker, &line, ahead, off) > GOES_ON_BESIDE) {
            return None;
        }
        let straight = share_on_gear(looker, &line, (2.0 * behind.0, -1.0), 0.0);
        Some((straight, in_the_middle(looker, &line, width * looker.scale)))
    };
    let mut found: Vec<(f32, Look)> = seeds
        .par_iter()
        .flat_map_iter(|&seed| {
            directions
                .iter()
                .filter_map(move |look| end_along(look.from(seed)))
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut ends: Vec<Look> = Vec::new();
    for (_, end) in found {
        let near = |other: &Look| {
            let (u, v) = (other.start.x - end.start.x, other.start.y - end.start.y);
            u.hypot(v) < ONE_END * looker.scale && other.turn_to(&end).cos() > 0.7
        };
        if !ends.iter().any(near) {
            ends.push(end);
        }
    }
    ends
}

/// The line along the middle of the gear behind an end, which began at its rim.
fn in_the_middle(looker: &Looker<'_>, line: &Look, width: f32) -> Look {
    let (mut sum, mut count) = (0.0f32, 0.0f32);
    let mut way = -1.0;
    while way >= -END.0 * looker.scale {
        let mut off = -width;
        while off <= width {
            if looker.is_gear(line.at(way, off)) {
                sum += off;
                count += 1.0;
            }
            off += 1.0;
        }
        way -= 1.5;
    }
    line.beside(sum / count.max(1.0), width)
}

/// Is there gear along a line, and none beside it?
fn is_slender(looker: &Looker<'_>, line: &Look, range: (f32, f32)) -> bool {
    is_on_gear(looker, line, range) && WIDTHS.into_iter().any(|w| is_slim(looker, line, range, w))
}

fn is_slim(looker: &Looker<'_>, line: &Look, range: (f32, f32), width: f32) -> bool {
    let off = (0.5 * width + BESIDE.0) * looker.scale;
    let is_free = |off: f32| 1.0 - share_on_gear(looker, line, range, off) >= BESIDE.1;
    is_free(off) && is_free(-off)
}

/// Does so much of a line lie on gear as of what ends?
fn is_on_gear(looker: &Looker<'_>, line: &Look, (from, to): (f32, f32)) -> bool {
    let ways = || {
        std::iter::successors(Some(from), |way| Some(way + WAY_STEP)).take_while(|&way| way <= to)
    };
    let all = ways().count() as f32;
    let mut off = 0.0f32;
    // Once too much lies beside, no more is asked.
    let is_enough = |off: f32| (all - off) / all.max(1.0) >= END.1;
    for way in ways() {
        off += f32::from(!looker.is_gear(line.at(way, 0.0)));
        if !is_enough(off) {
            return false;
        }
    }
    is_enough(off)
}

fn share_on_gear(looker: &Looker<'_>, line: &Look, (from, to): (f32, f32), off: f32) -> f32 {
    let (mut on, mut all) = (0.0f32, 0.0f32);
    let mut way = from;
    while way <= to {
        on += f32::from(looker.is_gear(line.at(way, off)));
        all += 1.0;
        way += WAY_STEP;
    }
    on / all.max(1.0)
}
