//! Looks along a course: what a straight band ahead says for a slender thing.

use super::surroundings::Surroundings;
use super::weigh::{BATCH, PARTS, Picture, Scales};
use super::{Field, FollowInputs};
use crate::mask::REFERENCE_SIDE;
use crate::scene::{Label, Perceived, Size};
use crate::vectors::vectorised;

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
        Some((nearest(self.x, size.columns)?, nearest(self.y, size.rows)?))
    }
}

/// The nearest of `count` whole numbers from 0, if there is one so near; halves go up.
/// `f32::round` is a call into the C library on processors without SSE 4.1.
#[inline]
pub(super) fn nearest(v: f32, count: usize) -> Option<usize> {
    let whole = v as i32;
    let rounded = whole + i32::from(v - whole as f32 >= 0.5);
    (v > -0.5 && (rounded as usize) < count).then_some(rounded as usize)
}

/// [`nearest`] of what is no less than 0 and below 2^22, without a branch.
#[inline(always)]
#[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
fn nearest_inside(v: f32) -> u32 {
    // From here on floats are whole: the sum is rounded, and its last bits are the number.
    const WHOLE: f32 = 8_388_608.0;
    let sum = v + WHOLE;
    let is_half_down = v - (sum - WHOLE) >= 0.5;
    (sum.to_bits() & 0x7f_ffff).wrapping_add(u32::from(is_half_down))
}

/// Samples of a look from `first` on that lie no farther than `way`.
#[inline]
fn samples(first: f32, way: f32) -> usize {
    if way < first {
        return 0;
    }
    let count = ((way - first) / LOOK_STEP) as i32 + 1;
    // The division may have been rounded over a whole number.
    let lies_within = |k: i32| first + LOOK_STEP * k as f32 <= way;
    let count = count + i32::from(lies_within(count)) - i32::from(!lies_within(count - 1));
    count as usize
}

/// Ways of the samples of a batch from its first on.
const WAYS: [f32; BATCH] = {
    let mut ways = [0.0; BATCH];
    let mut k = 0;
    while k < BATCH {
        ways[k] = LOOK_STEP * k as f32;
        k += 1;
    }
    ways
};

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

    /// The same look from another place.
    pub(super) fn from(self, start: Place) -> Self {
        Self { start, ..self }
    }

    /// The look from the same place, turned by so many radians.
    pub(super) fn turned(&self, by: f32) -> Self {
        Self::new(self.start, self.heading + by, self.width)
    }

    /// The look from the same place the other way.
    pub(super) fn back(self) -> Self {
        self.turned(std::f32::consts::PI)
    }

    /// Radians from the row's direction, downwards positive.
    pub(super) fn heading(&self) -> f32 {
        self.heading
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
    pictures: &'a Pictures<'a>,
}

/// Both pictures as looks weigh them. Holds two planes.
pub(super) struct Pictures<'a> {
    lit: Picture<'a>,
    plate: Picture<'a>,
}

impl<'a> Pictures<'a> {
    pub(super) fn of(seen: &FollowInputs<'a>) -> Self {
        let surroundings = Surroundings::of(seen.plate_seen);
        Self {
            lit: Picture::of(seen.lit_seen, &surroundings),
            plate: Picture::of(seen.plate_seen, &surroundings),
        }
    }
}

impl<'a> Looker<'a> {
    pub(super) fn of(field: &'a Field<'a>, pictures: &'a Pictures<'a>) -> Self {
        let size = field.size();
        Self {
            field,
            size,
            scale: (size.long_side() as f32 / REFERENCE_SIDE).max(0.5),
            pictures,
        }
    }

    pub(super) fn is_gear(&self, place: Place) -> bool {
        let pixel = place.pixel(self.size);
        pixel.is_some_and(|(x, y)| *self.field.labels.at(x, y) == Label::Gear)
    }

    /// Is a person there? None beyond the frame.
    pub(super) fn is_person(&self, place: Place) -> Option<bool> {
        let (x, y) = place.pixel(self.size)?;
        Some(self.field.is_person(y * self.size.columns + x))
    }

    /// Lit frame and relit plate there. None beyond the frame.
    pub(super) fn both(&self, place: Place) -> Option<[[f32; 3]; 2]> {
        let (x, y) = place.pixel(self.size)?;
        let i = y * self.size.columns + x;
        let FollowInputs {
            lit_seen,
            plate_seen,
            ..
        } = self.field.seen;
        Some([lit_seen.at_index(i), plate_seen.at_index(i)])
    }

    /// Mean evidence in the lit frame along a straight band.
    pub(super) fn evidence(&self, look: &Look, colour: [f32; 3], way: f32) -> f32 {
        let mean = vectorised(
            #[inline(always)]
            || {
                self.pictures.lit.mean_evidence(
                    [colour],
                    #[inline(always)]
                    |scales| self.gather(look, way, scales),
                )
            },
        );
        mean.map_or(NOTHING, |[mean]| mean)
    }

    /// Hands over the pixels along a straight band.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn gather<const THINGS: usize>(&self, look: &Look, way: f32, scales: &mut Scales<'_, THINGS>) {
        let half = 0.5 * (look.width - 1.0).max(0.0);
        let lanes = (look.width / LANE).ceil().max(1.0) as usize;
        for lane in 0..lanes {
            let across = match lanes {
                1 => 0.0,
                _ => half * (2.0 * lane as f32 / (lanes - 1) as f32 - 1.0),
            };
            self.gather_lane(
                (look, across),
                (1.0, way),
                #[inline(always)]
                |_| true,
                scales,
            );
        }
    }

    /// Hands over the pixels along one lane that count, by index. Where both its ends are inside the
    /// frame so is all of it: then nothing is asked of each pixel.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn gather_lane<const THINGS: usize>(
        &self,
        (look, across): (&Look, f32),
        (first, way): (f32, f32),
        counts: impl Fn(usize) -> bool,
        scales: &mut Scales<'_, THINGS>,
    ) {
        let count = samples(first, way);
        if count == 0 {
            return;
        }
        let last = first + LOOK_STEP * (count - 1) as f32;
        if !self.holds(look.at(first, across)) || !self.holds(look.at(last, across)) {
            for k in 0..count {
                let at = first + LOOK_STEP * k as f32;
                if let Some((x, y)) = look.at(at, across).pixel(self.size)
                    && counts(y * self.size.columns + x)
                {
                    scales.add(&[(y * self.size.columns + x) as u32]);
                }
            }
            return;
        }
        let columns = self.size.columns as u32;
        for done in (0..count).step_by(BATCH) {
            let begin = first + LOOK_STEP * done as f32;
            let count = BATCH.min(count - done);
            let mut indices = [0u32; BATCH];
            let parts = indices.as_chunks_mut::<PARTS>().0.iter_mut();
            let ways = WAYS.as_chunks::<PARTS>().0;
            for (indices, ways) in parts.zip(ways).take(count.div_ceil(PARTS)) {
                for (index, way) in indices.iter_mut().zip(ways) {
                    let place = look.at(begin + way, across);
                    let row = nearest_inside(place.y).wrapping_mul(columns);
                    *index = row.wrapping_add(nearest_inside(place.x));
                }
            }
            let mut kept = 0;
            for k in 0..count {
                let index = indices[k];
                indices[kept] = index;
                kept += usize::from(counts(index as usize));
            }
            scales.add(&indices[..kept]);
        }
    }

    /// Is a place inside the frame, and not in the outer half of a border pixel?
    #[inline]
    fn holds(&self, place: Place) -> bool {
        let Size { columns, rows } = self.size;
        let across = place.x >= 0.0 && place.x <= (columns - 1) as f32;
        across && place.y >= 0.0 && place.y <= (rows - 1) as f32
    }

    /// Evidence that the plate shows a line here too, of the thing's tone or of one of its own; no
    /// more is looked for once there is more than `enough`.
    fn in_plate(&self, look: &Look, thing: Thing, (way, enough): (f32, f32)) -> f32 {
        let plate = &self.pictures.plate;
        let mut most = 0.0f32;
        for off in PLATE_ASIDE {
            let band = look.beside(off * self.scale, look.width);
            let own = self.mean_colour(plate.seen, &band, (1.0, way), |_, _| true);
            // Without a pixel to read it from the tone says nothing, nor does any.
            let colours = [thing.colour, own.unwrap_or(thing.colour)];
            let evidence = vectorised(
                #[inline(always)]
                || {
                    plate.mean_evidence(
                        colours,
                        #[inline(always)]
                        |scales| self.gather(&band, way, scales),
                    )
                },
            );
            let [same, line] = evidence.unwrap_or([NOTHING, NOTHING]);
            let line = own.map_or(0.0, |_| line);
            most = most.max(same).max(line - thing.tone.allows());
            if most > enough {
                break;
            }
        }
        most
    }

    /// Mean evidence along a line beside a course, where that is not on gear.
    fn evidence_beside(&self, look: &Look, thing: [f32; 3], way: f32) -> f32 {
        let labels = self.field.labels.as_slice();
        let mean = vectorised(
            #[inline(always)]
            || {
                self.pictures.lit.mean_evidence(
                    [thing],
                    #[inline(always)]
                    |scales| {
                        self.gather_lane(
                            (look, 0.0),
                            (0.0, way),
                            #[inline(always)]
                            |i| labels[i] != Label::Gear,
                            scales,
                        );
                    },
                )
            },
        );
        mean.map_or(0.0, |[mean]| mean)
    }

    /// What a step of `way` px says: the band is the thing's, neither side is, and the plate shows no
    /// such line within `probe` px ahead. Where it says less than `least`, anything below that.
    pub(super) fn step(
        &self,
        look: &Look,
        thing: Thing,
        (way, probe): (f32, f32),
        least: f32,
    ) -> f32 {
        let band = self.evidence(look, thing.colour, way);
        if band <= 0.0 || band < least {
            return band;
        }
        let off = 0.5 * look.width + OFF * self.scale;
        let side = |off: f32| self.evidence_beside(&look.beside(off, 1.0), thing.colour, 2.0 * way);
        let is_rim = side(off) > BESIDE || side(-off) > BESIDE;
        if is_rim && least > 0.0 {
            return 0.0;
        }
        // A rim's step says nothing at best.
        let most = if is_rim { 0.0 } else { band };
        (band - self.in_plate(look, thing, (probe, band - least))).min(most)
    }

    /// Mean colour of the lit frame along a look's middle, on gear alone or anywhere.
    pub(super) fn colour(&self, look: &Look, range: (f32, f32), on: On) -> Option<[f32; 3]> {
        let lit = self.field.seen.lit_seen;
        self.mean_colour(lit, look, range, |x, y| {
            on == On::Anything || *self.field.labels.at(x, y) == Label::Gear
        })
    }

    /// Mean colour of the relit plate at those of these places that are in the frame.
    pub(super) fn mean_of_plate(&self, places: impl Iterator<Item = Place>) -> Option<[f32; 3]> {
        let colours = places.filter_map(|place| self.both(place).map(|[_, plate]| plate));
        let (mut sum, mut count) = ([0.0f32; 3], 0.0f32);
        for colour in colours {
            for c in 0..3 {
                sum[c] += colour[c];
            }
            count += 1.0;
        }
        (count > 0.0).then(|| sum.map(|s| s / count))
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
