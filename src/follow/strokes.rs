//! Slender things found where no gear was, and led back to the gear that they belong to.
//!
//! A cable that leaves its head among leaves has no beginning that could be seen, nor has a stand
//! whose upper part has the wall's tone. Farther along they are as plain as any.

use rayon::prelude::*;

use super::lines::{Lines, Seed, line_at};
use super::link::{Behind, across, on_edge};
use super::looks::{Look, Looker, On, Thing, Tone};
use super::slender::{Course, PROBE, TAKEN_BEFORE, follow, widest_look};
use crate::scene::{Plane, Size};

/// One beginning is tried in each cell of this side, px.
const CELL: usize = 6;
/// Most that are tried.
const MOST_SEEDS: usize = 3000;
/// Turns of the first look, degrees.
const TURNS: [f32; 5] = [0.0, -4.0, 4.0, -8.0, 8.0];
/// Least mean evidence of it on the weaker side, ln units.
const LEAST: f32 = 0.4;
/// Evidence of a stroke in all and in the mean, ln units: nothing else speaks for it, and more
/// beginnings are tried than at gear.
const ENOUGH: (f32, f32) = (30.0, 1.2);
/// Least length, px at [`crate::mask::REFERENCE_SIDE`], as all lengths here that do not say otherwise.
const SHORTEST: f32 = 70.0;
/// More strokes than this within so many degrees are the scene's: boards, joints, a fence.
const MOST_PARALLEL: usize = 6;
const PARALLEL: f32 = 8.0;
/// A stroke has arrived where there is gear so near its end, px of the working copy.
const ARRIVED: i32 = 3;
/// A stroke whose end points at a person within this way is theirs.
const PERSON_REACH: f32 = 30.0;

/// Strokes where no gear was, what is surest first.
pub(super) fn find(looker: &Looker<'_>) -> Vec<Stroke> {
    let size = looker.size;
    let seeds = seeds(looker);
    let step = seeds.len().div_ceil(MOST_SEEDS).max(1);
    let mut strokes: Vec<Stroke> = seeds
        .par_iter()
        .step_by(step)
        .filter_map(|seed| from_seed(looker, seed))
        .collect();
    strokes.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    let mut taken = Plane::filled(size, false);
    strokes.retain(|stroke| {
        let pixels = stroke.pixels(size);
        let before = pixels.iter().filter(|&&i| taken.as_slice()[i]).count();
        for &i in &pixels {
            taken.as_mut_slice()[i] = true;
        }
        before as f32 <= TAKEN_BEFORE * pixels.len() as f32
    });
    let headings: Vec<f32> = strokes.iter().map(Stroke::heading).collect();
    strokes.retain(|stroke| {
        let own = stroke.heading();
        let parallel = headings.iter().filter(|&&other| {
            let apart = (other - own).rem_euclid(std::f32::consts::PI);
            apart.min(std::f32::consts::PI - apart).to_degrees() < PARALLEL
        });
        parallel.count() <= MOST_PARALLEL
    });
    strokes
}

/// What was followed both ways from a beginning.
pub(super) struct Stroke {
    ways: [Course; 2],
    evidence: f32,
    colour: [f32; 3],
}

impl Stroke {
    fn length(&self) -> f32 {
        self.ways.iter().map(Course::length).sum()
    }

    fn pixels(&self, size: Size) -> Vec<usize> {
        let mut pixels = self.ways[0].pixels(size);
        pixels.extend(self.ways[1].pixels(size));
        pixels.sort_unstable();
        pixels.dedup();
        pixels
    }

    /// Direction from one end to the other, radians.
    fn heading(&self) -> f32 {
        let [a, b] = self.ways.each_ref().map(|way| {
            way.end()
                .map_or((0.0, 0.0), |end| (end.start.x, end.start.y))
        });
        (b.1 - a.1).atan2(b.0 - a.0)
    }

    /// Indices of its pixels and those of the gap to gear; none where it does not lead there.
    pub(super) fn with_gap(&self, looker: &Looker<'_>, large: &Plane<bool>) -> Option<Vec<usize>> {
        let gaps = self.led_to_gear(looker, large)?;
        let mut all = self.pixels(looker.size);
        for gap in &gaps {
            all.extend(gap.pixels(looker.size));
        }
        all.retain(|&i| !looker.field.is_person(i));
        all.sort_unstable();
        all.dedup();
        Some(all)
    }

    /// The gaps between its ends and gear; none where neither end leads to gear or one to a person.
    fn led_to_gear(&self, looker: &Looker<'_>, large: &Plane<bool>) -> Option<Vec<Course>> {
        let (mut gaps, mut is_led) = (Vec::new(), false);
        for way in &self.ways {
            let end = way.end()?;
            let reach = PERSON_REACH * looker.scale;
            if (0..reach as usize).any(|k| looker.is_person(end.at(k as f32, 0.0)) == Some(true)) {
                return None;
            }
            let arrived = (-ARRIVED..=ARRIVED).any(|k| looker.is_gear(end.at(k as f32, 0.0)));
            let gap = across((looker, large), &end, self.colour, Behind::Stroke)
                .filter(|gap| gap.length() <= self.length());
            is_led |= arrived || gap.is_some();
            if !arrived {
                gaps.extend(gap);
            }
        }
        is_led.then_some(gaps)
    }
}

fn from_seed(looker: &Looker<'_>, seed: &Seed) -> Option<Stroke> {
    let probe = PROBE * looker.scale;
    let tried = TURNS.map(|turn| Look::new(seed.place, seed.heading + turn.to_radians(), 1.0));
    let valued = tried.into_iter().filter_map(|line| {
        let colour = looker.colour(&line, (-0.5 * probe, 0.5 * probe), On::Anything)?;
        let ahead = looker.evidence(&line, colour, probe);
        // One that is too weak on one side cannot be chosen.
        if ahead < LEAST {
            return None;
        }
        Some((
            line,
            colour,
            ahead.min(looker.evidence(&line.back(), colour, probe)),
        ))
    });
    let (line, colour, least) = valued.max_by(|a, b| a.2.total_cmp(&b.2))?;
    if least < LEAST {
        return None;
    }
    let thing = Thing {
        colour,
        tone: Tone::OfItsOwn,
    };
    let forth = follow(looker, &widest_look(looker, &line, thing)?, thing)?;
    let back = follow(looker, &widest_look(looker, &line.back(), thing)?, thing)?;
    let evidence = forth.evidence + back.evidence;
    let length = forth.length() + back.length();
    let mean = (forth.mean * forth.length() + back.mean * back.length()) / length;
    let suffices = evidence >= ENOUGH.0 && mean >= ENOUGH.1 && length >= SHORTEST * looker.scale;
    // Where the sun's edge wandered, or boards lie a little aside.
    let is_edge = on_edge(looker, forth.looks().chain(back.looks()));
    (suffices && !is_edge).then_some(Stroke {
        ways: [forth, back],
        evidence,
        colour,
    })
}

/// Where a line shows that the plate does not have, one a cell.
fn seeds(looker: &Looker<'_>) -> Vec<Seed> {
    let Size { columns, rows } = looker.size;
    let lines = &Lines::of(looker);
    (0..rows.div_ceil(CELL))
        .into_par_iter()
        .flat_map_iter(|row| {
            let ys = row * CELL..((row + 1) * CELL).min(rows);
            let likely: Vec<Vec<u32>> = ys.clone().map(|y| lines.likely(looker, y)).collect();
            (0..columns.div_ceil(CELL)).filter_map(move |cell| {
                let x0 = cell * CELL;
                // Every other pixel, in turn: a thin line in any direction meets one of them.
                let along = |y: usize| (x0 + (y & 1)..(x0 + CELL).min(columns)).step_by(2);
                let inside = ys.clone().zip(&likely);
                let inside = inside.flat_map(|(y, likely)| along(y).map(move |x| (x, y, likely)));
                inside
                    .filter_map(|(x, y, likely)| line_at(looker, (lines, likely[x]), (x, y)))
                    .max_by(|a, b| a.strength.total_cmp(&b.strength))
            })
        })
        .collect()
}
