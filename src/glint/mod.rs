//! Stage 6d: glints of the flash on shiny things.
//!
//! What mirrors the flash adds its light on top of the surface's own: for a few pixels the lit frame is
//! brighter than anything the plate has thereabouts, and beside them both show the same. A leaf that
//! made way for the sky differs beside as well, or the plate has the sky's tone a few pixels on; what
//! the person wears or holds lies beside the person, where the plate shows something else altogether.
//! The dichromatic reflection model is Shafer's ("Using Color to Separate Reflection Components",
//! 1985); here the plate is at hand, so that the surface's own light need not be guessed.

use crate::classify::{Classified, Probabilities};
use crate::numeric::filter::dilated;
use crate::numeric::robust::median;
use crate::region::{Regions, connected_blobs};
use crate::scene::{Label, Perceived, Plane, Size, Window, difference};

/// A glint is at its middle brighter than the relit plate by this (CIELAB lightness): four times what
/// texture that moved by a fraction of a pixel leaves ..
const RISE: f32 = 12.0;

/// .. and as bright as this, whatever it lies on: half of white's light, blurred over three pixels.
const BRIGHT: f32 = 76.0;

/// The flash is white, and what it adds in a mirror outshines the surface's own colour: chroma (CIELAB)
/// at the middle, at most. Paint in more light than was thought keeps its colour.
const MOST_CHROMA: f32 = 20.0;

/// It ends where this share of its rise is left ..
const RIM_RISE: f32 = 0.25;

/// .. or this (CIELAB lightness), which can just be seen.
const LEAST_RISE: f32 = 3.0;

/// It ends within so many pixels of its middle: the comparison's blur, and the lens's.
const RIM_PX: usize = 6;

/// What is larger, as a share of the frame, is a face of something: a modifier's image in a flat pane
/// is told by its pieces.
const LARGEST: f32 = 0.001;

/// Smaller ones, px, are noise.
const SMALLEST: usize = 4;

/// Beside a glint are pixels from here to there off it.
const BESIDE_PX: (usize, usize) = (2, 5);

/// Beside a glint both frames show one surface, perhaps in other light, but evenly: so near to the median
/// rise there (CIELAB lightness) ..
const EVEN: f64 = 3.5;

/// .. is this share of what lies beside ..
const MOSTLY_BESIDE: f64 = 0.8;

/// .. and the median is so near to none. At the rim of a pane or of a chrome strip that may be asked of the
/// glint's own surface alone ..
const SAME_LIGHT: f64 = 8.0;

/// .. which is what differs in the plate by less than this (CIE94) from the place of the glint's middle ..
const OWN_SURFACE: f32 = 8.0;

/// .. and is at least this share of what lies beside.
const LEAST_OWN: f64 = 0.25;

/// A tone of the plate's so near moves there, px: leaves in a light wind, water.
const SWAY_PX: usize = 6;

/// A glint is brighter by this (CIELAB lightness) than all that the plate has within that.
const BRIGHTER_THAN_NEAR: f32 = 6.0;

/// Stillness from pose to pose above which it did not move: camera, lamp and thing stand still, the
/// person and leaves do not.
const STILL: f32 = 0.6;

/// Where no other pose tells, it is as bright as this (CIELAB lightness): nearly clipped ..
const BRIGHT_ALONE: f32 = 88.0;

/// .. and not both times the sky's colour on more than this share: a cloud.
const SKY_SHARE: f32 = 0.5;

/// Probability of a glint in what was found: on the training and development scenes, where other poses
/// told, 8 of 9 such blobs were one.
const PROBABILITY: f32 = 0.9;

/// What glints are read from; planes of the working copy.
#[derive(Debug, Clone, Copy)]
pub struct GlintInputs<'a> {
    /// The lit frame as seen.
    pub lit_seen: &'a Perceived,
    /// The relit plate as seen.
    pub plate_seen: &'a Perceived,
    /// Where the plate shows the lit frame's place.
    pub usable: &'a Plane<bool>,
}

/// Finds the glints of the flash and makes them pieces; only in frames with gear. Holds three planes.
pub fn take_glints(regions: &mut Regions, classified: &mut Classified, seen: &GlintInputs<'_>) {
    if !classified.labels.contains(&Label::Gear) {
        return;
    }
    let sight = Sight {
        seen,
        size: seen.lit_seen.size(),
    };
    let middles = sight.middles(regions, classified);
    let glints: Vec<Vec<usize>> = middles
        .iter()
        .filter(|middle| is_of_the_set_up(middle, regions))
        .filter_map(|middle| sight.glint(middle))
        .collect();
    let label = (
        Label::Glint,
        Probabilities::either(Label::Glint, PROBABILITY),
    );
    for glint in &glints {
        classified.cut_out(regions, glint, label);
    }
}

/// Does it stay from pose to pose, or where none tells, is it brighter than what moves?
fn is_of_the_set_up(middle: &Middle, regions: &Regions) -> bool {
    let features = middle.pixels.iter().map(|&i| {
        let number = regions.numbers.as_slice()[i] as usize;
        &regions.pieces[number - 1].features
    });
    let stays = features.filter(|f| {
        if f.blob_still > 0.0 {
            f.still > STILL
        } else {
            middle.lightness > BRIGHT_ALONE && f.lit_sky * f.plate_sky < SKY_SHARE
        }
    });
    2 * stays.count() > middle.pixels.len()
}

/// What is brightest of a glint.
#[derive(Debug, Clone)]
struct Middle {
    window: Window,
    pixels: Vec<usize>,
    rise: f32,
    lightness: f32,
}

struct Sight<'a> {
    seen: &'a GlintInputs<'a>,
    size: Size,
}

impl Sight<'_> {
    fn rise(&self, i: usize) -> f32 {
        let lightness = |seen: &Perceived| seen.lightness.as_slice()[i];
        lightness(self.seen.lit_seen) - lightness(self.seen.plate_seen)
    }

    fn middles(&self, regions: &Regions, classified: &Classified) -> Vec<Middle> {
        let lit = self.seen.lit_seen;
        let stays = |number: u32| {
            let index = (number as usize).checked_sub(1);
            let label = index.map(|index| classified.labels[index]);
            label.is_some_and(|label| !label.is_removed() && label != Label::Person)
        };
        let bright = Plane::from_fn(self.size, |x, y| {
            let i = y * self.size.columns + x;
            let [lightness, a, b] = lit.at_index(i);
            lightness > BRIGHT
                && a.hypot(b) < MOST_CHROMA
                && self.rise(i) > RISE
                && *self.seen.usable.at(x, y)
                && stays(*regions.numbers.at(x, y))
        });
        let blobs = connected_blobs(&bright);
        let mut middles: Vec<Option<Middle>> = vec![None; blobs.count];
        for (i, &number) in blobs.numbers.as_slice().iter().enumerate() {
            if let Some(index) = (number as usize).checked_sub(1) {
                self.extend(&mut middles[index], i);
            }
        }
        let largest = (LARGEST * self.size.area() as f32) as usize;
        let sizes = SMALLEST..=largest.max(SMALLEST);
        let middles = middles.into_iter().flatten();
        middles
            .filter(|m| sizes.contains(&m.pixels.len()))
            .collect()
    }

    fn extend(&self, middle: &mut Option<Middle>, i: usize) {
        let (x, y) = (i % self.size.columns, i / self.size.columns);
        let middle = middle.get_or_insert_with(|| Middle {
            window: Window {
                left: x,
                top: y,
                right: x + 1,
                bottom: y + 1,
            },
            pixels: Vec::new(),
            rise: 0.0,
            lightness: 0.0,
        });
        let window = &mut middle.window;
        (window.left, window.right) = (window.left.min(x), window.right.max(x + 1));
        window.bottom = y + 1;
        middle.pixels.push(i);
        middle.rise = middle.rise.max(self.rise(i));
        middle.lightness = middle
            .lightness
            .max(self.seen.lit_seen.lightness.as_slice()[i]);
    }

    /// The whole glint round its middle, if it is one.
    fn glint(&self, middle: &Middle) -> Option<Vec<usize>> {
        let window = middle
            .window
            .grown(RIM_PX + BESIDE_PX.1 + SWAY_PX, self.size);
        let local = |i: usize| {
            let (x, y) = (i % self.size.columns, i / self.size.columns);
            (y - window.top) * window.columns() + x - window.left
        };
        let mut is_middle = Plane::filled(window.size(), false);
        for &i in &middle.pixels {
            is_middle.as_mut_slice()[local(i)] = true;
        }
        let whole = self.grown(
            &window,
            &is_middle,
            (RIM_RISE * middle.rise).max(LEAST_RISE),
        );
        let shows_more = self.is_brighter_than_near(&window, &whole, middle.lightness);
        let goes_on = self.is_even_beside(&window, (&whole, middle));
        (shows_more && goes_on).then(|| {
            let inside = whole.as_slice().iter().enumerate().filter(|&(_, &is)| is);
            inside.map(|(i, _)| self.index(&window, i)).collect()
        })
    }

    /// Index in the frame of a window's pixel.
    fn index(&self, window: &Window, local: usize) -> usize {
        let (x, y) = (local % window.columns(), local / window.columns());
        (window.top + y) * self.size.columns + window.left + x
    }

    /// What hangs together with the middle and has so much of its rise.
    fn grown(&self, window: &Window, middle: &Plane<bool>, least: f32) -> Plane<bool> {
        let mut whole = middle.clone();
        for _ in 0..RIM_PX {
            let near = dilated(&whole, 1);
            whole = Plane::from_fn(window.size(), |x, y| {
                let i = self.index(window, y * window.columns() + x);
                *whole.at(x, y) || (*near.at(x, y) && self.rise(i) > least)
            });
        }
        whole
    }

    fn is_brighter_than_near(&self, window: &Window, whole: &Plane<bool>, lightness: f32) -> bool {
        let plate = self.seen.plate_seen.lightness.as_slice();
        let near = dilated(whole, SWAY_PX);
        let near = near.as_slice().iter().enumerate().filter(|&(_, &is)| is);
        let brightest = near
            .map(|(i, _)| plate[self.index(window, i)])
            .fold(0.0, f32::max);
        lightness > brightest + BRIGHTER_THAN_NEAR
    }

    fn is_even_beside(&self, window: &Window, (whole, middle): (&Plane<bool>, &Middle)) -> bool {
        let [inner, outer] = [BESIDE_PX.0 - 1, BESIDE_PX.1].map(|reach| dilated(whole, reach));
        let beside = inner.zip(&outer, |&inner, &outer| outer && !inner);
        let beside = beside.as_slice().iter().enumerate().filter(|&(_, &is)| is);
        let beside: Vec<usize> = beside.map(|(i, _)| self.index(window, i)).collect();
        if self.is_even(&beside) {
            return true;
        }
        let plate = self.seen.plate_seen;
        let surface = self.surface_under(middle);
        let is_own = |&i: &usize| difference(plate.at_index(i), surface).0 < OWN_SURFACE;
        let own: Vec<usize> = beside.iter().copied().filter(is_own).collect();
        own.len() as f64 > LEAST_OWN * beside.len() as f64 && self.is_even(&own)
    }

    fn is_even(&self, places: &[usize]) -> bool {
        let mut rises: Vec<f64> = places.iter().map(|&i| f64::from(self.rise(i))).collect();
        let Some(median) = median(&mut rises) else {
            return false;
        };
        let even = rises.iter().filter(|&rise| (rise - median).abs() < EVEN);
        even.count() as f64 > MOSTLY_BESIDE * rises.len() as f64 && median.abs() < SAME_LIGHT
    }

    /// The plate's colour at a middle, channel by channel its median.
    fn surface_under(&self, middle: &Middle) -> [f32; 3] {
        let colours = middle
            .pixels
            .iter()
            .map(|&i| self.seen.plate_seen.at_index(i));
        std::array::from_fn(|c| {
            let mut values: Vec<f64> = colours.clone().map(|colour| f64::from(colour[c])).collect();
            median(&mut values).unwrap_or(0.0) as f32
        })
    }
}

#[cfg(test)]
mod tests;
