//! What the page shows of one frame, small enough to be looked at by the hundred.
//!
//! Before and after are one JPEG each, of one size, so that a wipe between them moves nothing. The
//! cleaned picture is flat grey wherever nothing was replaced: those blocks cost next to nothing, the
//! page cuts them off, and blocks that did not change are coded like those of the lit frame.

use crate::photo::{screen_copy, screen_jpeg};
use crate::report::{Box2, HandWork};
use crate::scene::{CodeValues, Encoding, Plane, Samples, Size, Window};

use super::regions::{Pieces, Region, mask_outline, regions};

/// All pictures of a frame, as they stand in the page (base64), bytes: with outlines and words a frame
/// takes less than 300 000.
pub const MAX_FRAME_BYTES: usize = 230_000;
/// Long sides of the pictures, px: the first one for which they fit.
const SIDES: [usize; 4] = [1280, 960, 640, 320];
/// JPEG qualities (T.81 annex K scaling), the best first.
const QUALITIES: [u8; 6] = [90, 84, 76, 67, 57, 46];
/// Quality of places at 100 %, where detail is looked at.
const PLACE_QUALITY: u8 = 88;
/// Extent of a place at 100 %, px.
const PLACE: Size = Size {
    columns: 288,
    rows: 216,
};
/// Places shown at 100 % a frame; the rest is named and outlined.
const MAX_PLACES: usize = 3;
/// Blocks of JPEG with chroma at half size, px.
const BLOCK: usize = 16;
/// Cells in which the busiest place is looked for, px at full size.
const CELL: usize = 16;
/// Code value where the cleaned picture is cut off.
const CUT_OFF: u8 = 128;

/// A frame at hand: everything upright, at full size.
#[derive(Debug, Clone, Copy)]
pub struct Shown<'a> {
    /// The lit frame.
    pub lit: &'a Samples,
    /// Its encoding, and the merge's.
    pub encoding: &'a Encoding,
    /// The cleaned frame.
    pub merged: &'a Samples,
    /// Share of the plate, 0 keep lit .. 65 535 take plate.
    pub mask: &'a Plane<u16>,
    /// What was decided; without it there are no regions to point at.
    pub pieces: Option<Pieces<'a>>,
}

/// JPEG data, or where it lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Picture {
    /// In memory, to stand in the page itself.
    Here(Vec<u8>),
    /// In a file; the address as the page names it.
    Beside(String),
}

impl Picture {
    /// Bytes in the page: base64 takes four for three.
    fn page_bytes(&self) -> usize {
        match self {
            Self::Here(jpeg) => jpeg.len().div_ceil(3) * 4,
            Self::Beside(address) => address.len(),
        }
    }
}

/// The cleaned frame, and the part of it that differs from the lit frame.
#[derive(Debug, Clone, PartialEq)]
pub struct After {
    /// As large as the lit frame's picture, flat outside of `part` and its margin.
    pub picture: Picture,
    /// In pixels of the picture.
    pub part: Window,
}

/// A place at 100 %: one pixel of the frame a pixel.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// What is told of it, in pixels at full size.
    pub told: HandWork,
    /// What is shown, in pixels at full size.
    pub cut: Box2,
    /// The lit frame there.
    pub before: Picture,
    /// The cleaned frame there.
    pub after: Picture,
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
        let full = shown.lit.size;
        let mut places = places(shown, hand_work)?;
        while places.len() > 1 && places_bytes(&places) > MAX_FRAME_BYTES / 2 {
            places.pop();
        }
        let mut tried = None;
        for side in SIDES {
            let (before, after) = Copies::of(shown, side).coded(places_bytes(&places))?;
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
            regions: shown
                .pieces
                .map(|pieces| regions(&pieces, (size, scale), hand_work))
                .unwrap_or_default(),
            mask: mask_outline(shown.mask, size, scale),
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

/// The places told, at 100 %; where none is, the one where most of the mask's rim runs.
fn places(shown: &Shown<'_>, hand_work: &[HandWork]) -> Option<Vec<Place>> {
    let full = shown.lit.size;
    let whole = Box2 {
        x: 0,
        y: 0,
        width: full.columns,
        height: full.rows,
    };
    let told: Vec<HandWork> = if hand_work.is_empty() {
        let any = shown.mask.as_slice().iter().any(|&share| share > 0);
        any.then(|| HandWork {
            place: whole,
            reason: "nothing is told against it: where most of the mask's rim runs".to_owned(),
            confidence: 0.0,
        })
        .into_iter()
        .collect()
    } else {
        apart(shown, hand_work)
    };
    told.into_iter()
        .map(|told| {
            let cut = busiest(shown, &told.place);
            let coded = |picture: &Samples| {
                let part = screen_copy(&cropped(picture, &cut), shown.encoding, usize::MAX);
                screen_jpeg(&part, PLACE_QUALITY).map(Picture::Here)
            };
            let (before, after) = (coded(shown.lit)?, coded(shown.merged)?);
            Some(Place {
                told,
                cut,
                before,
                after,
            })
        })
        .collect()
}

/// The surest places of which none is to be seen in what another one shows.
fn apart(shown: &Shown<'_>, hand_work: &[HandWork]) -> Vec<HandWork> {
    let mut chosen: Vec<(Box2, HandWork)> = Vec::new();
    for work in hand_work {
        if chosen.len() == MAX_PLACES {
            break;
        }
        let (x, y) = (
            work.place.x + work.place.width / 2,
            work.place.y + work.place.height / 2,
        );
        let is_seen = |(cut, _): &(Box2, HandWork)| {
            (cut.x..cut.x + cut.width).contains(&x) && (cut.y..cut.y + cut.height).contains(&y)
        };
        if !chosen.iter().any(is_seen) {
            chosen.push((busiest(shown, &work.place), work.clone()));
        }
    }
    chosen.into_iter().map(|(_, work)| work).collect()
}

/// The window of a place's extent that shows all of `within`, or, where that is larger, most of the
/// mask's rim in it, or of the pieces where no mask is.
fn busiest(shown: &Shown<'_>, within: &Box2) -> Box2 {
    let full = shown.lit.size;
    if within.width <= PLACE.columns && within.height <= PLACE.rows {
        return placed(full, centred(within));
    }
    let cells = Size {
        columns: full.columns.div_ceil(CELL),
        rows: full.rows.div_ceil(CELL),
    };
    let inside = |x: usize, y: usize| {
        (within.x..within.x + within.width).contains(&x)
            && (within.y..within.y + within.height).contains(&y)
    };
    let counted = |is_seen: &(dyn Fn(usize, usize) -> bool + Sync)| {
        Plane::from_fn(cells, |cx, cy| {
            let across = cx * CELL..((cx + 1) * CELL).min(full.columns);
            (cy * CELL..((cy + 1) * CELL).min(full.rows))
                .flat_map(|y| across.clone().map(move |x| (x, y)))
                .filter(|&(x, y)| inside(x, y) && is_seen(x, y))
                .count() as u32
        })
    };
    let rim = |x: usize, y: usize| (1..u16::MAX).contains(shown.mask.at(x, y));
    let mut counts = counted(&rim);
    if counts.as_slice().iter().all(|&n| n == 0)
        && let Some(pieces) = shown.pieces
    {
        let numbers = pieces.numbers;
        counts = counted(&|x, y| {
            let at = |v: usize, limit: usize| (v / pieces.factor).min(limit - 1);
            *numbers.at(at(x, numbers.columns()), at(y, numbers.rows())) > 0
        });
    }
    let around = [PLACE.columns / CELL, PLACE.rows / CELL];
    let sum = |cx: usize, cy: usize| -> u32 {
        let (right, bottom) = (
            (cx + around[0]).min(cells.columns),
            (cy + around[1]).min(cells.rows),
        );
        (cy..bottom)
            .flat_map(|y| &counts.row(y)[cx..right])
            .sum::<u32>()
    };
    let best = (0..cells.area())
        .map(|at| (at % cells.columns, at / cells.columns))
        .map(|(cx, cy)| (sum(cx, cy), cx, cy))
        // The first of equals.
        .fold(
            (0, 0, 0),
            |best, next| if next.0 > best.0 { next } else { best },
        );
    match best {
        (0, ..) => placed(full, centred(within)),
        (_, cx, cy) => placed(full, [cx * CELL, cy * CELL]),
    }
}

/// Corner of a place that has the middle of a box in its middle.
fn centred(within: &Box2) -> [usize; 2] {
    [
        (within.x + within.width / 2).saturating_sub(PLACE.columns / 2),
        (within.y + within.height / 2).saturating_sub(PLACE.rows / 2),
    ]
}

fn placed(full: Size, corner: [usize; 2]) -> Box2 {
    let width = PLACE.columns.min(full.columns);
    let height = PLACE.rows.min(full.rows);
    Box2 {
        x: corner[0].min(full.columns - width),
        y: corner[1].min(full.rows - height),
        width,
        height,
    }
}

fn cropped(picture: &Samples, cut: &Box2) -> Samples {
    let step = picture.layout.count();
    let stride = picture.size.columns * step;
    let rows = |at: usize| at * stride + cut.x * step..at * stride + (cut.x + cut.width) * step;
    let ranges = (cut.y..cut.y + cut.height).map(rows);
    Samples {
        size: Size {
            columns: cut.width,
            rows: cut.height,
        },
        layout: picture.layout,
        values: match &picture.values {
            CodeValues::Eight(v) => CodeValues::Eight(ranges.flat_map(|r| v[r].to_vec()).collect()),
            CodeValues::Sixteen(v) => {
                CodeValues::Sixteen(ranges.flat_map(|r| v[r].to_vec()).collect())
            }
        },
    }
}

#[cfg(test)]
mod tests;
