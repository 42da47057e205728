//! Poles, legs and cables: followed step by step from the gear at which they begin.

use rayon::prelude::*;

use super::lines::shows_along;
use super::looks::{Look, Looker, On, Pictures, Place, Thing, Tone};
use super::{Field, large_gear};
use crate::scene::{Label, Plane, Size, difference};

/// Widths that are tried, px at [`crate::mask::REFERENCE_SIDE`], as all lengths here that do not say
/// otherwise: a cable, a leg, a pole, a pole near the camera.
const WIDTHS: [f32; 4] = [2.0, 4.5, 8.0, 13.0];
/// Most beginnings that are tried: large boxes have long rims, and what is slender is at few of them.
const MOST_SEEDS: usize = 2500;
/// Directions that are tried, degrees apart.
const DIRECTION_STEP: usize = 6;
/// Directions between those that a first look tries, degrees.
const FIRST_TURNS: [f32; 3] = [0.0, -3.0, 3.0];
/// Steps aside that a first look tries, px.
const FIRST_ASIDE: [f32; 3] = [0.0, -1.5, 1.5];
/// What begins leaves the gear within this way.
const LEAVES: f32 = 4.0;
/// Way on which a beginning must have changed since the plate, and how much of it.
const BEGINNING: (usize, usize) = (18, 10);
/// Where the gear's tone is read, along the course before its beginning.
const INSIDE: (f32, f32) = (-6.0, -1.0);
/// Where a course's own tone is read.
const FIRST_STRETCH: (f32, f32) = (3.0, 14.0);
/// Way that is looked at before a course is chosen.
pub(super) const PROBE: f32 = 26.0;
/// Way that is gone before the next look, after which it tells something new: about a leaf.
const ADVANCE: f32 = 6.0;
/// Changes of course that are tried at each step, degrees.
const TURNS: [f32; 5] = [0.0, -1.5, 1.5, -3.0, 3.0];
/// Steps aside that are tried, px.
const ASIDE: [f32; 3] = [0.0, -1.0, 1.0];
/// What a turn costs in the choice, ln units a degree of a look's mean: what is slender is nearly
/// straight.
const TURN_COST: f32 = 0.06;
/// And a step aside, a px.
const ASIDE_COST: f32 = 0.05;
/// What a turn costs in all, ln units a degree: chance turns at every leaf.
const TURNED_COST: f32 = 0.2;
/// Mean evidence of the first look from which it is worth going on, ln units.
const WORTH: f32 = 0.7;
/// So much evidence may be lost again before the end is certain, ln units: a leaf before a pole
/// costs three a leaf's length.
const MOST_LOST: f32 = 9.0;
/// Less evidence, in all and in the mean, is enough on calm ground where on this share of the way a line
/// shows that the plate has not: e^-10 against the thousand beginnings at which such a line is met. Legs of
/// stands are short and thin, and the lens gives them something of the ground's tone.
const LINE: (f32, f32) = (10.0, 0.8);
const LINE_SHARE: f32 = 0.85;
/// Standard deviation of the plate's lightness (CIELAB) along either side of a course, up to which the
/// ground is calm: stone and earth, not leaves, which show lines of their own.
const CALM: f32 = 6.0;
/// A line is looked for so far apart, px.
const LINE_STEP: usize = 3;
/// What runs along an edge of the plate is that edge, a little displaced: a shadow's rim that went on with
/// the sun. Means over stretches so long, so far off to either side, differ so much (CIE94) on so much of
/// the way; single pixels on either side differ as much before leaves.
const STRETCH: f32 = 24.0;
const BESIDE_EDGE: f32 = 6.0;
const EDGE: f32 = 8.0;
const MOST_ON_EDGE: f32 = 0.7;
/// Steps after which a course must have gathered so much evidence, ln units.
const TRIAL: (f32, f32) = (8.0, 2.0);
/// Gear from which something may begin, share of the frame: a foot, a clamp.
const LEAST_GEAR: f32 = 0.001;
/// Gaps that do not part a blob of gear, px.
const GAP: usize = 6;
/// Shortest course that is taken.
const SHORTEST: f32 = 24.0;
/// Evidence of a step from which its tone is certain enough to be learnt.
const SURE: f32 = 1.0;
/// Share of the tone that follows the course at each step: a flash fades along a pole.
const TONE_FOLLOWS: f32 = 0.1;
/// A course ends where it has been on gear for so long.
const ON_GEAR: f32 = 18.0;
/// The longest course.
const LONGEST: f32 = 2600.0;
/// Points of a course and lanes of its band lie so far apart, px: no pixel between them is missed.
pub(super) const SPACING: f32 = 0.7;
/// Share of a course that may lie on one that was taken already.
pub(super) const TAKEN_BEFORE: f32 = 0.5;

/// A course that was followed.
pub(super) struct Course {
    /// Looks along its middle, [`SPACING`] apart.
    points: Vec<Look>,
    width: f32,
    pub(super) evidence: f32,
    pub(super) mean: f32,
}

/// What begins at gear and goes on: indices of each course's pixels off the person, what is surest first.
pub(super) fn trace(
    field: &Field<'_>,
    pictures: &Pictures<'_>,
    seeds: &[Place],
) -> Vec<Vec<usize>> {
    let size = field.size();
    let looker = Looker::of(field, pictures);
    let mut courses = courses(&looker, seeds);
    courses.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    let mut taken = Plane::filled(size, false);
    let mut found = Vec::new();
    for course in &courses {
        let pixels = course.pixels(size);
        let before = pixels.iter().filter(|&&i| taken.as_slice()[i]).count();
        if before as f32 > TAKEN_BEFORE * pixels.len() as f32 {
            continue;
        }
        let is_new = |&i: &usize| !taken.as_slice()[i] && !field.is_person(i);
        let new: Vec<usize> = pixels.iter().copied().filter(is_new).collect();
        for i in pixels {
            taken.as_mut_slice()[i] = true;
        }
        if !new.is_empty() {
            found.push(new);
        }
    }
    found
}

impl Course {
    /// Across a gap, on no evidence of its own.
    pub(super) fn across(points: Vec<Look>, width: f32) -> Self {
        Self {
            points,
            width,
            evidence: 0.0,
            mean: 0.0,
        }
    }

    /// Its last look.
    pub(super) fn end(&self) -> Option<Look> {
        let width = self.width;
        self.points.last().map(|look| look.beside(0.0, width))
    }

    /// Along its middle.
    pub(super) fn looks(&self) -> impl Iterator<Item = Look> {
        self.points.iter().copied()
    }

    /// Px.
    pub(super) fn length(&self) -> f32 {
        self.points.len() as f32 * SPACING
    }

    /// Indices of the band's pixels off the person.
    pub(super) fn pixels_off_people(&self, looker: &Looker<'_>) -> Vec<usize> {
        let mut pixels = self.pixels(looker.size);
        pixels.retain(|&i| !looker.field.is_person(i));
        pixels
    }

    /// Indices of the band's pixels.
    pub(super) fn pixels(&self, size: Size) -> Vec<usize> {
        let half = 0.5 * self.width + 0.5;
        let mut found = Vec::new();
        for point in &self.points {
            let mut across = -half;
            while across <= half {
                if let Some((x, y)) = point.at(0.0, across).pixel(size) {
                    found.push(y * size.columns + x);
                }
                across += SPACING;
            }
        }
        found.sort_unstable();
        found.dedup();
        found
    }
}

/// Gear in blobs large enough for something to begin there.
pub(super) fn beginnings(field: &Field<'_>) -> Plane<bool> {
    large_gear(&field.labels, GAP, LEAST_GEAR)
}

/// Pixels at the rim of gear that nothing was followed from yet, where that is `large`:
/// [`beginnings`].
pub(super) fn seeds(field: &Field<'_>, large: &Plane<bool>) -> Vec<Place> {
    let Size { columns, rows } = field.size();
    let labels = &field.labels;
    let is_gear = |x: usize, y: usize| *labels.at(x, y) == Label::Gear;
    let is_seed = |x: usize, y: usize| {
        let near = [(x - 1, y), (x + 1, y), (x, y - 1), (x, y + 1)];
        let is_chosen = *large.at(x, y) && *field.fresh.at(x, y);
        is_chosen && near.into_iter().any(|(x, y)| !is_gear(x, y))
    };
    let seeds_of = |y: usize| {
        let columns = (1..columns.saturating_sub(1)).filter(move |&x| is_seed(x, y));
        columns.map(move |x| Place {
            x: x as f32,
            y: y as f32,
        })
    };
    (1..rows.saturating_sub(1))
        .into_par_iter()
        .flat_map_iter(seeds_of)
        .collect()
}

/// Looks in the directions all around, from the first pixel.
pub(super) fn directions() -> Vec<Look> {
    let origin = Place { x: 0.0, y: 0.0 };
    (0..360)
        .step_by(DIRECTION_STEP)
        .map(|d| Look::new(origin, (d as f32).to_radians(), 1.0))
        .collect()
}

fn courses(looker: &Looker<'_>, seeds: &[Place]) -> Vec<Course> {
    let step = seeds.len().div_ceil(MOST_SEEDS).max(1);
    let directions = directions();
    seeds
        .par_iter()
        .step_by(step)
        .flat_map_iter(|&seed| {
            let looks = directions.iter().map(move |look| look.from(seed));
            looks.filter_map(|look| from_seed(looker, &look))
        })
        .collect()
}

/// The course that begins at a rim pixel in a direction, if there is one.
fn from_seed(looker: &Looker<'_>, line: &Look) -> Option<Course> {
    let is_gear = |way: f32| looker.is_gear(line.at(way, 0.0));
    let leaves = !is_gear(2.0) && !is_gear(LEAVES * looker.scale) && is_gear(-2.0);
    if !leaves || !has_changed(looker, line) {
        return None;
    }
    let tones = [
        (INSIDE, On::Gear, Tone::OfGear),
        (FIRST_STRETCH, On::Anything, Tone::OfItsOwn),
    ];
    let courses = tones.into_iter().filter_map(|((from, to), on, tone)| {
        let range = (from * looker.scale, to * looker.scale);
        let colour = looker.colour(line, range, on)?;
        let thing = Thing { colour, tone };
        let course = follow(looker, &first_look(looker, line, thing)?, thing)?;
        let is_enough = tone.suffices(course.evidence, course.mean) || is_line(looker, &course);
        (is_enough && !runs_along_an_edge(looker, &course)).then_some(course)
    });
    courses.max_by(|a, b| a.evidence.total_cmp(&b.evidence))
}

/// Does a course show as a line of its own that the plate has not?
fn is_line(looker: &Looker<'_>, course: &Course) -> bool {
    if course.evidence < LINE.0 || course.mean < LINE.1 {
        return false;
    }
    let looks = || course.looks().step_by(LINE_STEP);
    let showing = looks().filter(|look| shows_along(looker, look, 0.0));
    showing.count() as f32 >= LINE_SHARE * looks().count() as f32
        && is_on_calm_ground(looker, course)
}

fn is_on_calm_ground(looker: &Looker<'_>, course: &Course) -> bool {
    let off = 0.5 * course.width + BESIDE_EDGE * looker.scale;
    let deviation = |off: f32| {
        let places = course.looks().map(|look| look.at(0.0, off));
        let seen = places.filter_map(|place| looker.both(place));
        let lightness: Vec<f32> = seen.map(|[_, plate]| plate[0]).collect();
        let count = lightness.len().max(1) as f32;
        let mean = lightness.iter().sum::<f32>() / count;
        (lightness.iter().map(|l| (l - mean).powi(2)).sum::<f32>() / count).sqrt()
    };
    deviation(-off).max(deviation(off)) < CALM
}

/// Points of a course in a stretch of it.
fn stretch(looker: &Looker<'_>) -> usize {
    (STRETCH * looker.scale / SPACING).max(1.0) as usize
}

fn runs_along_an_edge(looker: &Looker<'_>, course: &Course) -> bool {
    let off = 0.5 * course.width + BESIDE_EDGE * looker.scale;
    let stretches = course.points.chunks(stretch(looker));
    let along = stretches.clone().filter(|looks| {
        let side = |off: f32| looker.mean_of_plate(looks.iter().map(|look| look.at(0.0, off)));
        let sides = side(-off).zip(side(off));
        sides.is_some_and(|(left, right)| difference(left, right).0 > EDGE)
    });
    along.count() as f32 > MOST_ON_EDGE * stretches.len() as f32
}

fn has_changed(looker: &Looker<'_>, line: &Look) -> bool {
    let (way, least) = BEGINNING;
    let changed = (2..way).filter(|&k| {
        let pixel = line.at(k as f32 * looker.scale, 0.0).pixel(looker.size);
        pixel.is_some_and(|(x, y)| *looker.field.changed.at(x, y) && !*looker.field.person.at(x, y))
    });
    changed.count() >= least
}

/// The best first look near a direction, as wide as what is seen; none where nothing is worth going
/// on.
fn first_look(looker: &Looker<'_>, line: &Look, thing: Thing) -> Option<Look> {
    let probe = PROBE * looker.scale;
    let turned = FIRST_TURNS.map(|turn| line.turned(turn.to_radians()));
    let looks = FIRST_ASIDE.into_iter().flat_map(|aside| {
        let start = line.at(0.0, aside);
        turned.into_iter().map(move |turned| turned.from(start))
    });
    let valued = looks.map(|look| (look, looker.evidence(&look, thing.colour, probe)));
    let (line, value) = valued.max_by(|a, b| a.1.total_cmp(&b.1))?;
    if value < WORTH {
        return None;
    }
    widest_look(looker, &line, thing)
}

/// A look as wide as what is seen along it.
pub(super) fn widest_look(looker: &Looker<'_>, line: &Look, thing: Thing) -> Option<Look> {
    let probe = PROBE * looker.scale;
    let mut best = (WORTH, None);
    for width in WIDTHS {
        let band = line.beside(0.0, width * looker.scale);
        let value = looker.step(&band, thing, (probe, probe), best.0);
        if value > WORTH && value >= best.0 {
            best = (value, Some(band));
        }
    }
    best.1
}

/// Where the band ahead is best, a little aside or turned.
fn next_look(looker: &Looker<'_>, look: &Look, thing: Thing) -> Look {
    let probe = PROBE * looker.scale;
    let turned = TURNS.map(|turn| look.turned(turn.to_radians()));
    let mut best = (f32::NEG_INFINITY, *look);
    for aside in ASIDE {
        let start = look.at(0.0, aside);
        for (turn, turned) in TURNS.into_iter().zip(turned) {
            let next = turned.from(start);
            let cost = TURN_COST * turn.abs() + ASIDE_COST * aside.abs();
            let value = looker.evidence(&next, thing.colour, probe) - cost;
            if value > best.0 {
                best = (value, next);
            }
        }
    }
    best.1
}

/// Goes on from a first look for as long as there is evidence, and back to where that was greatest.
pub(super) fn follow(looker: &Looker<'_>, first: &Look, mut thing: Thing) -> Option<Course> {
    let advance = ADVANCE * looker.scale;
    let probe = PROBE * looker.scale;
    let mut course = Course {
        points: Vec::new(),
        width: first.width,
        evidence: 0.0,
        mean: 0.0,
    };
    let mut before = *first;
    let (mut total, mut steps, mut gone, mut on_gear, mut end) = (0.0f32, 0.0f32, 0.0, 0.0, 0);
    while gone < LONGEST * looker.scale {
        let look = next_look(looker, &before, thing);
        let next = look.onward(advance);
        let Some((x, y)) = next.start.pixel(looker.size) else {
            break;
        };
        let field = looker.field;
        if *field.person.at(x, y) {
            break;
        }
        let here = looker.step(&look, thing, (advance, probe), f32::NEG_INFINITY);
        if looker.is_gear(next.start) {
            on_gear += advance;
        } else {
            on_gear = 0.0;
            total += here - TURNED_COST * before.turn_to(&look).to_degrees();
            steps += 1.0;
        }
        let mut way = 0.0;
        while way < advance {
            course.points.push(look.onward(way));
            way += SPACING;
        }
        if total > course.evidence {
            course.evidence = total;
            course.mean = total / steps;
            end = course.points.len();
        }
        let is_lost = course.evidence - total > MOST_LOST
            || total < -0.5 * MOST_LOST
            || (steps > TRIAL.0 && total < TRIAL.1);
        if is_lost || on_gear > ON_GEAR * looker.scale {
            break;
        }
        if here > SURE
            && let Some(colour) = looker.colour(&look, (0.5, advance), On::Anything)
        {
            for (own, seen) in thing.colour.iter_mut().zip(colour) {
                *own += TONE_FOLLOWS * (seen - *own);
            }
        }
        before = next;
        gone += advance;
    }
    course.points.truncate(end);
    (end as f32 * SPACING > SHORTEST * looker.scale).then_some(course)
}

#[cfg(test)]
mod tests {
    use super::super::FollowInputs;
    use super::super::tests::{SIZE, chance, leaves, seen};
    use super::*;
    use crate::scene::Perceived;

    /// Of a course of 200 px down column 300, too weak for its tone alone: does it run along an edge of the
    /// plate, and does it show as a line on calm ground?
    fn told_of(lit: &Perceived, plate: &Perceived) -> (bool, bool) {
        let nowhere = Plane::filled(SIZE, false);
        let inputs = FollowInputs {
            sky: &nowhere,
            lit_seen: lit,
            plate_seen: plate,
        };
        let field = Field {
            seen: &inputs,
            labels: Plane::filled(SIZE, Label::Other),
            changed: nowhere.clone(),
            person: nowhere.clone(),
            fresh: nowhere.clone(),
        };
        let pictures = Pictures::of(&inputs);
        let looker = Looker::of(&field, &pictures);
        let down = Look::new(Place { x: 300.0, y: 100.0 }, 90f32.to_radians(), 2.0);
        let points = (0..286).map(|k| down.onward(k as f32 * SPACING)).collect();
        let course = Course {
            evidence: TAKEN_WEAKLY,
            mean: 1.0,
            ..Course::across(points, 2.0)
        };
        (
            runs_along_an_edge(&looker, &course),
            is_line(&looker, &course),
        )
    }

    const TAKEN_WEAKLY: f32 = 12.0;

    #[test]
    fn a_line_shows_on_stone_not_before_leaves_and_a_shadows_rim_is_an_edge() {
        assert!(!Tone::OfGear.suffices(TAKEN_WEAKLY, 1.0));
        let noise = |x: usize, y: usize| 2.0 * chance(x, y, 3);
        let leg = |x: usize| if (299..302).contains(&x) { -25.0 } else { 0.0 };
        let rim = seen(|x, y| if x < 300 { 20.0 } else { 60.0 } + noise(x, y));
        let stone = seen(|x, y| 60.0 + noise(x, y));
        let leg_on_stone = seen(|x, y| 60.0 + leg(x) + noise(x, y));
        let tree = seen(|x, y| leaves(x, y, 1));
        let leg_before_tree = seen(|x, y| leg(x) + leaves(x, y, 1));
        assert_eq!(told_of(&leg_on_stone, &stone), (false, true));
        assert_eq!(told_of(&stone, &stone), (false, false));
        assert_eq!(told_of(&leg_before_tree, &tree), (false, false));
        assert!(told_of(&rim, &rim).0);
    }
}
