//! A picture's colours weighed along looks: many pixels at once.

use super::surroundings::Surroundings;
use crate::scene::{Perceived, Plane};

/// Pixels that are weighed at once: they are gathered one by one, and weighed in vectors.
pub(super) const BATCH: usize = 32;

/// Partial sums, for the vectors' width.
pub(super) const PARTS: usize = 8;

/// What counts of a part of a batch, by how many pixels it has.
const LIVE: [[f32; PARTS]; PARTS + 1] = {
    let mut live = [[0.0; PARTS]; PARTS + 1];
    let mut count = 0;
    while count <= PARTS {
        let mut k = 0;
        while k < count {
            live[count][k] = 1.0;
            k += 1;
        }
        count += 1;
    }
    live
};

/// Standard deviations of one thing's colour along its length: lightness, a and b (CIELAB units).
/// A pole under a flash fades slowly; its tone is followed, so this is what one step leaves.
pub(super) const SPREAD: [f32; 3] = [3.0, 2.0, 2.0];

/// The most that one pixel can say for or against, ln units: a leaf may hide any part.
const MOST: f32 = 3.0;

/// A picture, and how strange each of its colours is where it stands.
pub(super) struct Picture<'a> {
    pub(super) seen: &'a Perceived,
    strangeness: Plane<f32>,
}

impl<'a> Picture<'a> {
    /// Holds a plane.
    pub(super) fn of(seen: &'a Perceived, surroundings: &Surroundings) -> Self {
        Self {
            seen,
            strangeness: surroundings.strangeness(seen),
        }
    }

    /// Mean evidence that pixels are each of the `things`: `ln` of how much likelier their colours
    /// are the thing's than those of the plate's surroundings, normal distributions both; at most
    /// [`MOST`] a pixel either way. `gather` is handed what takes a pixel's index. None without pixels.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    pub(super) fn mean_evidence<const THINGS: usize>(
        &self,
        things: [[f32; 3]; THINGS],
        gather: impl FnOnce(&mut Scales<'_, THINGS>),
    ) -> Option<[f32; THINGS]> {
        let mut scales = Scales::new(self, things);
        gather(&mut scales);
        scales.mean()
    }
}

/// What was gathered so far, and what it weighs for each of some things.
pub(super) struct Scales<'a, const THINGS: usize> {
    picture: &'a Picture<'a>,
    things: [[f32; 3]; THINGS],
    colours: [[f32; BATCH]; 3],
    strangeness: [f32; BATCH],
    filled: usize,
    sums: [[f32; PARTS]; THINGS],
    weighed: usize,
}

impl<'a, const THINGS: usize> Scales<'a, THINGS> {
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn new(picture: &'a Picture<'a>, things: [[f32; 3]; THINGS]) -> Self {
        Self {
            picture,
            things,
            colours: [[0.0; BATCH]; 3],
            strangeness: [0.0; BATCH],
            filled: 0,
            sums: [[0.0; PARTS]; THINGS],
            weighed: 0,
        }
    }

    /// Adds the pixels at indices in row-major order.
    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    pub(super) fn add(&mut self, mut indices: &[u32]) {
        while !indices.is_empty() {
            let (now, later) = indices.split_at(indices.len().min(BATCH - self.filled));
            let place = self.filled..self.filled + now.len();
            let Perceived { lightness, a, b } = self.picture.seen;
            let strangeness = (&mut self.strangeness, &self.picture.strangeness);
            let [own_lightness, own_a, own_b] = &mut self.colours;
            let colours = [(own_lightness, lightness), (own_a, a), (own_b, b)];
            for (into, plane) in colours.into_iter().chain([strangeness]) {
                for (into, &index) in into[place.clone()].iter_mut().zip(now) {
                    *into = plane.as_slice()[index as usize];
                }
            }
            self.filled += now.len();
            if self.filled == BATCH {
                self.weigh();
            }
            indices = later;
        }
    }

    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn weigh(&mut self) {
        let colours = self.colours.each_ref().map(|c| c.as_chunks::<PARTS>().0);
        let strangeness = self.strangeness.as_chunks::<PARTS>().0;
        for (sums, thing) in self.sums.iter_mut().zip(self.things) {
            for part in 0..self.filled.div_ceil(PARTS) {
                let [lightness, a, b] = colours.map(|c| &c[part]);
                let strangeness = &strangeness[part];
                let live = &LIVE[PARTS.min(self.filled - part * PARTS)];
                for k in 0..PARTS {
                    let apart = [lightness[k] - thing[0], a[k] - thing[1], b[k] - thing[2]];
                    let mut twice = strangeness[k];
                    for (apart, spread) in apart.into_iter().zip(SPREAD) {
                        let own = apart * (1.0 / spread);
                        twice -= own * own;
                    }
                    sums[k] += (0.5 * twice).clamp(-MOST, MOST) * live[k];
                }
            }
        }
        self.weighed += self.filled;
        self.filled = 0;
    }

    #[inline(always)]
    #[allow(clippy::inline_always, reason = "compiled for the caller's vectors")]
    fn mean(mut self) -> Option<[f32; THINGS]> {
        if self.filled > 0 {
            self.weigh();
        }
        let count = self.weighed as f32;
        (self.weighed > 0).then(|| self.sums.map(|parts| parts.iter().sum::<f32>() / count))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Size;

    /// Against the likelihoods of two normal distributions, pixel by pixel.
    #[test]
    fn batches_weigh_what_single_pixels_do() {
        let size = Size {
            columns: 60,
            rows: 40,
        };
        let value = |k: usize| {
            Plane::from_fn(size, move |x, y| {
                ((x * 7 + y * 13 + k * 5) % 23) as f32 * 0.9
            })
        };
        let seen = Perceived {
            lightness: value(0),
            a: value(1),
            b: value(2),
        };
        let picture = Picture::of(&seen, &Surroundings::of(&seen));
        let thing = [9.0f32, 7.0, 4.0];
        for count in [1usize, 8, 31, 32, 33, 100] {
            let indices: Vec<usize> = (0..count).map(|k| k * 17 % size.area()).collect();
            let single = |&i: &usize| {
                let own: f32 = (0..3)
                    .map(|c| ((seen.at_index(i)[c] - thing[c]) / SPREAD[c]).powi(2))
                    .sum();
                (0.5 * (picture.strangeness.as_slice()[i] - own)).clamp(-MOST, MOST)
            };
            let mean = indices.iter().map(single).sum::<f32>() / count as f32;
            let got = picture.mean_evidence([[0.0; 3], thing], |scales| {
                for &i in &indices {
                    scales.add(&[i as u32]);
                }
            });
            assert!((got.unwrap()[1] - mean).abs() < 1e-4, "{count}");
        }
        assert!(picture.mean_evidence([thing], |_| ()).is_none());
    }
}
