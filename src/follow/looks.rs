//! Looks along a course: what a straight band ahead says for a slender thing.

use super::Field;
use super::surroundings::Surroundings;
use crate::mask::REFERENCE_SIDE;
use crate::scene::{Label, Perceived, Size};

/// Looks are sampled so far apart, px: about the picture's own resolution.
const LOOK_STEP: f32 = 1.5;
/// And in lanes across a band so far apart, px.
const LANE: f32 = 3.0;
/// Evidence of a look that leaves the frame.
const NOTHING: f32 = -3.0;
/// Beside a band its surroundings begin, px at [`REFERENCE_SIDE`]: beyond the lens's blur.
const OFF: f32 = 2.5;
/// Evidence beside a band, on either side, from which it is no line but the rim of an area, ln units.
const BESIDE: f32 = 0.5;
/// A pole may stand before an edge of the scene: so much evidence of one in the plate, of another
/// tone, says nothing yet.
const LINE_ALLOWED: f32 = 1.0;
/// A line of the plate may lie so far aside in the lit frame, px at [`REFERENCE_SIDE`]: branches sway.
const PLATE_ASIDE: [f32; 5] = [-6.0, -3.0, 0.0, 3.0, 6.0];
/// Evidence, in all and in the mean, from which a course of the gear's tone is taken, ln units:
/// e^-16 against the some 1e5 that are tried.
const TAKEN: (f32, f32) = (16.0, 0.9);
/// The same where the tone is only known from the course itself.
const TAKEN_BY_ITSELF: (f32, f32) = (21.0, 1.3);

/// A place between pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) x: f32,
    pub(super) y: f32,
}

impl Place {
    #[inline]
    pub(super) fn pixel(self, size: Size) -> Option<(usize, usize)> {
        let (x, y) = (self.x.round(), self.y.round());
        let inside = x >= 0.0 && y >= 0.0 && x < size.columns as f32 && y < size.rows as f32;
        inside.then_some((x as usize, y as usize))
    }
}

/// A straight look along a band.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    pub(super) start: Place,
    /// Radians from the row's direction, downwards positive.
    heading: f32,
    /// Its cosine and sine.
    unit: (f32, f32),
    /// Px.
    pub(super) width: f32,
}

impl Look {
    pub(super) fn new(start: Place, heading: f32, width: f32) -> Self {
        let (sine, cosine) = heading.sin_cos();
        Self {
            start,
            heading,
            unit: (cosine, sine),
            width,
        }
    }

    /// The place `way` px along the look and `across` px to its right.
    #[inline]
    pub(super) fn at(&self, way: f32, across: f32) -> Place {
        let (u, v) = self.unit;
        Place {
            x: self.start.x + way * u - across * v,
            y: self.start.y + way * v + across * u,
        }
    }

    /// The look that runs `off` px beside this one.
    pub(super) fn beside(&self, off: f32, width: f32) -> Self {
        Self {
            start: self.at(0.0, off),
            width,
            ..*self
        }
    }

    /// The look from the same place, turned by so many radians.
    pub(super) fn turned(&self, by: f32) -> Self {
        Self::new(self.start, self.heading + by, self.width)
    }

    /// The look that goes on `way` px farther.
    pub(super) fn onward(&self, way: f32) -> Self {
        Self {
            start: self.at(way, 0.0),
            ..*self
        }
    }

    /// How far another look is turned against this one, radians.
    pub(super) fn turn_to(&self, other: &Self) -> f32 {
        (other.heading - self.heading).abs()
    }
}

/// Whose tone a course is followed by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tone {
    /// That of the gear at which it begins.
    OfGear,
    /// That of its own first stretch: a cable has another tone than the head that it leaves.
    OfItsOwn,
}

impl Tone {
    /// Is so much evidence, in all and in the mean, enough?
    pub(super) fn suffices(self, evidence: f32, mean: f32) -> bool {
        let (all, least_mean) = match self {
            Self::OfGear => TAKEN,
            Self::OfItsOwn => TAKEN_BY_ITSELF,
        };
        evidence >= all && mean >= least_mean
    }

    fn allows(self) -> f32 {
        match self {
            Self::OfGear => LINE_ALLOWED,
            Self::OfItsOwn => 0.0,
        }
    }
}

/// The thing that is followed: its colour (CIELAB) and where that is from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Thing {
    pub(super) colour: [f32; 3],
    pub(super) tone: Tone,
}

/// Looks at the frame.
pub(super) struct Looker<'a> {
    pub(super) field: &'a Field<'a>,
    pub(super) size: Size,
    /// Px a px at [`REFERENCE_SIDE`].
    pub(super) scale: f32,
    surroundings: Surroundings,
}

impl<'a> Looker<'a> {
    pub(super) fn of(field: &'a Field<'a>) -> Self {
        let size = field.size();
        Self {
            field,
            size,
            scale: (size.long_side() as f32 / REFERENCE_SIDE).max(0.5),
            surroundings: Surroundings::of(field.seen.plate_seen),
        }
    }

    pub(super) fn is_gear(&self, place: Place) -> bool {
        let pixel = place.pixel(self.size);
        pixel.is_some_and(|(x, y)| *self.field.labels.at(x, y) == Label::Gear)
    }

    /// Mean evidence in the lit frame along a straight band.
    pub(super) fn evidence(&self, look: &Look, colour: [f32; 3], way: f32) -> f32 {
        self.mean_evidence(self.field.seen.lit_seen, look, colour, way)
    }

    fn mean_evidence(&self, seen: &Perceived, look: &Look, thing: [f32; 3], way: f32) -> f32 {
        let (mut sum, mut count) = (0.0, 0.0f32);
        let half = 0.5 * (look.width - 1.0).max(0.0);
        let lanes = (look.width / LANE).ceil().max(1.0) as usize;
        let mut at = 1.0;
        while at <= way {
            for lane in 0..lanes {
                let across = match lanes {
                    1 => 0.0,
                    _ => half * (2.0 * lane as f32 / (lanes - 1) as f32 - 1.0),
                };
                if let Some((x, y)) = look.at(at, across).pixel(self.size) {
                    let colour = seen.at_index(y * self.size.columns + x);
                    sum += self.surroundings.evidence((x, y), colour, thing);
                    count += 1.0;
                }
            }
            at += LOOK_STEP;
        }
        if count > 0.0 { sum / count } else { NOTHING }
    }

    /// Evidence that the plate shows a line here too, of the thing's tone or of one of its own.
    fn in_plate(&self, look: &Look, thing: Thing, way: f32) -> f32 {
        let plate = self.field.seen.plate_seen;
        let lines = PLATE_ASIDE.into_iter().map(|off| {
            let band = look.beside(off * self.scale, look.width);
            let same = self.mean_evidence(plate, &band, thing.colour, way);
            let own = self.mean_colour(plate, &band, (1.0, way), |_, _| true);
            let own = own.map_or(0.0, |c| self.mean_evidence(plate, &band, c, way));
            same.max(own - thing.tone.allows())
        });
        lines.fold(0.0, f32::max)
    }

    /// Mean evidence along a line beside a course, where that is not on gear.
    fn evidence_beside(&self, look: &Look, thing: [f32; 3], way: f32) -> f32 {
        let (mut sum, mut count) = (0.0, 0.0f32);
        let mut at = 0.0;
        while at <= way {
            if let Some((x, y)) = look.at(at, 0.0).pixel(self.size)
                && *self.field.labels.at(x, y) != Label::Gear
            {
                let colour = self.field.seen.lit_seen.at_index(y * self.size.columns + x);
                sum += self.surroundings.evidence((x, y), colour, thing);
                count += 1.0;
            }
            at += LOOK_STEP;
        }
        if count > 0.0 { sum / count } else { 0.0 }
    }

    /// What a step of `way` px says: the band is the thing's, neither side is, and the plate shows no
    /// such line within `probe` px ahead.
    pub(super) fn step(&self, look: &Look, thing: Thing, (way, probe): (f32, f32)) -> f32 {
        let band = self.evidence(look, thing.colour, way);
        if band <= 0.0 {
            return band;
        }
        let off = 0.5 * look.width + OFF * self.scale;
        let side = |off: f32| self.evidence_beside(&look.beside(off, 1.0), thing.colour, 2.0 * way);
        let beside = side(off).max(side(-off));
        let here = band - self.in_plate(look, thing, probe);
        if beside > BESIDE { here.min(0.0) } else { here }
    }

    /// Mean colour of the lit frame along a look's middle, on gear alone or anywhere.
    pub(super) fn colour(&self, look: &Look, range: (f32, f32), on: On) -> Option<[f32; 3]> {
        let lit = self.field.seen.lit_seen;
        self.mean_colour(lit, look, range, |x, y| {
            on == On::Anything || *self.field.labels.at(x, y) == Label::Gear
        })
    }

    fn mean_colour(
        &self,
        seen: &Perceived,
        look: &Look,
        (from, to): (f32, f32),
        counts: impl Fn(usize, usize) -> bool,
    ) -> Option<[f32; 3]> {
        let (mut sum, mut count) = ([0.0f32; 3], 0.0f32);
        let mut way = from;
        while way <= to {
            if let Some((x, y)) = look.at(way, 0.0).pixel(self.size)
                && counts(x, y)
            {
                let colour = seen.at_index(y * self.size.columns + x);
                for c in 0..3 {
                    sum[c] += colour[c];
                }
                count += 1.0;
            }
            way += 1.0;
        }
        (count > 0.0).then(|| sum.map(|s| s / count))
    }
}

/// Where a colour is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum On {
    Gear,
    Anything,
}
