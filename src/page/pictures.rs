//! What the page shows of one frame, small enough to be looked at by the hundred.
//!
//! Before and after are one JPEG each, of one size, so that a wipe between them moves nothing. The
//! cleaned picture is flat grey wherever nothing was replaced: those blocks cost next to nothing, the
//! page cuts them off, and blocks that did not change are coded like those of the lit frame.

use crate::photo::{screen_copy, screen_jpeg};
use crate::report::HandWork;
use crate::scene::{CodeValues, Plane, Samples, Size, Window};

use super::places::{places_of_a_check, places_of_a_merge};
use super::regions::{Region, mask_outline, regions};
use super::shown::{Picture, Place, ShotPair, Shown};

/// All pictures of a frame, as they stand in the page (base64), bytes: with outlines and words a frame
/// takes less than 300 000.
pub const MAX_FRAME_BYTES: usize = 230_000;
/// Long sides of the pictures, px: the first one for which they fit.
const SIDES: [usize; 4] = [1280, 960, 640, 320];
/// JPEG qualities (T.81 annex K scaling), the best first.
const QUALITIES: [u8; 6] = [90, 84, 76, 67, 57, 46];
/// Blocks of JPEG with chroma at half size, px.
const BLOCK: usize = 16;
/// Code value where the cleaned picture is cut off.
const CUT_OFF: u8 = 128;

/// The cleaned frame, and the part of it that differs from the lit frame.
#[derive(Debug, Clone, PartialEq)]
pub struct After {
    /// As large as the lit frame's picture, flat outside of `part` and its margin.
    pub picture: Picture,
    /// In pixels of the picture.
    pub part: Window,
}

/// Everything that is drawn of a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Pictures {
    /// Extent at full size.
    pub full: Size,
    /// Extent of before and after.
    pub size: Size,
    /// Full pixels a pixel of them.
    pub scale: usize,
    /// The lit frame.
    pub before: Picture,
    /// The cleaned frame; `None` where nothing was replaced.
    pub after: Option<After>,
    /// Places at 100 %, the surest first.
    pub places: Vec<Place>,
    /// What can be pointed at, the largest first.
    pub regions: Vec<Region>,
    /// Outline of what shows the plate, as an SVG path in pixels of the pictures.
    pub mask: String,
}

impl Pictures {
    /// Makes a frame's pictures; `hand_work` is what there is to look at, the surest first.
    ///
    /// Together they take at most [`MAX_FRAME_BYTES`] in the page. Holds two copies of at most 1280 px
    /// beside the frame. `None` when no picture can be coded, which a frame that was read allows.
    pub fn of(shown: &Shown<'_>, hand_work: &[HandWork]) -> Option<Self> {
        let places = places_of_a_merge(shown, hand_work)?;
        let copies = |side| Copies::of(shown, side);
        let made = Self::fitted(shown.lit.size, places, copies)?;
        let (size, scale) = (made.size, made.scale);
        Some(Self {
            regions: shown
                .pieces
                .map(|pieces| regions(&pieces, (size, scale), hand_work))
                .unwrap_or_default(),
            mask: mask_outline(shown.mask, size, scale),
            ..made
        })
    }

    /// A lit frame beside its plate; `told` is what there is to look at, the heaviest first.
    ///
    /// As [`Pictures::of`]; a plate of another extent is left out.
    pub fn of_pair(pair: &ShotPair<'_>, told: &[HandWork]) -> Option<Self> {
        let places = places_of_a_check(pair, told)?;
        let copies = |side| Copies::of_pair(pair, side);
        Self::fitted(pair.lit.size, places, copies)
    }

    /// The largest and best pictures that stay within the budget.
    fn fitted(
        full: Size,
        mut places: Vec<Place>,
        copies: impl Fn(usize) -> Copies,
    ) -> Option<Self> {
        while places.len() > 1 && places_bytes(&places) > MAX_FRAME_BYTES / 2 {
            places.pop();
        }
        let mut tried = None;
        for side in SIDES {
            let (before, after) = copies(side).coded(places_bytes(&places))?;
            let fits = MAX_FRAME_BYTES >= total(&places, &before, after.as_ref());
            tried = Some((side, before, after));
            if fits {
                break;
            }
        }
        let (side, before, after) = tried?;
        let scale = scale(full, side);
        let size = Size {
            columns: (full.columns / scale).max(1),
            rows: (full.rows / scale).max(1),
        };
        Some(Self {
            full,
            size,
            scale,
            before,
            after,
            places,
            regions: Vec::new(),
            mask: String::new(),
        })
    }

    /// All pictures with names that tell them apart.
    pub fn pictures_mut(&mut self) -> impl Iterator<Item = (String, &mut Picture)> {
        let after = self.after.iter_mut().map(|a| &mut a.picture);
        let large = [("before".to_owned(), &mut self.before)]
            .into_iter()
            .chain(after.map(|picture| ("after".to_owned(), picture)));
        let places = self.places.iter_mut().enumerate().flat_map(|(i, place)| {
            let number = i + 1;
            [
                (format!("place-{number}-before"), &mut place.before),
                (format!("place-{number}-after"), &mut place.after),
            ]
        });
        large.chain(places)
    }

    /// Bytes of the pictures in the page.
    pub fn page_bytes(&self) -> usize {
        total(&self.places, &self.before, self.after.as_ref())
    }
}

fn scale(full: Size, side: usize) -> usize {
    full.long_side().div_ceil(side).max(1)
}

fn total(places: &[Place], before: &Picture, after: Option<&After>) -> usize {
    let after = after.map_or(0, |a| a.picture.page_bytes());
    places_bytes(places) + before.page_bytes() + after
}

fn places_bytes(places: &[Place]) -> usize {
    let both = places
        .iter()
        .map(|p| p.before.page_bytes() + p.after.page_bytes());
    both.sum()
}

/// Copies for a screen.
struct Copies {
    before: Samples,
    after: Option<(Samples, Window)>,
}

impl Copies {
    fn of(shown: &Shown<'_>, side: usize) -> Self {
        let before = screen_copy(shown.lit, shown.encoding, side);
        let scale = scale(shown.lit.size, side);
        let after = replaced(shown.mask, scale, before.size).map(|part| {
            let mut after = screen_copy(shown.merged, shown.encoding, side);
            // A margin of one block: decoders smooth chroma across blocks.
            flatten(&mut after, &part.grown(BLOCK, before.size));
            (after, part)
        });
        Self { before, after }
    }

    fn of_pair(pair: &ShotPair<'_>, side: usize) -> Self {
        let before = screen_copy(pair.lit, pair.lit_encoding, side);
        let whole = Window {
            left: 0,
            top: 0,
            right: before.size.columns,
            bottom: before.size.rows,
        };
        let after = (pair.lit.size == pair.plate.size)
            .then(|| (screen_copy(pair.plate, pair.plate_encoding, side), whole));
        Self { before, after }
    }

    /// The best quality that fits beside what else there is; else the lowest.
    fn coded(&self, spent: usize) -> Option<(Picture, Option<After>)> {
        let coded = |quality: u8| -> Option<(Picture, Option<After>)> {
            let before = Picture::Here(screen_jpeg(&self.before, quality)?);
            let after = match &self.after {
                Some((after, part)) => Some(After {
                    picture: Picture::Here(screen_jpeg(after, quality)?),
                    part: *part,
                }),
                None => None,
            };
            Some((before, after))
        };
        let mut last = None;
        for quality in QUALITIES {
            let (before, after) = coded(quality)?;
            let both = before.page_bytes() + after.as_ref().map_or(0, |a| a.picture.page_bytes());
            last = Some((before, after));
            if both + spent <= MAX_FRAME_BYTES {
                break;
            }
        }
        last
    }
}

/// Whole blocks with all that was replaced.
fn replaced(mask: &Plane<u16>, scale: usize, size: Size) -> Option<Window> {
    let mut found: Option<[usize; 4]> = None;
    for y in 0..mask.rows() {
        let row = mask.row(y);
        let Some(left) = row.iter().position(|&share| share > 0) else {
            continue;
        };
        let right = row.iter().rposition(|&share| share > 0).unwrap_or(left);
        let [l, t, r, _] = found.unwrap_or([left, y, right, y]);
        found = Some([l.min(left), t, r.max(right), y]);
    }
    let [left, top, right, bottom] = found?.map(|full| full / scale);
    let down = |at: usize| at / BLOCK * BLOCK;
    let up = |at: usize, limit: usize| ((at / BLOCK + 1) * BLOCK).min(limit);
    let window = Window {
        left: down(left),
        top: down(top),
        right: up(right, size.columns),
        bottom: up(bottom, size.rows),
    };
    // What was replaced may lie in columns that the copy leaves over.
    (window.left < window.right && window.top < window.bottom).then_some(window)
}

fn flatten(picture: &mut Samples, kept: &Window) {
    let (columns, step) = (picture.size.columns, picture.layout.count());
    let CodeValues::Eight(values) = &mut picture.values else {
        return;
    };
    for (y, row) in values.chunks_exact_mut(columns * step).enumerate() {
        if (kept.top..kept.bottom).contains(&y) {
            row[..kept.left * step].fill(CUT_OFF);
            row[kept.right * step..].fill(CUT_OFF);
        } else {
            row.fill(CUT_OFF);
        }
    }
}

#[cfg(test)]
mod tests;
